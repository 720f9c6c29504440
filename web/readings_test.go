package web

import (
	"net/url"
	"testing"
)

func TestPastedColumns(t *testing.T) {
	t.Parallel()
	for in, want := range map[string][]any{
		"3,61\n3,62\r\n3,60": {3.61, 3.62, 3.6}, "3.61\t3.62": {3.61, 3.62}, "3,61;3,62; 3,60": {3.61, 3.62, 3.6}, "3.61, 3.62, 3.60": {3.61, 3.62, 3.6},
		"3.61,3.62,3.60": {3.61, 3.62, 3.6}, "3.61 V\n3.62 V": {"3.61 V", "3.62 V"}, "3.6 - 3.7": {3.6, nil, 3.7}, "1,2,3,4": {1.0, 2.0, 3.0, 4.0},
	} {
		if got := pasted(in); !equal(got, want) {
			t.Errorf("%q reads as %v, want %v", in, got, want)
		}
	}
}

func TestHallStatesAsTyped(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]any{"1 3 2": []any{1.0, 3.0, 2.0}, "001,011 010": []any{1.0, 3.0, 2.0}, "132645": []any{1.0, 3.0, 2.0, 6.0, 4.0, 5.0}, "1>3;x": []any{1.0, 3.0, "x"}, " ": nil} {
		if got := hallStates(in); !equal(got, want) {
			t.Errorf("%q reads as %v, want %v", in, got, want)
		}
	}
}

// A column gets a field for each group, by the board's record or by what is
// typed; what was pasted without a script comes back in the fields.
func TestColumnFollowsTheCellGroups(t *testing.T) {
	t.Parallel()
	lib := realLibrary(t)
	find := func(f *Form, id, symbol string, series int) Reading {
		for _, r := range arrange(f, readingFields(f, lib.Measurement(id), series)) {
			if r.Symbol == symbol {
				return r
			}
		}
		t.Fatalf("%s has no %s", id, symbol)
		return Reading{}
	}
	if r := find(emptyForm("f"), "balance_tap_order", "taps", 20); r.Kind != "column" || len(r.Elements) != 21 || r.Elements[20].Label != "Pin 20" {
		t.Errorf("20 groups: %s with %d fields", r.Kind, len(r.Elements))
	}
	if r := find(emptyForm("f"), "cell_group_delta", "v", 16); len(r.Elements) != 16 || r.Elements[0].Label != "1" {
		t.Errorf("16 groups: %d fields", len(r.Elements))
	}
	if r := find(filledForm("f", "r.n", "5"), "balance_tap_order", "taps", 20); len(r.Elements) != 6 {
		t.Errorf("5 groups typed on a board of 20: %d fields", len(r.Elements))
	}
	if r := find(emptyForm("f"), "cell_group_delta", "v", 0); r.Kind != "paste" {
		t.Errorf("no count known: %s", r.Kind)
	}
	f := filledForm("f", "r.v", "3,61\n3,62\n3,60")
	if r := find(f, "cell_group_delta", "v", 3); r.Elements[1].Value() != "3.62" || f.Get("r.v") != "" {
		t.Errorf("pasted: %v", f.Values)
	}
	if got := readingValues(&Form{Values: url.Values{"r.v.0": {"3,6"}, "r.v.1": {""}}}, lib.Measurement("cell_group_delta"))["v"]; !equal(got, []any{3.6, nil}) {
		t.Errorf("a gap in the column reads as %v", got)
	}
}

func TestFieldsThatFitTheMeasurement(t *testing.T) {
	t.Parallel()
	lib := realLibrary(t)
	for id, want := range map[string]map[string]string{
		"phase_resistance_3": {"r": "triangle", "t_wind_c": "text"}, "bemf_hand_spin": {"v_rms": "triangle"}, "hall_sequence": {"states": "hall"},
		"phase_current_balance": {"i_rms": "elements"}, "gasket_squeeze": {"kind": "choice"}, "bearing_play": {"axle_moves": "yesno"},
	} {
		f := emptyForm("f")
		got := map[string]string{}
		for _, r := range arrange(f, readingFields(f, lib.Measurement(id), 0)) {
			got[r.Symbol] = r.Kind
		}
		for k, kind := range want {
			if got[k] != kind {
				t.Errorf("%s: %s is shown as %q, want %s", id, k, got[k], kind)
			}
		}
	}
	for id, want := range map[string]string{"box_leak_decay": "t_s", "bus_residual_voltage": "t1", "tyre_check": "hours", "water_test_after": ""} {
		f, timed := emptyForm("f"), ""
		for _, r := range readingFields(f, lib.Measurement(id), 0) {
			if r.Clock != "" {
				timed += r.Symbol
			}
		}
		if timed != want {
			t.Errorf("%s: a clock at %q, want %q", id, timed, want)
		}
	}
}
