package measure

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/conf"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"
	"github.com/expr-lang/expr/vm"
)

// The expression language of the library is a small subset of what the
// expression engine offers. An expression is parsed by the engine, its tree is
// checked against the subset (no loops, no member access, no closures: the work
// an expression can do is bounded by its length and the list limit), its kinds
// are checked here, and what may meet a null is rewritten to null-safe calls
// before the engine compiles it.
//
// Null: arithmetic on null gives null, an ordering or equality with null is
// false, null as a condition is false; only `x == null` and `x != null` see it.

const (
	maxSource = 1000 // bytes of one expression
	maxNodes  = 300  // nodes of its tree
)

type kind uint8

const (
	kindUnknown kind = iota // after an error that was already reported
	kindNumber
	kindBool
	kindText
	kindList
	kindTextList
	kindMap
	kindNull
)

func (k kind) String() string {
	return [...]string{"unknown", "number", "bool", "text", "list", "list of texts", "map", "null"}[k]
}

// kinds is a set of kinds.
type kinds uint16

func (s kinds) has(k kind) bool { return k == kindUnknown || s&(1<<k) != 0 }

func (s kinds) String() string {
	var out []string
	for k := kindNumber; k <= kindNull; k++ {
		if s&(1<<k) != 0 {
			out = append(out, k.String())
		}
	}
	return strings.Join(out, " or ")
}

type valueType struct {
	kind     kind
	nullable bool
}

// scope is what an expression may name.
type scope struct {
	names  map[string]valueType
	tables map[string]Table
}

func (s scope) known() string {
	out := make([]string, 0, len(s.names))
	for n := range s.names {
		out = append(out, n)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// program is a checked expression ready to run.
type program struct {
	src      string
	node     ast.Node // as written
	typ      valueType
	code     *vm.Program
	names    []string // identifiers it reads, in order of first use
	divisors []string // identifiers that stand alone, or as factors, under a division
}

// syntaxError marks a text that is no expression at all.
type syntaxError struct{ msg string }

func (e *syntaxError) Error() string { return e.msg }

func parse(src string) (ast.Node, error) {
	if len(src) > maxSource {
		return nil, fmt.Errorf("the expression is longer than %d characters", maxSource)
	}
	cfg := conf.CreateNew()
	cfg.MaxNodes = maxNodes
	cfg.DisableIfOperator = true
	for name := range cfg.Builtins {
		cfg.Disabled[name] = true
	}
	cfg.Builtins = nil
	for name := range functions {
		expr.Function(name, func(...any) (any, error) { return nil, nil })(cfg)
	}
	tree, err := parser.ParseWithConfig(src, cfg)
	if err != nil {
		msg := err.Error()
		var fe *file.Error
		if errors.As(err, &fe) {
			msg = fmt.Sprintf("%s (column %d)", fe.Message, fe.Column+1)
		}
		return nil, &syntaxError{msg: "does not parse: " + msg}
	}
	return tree.Node, nil
}

// compileExpr checks an expression and compiles it.
func compileExpr(src string, sc scope) (*program, error) {
	node, err := parse(src)
	if err != nil {
		return nil, err
	}
	return compileNode(src, node, sc)
}

func compileNode(src string, node ast.Node, sc scope) (*program, error) {
	c := checker{scope: sc, p: &program{src: src, node: node}}
	safe, typ, err := c.check(node)
	if err != nil {
		return nil, err
	}
	c.p.typ = typ
	opts := []expr.Option{expr.Env(map[string]any{}), expr.AllowUndefinedVariables(), expr.DisableAllBuiltins(), expr.MaxNodes(4 * maxNodes), expr.DisableIfOperator()}
	opts = append(opts, engineFunctions(sc.tables)...)
	c.p.code, err = expr.Compile(safe.String(), opts...)
	if err != nil {
		return nil, fmt.Errorf("does not compile: %s", firstLine(err.Error()))
	}
	return c.p, nil
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(s, "\n")
	return line
}

// run evaluates the program; the answer is float64, bool, string, []float64 or nil.
func (p *program) run(m *vm.VM, env map[string]any) (any, error) {
	v, err := m.Run(p.code, env)
	if err != nil {
		return nil, fmt.Errorf("%s", firstLine(err.Error()))
	}
	if i, ok := v.(int); ok {
		return float64(i), nil
	}
	return v, nil
}

func functionNames() []string { return sortedNames(functions) }
