package api_test

import (
	"context"
	"strings"
	"testing"

	"github.com/google/uuid"

	"nextprobe/internal/shop"
)

func voltRange(unit string, to, resolution float64) obj {
	return obj{"unit": unit, "from": 0, "to": to, "resolution": resolution, "plus_minus_pct": 1, "counts": 0}
}

func TestInstruments(t *testing.T) {
	t.Parallel()
	b := setup(t)
	path := v1 + "/instruments"
	r := b.do("POST", path, obj{"name": "Meter 1", "kind": "milliohm meter", "serial": "S1", "calibration_due": "2020-01-03",
		"ranges": []any{voltRange("mohm", 2000, 0.1), voltRange("V", 60, 0.01)}}, 201)
	one := path + "/" + r.text("id")
	if r.text("ranges.0.unit") != "mOhm" || r.find("overdue") != true || r.text("calibration_due") != "2020-01-03" || r.find("retired_at") != nil {
		t.Errorf("%s", r.raw)
	}
	b.do("POST", path, obj{"name": "Clamp"}, 201, b.as(shop.Technician))
	b.refuse("POST", path, obj{"name": " METER 1 "}, 409, "name")
	b.refuse("POST", path, obj{"name": "Meter 9"}, 403, "", b.as(shop.Counter))
	b.refuse("PATCH", one, obj{"note": "x"}, 403, "", b.as(shop.Counter))
	b.refuse("POST", path, obj{"name": "Meter 9", "calibration_due": "3 Jan 2027"}, 400, "calibration_due")
	b.refuse("POST", path, obj{"name": "Meter 9", "ranges": []any{voltRange("V", 0, 0.1)}}, 400, "ranges[0].to")
	b.refuse("GET", path+"/"+uuid.NewString(), nil, 404, "")

	r = b.do("PATCH", one, obj{"calibration_due": "2120-01-03", "ranges": []any{voltRange("mOhm", 2000, 0.1)}}, 200, header("If-Match", `"v1"`))
	if r.number("version") != 2 || r.find("overdue") != false || len(r.list("ranges")) != 1 || r.text("name") != "Meter 1" {
		t.Errorf("%s", r.raw)
	}
	b.refuse("PATCH", one, obj{"note": "x"}, 412, "", header("If-Match", `"v1"`))
	r = b.do("PATCH", one, obj{"retired": true, "calibration_due": nil}, 200)
	if r.find("retired_at") == nil || r.find("calibration_due") != nil {
		t.Errorf("%s", r.raw)
	}
	l := b.do("GET", path, nil, 200, b.as(shop.Counter)).list("items")
	if len(l) != 2 || l[0].(map[string]any)["name"] != "Clamp" {
		t.Errorf("the retired one is not last: %v", l)
	}
	if r := b.do("GET", one, nil, 200); r.number("version") != 3 {
		t.Errorf("%s", r.raw)
	}
	n := b.neighbour()
	n.refuse("GET", one, nil, 404, "")
	n.refuse("PATCH", one, obj{"note": "x"}, 404, "")
	if l := n.do("GET", path, nil, 200).list("items"); len(l) != 0 {
		t.Errorf("the neighbour sees %v", l)
	}
}

// TestMeasuredWith follows an instrument through evaluation, observation and
// verification: its accuracy puts a reading on the edge, its calibration warns.
func TestMeasuredWith(t *testing.T) {
	t.Parallel()
	b := setup(t)
	id := b.do("POST", v1+"/instruments", obj{"name": "Meter 3", "calibration_due": "2020-01-03", "ranges": []any{voltRange("Ohm", 10, 0.001)}}, 201).text("id")
	readings := obj{"r_ab": 104, "r_bc": 100, "r_ca": 100, "t_wind_c": 20, "r_model_20": 100, "flex_change_pct": 0}
	check := func(r *reply, at string) {
		t.Helper()
		if l := r.find("likelihood").(map[string]any); l["balanced"] == nil || l["marginal"] == nil || l["balanced"] == 0.0 || l["marginal"] == 0.0 {
			t.Errorf("%s is not on the edge: %v", at, l)
		}
		if !strings.Contains(r.text("text"), "on the edge") || !strings.Contains(string(r.raw), "Meter 3: calibration was due 3 Jan 2020") {
			t.Errorf("%s: %s", at, r.raw)
		}
		if r.text("instrument.name") != "Meter 3" || r.find("instrument.overdue") != true || r.number("instrument.ranges.0.plus_minus_pct") != 1 {
			t.Errorf("%s: %s", at, r.raw)
		}
	}
	body := obj{"readings": readings, "instrument": id}
	check(b.do("POST", v1+"/measurements/phase_resistance_3/evaluate", body, 200), "evaluate")
	if r := b.do("POST", v1+"/measurements/phase_resistance_3/evaluate", obj{"readings": readings, "instrument": nil}, 200); r.find("instrument") != nil || strings.Contains(r.text("text"), "edge") {
		t.Errorf("without one: %s", r.raw)
	}
	jobID := b.job(b.board("INV-1"), "stutter_at_start")
	job := v1 + "/jobs/" + jobID
	b.do("POST", job+"/observations", obj{"measurement": "pack_heat_triage", "outcome": "normal"}, 201)
	body["measurement"] = "phase_resistance_3"
	check(b.do("POST", job+"/observations", body, 201), "observation")
	delete(body, "measurement")
	body["verification"] = "phase_resistance_3"
	check(b.do("POST", job+"/verifications", body, 201), "verification")
	if r := b.do("GET", job, nil, 200); !strings.Contains(string(r.raw), `"name":"Meter 3"`) {
		t.Errorf("the job does not name the instrument: %s", r.raw)
	}
	for _, tc := range []struct {
		body  obj
		field string
	}{
		{obj{"measurement": "phase_resistance_3", "readings": readings, "instrument": uuid.NewString()}, "instrument"},
		{obj{"symptom": "no_power_on", "present": true, "instrument": id}, "instrument"},
		{obj{"measurement": "stand_spin", "unavailable": true, "instrument": id}, "instrument"},
	} {
		b.refuse("POST", job+"/observations", tc.body, 400, tc.field)
	}
	b.do("PATCH", v1+"/instruments/"+id, obj{"retired": true}, 200)
	b.refuse("POST", v1+"/measurements/phase_resistance_3/evaluate", obj{"readings": readings, "instrument": id}, 400, "instrument")
}

// TestInputLabels: the library's words for people come with the inputs.
func TestInputLabels(t *testing.T) {
	t.Parallel()
	b := setup(t)
	lib, _, err := b.svc.Library(context.Background(), b.owner)
	if err != nil {
		t.Fatal(err)
	}
	want, got := map[string]string{}, map[string]string{}
	for i := range lib.Measurements {
		for _, in := range lib.Measurements[i].Inputs {
			if in.Label != "" {
				want[lib.Measurements[i].ID+"."+in.ID] = in.Label
			}
		}
	}
	for _, m := range b.do("GET", v1+"/library/measurements?limit=200", nil, 200).list("items") {
		m := m.(map[string]any)
		for _, in := range m["inputs"].([]any) {
			in := in.(map[string]any)
			if s, ok := in["label"].(string); ok {
				got[m["id"].(string)+"."+in["id"].(string)] = s
			}
		}
	}
	if len(want) < 20 || len(want) != len(got) {
		t.Fatalf("%d labels answered, the library has %d", len(got), len(want))
	}
	for k, s := range want {
		if got[k] != s {
			t.Errorf("%s is labelled %q, want %q", k, got[k], s)
		}
	}
}
