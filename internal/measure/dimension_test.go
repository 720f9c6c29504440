package measure

import (
	"slices"
	"strings"
	"testing"
)

// bench is a measurement with an input of most kinds of quantity.
func bench(compute []Step, when string) Definition {
	return Definition{ID: "x", Kind: Numeric, Compute: compute, Params: map[string]float64{"limit": 5},
		Inputs: []Input{{ID: "v", Unit: "V"}, {ID: "v_mv", Unit: "mV"}, {ID: "i", Unit: "A"}, {ID: "i_ma", Unit: "mA"}, {ID: "r", Unit: "ohm"}, {ID: "r_mohm", Unit: "mohm"},
			{ID: "p", Unit: "W"}, {ID: "t", Unit: "s"}, {ID: "h", Unit: "h"}, {ID: "f", Unit: "Hz"}, {ID: "t1", Unit: "C"}, {ID: "t2", Unit: "C"}, {ID: "tk", Unit: "K"}, {ID: "n", Unit: "count"},
			{ID: "pct", Unit: "%"}, {ID: "a", Unit: "deg"}, {ID: "c", Unit: "F"}, {ID: "q", Unit: "Ah"}, {ID: "vs", Unit: "list", Element: "V"}, {ID: "rs", Unit: "list", Element: "ohm"}, {ID: "ts", Unit: "list", Element: "C"}},
		Outcomes: []Outcome{{ID: "hit", When: when}, {ID: "rest", When: "true"}}}
}

func stepsOf(texts ...string) []Step { // "id [unit] = expr"
	var out []Step
	for _, s := range texts {
		head, expr, _ := strings.Cut(s, " = ")
		id, unit, _ := strings.Cut(head, " ")
		out = append(out, Step{ID: id, Unit: strings.Trim(unit, "[]"), Expr: expr})
	}
	return out
}

// TestWrongDimensions: each of these formulas is wrong as physics and must not
// load; the message names both sides and the place.
func TestWrongDimensions(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		compute string // steps apart by ;
		when    string
		path    string
		says    []string
	}{
		{"x = v + r", "x > 1", "compute[0].expr", []string{"a voltage in V", "a resistance in Ω", "v + r"}},
		{"x = v - i", "x > 1", "compute[0].expr", []string{"a voltage in V", "a current in A"}},
		{"", "v > i", "outcomes[0].when", []string{"a voltage in V", "a current in A"}},
		{"", "v == r", "outcomes[0].when", []string{"a voltage", "a resistance"}},
		{"", "v > v_mv", "outcomes[0].when", []string{"V", "mV", "without a factor"}},
		{"x = i + i_ma", "x > 1", "compute[0].expr", []string{"in A", "in mA", "without a factor"}},
		{"x = r + r_mohm", "x > 1", "compute[0].expr", []string{"without a factor"}},
		{"", "t > h", "outcomes[0].when", []string{"in s", "in h"}},
		{"u = i * r; x = u + i", "x > 1", "compute[1].expr", []string{"a voltage in V", "a current in A"}},
		{"u = i * r; y = u * 1; z = y; x = z - p", "x > 1", "compute[3].expr", []string{"a voltage in V", "a power in W"}},
		{"x = v * i + v", "x > 1", "compute[0].expr", []string{"a power in W", "a voltage in V"}},
		{"x = v / i - p", "x > 1", "compute[0].expr", []string{"a resistance in Ω", "a power in W"}},
		{"x = 2 * v + r", "x > 1", "compute[0].expr", []string{"a voltage in V times a number", "a resistance"}},
		{"", "1000 * v > i_ma", "outcomes[0].when", []string{"a voltage", "a current"}},
		{"x = max(v, i)", "x > 1", "compute[0].expr", []string{"max(v, i)", "a current in A"}},
		{"x = min(v, v_mv)", "x > 1", "compute[0].expr", []string{"without a factor"}},
		{"x = max(vs) + mean(rs)", "x > 1", "compute[0].expr", []string{"a voltage in V", "a resistance in Ω"}},
		{"x = sub(vs, i)", "max(x) > 1", "compute[0].expr", []string{"sub(vs, i)", "a current"}},
		{"x = sub2(vs, rs)", "max(x) > 1", "compute[0].expr", []string{"sub2(vs, rs)"}},
		{"", "count(vs, i) > 1", "outcomes[0].when", []string{"count(vs, i)"}},
		{"", "count_below(rs, v) > 1", "outcomes[0].when", []string{"a resistance in Ω", "a voltage in V"}},
		{"x = sel(v > 1, v, i)", "x > 1", "compute[0].expr", []string{"sel("}},
		{"x = ln(v)", "x > 1", "compute[0].expr", []string{"ln needs a plain number", "a voltage in V"}},
		{"x = exp(t)", "x > 1", "compute[0].expr", []string{"exp needs a plain number", "a time in s"}},
		{"x = pow(n, v)", "x > 1", "compute[0].expr", []string{"the exponent of pow", "a voltage"}},
		{"x = sqrt(p * r) + i", "x > 1", "compute[0].expr", []string{"a voltage in V", "a current in A"}},
		{"x = pow(v, 2) / r + v", "x > 1", "compute[0].expr", []string{"a power in W", "a voltage in V"}},
		{"x = r * c + f", "x > 1", "compute[0].expr", []string{"a time in s", "a frequency"}},
		{"x = 1 / t - t", "x > 1", "compute[0].expr", []string{"a frequency", "a time in s"}},
		{"d = t1 - t2", "d > t1", "outcomes[0].when", []string{"a difference of temperatures", "°C"}},
		{"", "t1 > tk", "outcomes[0].when", []string{"in °C", "in K"}},
		{"d [C] = t1 - t2", "d > 1", "compute[0].unit", []string{"state a difference of temperatures in K"}},
		{"x [ohm] = v * i", "x > 1", "compute[0].unit", []string{"stated in Ω", "a power in W"}},
		{"x [mohm] = v / i", "x > 1", "compute[0].unit", []string{"stated in mΩ", "a factor is missing"}},
		{"x = v + n", "x > 1", "compute[0].expr", []string{"a voltage in V", "a plain number"}},
		{"x = n + pct", "x > 1", "compute[0].expr", []string{"without a factor", "%"}},
		{"x = a + pct", "x > 1", "compute[0].expr", []string{"an angle"}},
		{"x = q - i", "x > 1", "compute[0].expr", []string{"a charge", "a current in A"}},
		{"x = abs(v - abs(-i))", "x > 1", "compute[0].expr", []string{"a voltage in V", "a current in A"}},
		{"x = max(abs_dev(vs)) > median(rs)", "x", "compute[0].expr", []string{"a voltage in V", "a resistance in Ω"}},
		{"x = t1 + 0.5 * p", "x > 1", "compute[0].expr", []string{"make it a computed value of its own with a unit"}},
		{"", "not (n > 1 and (v > 1 or v < i))", "outcomes[0].when", []string{"v < i"}},
		{"x = div(mul(vs, i), i)", "max(x) > r", "outcomes[0].when", []string{"a voltage in V", "a resistance in Ω"}},
	} {
		var st []Step
		if c.compute != "" {
			st = stepsOf(strings.Split(c.compute, "; ")...)
		}
		m, issues := Compile(bench(st, c.when), nil)
		if m != nil {
			t.Errorf("%q, %q: it loads", c.compute, c.when)
			continue
		}
		i := slices.IndexFunc(issues, func(is Issue) bool { return is.Path == c.path })
		if i < 0 || len(issues) != 1 {
			t.Errorf("%q, %q: issues %v, wanted one at %s", c.compute, c.when, issues, c.path)
			continue
		}
		for _, s := range c.says {
			if !strings.Contains(issues[i].Message, s) {
				t.Errorf("%q, %q: %q does not say %q", c.compute, c.when, issues[i].Message, s)
			}
		}
	}
}

