package measure

import (
	"fmt"
	"math"
	"testing"
)

// These are the worked examples of JCGM 100:2008 annex H and JCGM 101:2008 clause 9
// that the expression language can say. Its readings are rectangular, independent
// and without degrees of freedom, so that three things are made here of what it has:
// a normal quantity out of a rectangular one (normalOf), a correlation out of terms
// that two quantities share, and sine and cosine about a known angle out of their
// series. No measurement of the library can state that two readings are correlated,
// and expanded uncertainties with their coverage factors (k from the t-distribution,
// H.1.6) are not reckoned at all. H.4 to H.6 (activity, analysis of variance, hardness)
// are no computations of this kind. The printed figures are from memory; where a
// closed form exists, it is derived beside them.

// spreadOut is what a formula comes to over the sample.
type spreadOut struct{ mean, sd, low, high float64 }

// propagate runs steps and the formula y over readings given as value and half width.
func propagate(t *testing.T, steps []Step, y string, readings map[string][2]float64) spreadOut {
	t.Helper()
	def := Definition{ID: "x", Kind: Numeric, Compute: append(steps, Step{ID: "y", Expr: y}), Outcomes: []Outcome{{ID: "above", When: "y > 0"}, {ID: "below", When: "true"}}}
	in := map[string]any{}
	for _, id := range sortedNames(readings) {
		def.Inputs = append(def.Inputs, Input{ID: id, Unit: "1"})
		in[id] = map[string]any{"value": readings[id][0], "resolution": 2 * readings[id][1]}
	}
	return spreadOver(t, def, in)
}

