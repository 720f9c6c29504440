package measure

import (
	"testing"

	"pgregory.net/rapid"
)

func TestMotorIdent(t *testing.T) {
	t.Parallel()
	m := setup(t, "motor_ident")
	base := func() map[string]any {
		return map[string]any{"r_mohm": 50.0, "l_uh": 100.0, "flux_mwb": 30.13, "kv": 12.2, "pole_pairs": 15.0, "r_model": 50.0, "l_model": 100.0, "t_wind_c": 20.0, "failed": false}
	}
	for _, c := range []struct {
		id   string
		v    any
		want string
	}{
		{"r_mohm", 57.4, "consistent"}, {"r_mohm", 57.6, "r_high"}, {"flux_mwb", 27.8, "consistent"}, {"flux_mwb", 27.6, "flux_low"}, {"flux_mwb", 32.6, "flux_high"},
		{"pole_pairs", 14.0, "consistent"}, {"pole_pairs", 13.0, "flux_low"}, {"pole_pairs", 17.0, "flux_high"}, {"l_uh", 74.0, "l_low"}, {"l_uh", 76.0, "consistent"}, {"r_model", nil, "consistent"}, {"failed", true, "failed"},
	} {
		in := base()
		in[c.id] = c.v
		if got := outcomeOf(t, m, in, ParseOptions{}); got != c.want {
			t.Errorf("%s = %v: %s, want %s", c.id, c.v, got, c.want)
		}
	}
	hot := base()
	hot["r_mohm"], hot["t_wind_c"] = 65.0, 90.0 // 65·254.5/324.5 = 50.98
	if got := outcomeOf(t, m, hot, ParseOptions{}); got != "consistent" {
		t.Errorf("a hot winding: %s", got)
	}
	zero := base()
	zero["flux_mwb"] = 0.0
	r, _, err := m.Parse(zero, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Evaluate(r)
	if got := fieldsOf(t, err); got["readings.flux_mwb"] == "" {
		t.Errorf("%v", got)
	}
}

// TestMotorByHand: 50 mΩ and 100 µH by type at 20 °C, 12.2 rpm/V and 15 pole pairs.
// Flux linkage expected 60000/(√3·2π·12.2·15) = 60000/(10.8828·183) = 30.127 mWb.
func TestMotorByHand(t *testing.T) {
	t.Parallel()
	base := map[string]any{"r_mohm": 50.0, "l_uh": 100.0, "flux_mwb": 30.127, "kv": 12.2, "pole_pairs": 15.0, "r_model": 50.0, "l_model": 100.0, "t_wind_c": 20.0, "failed": false}
	motor := func(id string, v any) map[string]any { return with(base, map[string]any{id: v}) }
	checkHand(t, "motor_ident", []handCase{
		{"as the type", base, "consistent", "", map[string]float64{"flux_expected": 30.127}},
		// 100·(57.5−50)/50 = 15 %, not over 15; 57.6 is 15.2 %.
		{"resistance at the limit", motor("r_mohm", 57.5), "consistent", "", nil},
		{"resistance over the limit", motor("r_mohm", 57.6), "r_high", "", map[string]float64{"r_dev_pct": 15.2}},
		// 65·254.5/(234.5+90) = 65·0.78428 = 50.978: +1.96 %.
		{"hot winding", with(base, map[string]any{"r_mohm": 65.0, "t_wind_c": 90.0}), "consistent", "", map[string]float64{"r20": 50.978}},
		// A low resistance is no finding: only added resistance is looked for.
		{"resistance low", motor("r_mohm", 20.0), "consistent", "", nil},
		// 0.92·30.127 = 27.717 and 1.08·30.127 = 32.537.
		{"flux over the lower limit", motor("flux_mwb", 27.73), "consistent", "", nil},
		{"flux under the lower limit", motor("flux_mwb", 27.70), "flux_low", "", nil},
		{"flux under the upper limit", motor("flux_mwb", 32.52), "consistent", "", nil},
		{"flux over the upper limit", motor("flux_mwb", 32.55), "flux_high", "", nil},
		// 13 pole pairs want 60000/(10.8828·158.6) = 34.762 mWb: 30.127 is 13.3 % low.
		{"wrong pole pairs", motor("pole_pairs", 13.0), "flux_low", "", map[string]float64{"flux_expected": 34.762}},
		// 100·(75−100)/100 = −25 %, not under −25.
		{"inductance at the limit", motor("l_uh", 75.0), "consistent", "", nil},
		{"inductance under the limit", motor("l_uh", 74.9), "l_low", "", nil},
		// The bad joint comes first, because it falsifies the other two.
		{"all three off", with(base, map[string]any{"r_mohm": 75.0, "flux_mwb": 40.0, "l_uh": 50.0}), "r_high", "", nil},
		{"flux before inductance", with(base, map[string]any{"flux_mwb": 20.0, "l_uh": 50.0}), "flux_low", "", nil},
		{"no type values", with(base, map[string]any{"r_model": nil, "l_model": nil, "r_mohm": 500.0, "l_uh": 1.0}), "consistent", "", nil},
		{"run failed", with(base, map[string]any{"failed": true, "r_mohm": 0.0, "l_uh": 0.0, "flux_mwb": 0.0}), "failed", "", nil},
		{"zero flux in a finished run", motor("flux_mwb", 0.0), "", "flux_mwb", nil},
		{"a speed constant of next to nothing", motor("kv", 1e-320), "", "kv", nil},
	})
}

// TestMotorScale: a winding with twice the turns has four times the resistance and
// inductance, twice the flux linkage and half the speed constant, and is judged alike.
// All factors are powers of two, so that no rounding comes between.
func TestMotorScale(t *testing.T) {
	t.Parallel()
	m := setup(t, "motor_ident")
	rapid.Check(t, func(rt *rapid.T) {
		draw := func(label string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(rt, label) }
		r, l, flux, kv := draw("r", 20, 90), draw("l", 50, 150), draw("flux", 20, 40), draw("kv", 8, 16)
		temp := draw("temp", 0, 120)
		judge := func(k float64) Result {
			return evaluate(t, m, map[string]any{"r_mohm": k * k * r, "l_uh": k * k * l, "flux_mwb": k * flux, "kv": kv / k, "pole_pairs": 15.0,
				"r_model": k * k * 50, "l_model": k * k * 100, "t_wind_c": temp, "failed": false}, ParseOptions{})
		}
		x := judge(1)
		for _, k := range []float64{0.5, 2, 4} {
			if y := judge(k); x.Outcome != y.Outcome {
				rt.Fatalf("%s, with %v times the turns %s", x.Outcome, k, y.Outcome)
			}
		}
	})
}
