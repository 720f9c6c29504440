package measure

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestPhaseResistance: hand-worked windings beyond the library's own examples.
// Star with branches a, b, c reads a+b, b+c, c+a; delta with branches p, q, r
// reads p(q+r)/(p+q+r) and so on.
func TestPhaseResistance(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	for _, c := range []struct {
		name       string
		ab, bc, ca any
		out        string
		detail     string
	}{
		{"sound star 50/50/50", 100.0, 100.0, 100.0, "balanced", ""},
		{"open B", "OL", "OL", 100.0, "one_open", "B"},
		{"open C", 100.0, "OL", "OL", "one_open", "C"},
		{"one pair open is impossible", "OL", 100.0, 100.0, "unstable", ""},
		{"joint of 12 mohm in C", 100.0, 112.0, 112.0, "one_high", "C"},
		{"B short of 14 mohm", 86.0, 86.0, 100.0, "one_low", "B"},
		{"sound delta of 150: 2R/3", 100.0, 100.0, 100.0, "balanced", ""},
		{"delta of 150, branch BC open", 150.0, 300.0, 150.0, "one_open", "delta BC"},
		{"star with phase A shorted: 50, 100, 50", 50.0, 100.0, 50.0, "one_low", "A"},
		{"B and C joined at the plug: r_bc near 0", 75.0, 2.0, 75.0, "short_pair", "BC"},
		{"marginal 4 %", 104.0, 98.0, 98.0, "marginal", ""},
		{"just inside the warning limit", 102.9, 98.6, 98.5, "balanced", ""},
	} {
		res := evaluate(t, m, phases(c.ab, c.bc, c.ca), ParseOptions{})
		if res.Outcome != c.out || res.Detail != c.detail {
			t.Errorf("%s: %s %q, want %s %q (%s)", c.name, res.Outcome, res.Detail, c.out, c.detail, res.Text)
		}
	}
}

