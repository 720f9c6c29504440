package faultlib

import (
	"slices"
	"strings"
	"testing"
)

// TestTouchLimit: 60 V dc is where UN Regulation No. 100 begins to speak of high
// voltage and the residual voltage IEC 60204-1 clause 6.2.4 allows; 14 groups of
// 4.20 V are 58.8 V and 15 are 63.0 V, 16 groups of 3.65 V are 58.4 V and 17 are
// 62.05 V.
func TestTouchLimit(t *testing.T) {
	t.Parallel()
	n := func(x int) *int { return &x }
	for _, c := range []struct {
		series    *int
		chemistry string
		full      float64
		above     bool
		says      string
	}{
		{n(20), "layered_oxide", 84, true, "reaches 84 V when full (20 groups of 4.20 V), above the touch limit of 60 V dc"},
		{n(15), "layered_oxide", 63, true, "above"},
		{n(14), "layered_oxide", 58.8, false, "reaches 58.8 V when full (14 groups of 4.20 V), below the touch limit of 60 V dc"},
		{n(16), "iron_phosphate", 58.4, false, "below"},
		{n(17), "iron_phosphate", 62.05, true, "above"},
		{n(15), "", 63, true, "above"}, // unknown chemistry: the higher voltage
		{nil, "iron_phosphate", 0, true, "not on record: take the pack as above"},
		{n(0), "", 0, true, "not on record"},
	} {
		got := TouchOf(c.series, c.chemistry)
		if d := got.Full - c.full; d > 1e-9 || d < -1e-9 || got.Above != c.above {
			t.Errorf("%+v: %+v", c, got)
		}
		if text := got.Caution(); !strings.Contains(text, c.says) || !strings.Contains(text, "IEC 60204-1") {
			t.Errorf("%+v: %s", c, text)
		}
	}
	lib := embeddedLibrary(t)
	for _, id := range []string{"iec_60204", "un_r100"} {
		if !slices.ContainsFunc(lib.Sources, func(s Source) bool { return s.ID == id }) {
			t.Errorf("the library has no source %s", id)
		}
	}
	if p := lib.Measurement("bus_residual_voltage").Params["v_elv"]; p != TouchLimit {
		t.Errorf("the bus test uses %v V", p)
	}
}
