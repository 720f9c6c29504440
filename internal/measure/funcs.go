package measure

import (
	"fmt"
	"math"
	"slices"
)

// function is one function of the library's expression language. args lists the
// permitted kinds of each argument; result derives the kind of the answer.
type function struct {
	min, max int // number of arguments; max 0 means any number from min up
	args     []kinds
	result   func(args []valueType) kind
	call     func(args []any) (any, error)
}

func gives(k kind) func([]valueType) kind { return func([]valueType) kind { return k } }

func sameAsFirst(a []valueType) kind { return a[0].kind }

func listIfAny(a []valueType) kind {
	for _, t := range a {
		if t.kind == kindList {
			return kindList
		}
	}
	return kindNumber
}

const (
	num     = kinds(1 << kindNumber)
	list    = kinds(1 << kindList)
	boolean = kinds(1 << kindBool)
	anyKind = num | list | boolean | kinds(1<<kindText)
)

// functions is the closed set that meta.expression_language of the fault library
// names; interp is added by the compiler because it needs the tables. Each takes
// and returns float64, bool, string, []float64 or nil, and a nil argument makes
// the answer nil (see call), sel's branches excepted.
var functions = map[string]function{
	"abs":         {1, 1, []kinds{num | list}, sameAsFirst, each(math.Abs)},
	"min":         {1, 0, []kinds{num | list}, gives(kindNumber), extreme(func(a, b float64) bool { return a < b })},
	"max":         {1, 0, []kinds{num | list}, gives(kindNumber), extreme(func(a, b float64) bool { return a > b })},
	"mean":        {1, 1, []kinds{list}, gives(kindNumber), over(mean)},
	"median":      {1, 1, []kinds{list}, gives(kindNumber), over(median)},
	"sum":         {1, 1, []kinds{list}, gives(kindNumber), over(sum)},
	"len":         {1, 1, []kinds{list}, gives(kindNumber), over(func(x []float64) float64 { return float64(len(x)) })},
	"argmax":      {1, 1, []kinds{list}, gives(kindNumber), over(func(x []float64) float64 { return 1 + float64(arg(x, func(a, b float64) bool { return a > b })) })},
	"argmin":      {1, 1, []kinds{list}, gives(kindNumber), over(func(x []float64) float64 { return 1 + float64(arg(x, func(a, b float64) bool { return a < b })) })},
	"abs_dev":     {1, 1, []kinds{list}, gives(kindList), absDev},
	"count":       {2, 2, []kinds{list, num}, gives(kindNumber), counting(func(x, t float64) bool { return x > t })},
	"count_below": {2, 2, []kinds{list, num}, gives(kindNumber), counting(func(x, t float64) bool { return x < t })},
	"sub":         {2, 2, []kinds{list, num}, gives(kindList), pairwise("sub", func(a, b float64) float64 { return a - b })},
	"scale":       {2, 2, []kinds{list, num}, gives(kindList), pairwise("scale", func(a, b float64) float64 { return a * b })},
	"sub2":        {2, 2, []kinds{list, list}, gives(kindList), pairwise("sub2", func(a, b float64) float64 { return a - b })},
	"mul":         {2, 2, []kinds{num | list, num | list}, listIfAny, pairwise("mul", func(a, b float64) float64 { return a * b })},
	"div":         {2, 2, []kinds{num | list, num | list}, listIfAny, pairwise("div", func(a, b float64) float64 { return a / b })},
	"ln":          {1, 1, []kinds{num}, gives(kindNumber), each(math.Log)},
	"exp":         {1, 1, []kinds{num}, gives(kindNumber), each(math.Exp)},
	"sqrt":        {1, 1, []kinds{num}, gives(kindNumber), each(math.Sqrt)},
	"pow":         {2, 2, []kinds{num, num}, gives(kindNumber), func(a []any) (any, error) { return math.Pow(number(a[0]), number(a[1])), nil }},
	"sel":         {3, 3, []kinds{boolean, anyKind, anyKind}, func(a []valueType) kind { return a[1].kind }, sel},
}

