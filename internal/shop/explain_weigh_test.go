package shop

import (
	"math"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/learning"
)

func (d *desk) whole(also string) Diagnosis {
	d.t.Helper()
	got, err := diagnoseWhole(d.bench, also)
	if err != nil {
		d.t.Fatal(err)
	}
	return got
}

// What a cause accounts for is the latent trigger that learning counts: there by
// another route, from the model's own links.
func TestAccountsAreLatentTriggers(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.symptom("stutter_at_start")
	d.symptom("soot_at_pin")
	d.symptom("grinding_noise")
	d.sees("phase_connector_visual", "heat_marks")
	q, err := inquire(d.bench)
	if err != nil {
		t.Fatal(err)
	}
	spec, err := d.lib.Spec(faultlib.ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	lesson, err := learning.Learn(learning.Case{Spec: spec, Evidence: q.ev})
	if err != nil {
		t.Fatal(err)
	}
	w, err := q.weigher()
	if err != nil {
		t.Fatal(err)
	}
	compared := 0
	for _, id := range []string{"phase_pin_burned", "bearing_worn", "phase_crimp_bad", "hall_dead"} {
		at := q.model.CauseIndex(id)
		alone, err := w.only(id)
		if err != nil {
			t.Fatal(err)
		}
		none, err := w.only()
		if err != nil {
			t.Fatal(err)
		}
		for k, j := range w.abnormal {
			own, err := w.own(alone, none, q.ev[j].Finding)
			if err != nil {
				t.Fatal(err)
			}
			want := 0.0
			for _, l := range lesson.Links {
				if l.Cause == id && l.Finding == q.ev[j].Finding {
					want, compared = l.Levels[w.rose[k].level].Count/q.advice.Posterior.Marginals[at], compared+1
				}
			}
			if got := w.account(w.rose[k], own, at); math.Abs(got-want) > 1e-6 {
				t.Errorf("%s accounts for %s with %v, the latent trigger says %v", id, q.ev[j].Finding, got, want)
			}
		}
	}
	if compared < 6 {
		t.Errorf("only %d links were compared", compared)
	}
}

func TestArgumentOfAJob(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	soot := d.symptom("soot_at_pin")
	noise := d.symptom("grinding_noise")
	look := d.sees("phase_connector_visual", "heat_marks")
	got := d.whole("")
	lead := got.Argument.Of(got.Causes[0].ID)
	if got.Causes[0].ID != "phase_pin_burned" || lead == nil {
		t.Fatalf("the first cause is %s, its argument %+v", got.Causes[0].ID, lead)
	}
	if !slices.Contains(lead.AccountsFor, look.ID) || !slices.Contains(lead.Leaves, noise.ID) || len(lead.Missing) == 0 {
		t.Errorf("%+v", lead)
	}
	for _, e := range lead.For {
		if e.Strength != strength(e.Decibans) || e.Decibans < leastSaid {
			t.Errorf("%+v", e)
		}
	}
	text := strings.Join(lead.Sentences, " ")
	for _, want := range []string{"“Phase and hall connectors, visual and tug: browned, melted or loose contact”", "“Phase contact overheated”",
		"(“Wheel bearing worn” would)", "Not looked at yet: "} {
		if !strings.Contains(text, want) {
			t.Errorf("the argument lacks %s: %s", want, text)
		}
	}
	if bearing := got.Argument.Of("bearing_worn"); bearing == nil || !slices.Contains(bearing.AccountsFor, noise.ID) || slices.Contains(bearing.AccountsFor, soot.ID) {
		t.Errorf("%+v", bearing)
	}
	// A cause that is not listed is argued for when it is asked for.
	if got.Argument.Of("radio_module_dead") != nil {
		t.Fatal("an improbable cause is argued for unasked")
	}
	also := d.whole("radio_module_dead")
	if a := also.Argument.Of("radio_module_dead"); a == nil || !strings.Contains(a.Sentences[0], "“Radio module dead or antenna shadowed”") {
		t.Errorf("%+v", a)
	}
	if d.whole("nonsense").Argument.Of("nonsense") != nil {
		t.Error("an unknown cause has an argument")
	}
}

// Two looks at the same thing: each leaves the other little to say. Their weights
// are worked out here from the posterior alone.
func TestOverlapsAreJointWeights(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.sees("hall_pullup_levels", "one_stuck_low")
	d.sees("hall_sequence", "one_stuck_low")
	q, err := inquire(d.bench)
	if err != nil {
		t.Fatal(err)
	}
	w, err := q.weigher()
	if err != nil {
		t.Fatal(err)
	}
	at := q.model.CauseIndex("hall_dead")
	list, err := w.overlaps(at, w.abnormal)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 1 || len(list[0].names) != 2 || list[0].apart {
		t.Fatalf("%+v", list)
	}
	odds := func(p float64) float64 { return 10 * math.Log10(p/(1-p)) }
	rest, err := q.model.Infer(q.ev[:1])
	if err != nil {
		t.Fatal(err)
	}
	want := odds(q.advice.Posterior.Marginals[at]) - odds(rest.Marginals[at])
	sum := w.weights[at][1] + w.weights[at][2]
	if math.Abs(list[0].joint-want) > 1e-9 || list[0].joint < sum+clearly {
		t.Errorf("together %v, want %v, well above their sum %v", list[0].joint, want, sum)
	}
}

func TestConflictNamesWhatDisagrees(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	if got := d.whole("").Argument.Conflict; got != nil {
		t.Errorf("one observation contradicts itself: %+v", got)
	}
	// A pack that is dead at its connector cannot also charge and drive well.
	d.sees("pack_output_voltage", "zero")
	d.sees("bms_discharge_switch", "closed")
	d.sees("fuse_and_leads", "good")
	d.sees("pack_voltage_soc", "in_range")
	d.sees("interbox_visual", "clean")
	d.sees("battery_box_visual", "sound")
	got := d.whole("")
	c := got.Argument.Conflict
	if c == nil || c.Bits != got.Conflict || len(c.Observations) == 0 {
		t.Fatalf("conflict %v: %+v", got.Conflict, c)
	}
	for _, a := range c.Again {
		if a.Support >= surprise || a.Title == "" || (a.Measurement == "") == (a.Symptom == "") || !slices.Contains(c.Observations, a.ObservationID) {
			t.Errorf("%+v", a)
		}
	}
	if !slices.ContainsFunc(c.Again, func(a TakeAgain) bool { return a.Measurement == "pack_output_voltage" }) {
		t.Errorf("the reading that stands alone is not to be taken again: %+v", c)
	}
}
