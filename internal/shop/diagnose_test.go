package shop

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
)

func (d *desk) diagnosis() Diagnosis {
	d.t.Helper()
	got, err := diagnose(d.bench)
	if err != nil {
		d.t.Fatal(err)
	}
	return got
}

func (d Diagnosis) cause(id string) CauseView {
	for _, c := range d.Causes {
		if c.ID == id {
			return c
		}
	}
	return CauseView{}
}

func TestGateComesFirst(t *testing.T) {
	d := setup(t, Received)
	d.symptom("no_power_on")
	got := d.diagnosis()
	if got.Advice.Kind != diagnosis.AdviseMeasure || got.Advice.Measurement != "pack_heat_triage" || got.Next[0].Measurement.ID != "pack_heat_triage" {
		t.Fatalf("%+v, want the intake gate before all else", got.Advice)
	}
	if len(got.Next) < 2 {
		t.Error("the runners-up are missing")
	}
	d.sees("pack_heat_triage", "normal")
	d.file.Job.State = Diagnosing
	if got = d.diagnosis(); got.Advice.Measurement == "pack_heat_triage" || got.Next[0].Measurement.ID != got.Advice.Measurement {
		t.Errorf("after the gate: %+v", got.Advice)
	}
	d2 := d.bench
	d2.file.Observations = nil
	d2.file.Observations = append(d2.file.Observations, Observation{ID: newID(), Kind: ObservedMeasurement, Measurement: "pack_heat_triage", Unavailable: true, At: at(1)})
	if got, err := diagnose(d2); err != nil || got.Advice.Measurement == "pack_heat_triage" {
		t.Errorf("a gate that cannot be measured is asked again: %+v, %v", got.Advice, err)
	}
}

func TestNextMeasurementSaysAll(t *testing.T) {
	d := setup(t, Diagnosing)
	d.symptom("stutter_at_start")
	d.symptom("water_history")
	d.sees("pack_heat_triage", "normal")
	got := d.diagnosis()
	if len(got.Next) == 0 || len(got.Next) > nextShown {
		t.Fatalf("%d next measurements", len(got.Next))
	}
	for i, n := range got.Next {
		if strings.Contains(n.Expected, "_") {
			t.Errorf("%s: a good reading is told in ids: %q", n.Measurement.ID, n.Expected)
		}
		if n.Measurement == nil || n.Instructions == "" || n.Expected == "" || n.Why == "" || n.Minutes <= 0 || n.Cost <= 0 || len(n.Outcomes) != len(n.Measurement.Outcomes) {
			t.Errorf("%d: %+v", i, n)
			continue
		}
		sum := 0.0
		for _, o := range n.Outcomes {
			sum += o.Probability
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Errorf("%s: the outcomes' probabilities sum to %v", n.Measurement.ID, sum)
		}
		if n.Hazard.Level > 0 && len(n.Cautions) == 0 {
			t.Errorf("%s: hazard %d without a caution", n.Measurement.ID, n.Hazard.Level)
		}
		if len(n.Access) > 0 && !strings.Contains(strings.Join(n.Cautions, " "), n.Access[0].Note[1:]) {
			t.Errorf("%s: the caution of %s is missing: %v", n.Measurement.ID, n.Access[0].ID, n.Cautions)
		}
		for _, later := range got.Next[:i] {
			if later.Measurement.ID == n.Measurement.ID {
				t.Errorf("%s stands twice", n.Measurement.ID)
			}
		}
	}
	if !reflect.DeepEqual(got, d.diagnosis()) {
		t.Error("the same job gives another diagnosis")
	}
	if len(got.Causes) == 0 || len(got.Causes[0].Evidence) == 0 || got.Causes[0].Name == "" || got.Causes[0].ComponentName == "" {
		t.Fatalf("%+v", got.Causes[0])
	}
	for i, c := range got.Causes {
		if c.Probability < leastShown || i > 0 && c.Probability > got.Causes[i-1].Probability {
			t.Errorf("cause %d, %s, with %v is out of order or too improbable", i, c.ID, c.Probability)
		}
	}
}

// The probabilities are those of the engine itself, with nothing lost on the way.
func TestDiagnosisIsTheEngines(t *testing.T) {
	d := setup(t, Diagnosing)
	d.symptom("stutter_at_start")
	d.sees("hall_sequence", "one_stuck_low")
	ev := []diagnosis.Observation{{Finding: "s:stutter_at_start", Level: 1}, {Finding: "m:hall_sequence"}}
	m := d.lib.Measurement("hall_sequence")
	for i, o := range m.Outcomes {
		if o.ID == "one_stuck_low" {
			ev[1].Level = m.LevelOf[i]
		}
	}
	post, err := d.ed.model.Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	got := d.diagnosis()
	for _, c := range got.Causes {
		if want := post.Marginals[d.ed.model.CauseIndex(c.ID)]; math.Abs(c.Probability-want) > 1e-12 {
			t.Errorf("%s: %v, want %v", c.ID, c.Probability, want)
		}
	}
	if math.Abs(got.NoFault-post.NoFault) > 1e-12 || math.Abs(got.Unmodelled-post.Unmodelled) > 1e-12 {
		t.Errorf("no fault %v, unmodelled %v", got.NoFault, got.Unmodelled)
	}
	if got.Causes[0].Component != "hall_sensors" && got.Causes[0].Component != "hall_connector" && got.Causes[0].Component != "motor_cable" {
		t.Errorf("a stuck hall signal points to %s", got.Causes[0].ID)
	}
}

