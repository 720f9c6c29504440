package measure

import (
	"fmt"
	"math"

	"github.com/expr-lang/expr/ast"

	"nextprobe/internal/units"
)

// Dimensional analysis of the formulas. Inputs have units; a sum, a difference, a
// comparison, min, max, sel and their list forms need operands of one dimension and
// one scale; products, quotients, powers and roots combine. What the file leaves
// unsaid is treated so that a right formula is never refused:
//
//   - a bare number or a parameter added or compared takes the other side's unit;
//   - a round number (two significant digits at most, or pi, or a root of such) as a
//     factor changes the scale, not the dimension: 1000 * v is a voltage of unknown
//     scale;
//   - any other factor (2.44e-8, a parameter, a table's value) may be a constant of
//     nature with a dimension of its own, so the product's dimension is unknown;
//   - a step's stated unit decides wherever such factors take part.

// quantity is what is known of a subexpression.
type quantity struct {
	known    bool // the dimension
	scaled   bool // the scale too
	adapted  bool // numbers took part that may carry a scale or a dimension
	constant bool // numbers or parameters only
	unit     units.Unit
}

func (q quantity) String() string {
	out := "a plain number"
	if q.unit.Symbol() != "" {
		out = q.unit.Quantity() + " in " + q.unit.Symbol()
	}
	if !q.scaled {
		out += " times a number"
	}
	return out
}

func exactly(u units.Unit) quantity { return quantity{known: true, scaled: true, unit: u} }

// literal evaluates what is made of numbers alone; round reports that it can be
// no more than a change of scale.
func literal(n ast.Node) (v float64, round, ok bool) {
	switch n := n.(type) {
	case *ast.IntegerNode:
		return float64(n.Value), isRound(float64(n.Value)), true
	case *ast.FloatNode:
		return n.Value, isRound(n.Value), true
	case *ast.IdentifierNode:
		return math.Pi, true, n.Value == "pi"
	case *ast.UnaryNode:
		v, round, ok = literal(n.Node)
		return -v, round, ok
	case *ast.CallNode:
		if n.Callee.String() != "sqrt" {
			return 0, false, false
		}
		v, round, ok = literal(n.Arguments[0])
		return math.Sqrt(v), round, ok
	case *ast.BinaryNode:
		a, ar, aok := literal(n.Left)
		b, br, bok := literal(n.Right)
		switch n.Operator {
		case "+":
			return a + b, isRound(a + b), aok && bok
		case "-":
			return a - b, isRound(a - b), aok && bok
		case "*":
			return a * b, ar && br, aok && bok
		case "/":
			return a / b, ar && br, aok && bok
		}
	}
	return 0, false, false
}

// isRound reports at most two significant digits.
func isRound(x float64) bool {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return true
	}
	m := math.Abs(x) / math.Pow10(int(math.Floor(math.Log10(math.Abs(x))))-1)
	return math.Abs(m-math.Round(m)) < 1e-9*m
}

// quantityOf walks an expression, reports what does not fit and returns what is
// known of the result.
func (c *compiler) quantityOf(path string, n ast.Node) quantity {
	if _, _, ok := literal(n); ok {
		return quantity{constant: true}
	}
	switch n := n.(type) {
	case *ast.IdentifierNode:
		return c.nameQuantity(n.Value)
	case *ast.UnaryNode:
		return c.quantityOf(path, n.Node)
	case *ast.BinaryNode:
		l, r := c.quantityOf(path, n.Left), c.quantityOf(path, n.Right)
		switch n.Operator {
		case "*", "/":
			return product(n.Left, n.Right, l, r, n.Operator == "/")
		case "+", "-":
			return c.sum(path, n, l, r, n.Operator == "-")
		case "<", "<=", ">", ">=", "==", "!=":
			c.meet(path, n, l, r)
		}
	case *ast.CallNode:
		return c.callQuantity(path, n)
	}
	return quantity{}
}

func (c *compiler) nameQuantity(id string) quantity {
	if q, ok := c.quantities[id]; ok {
		return q
	}
	if in := c.m.byID[id]; in != nil {
		known := in.kind == kindNumber || (in.kind == kindList && in.unit != units.Unit{})
		return quantity{known: known, scaled: known, unit: in.unit}
	}
	_, isParam := c.m.def.Params[id]
	return quantity{constant: isParam}
}