func TestPhaseIdentity(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	for _, c := range [][3]float64{{10, 20, 500}, {100, 30, 160}, {0, 0, 0}, {100, 100, 230}} {
		r, _, err := m.Parse(phases(c[0], c[1], c[2]), ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		res, err := m.Evaluate(r)
		if err == nil {
			t.Errorf("%v came out as %+v", c, res)
			continue
		}
		got := fieldsOf(t, err)
		for _, f := range []string{"readings.r_ab", "readings.r_bc", "readings.r_ca"} {
			if got[f] == "" {
				t.Errorf("%v: %s is not named", c, f)
			}
		}
	}
	in := phases(10.0, 20.0, 500.0)
	in["flex_change_pct"] = 30.0
	if got := outcomeOf(t, m, in, ParseOptions{}); got != "unstable" {
		t.Errorf("readings that move when flexed may contradict each other: %s", got)
	}
	in = phases(50.0, 100.0, 50.0)
	delete(in, "r_model_20")
	if res := evaluate(t, m, in, ParseOptions{}); len(res.Warnings) == 0 {
		t.Error("2:1:1 without the type value needs a warning")
	}
}

// TestPhaseRenaming: turning the phases' names A→B→C→A turns the answer alike.
func TestPhaseRenaming(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	turn := strings.NewReplacer("AB", "BC", "BC", "CA", "CA", "AB", "A", "B", "B", "C", "C", "A")
	rapid.Check(t, func(rt *rapid.T) {
		branch := rapid.Float64Range(10, 200)
		a, b, c := branch.Draw(rt, "a"), branch.Draw(rt, "b"), branch.Draw(rt, "c")
		open := rapid.IntRange(-1, 3).Draw(rt, "open")
		ab, bc, ca := a+b, b+c, c+a
		if open == 0 || open == 3 {
			ab, ca = OpenOhms, OpenOhms
		}
		if open == 1 || open == 3 {
			ab, bc = OpenOhms, OpenOhms
		}
		x := evaluate(t, m, phases(ab, bc, ca), ParseOptions{})
		y := evaluate(t, m, phases(ca, ab, bc), ParseOptions{})
		if x.Outcome != y.Outcome || turn.Replace(x.Detail) != y.Detail {
			rt.Fatalf("%v %v %v: %s %q, renamed %s %q", ab, bc, ca, x.Outcome, x.Detail, y.Outcome, y.Detail)
		}
	})
}

// TestPhasesByHand: limits 5000 mΩ open, 40 % short pair, 3 and 5 % unbalance, 10 %
// off the type value (here 100 mΩ), 5 % on flexing; the winding at 20 °C.
func TestPhasesByHand(t *testing.T) {
	t.Parallel()
	flexed := func(pct float64) map[string]any {
		return with(phases(100.0, 100.0, 100.0), map[string]any{"flex_change_pct": pct})
	}
	checkHand(t, "phase_resistance_3", []handCase{
		// Branches 50, 50, 54.6: mean (100+104.6+104.6)/3 = 103.067, 100·3.067/103.067 = 2.9755 %, under 3.
		{"under the warning", phases(100.0, 104.6, 104.6), "balanced", "", map[string]float64{"unbalance_pct": 2.9754, "r_c": 54.6}},
		// Branches 50, 50, 54.8: mean 103.2, 100·3.2/103.2 = 3.1008 %, over 3.
		{"over the warning", phases(100.0, 104.8, 104.8), "marginal", "", map[string]float64{"unbalance_pct": 3.1008}},
		// Branches 50, 50, 57.8: mean 105.2, 100·5.2/105.2 = 4.9430 %, under 5.
		{"under the limit", phases(100.0, 107.8, 107.8), "marginal", "", map[string]float64{"unbalance_pct": 4.9430}},
		// Branches 50, 50, 58: mean 105.333, 100·5.333/105.333 = 5.0633 %, over 5; C is 8 above the middle, none below.
		{"over the limit", phases(100.0, 108.0, 108.0), "one_high", "C", map[string]float64{"unbalance_pct": 5.0633, "r_c": 58}},
		// Branches 50, 42, 50: A–B 92, B–C 92, C–A 100; mean 94.667, 100·5.333/94.667 = 5.634 %; B is 8 below.
		{"one branch low", phases(92.0, 92.0, 100.0), "one_low", "B", map[string]float64{"unbalance_pct": 5.6338, "r_b": 42}},
		// 39.9 < 0.4·100 = 40.
		{"short pair", phases(39.9, 100.0, 100.0), "short_pair", "AB", nil},
		// 40.1 > 40. Branches 20.05, 20.05, 79.95: C is 59.9 above the middle.
		{"no short pair any more", phases(40.1, 100.0, 100.0), "one_high", "C", nil},
		// 30 < 0.4·80 = 32, and 80 is just 80 % of 100.
		{"short pair with uneven others", phases(30.0, 80.0, 100.0), "short_pair", "AB", nil},
		// 79 < 80. Branches (30+100−79)/2 = 25.5, (30+79−100)/2 = 4.5, (79+100−30)/2 = 74.5: C 49 above, B 21 below.
		{"others too uneven", phases(30.0, 79.0, 100.0), "one_high", "C", nil},
		// Delta of 150 with A–B open: 150+150 = 300 across it, 150 elsewhere; 150 > 1.2·100.
		{"open delta branch", phases(300.0, 150.0, 150.0), "one_open", "delta AB", nil},
		// The same with the type value 125: 1.2·125 = 150 is not exceeded, so a shorted star phase, the one not in A–B.
		{"shorted star phase", with(phases(300.0, 150.0, 150.0), map[string]any{"r_model_20": 125.0}), "one_low", "C", nil},
		// 179 < 1.8·100. Branches 89.5, 89.5, 10.5: C is 79 below.
		{"not quite two to one", phases(179.0, 100.0, 100.0), "one_low", "C", nil},
		// 5000 is not over the limit of 5000; all alike, but 4900 % off the type value.
		{"just not open", phases(5000.0, 5000.0, 5000.0), "off_model", "", nil},
		{"two open share B", phases(5000.1, 5000.1, 100.0), "one_open", "B", nil},
		{"all open", phases(5000.1, "OL", 6000.0), "all_open", "", nil},
		{"one open alone cannot be", phases("OL", 100.0, 100.0), "unstable", "", nil},
		{"flexing at the limit", flexed(5), "balanced", "", nil},
		{"flexing over the limit", flexed(5.1), "unstable", "", nil},
		{"flexing downwards", flexed(-6), "unstable", "", nil},
		// 100·(110−100)/100 = 10 %, not over 10; 110.1 is 10.1 %.
		{"ten percent off", phases(110.0, 110.0, 110.0), "balanced", "", nil},
		{"more than ten percent off", phases(110.1, 110.1, 110.1), "off_model", "", nil},
		// 130·254.5/(234.5+95) = 130·0.77238 = 100.41: hot, not off.
		{"hot", with(phases(130.0, 130.0, 130.0), map[string]any{"t_wind_c": 95.0}), "balanced", "", map[string]float64{"r_avg_20": 100.41}},
		// Least branch (200−213)/2 = −6.5, over −0.05·413/3 = −6.883; 213 ≥ 1.8·100; 100 is not over 120: star phase C shorted.
		{"within the identity's allowance", phases(213.0, 100.0, 100.0), "one_low", "C", nil},
		// (200−214.5)/2 = −7.25, under −0.05·414.5/3 = −6.908.
		{"no winding", phases(214.5, 100.0, 100.0), "", "r_ab", nil},
		{"all zero", phases(0.0, 0.0, 0.0), "", "r_bc", nil},
	})
}

// TestPhaseMirrorAndScale: exchanging the names A and B exchanges them in the answer,
// and a winding of thicker wire, with its type value, is judged alike: unbalance is a
// ratio. The factors are powers of two, so that no rounding comes between.
func TestPhaseMirrorAndScale(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	mirror := strings.NewReplacer("AB", "AB", "BC", "CA", "CA", "BC", "A", "B", "B", "A")
	rapid.Check(t, func(rt *rapid.T) {
		reading := rapid.OneOf(rapid.Float64Range(80, 120), rapid.Float64Range(1, 300))
		ab, bc, ca := reading.Draw(rt, "ab"), reading.Draw(rt, "bc"), reading.Draw(rt, "ca")
		judge := func(ab, bc, ca, k float64) (Result, error) {
			r, _, err := m.Parse(with(phases(k*ab, k*bc, k*ca), map[string]any{"r_model_20": 100 * k}), ParseOptions{})
			if err != nil {
				rt.Fatal(err)
			}
			return m.Evaluate(r)
		}
		x, xerr := judge(ab, bc, ca, 1)
		y, yerr := judge(ab, ca, bc, 1)
		if (xerr == nil) != (yerr == nil) || x.Outcome != y.Outcome || mirror.Replace(x.Detail) != y.Detail {
			rt.Fatalf("%v %v %v: %s %q %v, mirrored %s %q %v", ab, bc, ca, x.Outcome, x.Detail, xerr, y.Outcome, y.Detail, yerr)
		}
		for _, k := range []float64{0.25, 0.5, 2, 8} {
			z, zerr := judge(ab, bc, ca, k)
			if (xerr == nil) != (zerr == nil) || x.Outcome != z.Outcome || x.Detail != z.Detail {
				rt.Fatalf("%v %v %v: %s %q, times %v %s %q", ab, bc, ca, x.Outcome, x.Detail, k, z.Outcome, z.Detail)
			}
			for i, v := range x.Values {
				if v.ID == "unbalance_pct" && v.Value != z.Values[i].Value {
					rt.Fatalf("unbalance %v, times %v %v", v.Value, k, z.Values[i].Value)
				}
			}
		}
	})
}
