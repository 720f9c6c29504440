package measure

import (
	"github.com/expr-lang/expr/ast"

	"nextprobe/internal/units"
)

// displayUnit finds the unit an expression plainly keeps: sums of like readings, a
// reading times a count or a power, the mean or the least of a list. It serves
// display only and gives up (false) at any factor that could be a change of scale.
func (c *compiler) displayUnit(n ast.Node) (units.Unit, bool) {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		return c.namedUnit(n.Value)
	case *ast.UnaryNode:
		return c.displayUnit(n.Node)
	case *ast.BinaryNode:
		return c.binaryUnit(n)
	case *ast.CallNode:
		args := n.Arguments
		switch n.Callee.String() {
		case "abs", "mean", "median", "sum":
			return c.displayUnit(args[0])
		case "sub", "abs_dev":
			u, ok := c.displayUnit(args[0])
			return difference(u), ok
		case "min", "max":
			u, ok := c.displayUnit(args[0])
			for _, a := range args[1:] {
				v, ok2 := c.displayUnit(a)
				ok = ok && ok2 && u.SameScale(v)
			}
			return u, ok
		case "sub2", "sel":
			u, ok := c.displayUnit(args[len(args)-2])
			v, ok2 := c.displayUnit(args[len(args)-1])
			if n.Callee.String() == "sub2" {
				u, v = difference(u), difference(v)
			}
			return u, ok && ok2 && u.SameScale(v)
		}
	}
	return units.Unit{}, false
}

// difference is the unit of a difference: two temperatures in °C differ by kelvins.
func difference(u units.Unit) units.Unit {
	if u.Symbol() == "°C" {
		return units.MustUnit("K")
	}
	return u
}

func (c *compiler) namedUnit(id string) (units.Unit, bool) {
	if in := c.m.byID[id]; in != nil {
		return in.unit, in.unit != units.Unit{}
	}
	for _, s := range c.m.steps {
		if s.ID == id {
			return s.unit, s.unit != units.Unit{}
		}
	}
	return units.Unit{}, false
}

func (c *compiler) binaryUnit(n *ast.BinaryNode) (units.Unit, bool) {
	l, lok := c.displayUnit(n.Left)
	r, rok := c.displayUnit(n.Right)
	switch n.Operator {
	case "+", "-":
		switch {
		case lok && rok && l.SameScale(r) && n.Operator == "-":
			return difference(l), true
		case lok && rok && l.SameScale(r):
			return l, true
		case lok && c.isParam(n.Right):
			return l, true
		case rok && c.isParam(n.Left):
			return r, true
		}
	case "*":
		switch {
		case lok && c.isPure(n.Right):
			return l, true
		case rok && c.isPure(n.Left):
			return r, true
		}
	case "/":
		return l, lok && c.isPure(n.Right)
	}
	return units.Unit{}, false
}

func (c *compiler) isParam(n ast.Node) bool {
	id, ok := n.(*ast.IdentifierNode)
	if !ok {
		return false
	}
	_, ok = c.m.def.Params[id.Value]
	return ok
}

// isPure reports a factor that cannot change the scale: a count, or a power.
func (c *compiler) isPure(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		in := c.m.byID[n.Value]
		return in != nil && in.integer
	case *ast.CallNode:
		name := n.Callee.String()
		return name == "pow" || name == "exp"
	}
	return false
}