// product combines factors or, with over, dividend and divisor.
func product(ln, rn ast.Node, l, r quantity, over bool) quantity {
	if lv, round, ok := literal(ln); ok && r.known {
		return scaledBy(r, lv, round, over)
	}
	if rv, round, ok := literal(rn); ok && l.known {
		return scaledBy(l, rv, round, false)
	}
	if !l.known || !r.known {
		return quantity{adapted: true, constant: l.constant && r.constant}
	}
	out := quantity{known: true, adapted: l.adapted || r.adapted, unit: l.unit.Times(r.unit)}
	if over {
		out.unit = l.unit.Over(r.unit)
	}
	// A point on a scale has no multiples: 20 °C is not twice 10 °C.
	out.scaled = l.scaled && r.scaled && !l.unit.IsPoint() && !r.unit.IsPoint()
	return out
}

// scaledBy is q times a literal, or a literal over q.
func scaledBy(q quantity, v float64, round, inverse bool) quantity {
	if !round {
		return quantity{adapted: true}
	}
	if inverse {
		q.scaled = q.scaled && !q.unit.IsPoint()
		q.unit = units.Unit{}.Over(q.unit)
	}
	if math.Abs(v) != 1 {
		q.scaled, q.adapted = false, true
	}
	return q
}

// meet checks that two quantities can be compared and returns what both are.
func (c *compiler) meet(path string, n ast.Node, l, r quantity) quantity {
	switch {
	case l.known && !r.known:
		return adapt(l, r)
	case r.known && !l.known:
		return adapt(r, l)
	case !l.known:
		return quantity{constant: l.constant && r.constant, adapted: true}
	}
	if !c.fits(path, n, l, r) {
		return quantity{}
	}
	l.scaled, l.adapted = l.scaled && r.scaled, l.adapted || r.adapted
	return l
}

// adapt is q joined with something of unknown unit. A number beside a temperature
// may be the step from one scale to the other.
func adapt(q, other quantity) quantity {
	if !other.constant {
		q.adapted, q.scaled = true, false
	}
	q.scaled = q.scaled && !q.unit.IsTemperature()
	return q
}

// fits reports two known quantities that cannot be added or compared.
func (c *compiler) fits(path string, n ast.Node, l, r quantity) bool {
	switch {
	case !l.unit.Compatible(r.unit):
		c.issue(path, "%q mixes %s with %s; if a number in it carries a unit, make it a computed value of its own with a unit", n.String(), l, r)
	case l.scaled && r.scaled && l.unit.IsPoint() != r.unit.IsPoint():
		c.issue(path, "%q mixes %s with %s: a temperature and a difference of temperatures", n.String(), l, r)
	case l.scaled && r.scaled && !l.unit.Alike(r.unit):
		c.issue(path, "%q mixes %s with %s without a factor", n.String(), l, r)
	default:
		return true
	}
	return false
}

// sum is meet with the rules for points: point - point is a difference, point ±
// difference a point, and the sum of two points only a step towards their mean.
func (c *compiler) sum(path string, n ast.Node, l, r quantity, minus bool) quantity {
	if !l.known || !r.known || !l.scaled || !r.scaled {
		out := c.meet(path, n, l, r)
		out.scaled = out.scaled && !out.unit.IsPoint()
		return out
	}
	lp, rp := l.unit.IsPoint(), r.unit.IsPoint()
	adapted := l.adapted || r.adapted
	switch {
	case lp && rp && l.unit.Alike(r.unit) && minus:
		return quantity{known: true, scaled: true, adapted: adapted, unit: l.unit.Difference()}
	case lp && rp && l.unit.Alike(r.unit):
		l.scaled, l.adapted = false, true
		return l
	case lp && !rp && l.unit.Difference().Alike(r.unit):
		l.adapted = adapted
		return l
	case rp && !lp && !minus && r.unit.Difference().Alike(l.unit):
		r.adapted = adapted
		return r
	}
	return c.meet(path, n, l, r)
}

