package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"
)

// checker walks a tree, checks names and kinds, and returns the null-safe tree.
type checker struct {
	scope scope
	p     *program
}

func (c *checker) check(n ast.Node) (ast.Node, valueType, error) {
	switch n := n.(type) {
	case *ast.IntegerNode:
		return n, valueType{kind: kindNumber}, nil
	case *ast.FloatNode:
		return n, valueType{kind: kindNumber}, nil
	case *ast.BoolNode:
		return n, valueType{kind: kindBool}, nil
	case *ast.StringNode:
		return n, valueType{kind: kindText}, nil
	case *ast.IdentifierNode:
		return c.identifier(n)
	case *ast.UnaryNode:
		return c.unary(n)
	case *ast.BinaryNode:
		return c.binary(n)
	case *ast.CallNode:
		return c.callNode(n)
	case *ast.NilNode:
		return nil, valueType{}, fmt.Errorf("write null, not nil")
	}
	return nil, valueType{}, fmt.Errorf("%q is outside the library's expression language", n.String())
}

func (c *checker) identifier(n *ast.IdentifierNode) (ast.Node, valueType, error) {
	switch n.Value {
	case "null":
		return &ast.NilNode{}, valueType{kind: kindNull, nullable: true}, nil
	case "pi":
		return &ast.FloatNode{Value: math.Pi}, valueType{kind: kindNumber}, nil
	}
	t, ok := c.scope.names[n.Value]
	if !ok {
		if _, table := c.scope.tables[n.Value]; table {
			return nil, t, fmt.Errorf("%q is a table and can only stand in interp(x, %s)", n.Value, n.Value)
		}
		return nil, t, fmt.Errorf("unknown name %q; known are %s", n.Value, c.scope.known())
	}
	if !slices.Contains(c.p.names, n.Value) {
		c.p.names = append(c.p.names, n.Value)
	}
	return n, t, nil
}

func (c *checker) unary(n *ast.UnaryNode) (ast.Node, valueType, error) {
	inner, t, err := c.check(n.Node)
	if err != nil {
		return nil, t, err
	}
	switch n.Operator {
	case "-", "+":
		if err := wantKind(n.Node, t, num); err != nil {
			return nil, t, err
		}
		if t.nullable && n.Operator == "-" {
			return call("null_neg", inner), t, nil
		}
		return &ast.UnaryNode{Operator: n.Operator, Node: inner}, t, nil
	case "not", "!":
		if err := wantKind(n.Node, t, boolean); err != nil {
			return nil, t, err
		}
		return &ast.UnaryNode{Operator: "not", Node: truth(inner, t)}, valueType{kind: kindBool}, nil
	}
	return nil, t, fmt.Errorf("operator %q is outside the library's expression language", n.Operator)
}

func truth(n ast.Node, t valueType) ast.Node {
	if t.nullable {
		return call("null_truth", n)
	}
	return n
}

func call(name string, args ...ast.Node) ast.Node {
	return &ast.CallNode{Callee: &ast.IdentifierNode{Value: name}, Arguments: args}
}

func (c *checker) binary(n *ast.BinaryNode) (ast.Node, valueType, error) {
	if n.Operator == "/" {
		c.noteDivisors(n.Right)
	}
	left, lt, err := c.check(n.Left)
	if err != nil {
		return nil, lt, err
	}
	right, rt, err := c.check(n.Right)
	if err != nil {
		return nil, rt, err
	}
	nullable := lt.nullable || rt.nullable
	result := valueType{kind: kindBool}
	switch n.Operator {
	case "and", "or", "&&", "||":
		for _, side := range []struct {
			n ast.Node
			t valueType
		}{{n.Left, lt}, {n.Right, rt}} {
			if err := wantKind(side.n, side.t, boolean); err != nil {
				return nil, lt, err
			}
		}
		return &ast.BinaryNode{Operator: n.Operator, Left: truth(left, lt), Right: truth(right, rt)}, result, nil
	case "+", "-", "*", "/":
		result = valueType{kind: kindNumber, nullable: nullable}
		fallthrough
	case "<", "<=", ">", ">=":
		if err := wantKind(n.Left, lt, num); err != nil {
			return nil, lt, err
		}
		if err := wantKind(n.Right, rt, num); err != nil {
			return nil, rt, err
		}
	case "==", "!=":
		if lt.kind == kindNull || rt.kind == kindNull {
			return &ast.BinaryNode{Operator: n.Operator, Left: left, Right: right}, result, nil
		}
		if lt.kind != rt.kind || lt.kind == kindList || lt.kind == kindTextList || lt.kind == kindMap {
			return nil, lt, fmt.Errorf("%q compares a %s with a %s", n.String(), lt.kind, rt.kind)
		}
	default:
		return nil, lt, fmt.Errorf("operator %q is outside the library's expression language", n.Operator)
	}
	if nullable {
		return call(nullSafe[n.Operator].name, left, right), result, nil
	}
	return &ast.BinaryNode{Operator: n.Operator, Left: left, Right: right}, result, nil
}

