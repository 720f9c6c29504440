package measure

import (
	"fmt"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/vm"

	"nextprobe/internal/units"
)

// Expected says what a good reading is: the meaning of the normal outcomes, and
// for a numeric measurement the limits that the abnormal ones would exceed. A
// condition is worded where it compares one value with a number, a parameter or
// another value (or a multiple of it), or is a plain yes or no; what only several
// conditions together decide is left out. The limits are necessary for the normal
// outcome, not always sufficient.
func (m *Measurement) Expected() string {
	words, telling := m.normalWords()
	lead := upperFirst(strings.Join(words, ", or "))
	if m.def.Kind != Numeric {
		return lead + "."
	}
	var l limits
	last := 0
	for i := range m.outcomes {
		if m.outcomes[i].normal {
			last = i
		}
	}
	for _, o := range m.outcomes[:last] {
		if !o.normal {
			m.collect(&l, o.reason, false)
		}
	}
	parts := l.texts()
	limits := strings.Join(parts, ", ")
	switch {
	case limits == "":
		return lead + "."
	case !telling:
		return upperFirst(limits) + "." // "good" says nothing that the limits do not
	}
	return lead + ": " + limits + "."
}

// normalWords lists the normal outcomes by their meaning, an inspection's by the
// word that the technician chooses. It is not telling when no meaning says more
// than the outcome's name.
func (m *Measurement) normalWords() (out []string, telling bool) {
	for _, o := range m.outcomes {
		if !o.normal {
			continue
		}
		name, meaning := strings.ReplaceAll(o.ID, "_", " "), strings.TrimSuffix(strings.TrimSpace(o.Meaning), ".")
		switch {
		case meaning == "" || meaning == "normal":
			out = append(out, name)
			continue
		case m.def.Kind == Inspection:
			out = append(out, name+" ("+meaning+")")
		default:
			out = append(out, meaning)
		}
		telling = true
	}
	return out, telling
}

// edge is one side of what a value may be: factor times base, base "" for 1.
type edge struct {
	factor float64
	strict bool
	base   string
}

// limit is what is asked of one value: two edges at most, or a word (yes, no).
type limit struct {
	phrase, word string
	magnitude    bool // the upper edge is for the size without sign
	unit         units.Unit
	base         string
	low, high    *edge
}

// limits keeps the order in which the conditions stand.
type limits struct{ list []*limit }

func (l *limits) of(x limit) *limit {
	for _, y := range l.list {
		if y.phrase == x.phrase && y.base == x.base && y.magnitude == x.magnitude && y.word == x.word {
			return y
		}
	}
	l.list = append(l.list, &x)
	return &x
}

// collect adds what must be so for the condition to come out as want.
func (m *Measurement) collect(l *limits, r *reason, want bool) {
	switch r.op {
	case "not":
		m.collect(l, r.kids[0], !want)
	case "and", "or":
		kids := slices.DeleteFunc(slices.Clone(r.kids), isGuard)
		if (r.op == "and") != want && len(kids) > 1 {
			return // one of several is enough: no single value decides
		}
		for _, k := range kids {
			m.collect(l, k, want)
		}
	case "":
		if id, ok := r.whole.node.(*ast.IdentifierNode); ok {
			word := map[bool]string{true: "yes", false: "no"}[want]
			l.of(limit{phrase: lowerFirst(m.Label(id.Value)), word: word})
		}
	case "<", "<=", ">", ">=":
		m.compare(l, r, want)
	}
}

// isGuard reports a comparison with null, which only guards another one.
func isGuard(r *reason) bool {
	return (r.op == "==" || r.op == "!=") && (r.left.typ.kind == kindNull || r.right.typ.kind == kindNull)
}

// compare turns a comparison into an edge.
func (m *Measurement) compare(l *limits, r *reason, want bool) {
	op := r.op
	if !want {
		op = map[string]string{"<": ">=", "<=": ">", ">": "<=", ">=": "<"}[op]
	}
	upper, strict := op[0] == '<', len(op) == 1
	x, ok := m.worded(r.left, upper)
	e, ok2 := m.edgeOf(r.right)
	if !ok || !ok2 {
		return
	}
	ru := run{m: m}
	e.strict, x.base, x.unit = strict, e.base, ru.unitFor(r.left, r.right)
	y := l.of(x)
	if upper {
		y.high = tighter(y.high, e, func(a, b float64) bool { return a < b })
	} else {
		y.low = tighter(y.low, e, func(a, b float64) bool { return a > b })
	}
}

