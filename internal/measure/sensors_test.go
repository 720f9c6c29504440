package measure

import (
	"math"
	"testing"
)

// formula evaluates steps that no measurement of the library has, as a shop may write
// them for a sensor of its own, and returns the computed values by id.
func formula(t *testing.T, steps []Step, readings map[string]float64) map[string]float64 {
	t.Helper()
	last := steps[len(steps)-1].ID
	def := Definition{ID: "x", Kind: Numeric, Compute: steps, Outcomes: []Outcome{{ID: "above", When: last + " > 0"}, {ID: "below", When: "true"}}}
	in := map[string]any{}
	for _, id := range sortedNames(readings) {
		def.Inputs = append(def.Inputs, Input{ID: id, Unit: "1"})
		in[id] = readings[id]
	}
	m, issues := Compile(def, nil)
	if m == nil {
		t.Fatal(issues)
	}
	out := map[string]float64{}
	for _, v := range evaluate(t, m, in, ParseOptions{}).Values {
		if x, ok := v.Value.(float64); ok {
			out[v.ID] = x
		}
	}
	return out
}

// TestSteinhartHart: the published three-point example of the Steinhart–Hart equation,
// 25 kohm at 5 °C, 10 kohm at 25 °C and 4 kohm at 45 °C, recomputed outside this
// project: A 2.108508173e-3, B 0.7979204727e-4, C 6.535076315e-7, and 15 kohm at
// 16.13362 °C. The coefficients are solved by the formulas too.
func TestSteinhartHart(t *testing.T) {
	t.Parallel()
	steps := []Step{
		{ID: "l1", Expr: "ln(25000)"}, {ID: "l2", Expr: "ln(10000)"}, {ID: "l3", Expr: "ln(4000)"},
		{ID: "y1", Expr: "1 / 278.15"},
		{ID: "g2", Expr: "(1 / 298.15 - y1) / (l2 - l1)"}, {ID: "g3", Expr: "(1 / 318.15 - y1) / (l3 - l1)"},
		{ID: "c", Expr: "(g3 - g2) / (l3 - l2) / (l1 + l2 + l3)"},
		{ID: "b", Expr: "g2 - c * (l1 * l1 + l1 * l2 + l2 * l2)"},
		{ID: "a", Expr: "y1 - (b + l1 * l1 * c) * l1"},
		{ID: "temp", Expr: "1 / (a + b * ln(r) + c * pow(ln(r), 3)) - 273.15"},
	}
	got := formula(t, steps, map[string]float64{"r": 15000})
	near(t, "A", got["a"], 2.108508173e-3, 1e-9)
	near(t, "B", got["b"], 0.7979204727e-4, 1e-9)
	near(t, "C", got["c"], 6.535076315e-7, 1e-9)
	if math.Abs(got["temp"]-16.13362) > 5e-6 {
		t.Errorf("15 kohm = %v °C, want 16.13362", got["temp"])
	}
	for r, want := range map[float64]float64{25000: 5, 10000: 25, 4000: 45} {
		if temp := formula(t, steps, map[string]float64{"r": r})["temp"]; math.Abs(temp-want) > 1e-9 {
			t.Errorf("%v ohm = %v °C, want %v", r, temp, want)
		}
	}
}

// TestPlatinum: IEC 60751, a 1000 ohm platinum resistor with A 3.9083e-3, B -5.775e-7
// and, below 0 °C only, C -4.183e-12.
func TestPlatinum(t *testing.T) {
	t.Parallel()
	steps := []Step{{ID: "r", Expr: "1000 * (1 + 3.9083e-3 * t - 5.775e-7 * t * t + sel(t < 0, -4.183e-12 * (t - 100) * pow(t, 3), 0))"}}
	for temp, want := range map[float64]float64{
		-200: 185.201, -100: 602.558, -40: 842.707, 0: 1000, 25: 1097.347, 50: 1193.971, 100: 1385.055, 200: 1758.560, 850: 3904.811,
	} {
		if got := formula(t, steps, map[string]float64{"t": temp})["r"]; math.Abs(got-want) > 6e-4 {
			t.Errorf("%v °C = %v ohm, want %v", temp, got, want)
		}
	}
}