// noteDivisors records the identifiers that make a division by zero when they
// are zero: alone under the bar or as a factor there.
func (c *checker) noteDivisors(n ast.Node) {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		c.p.divisors = append(c.p.divisors, n.Value)
	case *ast.BinaryNode:
		if n.Operator == "*" || n.Operator == "/" {
			c.noteDivisors(n.Left)
		}
		if n.Operator == "*" {
			c.noteDivisors(n.Right)
		}
	}
}

func wantKind(n ast.Node, t valueType, want kinds) error {
	if t.kind == kindNull {
		return fmt.Errorf("null can only be compared with == or !=")
	}
	if !want.has(t.kind) {
		return fmt.Errorf("%q is a %s, a %s is needed there", n.String(), t.kind, want)
	}
	return nil
}

func (c *checker) callNode(n *ast.CallNode) (ast.Node, valueType, error) {
	callee, ok := n.Callee.(*ast.IdentifierNode)
	if !ok {
		return nil, valueType{}, fmt.Errorf("%q is outside the library's expression language", n.String())
	}
	if callee.Value == "interp" {
		return c.interp(n)
	}
	f, ok := functions[callee.Value]
	if !ok {
		return nil, valueType{}, fmt.Errorf("unknown function %q; known are %s, interp", callee.Value, strings.Join(functionNames(), ", "))
	}
	if len(n.Arguments) < f.min || (f.max > 0 && len(n.Arguments) > f.max) {
		return nil, valueType{}, fmt.Errorf("%s takes %s, not %d", callee.Value, arity(f), len(n.Arguments))
	}
	args := make([]ast.Node, len(n.Arguments))
	types := make([]valueType, len(n.Arguments))
	nullable := false
	for i, a := range n.Arguments {
		var err error
		if args[i], types[i], err = c.check(a); err != nil {
			return nil, valueType{}, err
		}
		if callee.Value == "sel" && i > 0 && types[i].kind == kindNull {
			nullable = true
			continue
		}
		if err := wantKind(a, types[i], f.args[min(i, len(f.args)-1)]); err != nil {
			return nil, valueType{}, fmt.Errorf("in %s: %w", callee.Value, err)
		}
		nullable = nullable || types[i].nullable
	}
	if callee.Value == "sel" {
		if types[1].kind == kindNull {
			types[1].kind = types[2].kind
		}
		if types[2].kind != kindNull && types[1].kind != types[2].kind {
			return nil, valueType{}, fmt.Errorf("sel chooses between a %s and a %s; both must be of one kind", types[1].kind, types[2].kind)
		}
	}
	if callee.Value == "div" {
		c.noteDivisors(n.Arguments[1])
	}
	return call(callee.Value, args...), valueType{kind: f.result(types), nullable: nullable}, nil
}

func arity(f function) string {
	switch f.max {
	case 0:
		return fmt.Sprintf("%d or more arguments", f.min)
	case 1:
		return "1 argument"
	}
	return fmt.Sprintf("%d arguments", f.max)
}

func (c *checker) interp(n *ast.CallNode) (ast.Node, valueType, error) {
	if len(n.Arguments) != 2 {
		return nil, valueType{}, fmt.Errorf("interp takes 2 arguments, not %d", len(n.Arguments))
	}
	x, t, err := c.check(n.Arguments[0])
	if err != nil {
		return nil, t, err
	}
	if err := wantKind(n.Arguments[0], t, num); err != nil {
		return nil, t, fmt.Errorf("in interp: %w", err)
	}
	name, ok := n.Arguments[1].(*ast.IdentifierNode)
	if !ok {
		return nil, t, fmt.Errorf("the second argument of interp must be the name of a table")
	}
	if _, ok := c.scope.tables[name.Value]; !ok {
		return nil, t, fmt.Errorf("unknown table %q", name.Value)
	}
	return call("interp", x, &ast.StringNode{Value: name.Value}), valueType{kind: kindNumber, nullable: t.nullable}, nil
}
