package measure

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// exprGen writes random formulas of a wanted kind over the names of columnInputs.
type exprGen struct{ t *rapid.T }

func (g exprGen) pick(label string, options ...string) string {
	return rapid.SampledFrom(options).Draw(g.t, label)
}

func (g exprGen) number(depth int) string {
	if depth == 0 {
		return g.pick("leaf", "a", "b", "n", "p", "s", "pi", "2", "0", "1.5", "-3", "1e-3")
	}
	d := depth - 1
	switch rapid.IntRange(0, 9).Draw(g.t, "number") {
	case 0, 1, 2:
		return fmt.Sprintf("(%s %s %s)", g.number(d), g.pick("op", "+", "-", "*", "/"), g.number(d))
	case 3:
		return fmt.Sprintf("%s(%s)", g.pick("reduce", "min", "max", "mean", "median", "sum", "len", "argmax", "argmin"), g.list(d))
	case 4:
		return fmt.Sprintf("%s(%s)", g.pick("unary", "abs", "ln", "exp", "sqrt"), g.number(d))
	case 5:
		return fmt.Sprintf("pow(%s, %s)", g.number(d), g.number(d))
	case 6:
		return fmt.Sprintf("%s(%s, %s, %s)", g.pick("extreme", "min", "max"), g.number(d), g.list(d), g.number(d))
	case 7:
		return fmt.Sprintf("sel(%s, %s, %s)", g.truth(d), g.number(d), g.pick("branch", g.number(d), "null"))
	case 8:
		return fmt.Sprintf("interp(%s, curve)", g.number(d))
	}
	return fmt.Sprintf("%s(%s, %s)", g.pick("count", "count", "count_below"), g.list(d), g.number(d))
}

func (g exprGen) list(depth int) string {
	if depth == 0 {
		return g.pick("list leaf", "l", "k")
	}
	d := depth - 1
	switch rapid.IntRange(0, 4).Draw(g.t, "list") {
	case 0:
		return fmt.Sprintf("abs(%s)", g.list(d))
	case 1:
		return fmt.Sprintf("%s(%s, %s)", g.pick("by number", "sub", "scale", "mul", "div"), g.list(d), g.number(d))
	case 2:
		return fmt.Sprintf("%s(%s, %s)", g.pick("by list", "sub2", "mul", "div"), g.list(d), g.list(d))
	case 3:
		return fmt.Sprintf("sel(%s, %s, %s)", g.truth(d), g.list(d), g.list(d))
	}
	return fmt.Sprintf("abs_dev(%s)", g.list(d))
}

func (g exprGen) truth(depth int) string {
	if depth == 0 {
		return g.pick("truth leaf", "flag", "true", "false", "word == 'x'", "n == null", "n != null", "a > 1")
	}
	d := depth - 1
	switch rapid.IntRange(0, 3).Draw(g.t, "truth") {
	case 0:
		return fmt.Sprintf("not (%s)", g.truth(d))
	case 1:
		return fmt.Sprintf("((%s) %s (%s))", g.truth(d), g.pick("logic", "and", "or", "==", "!="), g.truth(d))
	}
	return fmt.Sprintf("(%s %s %s)", g.number(d), g.pick("cmp", "<", "<=", ">", ">=", "==", "!="), g.number(d))
}

