package measure

import (
	"encoding/json"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

// fieldsOf returns the fields of a problem.Invalid.
func fieldsOf(t *testing.T, err error) map[string]string {
	t.Helper()
	p := problem.As(err)
	if p == nil || p.Code != problem.Invalid {
		t.Fatalf("want problem.Invalid, got %v", err)
	}
	out := map[string]string{}
	for _, f := range p.Fields {
		out[f.Field] = f.Message
	}
	return out
}

func phases(ab, bc, ca any) map[string]any {
	return map[string]any{"r_ab": ab, "r_bc": bc, "r_ca": ca, "t_wind_c": 20.0, "r_model_20": 100.0, "flex_change_pct": 0.0}
}

func TestParseCollectsEveryMistake(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	_, _, err := m.Parse(map[string]any{"r_ab": "5 kg", "r_bc": -3.0, "t_wind_c": "-300 C", "flex_change_pct": nil, "r_xy": 1.0}, ParseOptions{})
	got := fieldsOf(t, err)
	for field, says := range map[string]string{
		"readings.r_ab": "a mass", "readings.r_bc": "negative", "readings.r_ca": "missing", "readings.t_wind_c": "-60",
		"readings.flex_change_pct": "null", "readings.r_xy": "r_ab, r_bc, r_ca",
	} {
		if !strings.Contains(got[field], says) {
			t.Errorf("%s: %q does not say %q", field, got[field], says)
		}
	}
	if len(got) != 6 {
		t.Errorf("fields %v", got)
	}
}

func TestParseSpellings(t *testing.T) {
	t.Parallel()
	m := setup(t, "phase_resistance_3")
	r, warnings, err := m.Parse(map[string]any{
		"r_ab": "0R101", "r_bc": map[string]any{"value": 0.1, "unit": "ohm"}, "r_ca": json.Number("100.5"), "t_wind_c": "20 °C", "flex_change_pct": "0,2 %",
	}, ParseOptions{})
	if err != nil || len(warnings) != 0 {
		t.Fatal(err, warnings)
	}
	for id, want := range map[string]any{"r_ab": 101.0, "r_bc": 100.0, "r_ca": 100.5, "flex_change_pct": 0.2, "r_model_20": nil} {
		if got := r.Value(id); got != want {
			t.Errorf("%s = %v, want %v", id, got, want)
		}
	}
}

func TestParseOverRange(t *testing.T) {
	t.Parallel()
	phase := setup(t, "phase_resistance_3")
	r, _, err := phase.Parse(phases("OL", "100 mohm", "open"), ParseOptions{})
	if err != nil || r.Value("r_ab") != OpenOhms || r.Value("r_ca") != OpenOhms {
		t.Fatalf("%v, %v", r, err)
	}
	diode := setup(t, "charge_diode_test")
	r, _, err = diode.Parse(map[string]any{"vf": "0.31", "vr": "OL", "i_leak_ua": nil}, ParseOptions{})
	if err != nil || r.Value("vr") != OverDiode {
		t.Fatalf("%v, %v", r, err)
	}
	_, _, err = setup(t, "hall_supply").Parse(map[string]any{"v_plugged": "OL", "v_unplugged": 5.0, "v_nom": 5.0}, ParseOptions{})
	if got := fieldsOf(t, err); !strings.Contains(got["readings.v_plugged"], "wider range") {
		t.Errorf("%v", got)
	}
}

func TestParseLists(t *testing.T) {
	t.Parallel()
	hall := setup(t, "phase_hall_insulation")
	r, _, err := hall.Parse(map[string]any{"r_kohm": []any{"OL", "20 ohm", "1M", 1e9, "open", "∞"}}, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{1e9, 0.02, 1000, 1e9, 1e9, 1e9}
	for i, x := range r.Value("r_kohm").([]float64) {
		if x != want[i] {
			t.Errorf("value %d = %v, want %v", i, x, want[i])
		}
	}
	_, _, err = hall.Parse(map[string]any{"r_kohm": []any{1.0, "3 V", nil}}, ParseOptions{})
	if got := fieldsOf(t, err); !strings.Contains(got["readings.r_kohm"], "6 are needed") {
		t.Errorf("%v", got)
	}
	_, _, err = hall.Parse(map[string]any{"r_kohm": []any{1.0, "3 V", nil, 1.0, 1.0, 1.0}}, ParseOptions{})
	if got := fieldsOf(t, err); got["readings.r_kohm[1]"] == "" || got["readings.r_kohm[2]"] == "" {
		t.Errorf("%v", got)
	}
	_, _, err = setup(t, "balance_lead_resistance").Parse(map[string]any{"v_open": []any{3.7, 3.7}, "v_load": []any{3.6}, "r_load": 100.0}, ParseOptions{})
	if got := fieldsOf(t, err); !strings.Contains(got["readings.v_load"], "v_open has 2") {
		t.Errorf("%v", got)
	}
	_, _, err = setup(t, "cell_group_delta").Parse(map[string]any{"v": make([]any, MaxList+1)}, ParseOptions{})
	if got := fieldsOf(t, err); !strings.Contains(got["readings.v"], "at most") {
		t.Errorf("%v", got)
	}
	_, _, err = setup(t, "cell_group_delta").Parse(map[string]any{"v": []any{}}, ParseOptions{})
	fieldsOf(t, err)
	r, _, err = setup(t, "cell_group_delta").Parse(map[string]any{"v": map[string]any{"values": []any{3700.0, 3701.0}, "unit": "mV"}}, ParseOptions{})
	if err != nil || r.Value("v").([]float64)[0] != 3.7 {
		t.Errorf("a list with a unit: %v, %v", r, err)
	}
}

func TestParseChoicesAndBools(t *testing.T) {
	t.Parallel()
	m := setup(t, "button_contact_test")
	in := map[string]any{"r_released": "OL", "r_pressed": 0.3, "r_after": "OL", "required": "toggle"}
	_, _, err := m.Parse(in, ParseOptions{})
	if got := fieldsOf(t, err); !strings.Contains(got["readings.required"], "momentary, latching") {
		t.Errorf("%v", got)
	}
	torque := setup(t, "axle_torque_check")
	for raw, want := range map[any]bool{true: true, "yes": true, "No": false, 1.0: true, 0.0: false, "1": true, "false": false} {
		r, _, err := torque.Parse(map[string]any{"turn_deg": 0.0, "marks_aligned": raw}, ParseOptions{})
		if err != nil || r.Value("marks_aligned") != want {
			t.Errorf("%v reads as %v, %v", raw, r.Value("marks_aligned"), err)
		}
	}
	for _, raw := range []any{"maybe", 2.0, []any{}} {
		_, _, err := torque.Parse(map[string]any{"turn_deg": 0.0, "marks_aligned": raw}, ParseOptions{})
		fieldsOf(t, err)
	}
	for _, raw := range []any{19.5, -1.0, "20 V"} {
		_, _, err := setup(t, "pack_output_voltage").Parse(map[string]any{"v_idle": 74.0, "v_1k": 74.0, "series": raw}, ParseOptions{})
		fieldsOf(t, err)
	}
}

func TestFactsAndParams(t *testing.T) {
	t.Parallel()
	m := setup(t, "pack_output_voltage")
	facts := map[string]any{"series_cells": 20, "chemistry": "layered_oxide"}
	r, _, err := m.Parse(map[string]any{"v_idle": 74.1, "v_1k": 74.0}, ParseOptions{Facts: facts})
	if err != nil || r.Value("series") != 20.0 || r.Value("chemistry") != "layered_oxide" || len(r.Filled()) != 2 {
		t.Fatalf("%v, %v", r, err)
	}
	r, _, err = m.Parse(map[string]any{"v_idle": 74.1, "v_1k": 74.0, "series": 18.0}, ParseOptions{Facts: facts})
	if err != nil || r.Value("series") != 18.0 {
		t.Errorf("a reading must win over the board's record: %v, %v", r, err)
	}
	r, _, err = m.Parse(map[string]any{"v_idle": 74.1, "v_1k": 74.0, "series": nil, "chemistry": nil}, ParseOptions{Facts: facts})
	if err != nil || r.Value("series") != 20.0 || r.Value("chemistry") != "layered_oxide" {
		t.Errorf("what the bench does not know comes from the record: %v, %v", r, err)
	}
	for _, c := range []struct {
		in, facts map[string]any
		field     string
	}{
		{map[string]any{"series": 18.0}, facts, "readings.series"},
		{map[string]any{"chemistry": "iron_phosphate"}, facts, "readings.chemistry"},
		{nil, map[string]any{"series_cells": 20, "chemistry": ""}, "readings.chemistry"}, // not on record: said, not assumed in silence
		{map[string]any{"series": 20.0, "chemistry": " Layered_Oxide "}, facts, ""},
	} {
		in := map[string]any{"v_idle": 74.1, "v_1k": 74.0}
		for k, v := range c.in {
			in[k] = v
		}
		_, odd, err := m.Parse(in, ParseOptions{Facts: c.facts})
		if err != nil || len(odd) != min(1, len(c.field)) || (len(odd) > 0 && odd[0].Field != c.field) {
			t.Errorf("%v beside %v: %v, %v", c.in, c.facts, odd, err)
		}
	}
	play := setup(t, "bearing_play")
	in := map[string]any{"axial_mm": 0.4, "radial_mm": 0.05, "axle_moves": false}
	if got := outcomeOf(t, play, in, ParseOptions{}); got != "play" {
		t.Errorf("default limit: %s", got)
	}
	if got := outcomeOf(t, play, in, ParseOptions{Params: map[string]float64{"axial_max": 0.5}}); got != "tight" {
		t.Errorf("the board type's own limit: %s", got)
	}
	_, _, err = play.Parse(in, ParseOptions{Params: map[string]float64{"axial_maximum": 0.5}})
	if got := fieldsOf(t, err); !strings.Contains(got["params.axial_maximum"], "axial_max, radial_max") {
		t.Errorf("%v", got)
	}
}

func evaluate(t testing.TB, m *Measurement, in map[string]any, opt ParseOptions) Result {
	t.Helper()
	r, _, err := m.Parse(in, opt)
	if err != nil {
		t.Fatalf("%s: %v", m.def.ID, err)
	}
	res, err := m.Evaluate(r)
	if err != nil {
		t.Fatalf("%s: %v", m.def.ID, err)
	}
	return res
}

func outcomeOf(t testing.TB, m *Measurement, in map[string]any, opt ParseOptions) string {
	t.Helper()
	return evaluate(t, m, in, opt).Outcome
}

func FuzzParseReadings(f *testing.F) {
	f.Add(`{"r_ab": 101, "r_bc": "100 mohm", "r_ca": "OL", "t_wind_c": 20, "flex_change_pct": 0}`)
	f.Add(`{"r_ab": {"value": 1, "unit": "ohm", "plus_minus_pct": 1, "counts": 3, "resolution": 0.1}, "r_bc": [], "r_ca": null}`)
	f.Add(`{"taps": [0, 3.7, 7.4], "n": 2, "v_cell": 3.7}`)
	f.Add(`{"taps": {"values": [0, 3.7], "unit": "V"}, "n": 1, "v_cell": "3,7 V"}`)
	f.Add(`{"states": [1,3,2,6,4,5,1,3,2,6,4,5]}`)
	f.Add(`{"axial_mm": "0.28-0.32 mm", "radial_mm": "0.1…0.2", "axle_moves": false}`)
	f.Add(`{"r_mohm": "12-15, 13 to 14 mohm\n90 - 110"}`)
	f.Add(`{"t_box_c": "-5--2 C", "t_amb_c": "20 to 25", "t_box10_c": {"value": "20-21", "counts": 2}}`)
	f.Add(`{"r_ab": "OL-5", "r_bc": "3-2", "r_ca": "2026-11-25"}`)
	f.Add(`{"expected": {"p1": "q1"}, "found": {"p1": ["q1"]}, "to_metal": []}`)
	defs, tables, ids := loadLibrary(f)
	var all []*Measurement
	for _, id := range ids {
		if m, issues := Compile(defs[id], tables); len(issues) == 0 && len(defs[id].Inputs) > 0 {
			all = append(all, m)
		}
	}
	f.Fuzz(func(t *testing.T, text string) {
		var raw map[string]any
		if json.Unmarshal([]byte(text), &raw) != nil {
			return
		}
		for _, m := range all {
			if raw[m.inputs[0].ID] == nil {
				continue
			}
			r, _, err := m.Parse(raw, ParseOptions{})
			if err != nil {
				fieldsOf(t, err)
				continue
			}
			res, err := m.Evaluate(r)
			if err != nil {
				if problem.As(err) == nil {
					t.Fatalf("%s: an untyped error: %v", m.def.ID, err)
				}
				continue
			}
			total := 0.0
			for _, p := range res.Likelihood {
				total += p.Probability
			}
			if res.Outcome == "" || res.Text == "" || total < 0.999 || total > 1.001 {
				t.Fatalf("%s: %+v", m.def.ID, res)
			}
		}
	})
}