func (c *compiler) callQuantity(path string, n *ast.CallNode) quantity {
	name := n.Callee.String()
	args := make([]quantity, len(n.Arguments))
	for i, a := range n.Arguments {
		if name != "interp" || i == 0 {
			args[i] = c.quantityOf(path, a)
		}
	}
	switch name {
	case "abs", "sum":
		args[0].scaled = args[0].scaled && !args[0].unit.IsPoint()
		return args[0]
	case "mean", "median":
		return args[0]
	case "abs_dev":
		args[0].unit = args[0].unit.Difference()
		return args[0]
	case "min", "max":
		out := args[0]
		for _, q := range args[1:] {
			out = c.meet(path, n, out, q)
		}
		return out
	case "sel":
		return c.meet(path, n, args[1], args[2])
	case "sub", "sub2":
		return c.sum(path, n, args[0], args[1], true)
	case "scale", "mul", "div":
		return product(n.Arguments[0], n.Arguments[1], args[0], args[1], name == "div")
	case "count", "count_below":
		c.meet(path, n, args[0], args[1])
		return exactly(units.Unit{})
	case "len", "argmax", "argmin":
		return exactly(units.Unit{})
	case "ln", "exp":
		c.plain(path, n.Arguments[0], args[0], name)
		return exactly(units.Unit{})
	case "sqrt":
		return rootOf(args[0])
	case "pow":
		return c.power(path, n, args)
	}
	return quantity{adapted: true} // interp: a table's values carry no unit
}

// plain reports an argument that must be a plain number and plainly is not.
func (c *compiler) plain(path string, n ast.Node, q quantity, what string) {
	if q.known && !q.adapted && !q.unit.Compatible(units.Unit{}) {
		c.issue(path, "%s needs a plain number, but %q is %s: divide it by a reference of the same unit", what, n.String(), q)
	}
}

func rootOf(q quantity) quantity {
	u, ok := q.unit.Root()
	if !q.known || !ok {
		return quantity{adapted: true, constant: q.constant}
	}
	q.scaled, q.unit = q.scaled && !q.unit.IsPoint(), u
	return q
}

func (c *compiler) power(path string, n *ast.CallNode, args []quantity) quantity {
	e, _, fixed := literal(n.Arguments[1])
	switch {
	case !fixed:
		c.plain(path, n.Arguments[1], args[1], "the exponent of pow")
		if args[0].constant || (args[0].known && args[0].unit.Compatible(units.Unit{})) {
			return exactly(units.Unit{})
		}
		return quantity{adapted: true}
	case e == 0.5:
		return rootOf(args[0])
	case args[0].known && e == math.Trunc(e):
		if u, ok := args[0].unit.Power(int(e)); ok && math.Abs(e) <= 4 {
			args[0].scaled, args[0].unit = args[0].scaled && !args[0].unit.IsPoint(), u
			return args[0]
		}
	}
	return quantity{adapted: true, constant: args[0].constant}
}

// stepQuantity settles what a computed value is: its stated unit, which must not
// contradict a formula without free numbers, else what the formula gives, its scale
// taken from the name where numbers hide it.
func (c *compiler) stepQuantity(i int, s Step, q quantity, hint units.Unit) quantity {
	if s.Unit == "" {
		if q.known && !q.scaled && hint != (units.Unit{}) && hint.Compatible(q.unit) {
			return exactly(hint)
		}
		if q.known && q.adapted && hint != (units.Unit{}) && !hint.Compatible(q.unit) {
			return quantity{adapted: true} // a number in it carries a dimension
		}
		return q
	}
	u, err := units.ParseUnit(s.Unit)
	if err != nil {
		return quantity{} // reported already
	}
	path := fmt.Sprintf("compute[%d].unit", i)
	switch {
	case !q.known || q.adapted:
	case !u.Compatible(q.unit):
		c.issue(path, "%s is stated in %s, but its formula gives %s", s.ID, u, q)
	case q.scaled && u.IsPoint() != q.unit.IsPoint():
		c.issue(path, "%s is stated in %s, but its formula gives %s: state a difference of temperatures in K", s.ID, u, q)
	case q.scaled && !u.Alike(q.unit):
		c.issue(path, "%s is stated in %s, but its formula gives %s: a factor is missing", s.ID, u, q)
	}
	return exactly(u)
}