// number turns what the expression engine hands over into a float64: its integer
// literals arrive as int.
func number(v any) float64 {
	switch x := v.(type) {
	case float64:
		return x
	case int:
		return float64(x)
	}
	return math.NaN()
}

func each(f func(float64) float64) func([]any) (any, error) {
	return func(a []any) (any, error) {
		l, ok := a[0].([]float64)
		if !ok {
			return f(number(a[0])), nil
		}
		out := make([]float64, len(l))
		for i, x := range l {
			out[i] = f(x)
		}
		return out, nil
	}
}

func over(f func([]float64) float64) func([]any) (any, error) {
	return func(a []any) (any, error) {
		l, _ := a[0].([]float64)
		if len(l) == 0 {
			return nil, fmt.Errorf("a list is empty")
		}
		return f(l), nil
	}
}

func extreme(better func(a, b float64) bool) func([]any) (any, error) {
	return func(args []any) (any, error) {
		best, any := 0.0, false
		take := func(x float64) {
			// A NaN must not hide behind a comparison that is always false.
			if !any || better(x, best) || math.IsNaN(x) {
				best, any = x, true
			}
		}
		for _, a := range args {
			if l, ok := a.([]float64); ok {
				for _, x := range l {
					take(x)
				}
			} else {
				take(number(a))
			}
		}
		if !any {
			return nil, fmt.Errorf("a list is empty")
		}
		return best, nil
	}
}

func counting(holds func(x, t float64) bool) func([]any) (any, error) {
	return func(a []any) (any, error) {
		l, _ := a[0].([]float64)
		t, n := number(a[1]), 0
		for _, x := range l {
			if holds(x, t) {
				n++
			}
		}
		return float64(n), nil
	}
}

func pairwise(name string, f func(a, b float64) float64) func([]any) (any, error) {
	return func(args []any) (any, error) {
		a, aList := args[0].([]float64)
		b, bList := args[1].([]float64)
		switch {
		case aList && bList:
			if len(a) != len(b) {
				return nil, fmt.Errorf("%s needs lists of one length, got %d and %d values", name, len(a), len(b))
			}
		case aList:
			b = repeat(number(args[1]), len(a))
		case bList:
			a = repeat(number(args[0]), len(b))
		default:
			return f(number(args[0]), number(args[1])), nil
		}
		out := make([]float64, len(a))
		for i := range a {
			out[i] = f(a[i], b[i])
		}
		return out, nil
	}
}

func repeat(x float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = x
	}
	return out
}

func sel(a []any) (any, error) {
	if c, _ := a[0].(bool); c {
		return a[1], nil
	}
	return a[2], nil
}

func absDev(a []any) (any, error) {
	l, _ := a[0].([]float64)
	if len(l) == 0 {
		return nil, fmt.Errorf("a list is empty")
	}
	m := mean(l)
	out := make([]float64, len(l))
	for i, x := range l {
		out[i] = math.Abs(x - m)
	}
	return out, nil
}

func sum(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s
}

func mean(x []float64) float64 { return sum(x) / float64(len(x)) }

func median(x []float64) float64 { return medianInPlace(slices.Clone(x)) }

func arg(x []float64, better func(a, b float64) bool) int {
	best := 0
	for i, v := range x {
		if better(v, x[best]) {
			best = i
		}
	}
	return best
}

// Interpolate returns the value of a piecewise linear table at x; beyond its ends
// it holds the end value, because extrapolating a discharge curve or a wire table
// would invent data.
func (t Table) Interpolate(x float64) float64 {
	switch {
	case len(t) == 0 || math.IsNaN(x):
		return math.NaN()
	case x <= t[0][0]:
		return t[0][1]
	case x >= t[len(t)-1][0]:
		return t[len(t)-1][1]
	}
	i := 1
	for t[i][0] < x {
		i++
	}
	a, b := t[i-1], t[i]
	return a[1] + (b[1]-a[1])*(x-a[0])/(b[0]-a[0])
}