func columnReadings(t *rapid.T, m *Measurement) Readings {
	t.Helper()
	uncertain := func(label string) any {
		v := rapid.Float64Range(-5, 5).Draw(t, label)
		if rapid.Bool().Draw(t, label+" is sure") {
			return v
		}
		return map[string]any{"value": v, "plus_minus_pct": 20.0, "resolution": 0.5, "counts": 1.0}
	}
	size := rapid.IntRange(1, 5).Draw(t, "size")
	l, k := make([]any, size), make([]any, size)
	for i := range l {
		l[i], k[i] = uncertain("l"), uncertain("k")
	}
	in := map[string]any{"a": uncertain("a"), "b": uncertain("b"), "s": 20.0, "n": nil, "l": l, "k": k, "flag": rapid.Bool().Draw(t, "flag"), "word": rapid.SampledFrom([]string{"x", "y"}).Draw(t, "word")}
	if rapid.Bool().Draw(t, "n known") {
		in["n"] = uncertain("n")
	}
	r, _, err := m.Parse(in, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestColumnsAreTheEngine: over random formulas and readings the columns give what
// the expression engine gives: the computed value of every sample bit by bit (any
// NaN counts as any other) and the same shares.
func TestColumnsAreTheEngine(t *testing.T) {
	t.Parallel()
	ran := 0
	rapid.Check(t, func(t *rapid.T) {
		g := exprGen{t}
		depth := rapid.IntRange(1, 4).Draw(t, "depth")
		src, when := g.number(depth), "x > 0"
		switch rapid.SampledFrom([]kind{kindNumber, kindList, kindBool}).Draw(t, "kind") {
		case kindList:
			src, when = g.list(depth), "max(x) > 0"
		case kindBool:
			src, when = g.truth(depth), "x"
		}
		def := Definition{ID: "x", Kind: Numeric, Params: map[string]float64{"p": 2.5},
			Inputs: []Input{{ID: "a", Unit: "1"}, {ID: "b", Unit: "1"}, {ID: "s", Unit: "1"}, {ID: "n", Unit: "1", Nullable: true}, {ID: "l", Unit: "list"}, {ID: "k", Unit: "list"},
				{ID: "flag", Unit: "bool"}, {ID: "word", Choice: []string{"x", "y"}}},
			Compute:  []Step{{ID: "x", Expr: src}, {ID: "y", Expr: "a / b"}},
			Outcomes: []Outcome{{ID: "first", When: when}, {ID: "second", When: g.truth(2) + " and y < 100"}, {ID: "rest", When: "true"}}}
		m, issues := Compile(def, map[string]Table{"curve": {{-2, 5}, {0, 1}, {3, 1.25}}})
		if m == nil {
			// Too long, or a condition that is plainly constant: nothing to compare.
			for _, is := range issues {
				if !strings.Contains(is.Message, "longer than") && !strings.Contains(is.Message, "can never") && !strings.Contains(is.Message, "nodes") {
					t.Fatalf("%s: %s", src, is)
				}
			}
			return
		}
		if m.sampler == nil {
			t.Fatalf("%s does not become columns", src)
		}
		ran++
		r := columnReadings(t, m)
		compareColumns(t, m, r, src)
	})
	if ran < 20 {
		t.Errorf("only %d formulas were compared", ran)
	}
}

type fataler interface{ Fatalf(string, ...any) }

// compareColumns compares every computed value of two blocks, and the shares.
func compareColumns(t fataler, m *Measurement, r Readings, src string) {
	dims := m.dimensions(r)
	c := &columns{}
	c.bind(m.sampler, r)
	ru := m.newRun(r)
	ru.hold(dims)
	for _, start := range []int{0, samples - block} { // the engine is slow, every fifth sample will do
		c.draw(m.sampler, dims, start)
		c.judge(m.sampler, make([]int, len(m.outcomes)))
		for i := 0; i < block; i += 5 {
			for k := range dims {
				ru.put(&dims[k], dims[k].at(haltonColumn(k), start+i))
			}
			if err := ru.compute(); err != nil {
				t.Fatalf("%s: %v", src, err)
			}
			for _, s := range m.steps {
				if reg, ok := m.sampler.stepReg[s.ID]; ok && !same(ru.env[s.ID], &c.regs[reg], c.rows, i) {
					t.Fatalf("%s, %s in sample %d: engine %v, columns %+v", src, s.ID, start+i, ru.env[s.ID], c.regs[reg])
				}
			}
		}
	}
	want, wantTotal := m.sharesByEngine(r, dims)
	got, total, ok := m.sampler.shares(r, dims)
	if !ok || total != wantTotal || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("%s: shares %v of %d (%v), engine %v of %d", src, got, total, ok, want, wantTotal)
	}
}

func same(v any, c *column, rows, i int) bool {
	row, stride := 1, 0
	if c.varies {
		row, stride = rows, 1
	}
	at := func(j int) float64 { return c.num[j*row+i*stride] }
	equal := func(a, b float64) bool {
		return math.Float64bits(a) == math.Float64bits(b) || (math.IsNaN(a) && math.IsNaN(b))
	}
	switch x := v.(type) {
	case nil:
		return c.isNull(i)
	case float64:
		return c.kind == kindNumber && !c.isNull(i) && equal(x, at(0))
	case bool:
		return c.kind == kindBool && !c.isNull(i) && x == c.bit[i*stride]
	case string:
		return c.kind == kindText && !c.isNull(i) && x == c.text[i*stride]
	case []float64:
		for j := range x {
			if c.n != len(x) || c.isNull(i) || !equal(x[j], at(j)) {
				return false
			}
		}
		return true
	}
	return false
}

// TestColumnsOnLibrary: every numeric measurement becomes columns, and on every
// worked example, with 5 % added to each reading, they agree with the engine.
func TestColumnsOnLibrary(t *testing.T) {
	t.Parallel()
	_, _, ids := loadLibrary(t)
	compared := 0
	for _, id := range ids {
		m := setup(t, id)
		if m.def.Kind != Numeric {
			continue
		}
		if m.sampler == nil {
			t.Errorf("%s does not become columns", id)
			continue
		}
		for _, ex := range m.def.Examples {
			r, _, err := m.Parse(ex.In, everyAccuracy(m, 5))
			if err != nil {
				t.Fatalf("%s: %v", id, err)
			}
			compareColumns(t, m, r, id)
			compared++
		}
	}
	if compared < 120 {
		t.Errorf("only %d examples were compared", compared)
	}
}

func everyAccuracy(m *Measurement, pct float64) ParseOptions {
	opt := ParseOptions{Accuracy: map[string]Accuracy{}, Prefix: "in"}
	for _, in := range m.inputs {
		opt.Accuracy[in.ID] = Accuracy{PlusMinusPct: pct}
	}
	return opt
}

// TestSampleDoesNotAllocate: what an uncertain evaluation allocates does not grow
// with the sample, whatever the kind of measurement.
func TestSampleDoesNotAllocate(t *testing.T) { //nolint:paralleltest // AllocsPerRun must run alone.
	for _, id := range []string{"contact_drop", "cell_group_delta", "phase_resistance_3", "bridge_diode_test", "balance_tap_order", "motor_ident"} {
		m := setup(t, id)
		r, _, err := m.Parse(m.def.Examples[0].In, everyAccuracy(m, 1))
		if err != nil {
			t.Fatal(err)
		}
		got := testing.AllocsPerRun(5, func() {
			if _, err := m.likelihood(r, m.outcomes[0].ID); err != nil {
				t.Fatal(err)
			}
		})
		if got > 60 {
			t.Errorf("%s: %v allocations for one likelihood", id, got)
		}
	}
}
