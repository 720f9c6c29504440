package measure

import (
	"fmt"
	"math"
	"testing"
)

// exceedance returns the share of the sample in which expr lies above limit, from
// readings given as value and half width of a rectangular distribution.
func exceedance(t *testing.T, expr string, readings map[string][2]float64, limit float64) float64 {
	t.Helper()
	def := Definition{ID: "x", Kind: Numeric, Compute: []Step{{ID: "y", Expr: expr}}, Params: map[string]float64{"y_max": limit},
		Outcomes: []Outcome{{ID: "above", When: "y > y_max"}, {ID: "below", When: "true"}}}
	in := map[string]any{}
	for _, id := range sortedNames(readings) {
		def.Inputs = append(def.Inputs, Input{ID: id, Unit: "1"})
		x := readings[id]
		in[id] = map[string]any{"value": x[0], "resolution": 2 * x[1]}
		if x[1] == 0 {
			in[id] = x[0]
		}
	}
	m, issues := Compile(def, nil)
	if m == nil {
		t.Fatal(issues)
	}
	return share(evaluate(t, m, in, ParseOptions{}), "above")
}

// TestJCGM101Additive (figures from memory): JCGM 101:2008, 9.2.3: the sum of four rectangular quantities of mean
// 0 and standard deviation 1 has the 95 % interval ±3.88 (the Gaussian of the same
// variance would give ±3.92), so 2.5 % lie above 3.88; 9.2.4: with one of the four ten times as
// wide, the interval is ±17.0, where the Gaussian would give ±19.9.
func TestJCGM101Additive(t *testing.T) {
	t.Parallel()
	w := math.Sqrt(3)
	in := map[string][2]float64{"a": {0, w}, "b": {0, w}, "c": {0, w}, "d": {0, w}}
	for limit, want := range map[float64]float64{3.88: 0.025, -3.88: 0.975, 0: 0.5} {
		if got := exceedance(t, "a + b + c + d", in, limit); math.Abs(got-want) > 0.006 {
			t.Errorf("P(sum > %v) = %v, want %v", limit, got, want)
		}
	}
	in["d"] = [2]float64{0, 10 * w}
	for limit, want := range map[float64]float64{17.0: 0.025, -17.0: 0.975} {
		if got := exceedance(t, "a + b + c + d", in, limit); math.Abs(got-want) > 0.006 {
			t.Errorf("one dominant: P(sum > %v) = %v, want %v", limit, got, want)
		}
	}
}

// TestJCGM100Rectangle (figure from memory, derived anew here): JCGM 100:2008, 4.3.7: a rectangle of half width a has the
// standard uncertainty a/√3, and 100 % · 1/√3 = 57.74 % of it lies within one of them
// (derived). 4.3.5 and 4.3.9 hold the other forms against it.
func TestJCGM100Rectangle(t *testing.T) {
	t.Parallel()
	u := 0.2 / math.Sqrt(3)
	in := map[string][2]float64{"x": {5, 0.2}}
	inside := exceedance(t, "x", in, 5-u) - exceedance(t, "x", in, 5+u)
	if math.Abs(inside-1/math.Sqrt(3)) > 0.003 {
		t.Errorf("%v within a/√3, want 0.5774", inside)
	}
	if v := 0.2 * 0.2 / 3; math.Abs(variance(t, "x", in, 4.8, 5.2)-v) > 0.003*v {
		t.Errorf("variance %v, want a²/3 = %v", variance(t, "x", in, 4.8, 5.2), v)
	}
}

// variance of expr from its exceedance curve between low and high, by
// E[y] = low + ∫P(y>s)ds and E[y²] = low² + ∫2s·P(y>s)ds.
func variance(t *testing.T, expr string, in map[string][2]float64, low, high float64) float64 {
	t.Helper()
	const n = 200
	h := (high - low) / n
	m1, m2 := low, low*low
	for i := range n {
		s := low + (float64(i)+0.5)*h
		p := exceedance(t, expr, in, s)
		m1, m2 = m1+p*h, m2+2*s*p*h
	}
	return m2 - m1*m1
}

