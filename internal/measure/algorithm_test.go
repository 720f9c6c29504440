package measure

import (
	"fmt"
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

func states(s ...int) map[string]any {
	l := make([]any, len(s))
	for i, x := range s {
		l[i] = float64(x)
	}
	return map[string]any{"states": l}
}

func repeated(times int, s ...int) []int {
	var out []int
	for range times {
		out = append(out, s...)
	}
	return out
}

// TestHallSequence: the order of the six states is Microchip AN885's commutation
// table for sensors 120 degrees apart; the defects are derived from it.
func TestHallSequence(t *testing.T) {
	t.Parallel()
	m := setup(t, "hall_sequence")
	for _, c := range []struct {
		name   string
		s      []int
		out    string
		detail string
	}{
		{"AN885 forward, begun anywhere", repeated(3, 6, 4, 5, 1, 3, 2), "valid_forward", ""},
		{"AN885 reverse", repeated(3, 2, 3, 1, 5, 4, 6), "valid_reverse", ""},
		{"each state read several times", repeated(2, 1, 1, 3, 3, 3, 2, 6, 6, 4, 5), "valid_forward", ""},
		{"H2 stuck high", repeated(3, 3, 3, 2, 6, 6, 7), "one_stuck_high", "H2"},
		{"H1 stuck low", repeated(3, 1, 3, 2, 2, 0, 1), "one_stuck_low", "H1"},
		{"H2 and H3 joined", repeated(3, 3, 3, 3, 7, 4, 4, 0), "joined", "H2-H3"},
		{"H3 inverted", repeated(3, 0, 2, 3, 7, 5, 4), "inverted_or_60", ""},
		{"turned back once", append(repeated(2, 1, 3, 2, 6, 4, 5), 4, 6, 2), "skips", ""},
		{"noise to 7", append(repeated(2, 1, 3, 2, 6, 4, 5), 7, 1), "skips", ""},
		{"all signals low", repeated(12, 0), "no_change", ""},
		{"all three joined", repeated(6, 0, 7), "two_dead", ""},
	} {
		res := evaluate(t, m, states(c.s...), ParseOptions{})
		if res.Outcome != c.out || res.Detail != c.detail {
			t.Errorf("%s: %s %q, want %s %q", c.name, res.Outcome, res.Detail, c.out, c.detail)
		}
	}
	for _, s := range [][]int{{1, 3, 2}, {1, 3, 1, 3}, {7}} {
		r, _, err := m.Parse(states(s...), ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = m.Evaluate(r)
		if got := fieldsOf(t, err); got["readings.states"] == "" {
			t.Errorf("%v: %v", s, got)
		}
	}
	_, _, err := m.Parse(states(1, 8, 2.0), ParseOptions{})
	fieldsOf(t, err)
}

// TestHallReversed: reading a recording backwards swaps the two valid answers and
// leaves every other; swapping two signals does the same (both from the cycle).
func TestHallReversed(t *testing.T) {
	t.Parallel()
	m := setup(t, "hall_sequence")
	other := map[string]string{"valid_forward": "valid_reverse", "valid_reverse": "valid_forward"}
	rapid.Check(t, func(rt *rapid.T) {
		start, n := rapid.IntRange(0, 5).Draw(rt, "start"), rapid.IntRange(12, 40).Draw(rt, "n")
		var fwd, back, swapped []int
		noise := rapid.IntRange(-30, 11).Draw(rt, "noise")
		for i := range n {
			s := hallCycle[(start+i)%6]
			if i == noise {
				s ^= 7
			}
			fwd = append(fwd, s)
			back = append([]int{s}, back...)
			swapped = append(swapped, s&1|(s&2)<<1|(s&4)>>1)
		}
		want := outcomeOf(t, m, states(fwd...), ParseOptions{})
		if o, ok := other[want]; ok {
			want = o
		}
		if got := outcomeOf(t, m, states(back...), ParseOptions{}); got != want {
			rt.Fatalf("%v backwards: %s, want %s", fwd, got, want)
		}
		if got := outcomeOf(t, m, states(swapped...), ParseOptions{}); got != want {
			rt.Fatalf("%v with H1 and H2 swapped: %s, want %s", fwd, got, want)
		}
	})
}

func TestBridge(t *testing.T) {
	t.Parallel()
	m := setup(t, "bridge_diode_test")
	l := func(a, b, c any) []any { return []any{a, b, c} }
	good, over := l(0.45, 0.46, 0.45), l("OL", "OL", "OL")
	for _, c := range []struct {
		name            string
		up, low, ur, lr []any
		outcome, detail string
	}{
		{"all good", good, good, over, over, "good", ""},
		{"capacitors still charging: the reverse reading rises", good, good, l(2.1, 2.4, 2.0), over, "good", ""},
		{"two shorted", l(0.02, 0.46, 0.45), l(0.45, 0.45, 0.03), l(0.02, 9.0, 9.0), l(9.0, 9.0, 0.03), "shorted", "upper A, lower C"},
		{"short hides the open one", l(0.02, 0.46, 0.45), l(0.45, "OL", 0.45), l(0.02, 9.0, 9.0), over, "shorted", "upper A"},
		{"leaks in reverse only", good, good, l(9.0, 1.2, 9.0), over, "leaky", "upper B"},
		{"open low C", good, l(0.45, 0.45, "OL"), over, over, "open", "lower C"},
		{"one drop 80 mV high", l(0.45, 0.45, 0.53), good, over, over, "uneven", "upper C"},
		{"60 mV is still even", l(0.45, 0.45, 0.51), good, over, over, "good", ""},
	} {
		res := evaluate(t, m, map[string]any{"up": c.up, "low": c.low, "up_rev": c.ur, "low_rev": c.lr}, ParseOptions{})
		if res.Outcome != c.outcome || res.Detail != c.detail {
			t.Errorf("%s: %s %q, want %s %q", c.name, res.Outcome, res.Detail, c.outcome, c.detail)
		}
	}
	r, _, err := m.Parse(map[string]any{"up": l(0.45, -0.4, 0.45), "low": good, "up_rev": over, "low_rev": over}, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Evaluate(r)
	if got := fieldsOf(t, err); !strings.Contains(got["readings.up[1]"], "charge") {
		t.Errorf("%v", got)
	}
}

func TestHarness(t *testing.T) {
	t.Parallel()
	m := setup(t, "harness_continuity")
	record := map[string]any{"p1": "q1", "p2": "q2", "p10": "q10"}
	for _, c := range []struct {
		name            string
		p1, p2, p10     []any
		metal           []any
		outcome, detail string
	}{
		{"as recorded", []any{"q1"}, []any{"q2"}, []any{"q10"}, nil, "good", ""},
		{"three crossed", []any{"q2"}, []any{"q10"}, []any{"q1"}, nil, "swapped", "p1,p2,p10"},
		{"two near pins on one far pin are joined", []any{"q1"}, []any{"q1"}, []any{"q10"}, nil, "short_pair", "p1,p2"},
		{"two open", []any{}, []any{"q2"}, nil, nil, "open", "p1,p10"},
		{"swap outranks open", []any{"q2"}, []any{}, []any{"q10"}, nil, "swapped", "p1"},
		{"metal outranks all", []any{"q2"}, []any{"q1"}, []any{}, []any{"p10", "p2"}, "short_to_metal", "p2,p10"},
	} {
		metal := c.metal
		if metal == nil {
			metal = []any{}
		}
		var p10 any = c.p10
		if c.p10 == nil {
			p10 = nil
		}
		res := evaluate(t, m, map[string]any{"expected": record, "found": map[string]any{"p1": c.p1, "p2": c.p2, "p10": p10}, "to_metal": metal}, ParseOptions{})
		if res.Outcome != c.outcome || res.Detail != c.detail {
			t.Errorf("%s: %s %q, want %s %q", c.name, res.Outcome, res.Detail, c.outcome, c.detail)
		}
	}
	r, _, err := m.Parse(map[string]any{"expected": record, "found": map[string]any{"p1": []any{"q1"}}, "to_metal": []any{}}, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Evaluate(r)
	if got := fieldsOf(t, err); !strings.Contains(got["readings.found.p2"], "not tested") {
		t.Errorf("%v", got)
	}
}

func TestPackVoltage(t *testing.T) {
	t.Parallel()
	m := setup(t, "pack_voltage_soc")
	in := func(v, series, reported any) map[string]any {
		return map[string]any{"v_pack": v, "series": series, "v_reported": reported}
	}
	for _, c := range []struct {
		v, series, reported any
		outcome, detail     string
	}{
		{84.0, 20.0, nil, "in_range", ""}, {84.7, 20.0, nil, "over_full", ""}, {39.9, 20.0, nil, "dead_low", ""}, {40.0, 20.0, nil, "below_recovery", ""},
		{50.0, 20.0, nil, "empty", ""}, {60.0, 20.0, 62.0, "report_wrong", ""}, {60.0, 20.0, 61.0, "in_range", ""},
		{3.7, nil, nil, "in_range", ""}, // one candidate only: a single group
		{8.4, nil, nil, "series_unknown", "2,3"}, {42.5, nil, nil, "series_unknown", "10,11,12,13,14,15,16,17"},
		{70.0, 20.0, "0", "report_wrong", ""}, {35.0, 20.0, 70.0, "dead_low", ""},
	} {
		res := evaluate(t, m, in(c.v, c.series, c.reported), ParseOptions{})
		if res.Outcome != c.outcome || res.Detail != c.detail {
			t.Errorf("%v: %s %q", c, res.Outcome, res.Detail)
		}
	}
	if res := evaluate(t, m, in(84.0, 10.0, nil), ParseOptions{}); res.Outcome != "over_full" || len(res.Warnings) == 0 {
		t.Errorf("8.4 V per group: %+v", res)
	}
	if got := outcomeOf(t, m, map[string]any{"v_pack": 74.0}, ParseOptions{Facts: map[string]any{"series_cells": 20.0}}); got != "in_range" {
		t.Errorf("series from the board's record: %s", got)
	}
	for _, v := range []float64{-74, 4.5, 1} {
		r, _, err := m.Parse(in(v, nil, nil), ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = m.Evaluate(r)
		if got := fieldsOf(t, err); got["readings.v_pack"] == "" {
			t.Errorf("%v V: %v", v, got)
		}
	}
}

// TestChargeLED walks every combination against the library's five sentences.
func TestChargeLED(t *testing.T) {
	t.Parallel()
	m := setup(t, "charge_led_logic")
	for _, open := range []string{"dark", "green", "red"} {
		for _, start := range []string{"dark", "green", "red"} {
			for _, minute := range []string{"dark", "green", "red", "blink"} {
				for _, full := range []bool{true, false} {
					want := "charging"
					switch {
					case open == "dark":
						want = "charger_dead"
					case start == "dark", minute == "dark", minute == "blink":
						want = "overload"
					case minute == "green" && !full && start == "red":
						want = "cuts_out"
					case minute == "green" && !full:
						want = "path_open"
					}
					in := map[string]any{"led_open": open, "led_start": start, "led_1min": minute, "pack_full": full}
					if got := outcomeOf(t, m, in, ParseOptions{}); got != want {
						t.Errorf("%v: %s, want %s", in, got, want)
					}
				}
			}
		}
	}
}

// TestBMSLatch walks all 32 combinations: the first trial that works names the release.
func TestBMSLatch(t *testing.T) {
	t.Parallel()
	m := setup(t, "bms_latch_check")
	names := []string{"on_found", "on_no_load", "on_charger", "on_reseat"}
	outs := []string{"not_latched", "released_by_load_removal", "released_by_charger", "released_by_reseat"}
	for bits := range 32 {
		in := map[string]any{"cells_ok": bits&16 != 0}
		want := "stays_off"
		for i := len(names) - 1; i >= 0; i-- {
			on := bits&(1<<i) != 0
			in[names[i]] = on
			if on {
				want = outs[i]
			}
		}
		if bits&16 == 0 && bits&1 == 0 {
			want = "cell_protection"
		}
		if got := outcomeOf(t, m, in, ParseOptions{}); got != want {
			t.Errorf("%v: %s, want %s", in, got, want)
		}
	}
}

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

func ExampleAlgorithmNames() {
	fmt.Println(AlgorithmNames())
	// Output: [alg_balance_taps alg_bms_latch alg_bridge alg_charge_led alg_hall_sequence alg_harness alg_motor_ident alg_pack_voltage alg_phase_resistance]
}
