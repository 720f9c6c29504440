package measure

import (
	"strings"
	"testing"
)

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

// TestBMSLatchByHand: on as found, without loads, with the charger, after re-seating,
// cells in range. The first trial that brings the output back names the latch.
func TestBMSLatchByHand(t *testing.T) {
	t.Parallel()
	trial := func(found, noLoad, charger, reseat, cells bool) map[string]any {
		return map[string]any{"on_found": found, "on_no_load": noLoad, "on_charger": charger, "on_reseat": reseat, "cells_ok": cells}
	}
	const on, off = true, false
	checkHand(t, "bms_latch_check", []handCase{
		{"never off", trial(on, on, on, on, true), "not_latched", "", nil},
		{"on although cells are out", trial(on, on, on, on, false), "not_latched", "", nil},
		{"went off in the trials", trial(on, on, off, off, true), "not_latched", "", nil},
		{"loads removed", trial(off, on, on, on, true), "released_by_load_removal", "", nil},
		{"charger", trial(off, off, on, on, true), "released_by_charger", "", nil},
		{"re-seated", trial(off, off, off, on, true), "released_by_reseat", "", nil},
		{"stays off", trial(off, off, off, off, true), "stays_off", "", nil},
		// Cells out of range are reason enough, whatever brings the output back.
		{"cells out", trial(off, off, on, on, false), "cell_protection", "", nil},
		{"cells out, stays off", trial(off, off, off, off, false), "cell_protection", "", nil},
	})
	m := setup(t, "bms_latch_check")
	for _, c := range []struct {
		in   map[string]any
		says string
	}{
		{trial(on, on, off, on, true), "a contact may be loose"}, {trial(on, on, on, on, false), "do not ride or charge"}, {trial(on, on, on, on, true), ""}, {trial(off, on, on, on, true), ""},
	} {
		got := strings.Join(evaluate(t, m, c.in, ParseOptions{}).Warnings, " ")
		if !strings.Contains(got, c.says) || (c.says == "") != (got == "") {
			t.Errorf("%v: warns %q, want %q", c.in, got, c.says)
		}
	}
}