// TestClosedForms: exact distributions of simple formulas of rectangular readings
// (derived, by areas in the unit square): for U, V uniform on (0, 1)
// P(UV ≤ z) = z - z·ln z; P(U/V ≤ z) = z/2 for z ≤ 1 and 1 - 1/(2z) above;
// P(U + V ≤ z) = z²/2 for z ≤ 1; P(max ≤ z) = z²; P(|U - V| ≤ z) = 1 - (1-z)²;
// P(U² ≤ z) = √z; P(-ln U ≤ z) = 1 - e^-z; the median of three: 3z² - 2z³.
func TestClosedForms(t *testing.T) {
	t.Parallel()
	in := map[string][2]float64{"u": {0.5, 0.5}, "v": {0.5, 0.5}, "w": {0.5, 0.5}}
	for _, c := range []struct {
		expr string
		cdf  func(z float64) float64
		at   []float64
	}{
		{"3 * u + 2", func(z float64) float64 { return (z - 2) / 3 }, []float64{2.3, 3.5, 4.7}},
		{"u * v", func(z float64) float64 { return z - z*math.Log(z) }, []float64{0.05, 0.25, 0.6}},
		{"u / v", func(z float64) float64 {
			if z <= 1 {
				return z / 2
			}
			return 1 - 1/(2*z)
		}, []float64{0.2, 1, 3}},
		{"u + v", func(z float64) float64 { return z * z / 2 }, []float64{0.3, 0.7, 1}},
		{"max(u, v)", func(z float64) float64 { return z * z }, []float64{0.3, 0.7, 0.9}},
		{"abs(u - v)", func(z float64) float64 { return 1 - (1-z)*(1-z) }, []float64{0.1, 0.3, 0.7}},
		{"pow(u, 2)", math.Sqrt, []float64{0.09, 0.25, 0.64}},
		{"-ln(u)", func(z float64) float64 { return 1 - math.Exp(-z) }, []float64{0.2, 1, 3}},
		{"max(min(u, v), min(max(u, v), w))", func(z float64) float64 { return 3*z*z - 2*z*z*z }, []float64{0.2, 0.5, 0.8}},
	} {
		for _, z := range c.at {
			if got, want := 1-exceedance(t, c.expr, in, z), c.cdf(z); math.Abs(got-want) > 0.01 {
				t.Errorf("P(%s ≤ %v) = %v, want %v", c.expr, z, got, want)
			}
		}
	}
}

// TestRatioOfRectangles: the ratio of two rectangular readings 10 ± 1 and 5 ± 0.5 against
// its exact area above 2: by symmetry of the square about y = 2x one half (derived);
// above 2.2: ∫ from b = 4.5 to 5 of (11 - 2.2 b)/2 db = 1.1·0.125 = 0.1375.
func TestRatioOfRectangles(t *testing.T) {
	t.Parallel()
	in := map[string][2]float64{"a": {10, 1}, "b": {5, 0.5}}
	exact := func(z float64) float64 { // share of the rectangle with a > z·b
		const n = 20000
		area := 0.0
		for i := range n {
			b := 4.5 + (float64(i)+0.5)/n
			area += min(max((11-z*b)/2, 0), 1) / n
		}
		return area
	}
	if got := fmt.Sprintf("%.4f %.4f", exact(2), exact(2.2)); got != "0.5000 0.1375" {
		t.Fatalf("the area by hand is 0.5 and 0.1375, the sum gives %s", got)
	}
	for _, z := range []float64{1.8, 2, 2.1, 2.2, 2.4} {
		if got := exceedance(t, "a / b", in, z); math.Abs(got-exact(z)) > 0.008 {
			t.Errorf("P(a/b > %v) = %v, want %v", z, got, exact(z))
		}
	}
}