// TestRightDimensions: right formulas load, also with the constants a bench
// formula hides in its numbers. TestLibraryExamples holds the whole library to it.
func TestRightDimensions(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ compute, when string }{
		{"x [V] = i * r", "x > v"}, {"x [W] = v * i", "x > p"}, {"x [W] = v * v / r", "x > p"}, {"x [V] = sqrt(p * r)", "x > v"}, {"x [mohm] = v_mv / i", "x > r_mohm"},
		{"x_mohm = 1000 * v / i", "x_mohm > r_mohm"}, {"x [s] = r * c", "x > t"}, {"x [J] = 0.5 * c * v * v", "x > 1"}, {"x = exp(-t / (r * c))", "x > 0.5"}, {"x = ln(v / (v_mv / 1000))", "x > n"},
		{"d = t1 - t2", "d > tk"}, {"x = t1 + (t1 - t2)", "x > t2"}, {"x [C] = (t1 + t2) / 2", "x > t1"}, {"x = t1 + 273.15", "x > tk"}, {"rise [K] = p * 0.5; x [C] = t1 + rise", "x > t1"},
		{"x = r * (1 + 0.00393 * (t1 - 20))", "x > r"}, {"x = pow(0.5, (40 - t1) / 10)", "x > 1"}, {"x [K/W] = (t1 - t2) / p", "x > 1"}, {"x [K] = max(abs(sub(ts, t1)))", "x > tk"},
		{"x [%] = 100 * (v - 1) / v", "x > pct"}, {"x = v / limit", "x > 3"}, {"", "v > limit * r"}, {"", "v > max(0.5 * v, limit)"}, {"x = div(mul(sub2(vs, vs), r), vs)", "max(x) > r"},
		{"x [h] = q / i", "x > h"}, {"x [Ah] = i * h", "x > q"}, {"x = sel(v > 1, v, 2.5)", "x > v"}, {"x = 1 / f", "x > t"}, {"", "mean(ts) > t1"}, {"", "argmax(vs) > n and len(vs) > n"},
		{"drop [V] = i * 0.05; x [V] = v / 2 + drop", "x > v"},
	} {
		var st []Step
		if c.compute != "" {
			st = stepsOf(strings.Split(c.compute, "; ")...)
		}
		if _, issues := Compile(bench(st, c.when), nil); len(issues) > 0 {
			t.Errorf("%q, %q: %v", c.compute, c.when, issues)
		}
	}
}
