package measure

import (
	"fmt"
	"math"
	"strings"

	"github.com/expr-lang/expr/ast"

	"nextprobe/internal/units"
)

// reason is a condition taken apart so that the sentence can show the comparison
// that decided.
type reason struct {
	op          string // and, or, not, a comparison, or "" for a bare truth value
	kids        []*reason
	whole       *program // the condition itself
	left, right *program // the sides of a comparison
	signed      *program // x, where left is abs(x)
}

// newReason compiles the parts of a condition that has already been checked.
func newReason(n ast.Node, sc scope) *reason {
	r := &reason{}
	r.whole, _ = compileNode(n.String(), n, sc)
	switch n := n.(type) {
	case *ast.UnaryNode:
		if n.Operator == "not" || n.Operator == "!" {
			r.op, r.kids = "not", []*reason{newReason(n.Node, sc)}
		}
	case *ast.BinaryNode:
		switch n.Operator {
		case "and", "&&", "or", "||":
			r.op = map[string]string{"and": "and", "&&": "and", "or": "or", "||": "or"}[n.Operator]
			r.kids = []*reason{newReason(n.Left, sc), newReason(n.Right, sc)}
		case "<", "<=", ">", ">=", "==", "!=":
			r.left, _ = compileNode(n.Left.String(), n.Left, sc)
			r.right, _ = compileNode(n.Right.String(), n.Right, sc)
			if r.left != nil && r.right != nil {
				r.op = n.Operator
				if x, ok := magnitudeOf(n.Left, sc); ok {
					r.signed, _ = compileNode(x.String(), x, sc)
				}
			}
		}
	}
	return r
}

var opWords = map[string][2]string{ // what it reads when true, when false
	"<": {"is below", "is not below"}, "<=": {"is at most", "is above"},
	">": {"is above", "is not above"}, ">=": {"is at least", "is below"},
	"==": {"is", "is not"}, "!=": {"is not", "is"},
}

func (ru *run) holds(r *reason) bool {
	if r.whole == nil {
		return false
	}
	v, err := r.whole.run(&ru.vm, ru.env)
	b, _ := v.(bool)
	return err == nil && b
}

// because lists the comparisons that make r come out as want.
func (ru *run) because(r *reason, want bool) []string {
	switch r.op {
	case "not":
		return ru.because(r.kids[0], !want)
	case "and", "or":
		var out []string
		for _, k := range r.kids {
			if ru.holds(k) != want {
				continue
			}
			out = append(out, ru.because(k, want)...)
			if (r.op == "or") == want {
				return out // one part is enough to decide
			}
		}
		return out
	case "":
		if r.whole == nil || len(r.whole.names) == 0 {
			return nil
		}
		word := "no"
		if want {
			word = "yes"
		}
		return []string{ru.m.phrase(r.whole.node) + " – " + word}
	}
	if r.left.typ.kind == kindNull || r.right.typ.kind == kindNull {
		return nil // it only guards another comparison
	}
	if r.op == "==" && want && len(r.right.names) == 0 {
		return []string{ru.first(r)}
	}
	i := 0
	if !want {
		i = 1
	}
	if r.signed != nil && boundWords[r.op][i] != "" {
		return []string{ru.first(r) + boundWords[r.op][i] + ru.limit(r)}
	}
	return []string{ru.first(r) + " " + opWords[r.op][i] + " " + ru.limit(r)}
}

// boundWords are opWords for a magnitude.
var boundWords = map[string][2]string{
	"<": {" is within ±", " is outside ±"}, "<=": {" is within ±", " is outside ±"},
	">": {" is outside ±", " is within ±"}, ">=": {" is outside ±", " is within ±"},
}

// first prints the left side of a comparison: what it is and its value with unit.
func (ru *run) first(r *reason) string {
	p := r.left
	if r.signed != nil {
		p = r.signed
	}
	v, err := p.run(&ru.vm, ru.env)
	if err != nil {
		return ru.m.phrase(p.node)
	}
	text := ru.show(v, ru.unitFor(r.left, r.right))
	if len(p.names) == 0 {
		return text
	}
	if said := ru.spoken(p); said != "" {
		return ru.m.withValue(p.node, said)
	}
	if _, isText := v.(string); isText {
		return ru.m.phrase(p.node) + " – " + text
	}
	return ru.m.withValue(p.node, text)
}

// limit prints the right side: its value, and where it comes from when that is
// not the library but a reading.
func (ru *run) limit(r *reason) string {
	v, err := r.right.run(&ru.vm, ru.env)
	if err != nil {
		return ru.m.phrase(r.right.node)
	}
	text := ru.show(v, ru.unitFor(r.right, r.left))
	if ru.m.fixed(r.right) {
		return text
	}
	return text + " (" + ru.m.phrase(r.right.node) + ")"
}

// fixed reports an expression of numbers and parameters only.
func (m *Measurement) fixed(p *program) bool {
	for _, n := range p.names {
		if _, ok := m.def.Params[n]; !ok {
			return false
		}
	}
	return true
}

// unitFor returns the unit a side is shown in: its own where it has one, else
// that of the other side (a limit is in the unit of what it limits).
func (ru *run) unitFor(p, other *program) units.Unit {
	if u, ok := ru.unitOf(p); ok {
		return u
	}
	if u, ok := ru.unitOf(other); ok {
		return u
	}
	c := compiler{m: ru.m}
	if u, ok := c.displayUnit(p.node); ok {
		return u
	}
	u, _ := c.displayUnit(other.node)
	return u
}

