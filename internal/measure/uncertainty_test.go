package measure

import (
	"math"
	"reflect"
	"strings"
	"testing"
)

func share(r Result, id string) float64 {
	for _, p := range r.Likelihood {
		if p.ID == id {
			return p.Probability
		}
	}
	return math.NaN()
}

func withAccuracy(v, pct float64) map[string]any {
	return map[string]any{"value": v, "plus_minus_pct": pct}
}

// TestLikelihoodOfRectangle: one reading with a rectangular error of half width w
// around x (JCGM 100:2008, 4.3.7) lies above a limit L with probability
// (x + w - L)/2w.
func TestLikelihoodOfRectangle(t *testing.T) {
	t.Parallel()
	m := setup(t, "bearing_play")
	for _, c := range []struct{ mm, pct, play float64 }{
		{0.30, 10, 0.5}, {0.29, 10, (0.29*1.1 - 0.30) / (2 * 0.029)}, {0.32, 10, (0.32*1.1 - 0.30) / (2 * 0.032)}, {0.20, 10, 0}, {0.40, 10, 1},
	} {
		res := evaluate(t, m, map[string]any{"axial_mm": withAccuracy(c.mm, c.pct), "radial_mm": 0.05, "axle_moves": false}, ParseOptions{})
		if got := share(res, "play"); math.Abs(got-c.play) > 0.01 {
			t.Errorf("%v mm ± %v %%: P(play) = %v, want %v", c.mm, c.pct, got, c.play)
		}
		if edge := c.play > 0.05 && c.play < 0.95; strings.Contains(res.Text, "on the edge") != edge {
			t.Errorf("%v mm: text %q", c.mm, res.Text)
		}
	}
}

// TestLikelihoodOfTriangle: the difference of two rectangular errors of equal
// width is triangular (JCGM 101:2008, 6.4.4); at a distance of half its half width
// from the middle one eighth lies beyond.
func TestLikelihoodOfTriangle(t *testing.T) {
	t.Parallel()
	def := Definition{ID: "x", Kind: Numeric, Inputs: []Input{{ID: "a", Unit: "V"}, {ID: "b", Unit: "V"}},
		Outcomes: []Outcome{{ID: "over", When: "a - b > 1"}, {ID: "fine", When: "true"}}}
	m, issues := Compile(def, nil)
	if len(issues) > 0 {
		t.Fatal(issues)
	}
	acc := map[string]any{"value": 10.0, "resolution": 1.0, "counts": 1.0}
	res := evaluate(t, m, map[string]any{"a": acc, "b": map[string]any{"value": 10.0, "resolution": 1.0, "counts": 1.0}}, ParseOptions{})
	if got := share(res, "over"); math.Abs(got-0.125) > 0.01 {
		t.Errorf("P(over) = %v, want 1/8", got)
	}
}

func TestCountsOfLastDigit(t *testing.T) {
	t.Parallel()
	m := setup(t, "pack_output_voltage")
	in := map[string]any{"v_idle": 60.0, "series": 20.0, "v_1k": map[string]any{"value": "60.0 V", "counts": 2.0}}
	// ±2 counts of 0.1 V about 60.0 V, limit 3.0 V × 20: half of it is empty.
	if got := share(evaluate(t, m, in, ParseOptions{}), "empty"); math.Abs(got-0.5) > 0.01 {
		t.Errorf("P(empty) = %v", got)
	}
	in["v_1k"] = map[string]any{"value": 60.0, "counts": 2.0}
	_, _, err := m.Parse(in, ParseOptions{})
	if got := fieldsOf(t, err); !strings.Contains(got["readings.v_1k"], "resolution") {
		t.Errorf("%v", got)
	}
}

func TestSameReadingsSameAnswer(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	in := phases(withAccuracy(104, 3), withAccuracy(100, 3), withAccuracy(100, 3))
	a, b := evaluate(t, m, in, ParseOptions{}), evaluate(t, m, in, ParseOptions{})
	if !reflect.DeepEqual(a, b) {
		t.Errorf("%+v\n%+v", a, b)
	}
	total := 0.0
	for _, p := range a.Likelihood {
		total += p.Probability
	}
	if math.Abs(total-1) > 1e-12 || share(a, "balanced") == 0 || share(a, "marginal") == 0 {
		t.Errorf("%+v", a.Likelihood)
	}
}

func TestWithoutAccuracyOneHot(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	res := evaluate(t, m, phases(101.0, 100.0, 100.5), ParseOptions{})
	if share(res, "balanced") != 1 || strings.Contains(res.Text, "edge") {
		t.Errorf("%+v", res)
	}
	res = evaluate(t, m, phases("OL", 100.0, "OL"), ParseOptions{Accuracy: map[string]Accuracy{"r_bc": {PlusMinusPct: 1}}})
	if share(res, "one_open") != 1 {
		t.Errorf("%+v", res)
	}
}

// TestHaltonEven: every coordinate's sample has the mean and variance of the
// uniform distribution, in high dimensions too.
func TestHaltonEven(t *testing.T) {
	t.Parallel()
	for _, base := range primes(24) {
		var s, s2 float64
		for i := range samples {
			x := halton(i, base)
			s, s2 = s+x, s2+x*x
		}
		m := s / samples
		if v := s2/samples - m*m; math.Abs(m-0.5) > 0.01 || math.Abs(v-1.0/12) > 0.004 {
			t.Errorf("base %d: mean %v, variance %v", base, m, v)
		}
	}
}