func TestConfirmedCauseExplainsAway(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.symptom("grinding_noise")
	before := d.diagnosis()
	f := d.confirm("bearing_worn")
	if math.Abs(f.Probability-before.probability("bearing_worn")) > 1e-12 {
		t.Errorf("the fault keeps %v, the diagnosis gave %v", f.Probability, before.probability("bearing_worn"))
	}
	after := d.diagnosis()
	if c := after.cause("bearing_worn"); !c.Confirmed || c.Probability != 1 {
		t.Errorf("the confirmed cause is %+v", c)
	}
	// A corroded bearing grinds as a worn one does.
	if b, a := before.probability("bearing_corroded"), after.probability("bearing_corroded"); a >= b {
		t.Errorf("another cause of the noise went from %v to %v; the confirmed one explains it", b, a)
	}
	d.file.Job.State = Repairing
	if got := d.diagnosis().Advice; got.Kind != diagnosis.AdviseRepair || got.Cause != "bearing_worn" {
		t.Errorf("in repair: %+v", got)
	}
	d.repairs(f)
	d.file.Job.State = Verifying
	got := d.diagnosis()
	if got.Advice.Kind != diagnosis.AdviseMeasure || d.item("verification."+got.Advice.Measurement) == nil {
		t.Errorf("after the repair: %+v, want a proof that the closing gate asks for", got.Advice)
	}
	if got.Next[0].Measurement.ID != got.Advice.Measurement {
		t.Errorf("the first next is %s, advised is %s", got.Next[0].Measurement.ID, got.Advice.Measurement)
	}
}

func TestConsequencesAreAlsoChecked(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	before := d.diagnosis().probability("bearing_corroded")
	d.confirm("motor_water")
	got := d.diagnosis()
	if len(got.AlsoCheck) == 0 || got.AlsoCheck[0].Cause != "bearing_corroded" || got.AlsoCheck[0].Probability != .5 || len(got.AlsoCheck[0].Measurements) == 0 {
		t.Fatalf("%+v", got.AlsoCheck)
	}
	// Noisy or of the prior 22 per 1000 and the consequence's 0.5 (by hand):
	// 1 - 0.978*0.5 = 0.511.
	if p := got.probability("bearing_corroded"); p <= before || math.Abs(p-.511) > .02 {
		t.Errorf("it went from %v to %v, want about 0.511", before, p)
	}
}

func TestStopEndsGuidedDiagnosis(t *testing.T) {
	d := setup(t, Received)
	o := d.symptom("smoke_or_hiss")
	got := d.diagnosis()
	if got.Stop == nil || got.Stop.ObservationID != o.ID || got.Advice.Kind != "stop" || len(got.Next) != 0 {
		t.Fatalf("%+v, advice %+v, %d next", got.Stop, got.Advice, len(got.Next))
	}
	if !strings.Contains(got.Advice.Text, "quarantine") {
		t.Errorf("the advice %q does not give the rule", got.Advice.Text)
	}
}

func TestInterlocksBlock(t *testing.T) {
	d := setup(t, Diagnosing)
	blocked := func(id string) string {
		q := &inquiry{bench: d.bench}
		return q.blocked(d.lib.Measurement(id))
	}
	safe := d.lib.Measurement("bus_residual_voltage").Title
	if got := blocked("hall_sequence"); !strings.Contains(got, safe) {
		t.Errorf("probing in the controller box before the bus is known dead: %q", got)
	}
	if got := blocked("seal_visual") + blocked("bus_residual_voltage"); got != "" {
		t.Errorf("looking, and measuring the bus itself: %q", got)
	}
	d.sees("bus_residual_voltage", "safe")
	if got := blocked("hall_sequence"); got != "" {
		t.Errorf("with the bus dead: %q", got)
	}
	d.mustAccess("connector_unplugged", Closed)
	if got := blocked("hall_sequence"); !strings.Contains(got, safe) {
		t.Errorf("after the connector was mated again: %q", got)
	}
	if blocked("stand_spin") != "" {
		t.Error("a board as it came in may be spun")
	}
	d.repairs(d.confirm("bridge_short"))
	if got := blocked("stand_spin"); !strings.Contains(got, d.lib.Measurement("bridge_diode_test").Title) {
		t.Errorf("after work on the bridge: %q", got)
	}
	d.sees("input_resistance", "normal")
	d.sees("bridge_diode_test", "good")
	if got := blocked("stand_spin"); !strings.Contains(got, d.lib.Measurement("imu_static").Title) {
		t.Errorf("once the bridge is proven: %q", got)
	}
	d.sees("imu_static", "good")
	d.sees("settings_audit", "matches")
	if got := blocked("stand_spin"); got != "" {
		t.Errorf("with everything proven: %q", got)
	}
}

func TestLabourForNothingStillOrdersTests(t *testing.T) {
	d := setup(t, Diagnosing)
	d.shop.LabourMinor = 0
	d.symptom("no_power_on")
	d.sees("pack_heat_triage", "normal")
	if got := d.diagnosis(); len(got.Next) == 0 {
		t.Errorf("%+v", got.Advice)
	}
}

func TestSnapshotIsReadable(t *testing.T) {
	d := setup(t, Diagnosing)
	d.symptom("no_power_on")
	ch := d.must(func(b bench, p pen) (JobChange, error) {
		return confirmFault(b, d.board, nil, FaultInput{Cause: "bms_dead"}, p)
	})
	var kept keptDiagnosis
	if err := json.Unmarshal(ch.Snapshot.Body, &kept); err != nil {
		t.Fatal(err)
	}
	if kept.Library != 1 || len(kept.Causes) == 0 || len(kept.Observations) != 1 || kept.Advice.Kind == "" || len(kept.Explanations) == 0 {
		t.Errorf("%+v", kept)
	}
}
