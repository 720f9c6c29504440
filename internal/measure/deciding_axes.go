package measure

import (
	"maps"
	"slices"

	"github.com/expr-lang/expr/ast"

	"nextprobe/internal/units"
)

// axis is a value that conditions compare with limits.
type axis struct {
	name   string // "" for an expression
	text   string // the expression
	value  *program
	unit   units.Unit
	inputs map[string]bool // measured numbers it rests on
	limits map[string]bool // inputs that the limits rest on
	barred bool            // it cannot be drawn: see findAxes
}

// findAxes lists the values that the conditions compare, in the order of the
// outcomes. One is barred where it is also asked for equality, which is no limit, and
// where another condition rests on a measured number of its own: then it cannot
// change without the other.
func (m *Measurement) findAxes() []axis {
	var out []axis
	ru := run{m: m}
	for i := range m.outcomes {
		for _, r := range compared(m.outcomes[i].reason) {
			p, other := m.sides(r)
			k := slices.IndexFunc(out, func(a axis) bool { return a.text == p.src })
			if k < 0 {
				k = len(out)
				a := axis{text: p.src, value: p, unit: ru.unitFor(p, other), inputs: m.measured(p), limits: map[string]bool{}}
				if id, ok := p.node.(*ast.IdentifierNode); ok {
					a.name = id.Value
				}
				out = append(out, a)
			}
			for in := range m.reads(other) {
				out[k].limits[in] = true
			}
			out[k].barred = out[k].barred || r.op == "==" || r.op == "!="
		}
	}
	for i := range out {
		for _, o := range m.outcomes {
			out[i].barred = out[i].barred || m.entangled(o.reason, &out[i])
		}
	}
	return out
}

// entangled reports a part of a condition that does not compare the value a and yet
// rests on what it rests on.
func (m *Measurement) entangled(r *reason, a *axis) bool {
	switch r.op {
	case "and", "or", "not":
		return slices.ContainsFunc(r.kids, func(k *reason) bool { return m.entangled(k, a) })
	case "":
	default:
		if isGuard(r) {
			return false
		}
		if value, _ := m.sides(r); value.src == a.text {
			return false
		}
	}
	rests := m.measured(r.whole)
	return slices.ContainsFunc(m.inputs, func(in input) bool { return rests[in.ID] && a.inputs[in.ID] })
}

// compared lists the comparisons of numbers in a condition.
func compared(r *reason) []*reason {
	switch r.op {
	case "":
		return nil
	case "and", "or", "not":
		var out []*reason
		for _, k := range r.kids {
			out = append(out, compared(k)...)
		}
		return out
	}
	if r.left.typ.kind != kindNumber || r.right.typ.kind != kindNumber {
		return nil // texts, and the guard against null
	}
	return []*reason{r}
}

// sides tells the value of a comparison from its limit: the limit is the side of
// numbers and parameters, or the right one. The value of abs(x) is x.
func (m *Measurement) sides(r *reason) (value, limit *program) {
	switch {
	case m.fixed(r.left):
		return r.right, r.left
	case r.signed != nil:
		return r.signed, r.right
	}
	return r.left, r.right
}

// reads lists the inputs an expression rests on, however deeply.
func (m *Measurement) reads(p *program) map[string]bool {
	out := map[string]bool{}
	var visit func(p *program)
	visit = func(p *program) {
		for _, n := range p.names {
			if m.byID[n] != nil {
				out[n] = true
			}
			for i := range m.steps {
				if m.steps[i].ID == n && m.steps[i].prog != nil {
					visit(m.steps[i].prog)
				}
			}
		}
	}
	visit(p)
	return out
}

// measured is reads without what is counted or chosen and not measured.
func (m *Measurement) measured(p *program) map[string]bool {
	out := m.reads(p)
	maps.DeleteFunc(out, func(id string, _ bool) bool {
		in := m.byID[id]
		return in.integer || (in.kind != kindNumber && in.kind != kindList)
	})
	return out
}