// unitOf knows the unit of an input, a computed value, and of a list function of such.
func (ru *run) unitOf(p *program) (units.Unit, bool) {
	n := p.node
	for {
		switch x := n.(type) {
		case *ast.IdentifierNode:
			if in := ru.m.byID[x.Value]; in != nil {
				return in.unit, in.unit != units.Unit{}
			}
			for _, s := range ru.m.steps {
				if s.ID == x.Value {
					return s.unit, s.unit != units.Unit{}
				}
			}
			return units.Unit{}, false
		case *ast.CallNode:
			switch x.Callee.String() {
			case "abs", "min", "max", "mean", "median":
				n = x.Arguments[0]
				continue
			}
		case *ast.BinaryNode:
			// 0.7 * v_nominal is in the unit of v_nominal; a product of two readings is not.
			if x.Operator == "*" && len(p.names) == 1 {
				n = x.Right
				if _, constant := x.Left.(*ast.IdentifierNode); constant {
					n = x.Left
				}
				continue
			}
		}
		return units.Unit{}, false
	}
}

// show prints a value in its own unit, so that limit and value compare at a glance.
func (ru *run) show(v any, u units.Unit) string {
	switch x := v.(type) {
	case nil:
		return "unknown"
	case float64:
		return quantityText(x, u)
	case bool:
		if x {
			return "yes"
		}
		return "no"
	case string:
		return strings.ReplaceAll(x, "_", " ")
	}
	return fmt.Sprint(v)
}

// quantityText prints a number with its unit as it stands, four digits at most.
func quantityText(x float64, u units.Unit) string {
	switch {
	case !finite(x):
		return "beyond any limit"
	case u.IsResistance() && x >= OpenOhms:
		return "over range"
	case u.Symbol() == "":
		return units.Number(x, 4)
	case u.Symbol() == "°":
		return units.Number(x, 4) + "°"
	}
	return units.Number(x, 4) + " " + u.Symbol()
}

// explain makes the sentence for outcome i: for an abnormal one the comparison
// that decided, for the one that catches the rest the limits that were kept.
func (ru *run) explain(i int) string {
	o := &ru.m.outcomes[i]
	found := ru.because(o.reason, true)
	if len(found) == 0 {
		found = ru.kept(i)
	}
	if len(found) == 0 {
		return sentence(o.Outcome, "")
	}
	return sentence(o.Outcome, strings.Join(found, ", "))
}

// margin is a comparison whose value a sentence shows, with the nearest limits around it that
// it kept; an infinite one is none.
type margin struct {
	by           *reason
	lower, upper float64
}

// kept lists at most three values with the limits that the earlier outcomes would
// have needed, the one nearest to normal first. Of several limits on one side the
// nearest counts: it is the one that the next reading would meet.
func (ru *run) kept(i int) []string {
	var bounds []*margin
	at := map[string]*margin{}
	for j := i - 1; j >= 0; j-- {
		for _, c := range comparisons(ru.m.outcomes[j].reason) {
			v, err := c.left.run(&ru.vm, ru.env)
			x, isNumber := v.(float64)
			w, err2 := c.right.run(&ru.vm, ru.env)
			limit, isLimit := w.(float64)
			if err != nil || err2 != nil || !isNumber || !isLimit || ru.holds(c) || len(c.left.names) == 0 || isProduct(c.left) || !finite(x) {
				continue
			}
			b := at[c.left.src]
			if b == nil {
				b = &margin{by: c, lower: math.Inf(-1), upper: math.Inf(1)}
				at[c.left.src] = b
				bounds = append(bounds, b)
			}
			if c.op == ">" || c.op == ">=" {
				b.upper = math.Min(b.upper, limit)
			} else {
				b.lower = math.Max(b.lower, limit)
			}
		}
	}
	var out []string
	for _, b := range bounds[:min(3, len(bounds))] {
		out = append(out, ru.first(b.by)+" ("+ru.limits(b)+")")
	}
	return out
}

// limits words what a value kept: one limit, or the two that it lies between.
func (ru *run) limits(b *margin) string {
	u := ru.unitFor(b.by.left, b.by.right)
	switch {
	case b.by.signed != nil:
		return "limit ±" + quantityText(min(b.upper, math.Abs(b.lower)), u)
	case !math.IsInf(b.lower, 0) && !math.IsInf(b.upper, 0):
		return "between " + quantityText(b.lower, u) + " and " + quantityText(b.upper, u)
	case math.IsInf(b.upper, 0):
		return "limit " + quantityText(b.lower, u)
	}
	return "limit " + quantityText(b.upper, u)
}

// isProduct reports a product of two values, which has a sign but no limit a
// reader could do anything with.
func isProduct(p *program) bool {
	b, ok := p.node.(*ast.BinaryNode)
	return ok && b.Operator == "*" && len(p.names) > 1
}

func comparisons(r *reason) []*reason {
	switch r.op {
	case "and", "or", "not":
		var out []*reason
		for _, k := range r.kids {
			out = append(out, comparisons(k)...)
		}
		return out
	case "<", "<=", ">", ">=":
		return []*reason{r}
	}
	return nil
}
