package api_test

import (
	"strings"
	"testing"
)

// TestTechnicianInCharge skips, takes back, refutes, goes another way than advised
// and confirms another cause, all over the wire; the log says who and why.
func TestTechnicianInCharge(t *testing.T) {
	t.Parallel()
	b := setup(t)
	job := v1 + "/jobs/" + b.job(b.board("INV-0077"), "soot_at_pin")
	b.do("POST", job+"/observations", obj{"measurement": "pack_heat_triage", "readings": obj{"t_box_c": 24, "t_amb_c": 21, "t_box10_c": 24}}, 201)

	lead := b.do("GET", job+"/diagnosis", nil, 200).text("advice.measurement")
	b.refuse("POST", job+"/observations", obj{"measurement": lead, "unavailable": true, "reason": "other"}, 400, "note")
	skip := b.do("POST", job+"/observations", obj{"measurement": lead, "unavailable": true, "reason": "no_instrument"}, 201)
	if skip.text("reason") != "no_instrument" || skip.find("note") != nil {
		t.Errorf("skipped: %s", skip.raw)
	}
	if got := b.do("GET", job+"/diagnosis", nil, 200).text("advice.measurement"); got == lead {
		t.Errorf("%s is advised although it cannot be measured", got)
	}
	b.do("DELETE", job+"/observations/"+skip.text("id"), nil, 204)
	if got := b.do("GET", job+"/diagnosis", nil, 200).text("advice.measurement"); got != lead {
		t.Errorf("after the skip was taken back %s is advised, want %s", got, lead)
	}
	b.do("POST", job+"/observations", obj{"measurement": "phase_connector_visual", "outcome": "heat_marks"}, 201)

	sound := b.do("POST", job+"/observations", obj{"cause": "interbox_burned", "present": false, "note": "both halves like new"}, 201)
	if sound.text("kind") != "cause" || sound.text("cause") != "interbox_burned" || sound.find("present") != false || sound.text("note") != "both halves like new" {
		t.Errorf("refuted: %s", sound.raw)
	}
	b.refuse("POST", job+"/observations", obj{"cause": "interbox_burned", "present": false}, 409, "cause")

	d := b.do("GET", job+"/diagnosis", nil, 200)
	text := d.text("argument.causes.0.text")
	if d.text("causes.0.id") != d.text("argument.causes.0.cause") || !strings.Contains(text, "“Soot or pitting at a connector pin” (+") || !strings.Contains(d.text("argument.scale"), "Good 1950") {
		t.Errorf("the argument reads %q", text)
	}
	if len(d.list("argument.whole")) == 0 || !strings.Contains(d.text("argument.whole.0"), "cover") {
		t.Errorf("the whole reads %v", d.find("argument.whole"))
	}

	f := b.do("POST", job+"/faults", obj{"cause": "bearing_worn", "disagreement": "known_here", "grounds": "the third of this kind"}, 201)
	if f.text("disagreement") != "known_here" || f.text("grounds") != "the third of this kind" || !strings.Contains(f.text("basis"), "“Wheel bearing worn”") {
		t.Errorf("confirmed against the advice: %s", f.raw)
	}
	log := b.do("GET", job+"/log", nil, 200).raw
	for _, want := range []string{`"reason":"no_instrument"`, `"grounds":"the third of this kind"`, `"instead_of":"` + lead + `"`, `"sound":true`} {
		if !strings.Contains(strings.ReplaceAll(string(log), `": `, `":`), want) {
			t.Errorf("the log lacks %s", want)
		}
	}
}
