package api_test

import (
	"context"
	"math"
	"strings"
	"testing"
)

// TestEvaluateEveryMeasurement sends the worked examples of the library over
// the wire, and then readings that make no sense: they may be refused or give
// an outcome, but never break anything.
func TestEvaluateEveryMeasurement(t *testing.T) {
	t.Parallel()
	b := setup(t)
	lib, _, err := b.svc.Library(context.Background(), b.owner)
	if err != nil {
		t.Fatal(err)
	}
	examples := 0
	for i := range lib.Measurements {
		m := &lib.Measurements[i]
		path := v1 + "/measurements/" + m.ID + "/evaluate"
		for _, e := range m.Examples {
			examples++
			r := b.do("POST", path, obj{"readings": e.In}, 200)
			if r.text("outcome") != e.Out || (e.Detail != "" && r.text("detail") != e.Detail) {
				t.Errorf("%s of %v is %s %q, the library says %s %q", m.ID, e.In, r.text("outcome"), r.text("detail"), e.Out, e.Detail)
			}
		}
		for _, value := range []any{0, -1, 1e9, 1e300, "NaN", "open", "", true, nil, []any{}, []any{nil}, obj{}, obj{"value": "x", "unit": 7}, []any{obj{}}} {
			readings := obj{}
			for _, in := range m.Inputs {
				readings[in.ID] = value
			}
			if r := b.send("POST", path, obj{"readings": readings}); r.status != 200 && r.status != 400 {
				t.Errorf("%s of %v: status %d: %s", m.ID, value, r.status, r.raw)
			}
		}
		last := m.Outcomes[len(m.Outcomes)-1].ID
		if r := b.send("POST", path, obj{"outcome": last}); r.status != 200 || r.text("outcome") != last || r.find("normal") != true {
			t.Errorf("%s, outcome %s: %d %s", m.ID, last, r.status, r.raw)
		}
	}
	if examples < 50 {
		t.Errorf("only %d worked examples", examples)
	}
}

// TestEvaluateDeciding: the number line of an evaluation goes over the wire where one
// value decides, and is left out where none does.
func TestEvaluateDeciding(t *testing.T) {
	t.Parallel()
	b := setup(t)
	r := b.do("POST", v1+"/measurements/quiescent_current/evaluate", obj{"readings": obj{"i_ua": obj{"value": "500 uA", "plus_minus_pct": 10}, "q_ah": 10}}, 200)
	if r.find("deciding.name") != "i_ua" || r.find("deciding.unit") != "uA" || r.number("deciding.value") != 500 ||
		math.Abs(r.number("deciding.low")-452.5) > 1 || math.Abs(r.number("deciding.high")-547.5) > 1 {
		t.Errorf("%s", r.raw)
	}
	if l := r.find("deciding.limits").([]any); len(l) != 2 || l[0].(map[string]any)["below"] != "normal" || l[0].(map[string]any)["above"] != "drain" || l[0].(map[string]any)["at"] != 500.0 {
		t.Errorf("%s", r.raw)
	}
	r = b.do("POST", v1+"/measurements/exterior_walkround/evaluate", obj{"outcome": "intact"}, 200)
	if r.find("deciding") != nil {
		t.Errorf("%s", r.raw)
	}
}

// TestRangeOverTheWire: a flickering display is sent as a range, to the bench and into
// a job; it shares the likelihood, is kept as typed and said again.
func TestRangeOverTheWire(t *testing.T) {
	t.Parallel()
	b := setup(t)
	job := v1 + "/jobs/" + b.job(b.board("INV-1"), "stutter_at_start")
	b.do("POST", job+"/observations", obj{"measurement": "pack_heat_triage", "outcome": "normal"}, 201)
	in := obj{"axial_mm": "0,28–0,32 mm", "radial_mm": 0.05, "axle_moves": false}
	for _, r := range []*reply{
		b.do("POST", v1+"/measurements/bearing_play/evaluate", obj{"readings": in}, 200),
		b.do("POST", job+"/observations", obj{"measurement": "bearing_play", "readings": in}, 201),
	} {
		if math.Abs(r.number("likelihood.play")-0.5) > 0.01 || !strings.Contains(r.text("text"), "0.28 to 0.32 mm") || !strings.Contains(r.text("text"), "on the edge") {
			t.Errorf("%s", r.raw)
		}
	}
	found := false
	for _, o := range b.do("GET", job, nil, 200).list("observations") {
		if o := o.(map[string]any); o["measurement"] == "bearing_play" {
			found = o["readings"].(map[string]any)["axial_mm"] == "0,28–0,32 mm"
		}
	}
	if !found {
		t.Error("the range was not kept as typed")
	}
	for text, says := range map[string]string{"0.32-0.28": "write 0.28 to 0.32 mm", "0.3 mm-0.3 V": "a voltage at the other", "0.3-OL": "over range at one end"} {
		r := b.refuse("POST", v1+"/measurements/bearing_play/evaluate", obj{"readings": obj{"axial_mm": text, "radial_mm": 0.05, "axle_moves": false}}, 400, "readings.axial_mm")
		if !strings.Contains(string(r.raw), says) {
			t.Errorf("%s: %s", text, r.raw)
		}
	}
}
