package measure

import (
	"fmt"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/vm"

	"nextprobe/internal/units"
)

// reachable reports outcomes that provably never come up: behind a condition
// that is always true, with one that is never true, or with one that needs a
// value an earlier outcome has already taken. It also reports a gap: a last
// outcome that does not catch the rest. What cannot be proven is not reported.
func (c *compiler) reachable() {
	var taken []bound
	last := len(c.m.outcomes) - 1
	for i, o := range c.m.outcomes {
		if o.prog == nil {
			return // the condition itself was faulty and is reported
		}
		path := fmt.Sprintf("outcomes[%d].when", i)
		truth, constant := c.constant(o.prog)
		switch {
		case constant && !truth:
			c.issue(path, "%s: the condition is never true, so the outcome can never be reached", o.ID)
		case constant && i < last:
			c.issue(path, "%s: the condition is always true, so the outcomes after it can never be reached", o.ID)
			return
		case i == last && !constant:
			c.issue(path, "%s: the last outcome must be %q, else some readings have no outcome", o.ID, "true")
		}
		for _, need := range c.bounds(o.prog.node, "and") {
			for _, t := range taken {
				if need.within(t) {
					c.issue(path, "%s: can never be reached, %s holds only where %s (an earlier outcome) already does", o.ID, need, t)
				}
			}
		}
		taken = append(taken, c.bounds(o.prog.node, "or")...)
	}
}

// constant evaluates a condition that names nothing but parameters.
func (c *compiler) constant(p *program) (value, ok bool) {
	env := map[string]any{}
	for _, n := range p.names {
		v, isParam := c.m.def.Params[n]
		if !isParam {
			return false, false
		}
		env[n] = v
	}
	v, err := p.run(&vm.VM{}, env)
	if err != nil {
		return false, false
	}
	b, ok := v.(bool)
	return b, ok
}

// bound is a comparison of some text with a known number.
type bound struct {
	left  string
	op    string
	limit float64
}

func (b bound) String() string {
	return fmt.Sprintf("%s %s %s", b.left, b.op, units.Number(b.limit, 6))
}

// within reports whether every value that satisfies b satisfies t.
func (b bound) within(t bound) bool {
	if b.left != t.left {
		return false
	}
	switch t.op {
	case ">":
		return (b.op == ">" && b.limit >= t.limit) || ((b.op == ">=" || b.op == "==") && b.limit > t.limit)
	case ">=":
		return (b.op == ">" || b.op == ">=" || b.op == "==") && b.limit >= t.limit
	case "<":
		return (b.op == "<" && b.limit <= t.limit) || ((b.op == "<=" || b.op == "==") && b.limit < t.limit)
	case "<=":
		return (b.op == "<" || b.op == "<=" || b.op == "==") && b.limit <= t.limit
	case "==":
		return b.op == "==" && b.limit == t.limit
	}
	return false
}

// bounds lists the comparisons with a known number that a condition is joined
// from by op: every one must hold under "and", any one suffices under "or".
func (c *compiler) bounds(n ast.Node, op string) []bound {
	b, ok := n.(*ast.BinaryNode)
	if !ok {
		return nil
	}
	if b.Operator == op {
		return append(c.bounds(b.Left, op), c.bounds(b.Right, op)...)
	}
	flipped := map[string]string{"<": ">", "<=": ">=", ">": "<", ">=": "<=", "==": "=="}
	if _, cmp := flipped[b.Operator]; !cmp {
		return nil
	}
	if v, ok := c.value(b.Right); ok {
		return []bound{{b.Left.String(), b.Operator, v}}
	}
	if v, ok := c.value(b.Left); ok {
		return []bound{{b.Right.String(), flipped[b.Operator], v}}
	}
	return nil
}

// value evaluates a subtree made of numbers and parameters.
func (c *compiler) value(n ast.Node) (float64, bool) {
	sc := scope{names: map[string]valueType{}, tables: c.m.tables}
	env := map[string]any{}
	for id, v := range c.m.def.Params {
		sc.names[id] = valueType{kind: kindNumber}
		env[id] = v
	}
	p, err := compileNode(n.String(), n, sc)
	if err != nil || p.typ.kind != kindNumber {
		return 0, false
	}
	v, err := p.run(&vm.VM{}, env)
	f, ok := v.(float64)
	return f, ok && err == nil
}

// notePairs remembers which list inputs are combined element by element, so that
// a reading with lists of different lengths is refused by name.
func (c *compiler) notePairs(n ast.Node) {
	switch n := n.(type) {
	case *ast.UnaryNode:
		c.notePairs(n.Node)
	case *ast.BinaryNode:
		c.notePairs(n.Left)
		c.notePairs(n.Right)
	case *ast.CallNode:
		for _, a := range n.Arguments {
			c.notePairs(a)
		}
		if len(n.Arguments) != 2 {
			return
		}
		a, aok := n.Arguments[0].(*ast.IdentifierNode)
		b, bok := n.Arguments[1].(*ast.IdentifierNode)
		if aok && bok && c.scope.names[a.Value].kind == kindList && c.scope.names[b.Value].kind == kindList &&
			c.m.byID[a.Value] != nil && c.m.byID[b.Value] != nil {
			c.m.sameLen = append(c.m.sameLen, [2]string{a.Value, b.Value})
		}
	}
}
