package measure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

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

// TestPackChemistry: the limits of both chemistries at their edges, for 20 groups.
// Layered oxide as in the first edition; iron phosphate (full 3.65 V, empty 2.5 V by
// data sheets; margins common practice) from memory.
func TestPackChemistry(t *testing.T) {
	t.Parallel()
	m := setup(t, "pack_voltage_soc")
	for _, c := range []struct {
		cell          float64
		layered, iron string
	}{
		{4.24, "over_full", "over_full"}, {4.22, "in_range", "over_full"}, {3.76, "in_range", "over_full"}, {3.74, "in_range", "in_range"},
		{3.01, "in_range", "in_range"}, {2.99, "empty", "in_range"}, {2.81, "empty", "in_range"}, {2.79, "empty", "empty"},
		{2.49, "below_recovery", "below_recovery"}, {2.01, "below_recovery", "below_recovery"}, {1.99, "dead_low", "dead_low"},
	} {
		in := map[string]any{"v_pack": 20 * c.cell, "series": 20.0}
		for chemistry, want := range map[string]string{"": c.layered, "layered_oxide": c.layered, "iron_phosphate": c.iron} {
			if got := outcomeOf(t, m, in, ParseOptions{Facts: map[string]any{"chemistry": chemistry}}); got != want {
				t.Errorf("%v V of %q: %s, want %s", c.cell, chemistry, got, want)
			}
		}
	}
}

// TestSeriesNeverChosen: whatever voltage a pack has and whatever its port looks
// like, an unknown number of groups stays unknown, the candidates hold every number
// that could be, and the pins only make a warning that says what it is worth.
func TestSeriesNeverChosen(t *testing.T) {
	t.Parallel()
	m := setup(t, "pack_voltage_soc")
	bounds := map[string][2]float64{"layered_oxide": {2.5, 4.25}, "iron_phosphate": {2.0, 3.65}}
	for _, chemistry := range []string{"layered_oxide", "iron_phosphate"} {
		for v := 20.0; v < 100; v += 0.7 {
			for pins, groups := range map[float64]string{2: "19", 3: "18", 4: "20"} {
				res := evaluate(t, m, map[string]any{"v_pack": v, "chemistry": chemistry, "charge_pins": pins}, ParseOptions{})
				lo, hi := math.Ceil(v/bounds[chemistry][1]-1e-9), math.Floor(v/bounds[chemistry][0]+1e-9)
				if res.Outcome != "series_unknown" || len(strings.Split(res.Detail, ",")) != int(hi-lo)+1 {
					t.Fatalf("%v V of %s: %s %s", v, chemistry, res.Outcome, res.Detail)
				}
				if len(res.Warnings) != 1 || !strings.Contains(res.Warnings[0], groups+" groups (common practice, no source)") {
					t.Fatalf("%v pins: %q", pins, res.Warnings)
				}
			}
		}
	}
	for _, c := range []struct {
		in   map[string]any
		want string // "" none
	}{
		{map[string]any{"v_pack": 74.0}, "of iron phosphate it would be 21 to 37 groups"},
		{map[string]any{"v_pack": 74.0, "series": 20.0, "charge_pins": 3.0}, "hints at 18 groups (common practice, no source), 20 are given"},
		{map[string]any{"v_pack": 74.0, "series": 20.0, "charge_pins": 4.0}, ""},
		{map[string]any{"v_pack": 74.0, "series": 20.0, "charge_pins": 5.0}, ""},
		{map[string]any{"v_pack": 3.7}, "reckoned from the voltage and not on record"},
		{map[string]any{"v_pack": 65.6, "series": 20.0, "chemistry": "iron_phosphate"}, "says little about the charge"},
		{map[string]any{"v_pack": 82.0, "series": 20.0, "chemistry": "iron_phosphate"}, "settle the chemistry"},
	} {
		if got := strings.Join(evaluate(t, m, c.in, ParseOptions{}).Warnings, " "); !strings.Contains(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("%v: %q", c.in, got)
		}
	}
}