func tighter(old *edge, e edge, closer func(a, b float64) bool) *edge {
	if old == nil || closer(e.factor, old.factor) || (e.factor == old.factor && e.strict) {
		return &e
	}
	return old
}

// worded names the one value on the left of a comparison: a reading, a computed
// value, its size without sign, or every element of a list.
func (m *Measurement) worded(p *program, upper bool) (limit, bool) {
	n, all, magnitude := p.node, false, false
	for range 2 {
		c, ok := n.(*ast.CallNode)
		if !ok {
			break
		}
		name := c.Callee.String()
		switch {
		case name == "abs" && upper:
			magnitude = true
		case len(c.Arguments) == 1 && !all && !magnitude && (name == "max" && upper || name == "min" && !upper):
			all = true // the largest is at most x: every one is
		default:
			return limit{}, false
		}
		n = c.Arguments[0]
	}
	switch x := n.(type) {
	case *ast.IdentifierNode:
	case *ast.BinaryNode:
		_, left := x.Left.(*ast.IdentifierNode)
		_, right := x.Right.(*ast.IdentifierNode)
		if x.Operator != "-" || !left || !right {
			return limit{}, false
		}
	default:
		return limit{}, false
	}
	if len(p.names) == 0 || m.fixed(p) {
		return limit{}, false
	}
	phrase := m.phrase(n)
	if all {
		phrase += " all"
	}
	return limit{phrase: phrase, magnitude: magnitude}, true
}

// edgeOf reads the right side: a number, or a number times one value.
func (m *Measurement) edgeOf(p *program) (edge, bool) {
	if m.fixed(p) {
		v, err := p.run(&vm.VM{}, m.paramEnv())
		x, ok := v.(float64)
		return edge{factor: x}, err == nil && ok && finite(x)
	}
	e, n := edge{factor: 1}, p.node
	if b, ok := n.(*ast.BinaryNode); ok && b.Operator == "*" {
		factor, other := b.Left, b.Right
		if _, named := factor.(*ast.IdentifierNode); named && !m.isParam(factor) {
			factor, other = other, factor
		}
		fp, err := compileNode(factor.String(), factor, m.paramScope())
		if err != nil {
			return e, false
		}
		v, err := fp.run(&vm.VM{}, m.paramEnv())
		x, isNumber := v.(float64)
		if err != nil || !isNumber || x <= 0 {
			return e, false
		}
		e.factor, n = x, other
	}
	id, ok := n.(*ast.IdentifierNode)
	if !ok {
		return e, false
	}
	e.base = lowerFirst(m.Label(id.Value))
	return e, true
}

func (m *Measurement) isParam(n ast.Node) bool { c := compiler{m: m}; return c.isParam(n) }

func (m *Measurement) paramEnv() map[string]any {
	env := make(map[string]any, len(m.def.Params))
	for k, v := range m.def.Params {
		env[k] = v
	}
	return env
}

func (m *Measurement) paramScope() scope {
	sc := scope{names: make(map[string]valueType, len(m.def.Params)), tables: m.tables}
	for k := range m.def.Params {
		sc.names[k] = valueType{kind: kindNumber}
	}
	return sc
}

func (l *limits) texts() []string {
	out := make([]string, 0, len(l.list))
	for _, x := range l.list {
		out = append(out, x.text())
	}
	return out
}

func (x *limit) text() string {
	switch {
	case x.word != "":
		return x.phrase + " – " + x.word
	case x.magnitude:
		return x.phrase + " within ±" + x.edgeText(x.high)
	case x.low != nil && x.high != nil && !x.low.strict && !x.high.strict:
		return fmt.Sprintf("%s from %s to %s", x.phrase, x.edgeText(x.low), x.edgeText(x.high))
	case x.low != nil && x.high != nil:
		return fmt.Sprintf("%s %s %s and %s %s", x.phrase, lowWord(x.low), x.edgeText(x.low), highWord(x.high), x.edgeText(x.high))
	case x.low != nil:
		return x.phrase + " " + lowWord(x.low) + " " + x.edgeText(x.low)
	}
	return x.phrase + " " + highWord(x.high) + " " + x.edgeText(x.high)
}

func lowWord(e *edge) string { return map[bool]string{true: "above", false: "at least"}[e.strict] }

func highWord(e *edge) string { return map[bool]string{true: "below", false: "at most"}[e.strict] }

func (x *limit) edgeText(e *edge) string {
	switch {
	case e.base == "":
		return quantityText(e.factor, x.unit)
	case e.factor == 1:
		return "the " + e.base
	}
	return units.Number(e.factor, 4) + " × the " + e.base
}