func spreadOver(t *testing.T, def Definition, in map[string]any) spreadOut {
	t.Helper()
	m, issues := Compile(def, nil)
	if m == nil {
		t.Fatal(issues)
	}
	r, _, err := m.Parse(in, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	xs := m.sampleOf(r, m.dimensions(r), &m.axes[0])
	if len(xs) != samples {
		t.Fatalf("%d values", len(xs))
	}
	var out spreadOut
	for _, x := range xs {
		out.mean += x / samples
	}
	for _, x := range xs {
		out.sd += (x - out.mean) * (x - out.mean) / samples
	}
	out.sd = math.Sqrt(out.sd)
	out.low, out.high = central95(xs)
	return out
}

// normalOf are the steps that make a standard normal z_<id> of a reading id that is
// rectangular from 0 to 1: Abramowitz and Stegun, Handbook of Mathematical Functions,
// 26.2.23 (error below 4.5e-4).
func normalOf(ids ...string) []Step {
	var out []Step
	for _, id := range ids {
		out = append(out,
			Step{ID: "t_" + id, Expr: fmt.Sprintf("sqrt(-2 * ln(min(%s, 1 - %s)))", id, id)},
			Step{ID: "q_" + id, Expr: fmt.Sprintf("t_%[1]s - (2.515517 + 0.802853 * t_%[1]s + 0.010328 * t_%[1]s * t_%[1]s) / (1 + 1.432788 * t_%[1]s + 0.189269 * t_%[1]s * t_%[1]s + 0.001308 * pow(t_%[1]s, 3))", id)},
			Step{ID: "z_" + id, Expr: fmt.Sprintf("sel(%s < 0.5, -q_%s, q_%s)", id, id, id)})
	}
	return out
}

func unitReadings(ids ...string) map[string][2]float64 {
	out := map[string][2]float64{}
	for _, id := range ids {
		out[id] = [2]float64{0.5, 0.5}
	}
	return out
}

// within compares to a part of the wanted value.
func within(t *testing.T, what string, got, want, part float64) {
	t.Helper()
	if math.Abs(got-want) > part*math.Abs(want) {
		t.Errorf("%s = %.7g, want %.7g", what, got, want)
	}
}

// TestJCGM101Normal (9.2.2): the sum of four standard normal quantities is normal with
// standard deviation 2; its central 95 % are ±3.92.
func TestJCGM101Normal(t *testing.T) {
	t.Parallel()
	got := propagate(t, normalOf("a", "b", "c", "d"), "z_a + z_b + z_c + z_d", unitReadings("a", "b", "c", "d"))
	within(t, "u", got.sd, 2, 0.02)
	within(t, "high", got.high, 3.92, 0.03)
	within(t, "low", got.low, -3.92, 0.03)
}

// TestJCGM101Mass (9.3): calibration of a weight of 100 g against a reference in air.
// Printed: 1.2340 mg, u = 0.0754 mg, central 95 % from 1.0834 to 1.3825 mg, where the
// first-order law gives 0.0539 mg. In closed form (derived): the air's density has its
// mean where the buoyancy vanishes, so
// u² = u²(m) + u²(dm) + m²·(a²/3)·E[(1/W - 1/R)²], and over a rectangle from p to q
// E[1/x] = ln(q/p)/(q-p) and E[1/x²] = 1/(pq).
func TestJCGM101Mass(t *testing.T) {
	t.Parallel()
	in := unitReadings("a", "b")
	in["air"], in["rw"], in["rr"] = [2]float64{1.2, 0.1}, [2]float64{8000, 1000}, [2]float64{8000, 50}
	got := propagate(t, normalOf("a", "b"), "(100000 + 0.050 * z_a + 1.234 + 0.020 * z_b) * (1 + (air - 1.2) * (1 / rw - 1 / rr)) - 100000", in)
	d2 := 1/(7000.0*9000) - 2*math.Log(9000.0/7000)/2000*math.Log(8050.0/7950)/100 + 1/(7950.0*8050)
	exact := math.Sqrt(0.050*0.050 + 0.020*0.020 + 1e10*0.1*0.1/3*d2)
	within(t, "the closed form of u", exact, 0.0754, 0.002)
	within(t, "u", got.sd, exact, 0.02)
	within(t, "dm", got.mean, 1.2340, 0.002)
	within(t, "low", got.low, 1.0834, 0.01)
	within(t, "high", got.high, 1.3825, 0.01)
	if got.sd < 1.3*0.0539 {
		t.Error("the sample must see what the first-order law does not")
	}
}

// TestJCGM101Loss (9.4): comparison loss Y = X1² + X2², both normal with u = 0.005, X2
// about 0 and X1 about x; independent and with r = 0.9, which a term that both share
// gives. In closed form (derived from the moments of the normal distribution):
// E[Y] = x² + 2u², Var[Y] = 4u²x² + 4u⁴(1 + r²); printed in units of 1e-6 are 50, 112
// and 502 without correlation and 67, 121 and 505 with it.
func TestJCGM101Loss(t *testing.T) {
	t.Parallel()
	const u = 0.005
	for _, c := range []struct{ x, r, printed float64 }{
		{0, 0, 50e-6}, {0.010, 0, 112e-6}, {0.050, 0, 502e-6}, {0, 0.9, 67e-6}, {0.010, 0.9, 121e-6}, {0.050, 0.9, 505e-6},
	} {
		y := fmt.Sprintf("pow(%v + %v * z_a, 2) + pow(%v * (%v * z_a + %v * z_b), 2)", c.x, u, u, c.r, math.Sqrt(1-c.r*c.r))
		got := propagate(t, normalOf("a", "b"), y, unitReadings("a", "b"))
		exact := math.Sqrt(4*u*u*c.x*c.x + 4*u*u*u*u*(1+c.r*c.r))
		name := fmt.Sprintf("x %v, r %v: ", c.x, c.r)
		within(t, name+"the closed form of u", exact, c.printed, 0.007)
		within(t, name+"u", got.sd, exact, 0.03)
		within(t, name+"E", got.mean, c.x*c.x+2*u*u, 0.01)
		if c.x == 0 && c.r == 0 {
			// Y/u² has the chi-squared distribution with two degrees of freedom.
			within(t, "high", got.high, -2*u*u*math.Log(0.025), 0.04)
			if want := -2 * u * u * math.Log(0.975); math.Abs(got.low-want) > 0.5e-6 {
				t.Errorf("low = %v, want %v", got.low, want)
			}
		}
	}
}

// TestJCGM100EndGauge (H.1): l = ls + d - ls·(da·th + as·dth), in micrometres and
// kelvins. Printed: 50.000838 mm, u = 32 nm to first order and 34 nm with the terms of
// second order (H.1.7). In closed form (derived: da and dth have mean zero, all are
// independent): u² = u²(ls) + u²(d) + ls²·[u²(da)(th² + u²(th)) + u²(dth)(as² + u²(as))].
// The cycle of the temperature has an arcsine distribution, which the language cannot
// say: a rectangle of the same standard deviation stands for it.
func TestJCGM100EndGauge(t *testing.T) {
	t.Parallel()
	root3 := math.Sqrt(3)
	in := unitReadings("a", "b", "c")
	in["cycle"], in["alpha"], in["da"], in["dth"] = [2]float64{0, 0.35 * root3}, [2]float64{11.5e-6, 2e-6}, [2]float64{0, 1e-6}, [2]float64{0, 0.05}
	got := propagate(t, append(normalOf("a", "b", "c"), Step{ID: "th", Expr: "-0.1 + 0.2 * z_c + cycle"}, Step{ID: "ls", Expr: "50000.623 + 0.025 * z_a"}),
		"ls + 0.215 + 0.0097 * z_b - ls * (da * th + alpha * dth) - 50000", in)
	third := func(half float64) float64 { return half * half / 3 }
	th2 := 0.1*0.1 + 0.2*0.2 + 0.35*0.35
	exact := math.Sqrt(0.025*0.025 + 0.0097*0.0097 + 50000.623*50000.623*(third(1e-6)*th2+third(0.05)*(11.5e-6*11.5e-6+third(2e-6))))
	within(t, "the closed form of u", exact, 0.034, 0.015)
	within(t, "u", got.sd, exact, 0.03)
	if math.Abs(got.mean-0.838) > 0.001 {
		t.Errorf("l - 50 mm = %v um, want 0.838", got.mean)
	}
}

// TestJCGM100Impedance (H.2): resistance, reactance and impedance of an element from
// voltage, current and phase, which are correlated. Five simultaneous observations
// give the means, their standard deviations and correlations here as there; printed
// are R = 127.732 (0.071), X = 219.847 (0.295) and Z = 254.260 (0.236) ohm. The law of
// propagation with correlation (5.2.2, equation 16) is worked out beside it.
func TestJCGM100Impedance(t *testing.T) {
	t.Parallel()
	obs := [3][5]float64{{5.007, 4.994, 5.005, 4.990, 4.999}, {19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}, {1.0456, 1.0438, 1.0468, 1.0428, 1.0433}}
	mean, cov := covariance(obs)
	l := cholesky(cov)
	z := func(i int) string {
		text := "0"
		for j, id := range []string{"a", "b", "c"}[:i+1] {
			text += fmt.Sprintf(" + (%.12g) * z_%s", l[i][j], id)
		}
		return text
	}
	v, i, phi := mean[0], mean[1], mean[2]
	cos, sin := math.Cos(phi), math.Sin(phi)
	steps := append(normalOf("a", "b", "c"),
		Step{ID: "ratio", Expr: fmt.Sprintf("(%.12g + %s) / (%.12g + %s)", v, z(0), i, z(1))},
		Step{ID: "d", Expr: z(2)})
	series := "%.15g * (1 - d * d / 2) + (%.15g) * (d - d * d * d / 6)" // of the angle phi + d
	for _, c := range []struct {
		name, y          string
		value, printed   float64
		dv, di, dp, mean float64
	}{
		{"R", "ratio * (" + fmt.Sprintf(series, cos, -sin) + ")", 127.732, 0.071, cos / i, -v / i / i * cos, -v / i * sin, v / i * cos},
		{"X", "ratio * (" + fmt.Sprintf(series, sin, cos) + ")", 219.847, 0.295, sin / i, -v / i / i * sin, v / i * cos, v / i * sin},
		{"Z", "ratio", 254.260, 0.236, 1 / i, -v / i / i, 0, v / i},
	} {
		g := [3]float64{c.dv, c.di, c.dp}
		u2 := 0.0
		for j := range 3 {
			for k := range 3 {
				u2 += g[j] * g[k] * cov[j][k]
			}
		}
		got := propagate(t, steps, c.y, unitReadings("a", "b", "c"))
		within(t, c.name+" by the law of propagation", math.Sqrt(u2), c.printed, 0.01)
		within(t, "u("+c.name+")", got.sd, math.Sqrt(u2), 0.03)
		within(t, c.name+" of the means", c.mean, c.value, 5e-6)
		within(t, c.name, got.mean, c.value, 2e-5)
	}
}

// covariance of the means of the observations (4.2.3 and 5.2.3, equation 17).
func covariance(obs [3][5]float64) (mean [3]float64, cov [3][3]float64) {
	for i := range obs {
		for _, x := range obs[i] {
			mean[i] += x / 5
		}
	}
	for i := range obs {
		for j := range obs {
			for k := range 5 {
				cov[i][j] += (obs[i][k] - mean[i]) * (obs[j][k] - mean[j]) / (5 * 4)
			}
		}
	}
	return mean, cov
}

// cholesky returns the lower triangle whose product with its transpose is a.
func cholesky(a [3][3]float64) (l [3][3]float64) {
	for i := range 3 {
		for j := range i + 1 {
			s := a[i][j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(s)
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	return l
}

// TestJCGM100Thermometer (H.3): the straight line through eleven corrections of a
// thermometer, b = y1 + y2·(t - 20 °C), with the list functions. Printed: y1 = -0.1712
// (0.0029) °C, y2 = 0.00218 (0.00067), and at 30 °C -0.1494 (0.0041) °C. The standard
// deviation of the residuals, 0.0035, is each correction's. In closed form (the
// textbook's line): u(y2) = s/√S and u(b(t)) = s·√(1/n + (t - mean)²/S).
func TestJCGM100Thermometer(t *testing.T) {
	t.Parallel()
	temps := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	corrections := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	mean, s := 0.0, 0.0
	for _, x := range temps {
		mean += x / 11
	}
	for _, x := range temps {
		s += (x - mean) * (x - mean)
	}
	half := 0.0035 * math.Sqrt(3)
	ts, bs := []any{}, []any{}
	for k := range temps {
		ts = append(ts, temps[k])
		bs = append(bs, map[string]any{"value": corrections[k], "resolution": 2 * half})
	}
	line := []Step{{ID: "off", Expr: "sub(t, mean(t))"}, {ID: "slope", Expr: "sum(mul(off, b)) / sum(mul(off, off))"}, {ID: "at20", Expr: "mean(b) + slope * (20 - mean(t))"}}
	for _, c := range []struct {
		y                          string
		value, printed, exact, tol float64
	}{
		{"slope", 0.00218, 0.00067, 0.0035 / math.Sqrt(s), 0.000005},
		{"at20", -0.1712, 0.0029, 0.0035 * math.Sqrt(1.0/11+(20-mean)*(20-mean)/s), 0.00005},
		{"at20 + slope * 10", -0.1494, 0.0041, 0.0035 * math.Sqrt(1.0/11+(30-mean)*(30-mean)/s), 0.00005},
	} {
		def := Definition{ID: "x", Kind: Numeric, Inputs: []Input{{ID: "t", Unit: "list", Element: "1"}, {ID: "b", Unit: "list", Element: "1"}}, Compute: append(line[:3:3], Step{ID: "y", Expr: c.y}),
			Outcomes: []Outcome{{ID: "above", When: "y > 0"}, {ID: "below", When: "true"}}}
		got := spreadOver(t, def, map[string]any{"t": ts, "b": bs})
		within(t, c.y+": the closed form of u", c.exact, c.printed, 0.02)
		within(t, "u("+c.y+")", got.sd, c.exact, 0.03)
		if math.Abs(got.mean-c.value) > c.tol+0.02*c.exact {
			t.Errorf("%s = %v, want %v", c.y, got.mean, c.value)
		}
	}
}
