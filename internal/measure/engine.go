package measure

import "github.com/expr-lang/expr"

// engineFunctions hands the language's functions and the null-safe operators to
// the engine.
func engineFunctions(tables map[string]Table) []expr.Option {
	var opts []expr.Option
	for _, name := range functionNames() {
		f := functions[name]
		opts = append(opts, expr.Function(name, func(a ...any) (any, error) {
			for i, x := range a {
				if x == nil && (name != "sel" || i == 0) {
					return nil, nil
				}
			}
			v, err := f.call(a)
			if i, whole := v.(int); whole { // sel hands a literal through
				return float64(i), err
			}
			return v, err
		}))
	}
	opts = append(opts, expr.Function("interp", func(a ...any) (any, error) {
		if a[0] == nil {
			return nil, nil
		}
		return tables[a[1].(string)].Interpolate(number(a[0])), nil
	}))
	for _, op := range sortedNames(nullSafe) {
		f := nullSafe[op]
		opts = append(opts, expr.Function(f.name, func(a ...any) (any, error) { return f.call(a[0], a[1]), nil }))
	}
	return append(opts,
		expr.Function("null_neg", func(a ...any) (any, error) {
			if a[0] == nil {
				return nil, nil
			}
			return -number(a[0]), nil
		}),
		expr.Function("null_truth", func(a ...any) (any, error) { b, _ := a[0].(bool); return b, nil }))
}

type nullOp struct {
	name string
	call func(a, b any) any
}

func arith(f func(a, b float64) float64) func(a, b any) any {
	return func(a, b any) any {
		if a == nil || b == nil {
			return nil
		}
		return f(number(a), number(b))
	}
}

func order(f func(a, b float64) bool) func(a, b any) any {
	return func(a, b any) any { return a != nil && b != nil && f(number(a), number(b)) }
}

func equal(a, b any) bool {
	switch a.(type) {
	case float64, int:
		return number(a) == number(b)
	}
	return a == b
}

var nullSafe = map[string]nullOp{
	"+":  {"null_add", arith(func(a, b float64) float64 { return a + b })},
	"-":  {"null_sub", arith(func(a, b float64) float64 { return a - b })},
	"*":  {"null_mul", arith(func(a, b float64) float64 { return a * b })},
	"/":  {"null_div", arith(func(a, b float64) float64 { return a / b })},
	"<":  {"null_lt", order(func(a, b float64) bool { return a < b })},
	"<=": {"null_le", order(func(a, b float64) bool { return a <= b })},
	">":  {"null_gt", order(func(a, b float64) bool { return a > b })},
	">=": {"null_ge", order(func(a, b float64) bool { return a >= b })},
	"==": {"null_eq", func(a, b any) any { return a != nil && b != nil && equal(a, b) }},
	"!=": {"null_ne", func(a, b any) any { return a != nil && b != nil && !equal(a, b) }},
}
