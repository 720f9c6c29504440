package measure

import (
	"math"
	"strings"
	"testing"
)

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
