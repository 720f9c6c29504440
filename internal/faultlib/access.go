package faultlib

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/parser"
	"github.com/expr-lang/expr/vm"

	"nextprobe/internal/problem"
)

// condition is a compiled condition over board facts.
type condition struct{ program *vm.Program }

// accessIf reads the conditions that replace a measurement's access.
func (ld *loader) accessIf(m *mapping) []AccessIf {
	var out []AccessIf
	for _, it := range m.list("access_if") {
		a := ld.mapping(it.node, it.path, "when", "access")
		if a == nil {
			continue
		}
		x := AccessIf{When: a.needText("when"), Access: a.needText("access")}
		if !ld.hasOpening(x.Access) {
			ld.unknown("access_states", a.at("access"), "access state", x.Access)
		}
		if x.When != "" {
			if err := ld.condition(&x); err != nil {
				ld.failAt(a.at("when"), "%v", err)
			}
		}
		out = append(out, x)
	}
	return out
}

// condition compiles a condition: facts compared with the values they may have,
// joined by and, or, not. Nothing else is allowed, so that evaluating it is
// bounded by its length and cannot fail.
func (ld *loader) condition(x *AccessIf) error {
	if len(x.When) > 500 {
		return fmt.Errorf("a condition over board facts has at most 500 characters")
	}
	tree, err := parser.Parse(x.When)
	if err != nil {
		return fmt.Errorf("not a condition: %s", firstLine(err))
	}
	if err := ld.factTree(tree.Node); err != nil {
		return err
	}
	if b, ok := tree.Node.(*ast.BinaryNode); ok && b.Operator == "==" {
		x.Fact, x.Value = factAndValue(b)
	}
	env := map[string]string{}
	for _, f := range ld.lib.Meta.BoardFacts {
		env[f.ID] = f.Default
	}
	p, err := expr.Compile(x.When, expr.Env(env), expr.AsBool(), expr.DisableAllBuiltins())
	if err != nil {
		return fmt.Errorf("not a condition: %s", firstLine(err))
	}
	x.condition.program = p
	return nil
}

func firstLine(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

func factAndValue(b *ast.BinaryNode) (fact, value string) {
	for _, pair := range [][2]ast.Node{{b.Left, b.Right}, {b.Right, b.Left}} {
		f, isFact := pair[0].(*ast.IdentifierNode)
		v, isText := pair[1].(*ast.StringNode)
		if isFact && isText {
			return f.Value, v.Value
		}
	}
	return "", ""
}

func (ld *loader) factTree(n ast.Node) error {
	switch n := n.(type) {
	case *ast.UnaryNode:
		if n.Operator == "not" || n.Operator == "!" {
			return ld.factTree(n.Node)
		}
	case *ast.BinaryNode:
		switch n.Operator {
		case "and", "or", "&&", "||":
			if err := ld.factTree(n.Left); err != nil {
				return err
			}
			return ld.factTree(n.Right)
		case "==", "!=":
			fact, value := factAndValue(n)
			if fact == "" {
				break
			}
			i := slices.IndexFunc(ld.lib.Meta.BoardFacts, func(f BoardFact) bool { return f.ID == fact })
			if i < 0 {
				return fmt.Errorf("no board fact %q; meta.board_facts has %s", fact, ld.factNames())
			}
			if values := ld.lib.Meta.BoardFacts[i].Values; !contains(values, value) {
				return fmt.Errorf("the board fact %s is never %q; its values are %s", fact, value, strings.Join(values, ", "))
			}
			return nil
		}
	}
	return fmt.Errorf("only comparisons such as motor_plug == 'external', joined by and, or, not, are allowed here")
}

func (ld *loader) factNames() string {
	var names []string
	for _, f := range ld.lib.Meta.BoardFacts {
		names = append(names, f.ID)
	}
	if names == nil {
		return "none"
	}
	return strings.Join(names, ", ")
}

// Facts fills in the defaults and checks the values given. The error is invalid
// and names the field `<prefix>.<fact>`.
func (l *Library) Facts(given map[string]string, prefix string) (map[string]string, error) {
	out := make(map[string]string, len(l.Meta.BoardFacts))
	for _, f := range l.Meta.BoardFacts {
		out[f.ID] = f.Default
	}
	var wrong []problem.Field
	for _, id := range slices.Sorted(maps.Keys(given)) {
		f := l.BoardFact(id)
		switch {
		case f == nil:
			wrong = append(wrong, problem.Field{Field: join(prefix, id), Message: "the library has no board fact of that name"})
		case !contains(f.Values, given[id]):
			wrong = append(wrong, problem.Field{Field: join(prefix, id), Message: fmt.Sprintf("%q; give one of %s", given[id], strings.Join(f.Values, ", "))})
		default:
			out[id] = given[id]
		}
	}
	return out, problem.InFields(wrong)
}

// AccessOf returns the opening that a measurement needs on a board with these
// facts; a fact that is not given, or has a value the library does not know, has
// its default. The first condition that holds wins. It is "" for an unknown
// measurement.
func (l *Library) AccessOf(measurement string, facts map[string]string) string {
	m := l.Measurement(measurement)
	if m == nil {
		return ""
	}
	if len(m.AccessIf) == 0 {
		return m.Access
	}
	env := make(map[string]string, len(l.Meta.BoardFacts))
	for i := range l.Meta.BoardFacts {
		f := &l.Meta.BoardFacts[i]
		env[f.ID] = f.Default
		if v, ok := facts[f.ID]; ok && contains(f.Values, v) {
			env[f.ID] = v
		}
	}
	for _, a := range m.AccessIf {
		if a.condition.program == nil {
			continue
		}
		// The check at loading leaves nothing that can fail here.
		if holds, err := expr.Run(a.condition.program, env); err == nil && holds == true {
			return a.Access
		}
	}
	return m.Access
}