// TestPackByHand: 15 groups; the limits of layered oxide 4.23, 3.0, 2.5 and 2.0 V, of
// iron phosphate 3.75, 2.8, 2.5 and 2.0 V per group, and 2 % for the report.
func TestPackByHand(t *testing.T) {
	t.Parallel()
	pack := func(v float64, change map[string]any) map[string]any {
		return with(map[string]any{"v_pack": v, "series": 15.0, "v_reported": nil}, change)
	}
	unknown := map[string]any{"series": nil}
	layered := map[string]any{"series": nil, "chemistry": "layered_oxide"}
	iron := map[string]any{"chemistry": "iron_phosphate"}
	checkHand(t, "pack_voltage_soc", []handCase{
		// 63.5/15 = 4.2333; 63.4/15 = 4.2267.
		{"over 4.23", pack(63.5, nil), "over_full", "", map[string]float64{"v_cell": 4.2333}},
		{"under 4.23", pack(63.4, nil), "in_range", "", map[string]float64{"v_cell": 4.2267}},
		// 15·3.0 = 45 is not empty, 44.9/15 = 2.9933 is.
		{"3.0", pack(45, nil), "in_range", "", nil},
		{"under 3.0", pack(44.9, nil), "empty", "", map[string]float64{"v_cell": 2.9933}},
		// 15·2.5 = 37.5, 15·2.0 = 30.
		{"2.5", pack(37.5, nil), "empty", "", nil},
		{"under 2.5", pack(37.4, nil), "below_recovery", "", nil},
		{"2.0", pack(30, nil), "below_recovery", "", nil},
		{"under 2.0", pack(29.9, nil), "dead_low", "", nil},
		{"nothing", pack(0, nil), "dead_low", "", nil},
		// 56.3/15 = 3.7533 and 56.2/15 = 3.7467; 41.9/15 = 2.7933 and 42/15 = 2.8.
		{"iron phosphate over 3.75", pack(56.3, iron), "over_full", "", nil},
		{"iron phosphate under 3.75", pack(56.2, iron), "in_range", "", nil},
		{"iron phosphate under 2.8", pack(41.9, iron), "empty", "", nil},
		{"iron phosphate at 2.8", pack(42, iron), "in_range", "", nil},
		// 2 % of 55 V is 1.1 V.
		{"report 1.0 V high", pack(55, map[string]any{"v_reported": 56.0}), "in_range", "", nil},
		{"report 1.2 V high", pack(55, map[string]any{"v_reported": 56.2}), "report_wrong", "", map[string]float64{"report_err_pct": 2.1818}},
		{"report 1.2 V low", pack(55, map[string]any{"v_reported": 53.8}), "report_wrong", "", nil},
		// The pack's own state outranks the report.
		{"empty with a wrong report", pack(44, map[string]any{"v_reported": 60.0}), "empty", "", nil},
		// 30/4.25 = 7.06, 30/2.5 = 12: 8 to 12 groups; iron phosphate 30/3.65 = 8.2, 30/2.0 = 15: 9 to 15.
		{"count unknown", pack(30, unknown), "series_unknown", "8,9,10,11,12", nil},
		{"count unknown of iron phosphate", pack(30, with(unknown, iron)), "series_unknown", "9,10,11,12,13,14,15", nil},
		// 4.1/4.25 = 0.96, 4.1/2.5 = 1.64: one group of layered oxide; but 4.1/3.65 = 1.12, 4.1/2.0 = 2.05: two of iron phosphate.
		{"one group, chemistry unknown", pack(4.1, unknown), "series_unknown", "1", nil},
		{"one group of layered oxide", pack(4.1, layered), "in_range", "", map[string]float64{"series": 1}},
		// 3.8/3.65 = 1.04, 3.8/2.0 = 1.9: no count of iron phosphate makes 3.8 V.
		{"one group whatever the chemistry", pack(3.8, unknown), "in_range", "", map[string]float64{"series": 1}},
		// 4.5/4.25 = 1.06, 4.5/2.5 = 1.8: no whole number between.
		{"no count makes it", pack(4.5, layered), "", "v_pack", nil},
		{"leads reversed", pack(-0.6, nil), "", "v_pack", nil},
		{"zero of the meter", pack(-0.4, nil), "dead_low", "", nil},
	})
}

// TestPackScale: twice the groups with twice the voltage are judged alike, and with
// more voltage a pack never falls into a lower class.
func TestPackScale(t *testing.T) {
	t.Parallel()
	m := setup(t, "pack_voltage_soc")
	rank := map[string]int{"dead_low": 0, "below_recovery": 1, "empty": 2, "in_range": 3, "over_full": 4}
	rapid.Check(t, func(rt *rapid.T) {
		n := float64(rapid.IntRange(1, 50).Draw(rt, "n"))
		v, more := rapid.Float64Range(0, 5*n).Draw(rt, "v"), rapid.Float64Range(0, n).Draw(rt, "more")
		chemistry := rapid.SampledFrom(chemistries).Draw(rt, "chemistry")
		judge := func(v, n float64) string {
			return outcomeOf(t, m, map[string]any{"v_pack": v, "series": n, "chemistry": chemistry}, ParseOptions{})
		}
		x := judge(v, n)
		if y := judge(2*v, 2*n); x != y {
			rt.Fatalf("%v V of %v: %s, doubled %s", v, n, x, y)
		}
		if y := judge(v+more, n); rank[y] < rank[x] {
			rt.Fatalf("%v V of %v: %s, with %v V more %s", v, n, x, more, y)
		}
	})
}
