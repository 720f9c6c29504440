package shop

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

func no() *bool { b := false; return &b }

func (d *desk) sound(cause string) Observation {
	d.t.Helper()
	ch, err := d.observe(ObservationInput{Cause: cause, Present: no(), Note: "turns like new"})
	if err != nil {
		d.t.Fatal(err)
	}
	return ch.Add[0]
}

// A look that misses one in twenty multiplies the odds by a twentieth (Bayes'
// theorem in odds, Good 1950): 10·log10(0.05) = −13.0 decibans.
func TestRefutedCauseLosesOdds(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.symptom("grinding_noise")
	before := d.diagnosis().probability("bearing_worn")
	o := d.sound("bearing_worn")
	got := d.whole("bearing_worn")
	after := got.probability("bearing_worn")
	if odds := after / (1 - after) / (before / (1 - before)); math.Abs(odds-refutedFactor) > 1e-9 {
		t.Errorf("the odds went by %v, want %v", odds, refutedFactor)
	}
	if e := got.cause("bearing_worn").Evidence; len(e) == 0 || e[0].ObservationID != o.ID && e[1].ObservationID != o.ID {
		t.Errorf("the look is not among the evidence: %+v", e)
	}
	if text := strings.Join(got.Argument.Of("bearing_worn").Sentences, " "); !strings.Contains(text, "a look at it that found it sound (−13 dB, moderate)") {
		t.Errorf("the argument says %q", text)
	}
	_, err := d.observe(ObservationInput{Cause: "bearing_worn", Present: no()})
	refused(t, err, problem.Conflict, "cause")

	// What the library's own inspection says later takes its place.
	for cause, want := range map[string]string{"bearing_worn": "wheel_hand_spin", "phase_pin_burned": "phase_connector_visual",
		"interbox_corroded": "interbox_visual", "gasket_set": "seal_visual", "settings_limits_wrong": "settings_audit", "tyre_worn": "", "nonsense": ""} {
		if got := InspectionOf(d.lib, cause); got != want {
			t.Errorf("the look at %s is %q, want %q", cause, got, want)
		}
	}
	d.sees("wheel_hand_spin", "grinds")
	if p := d.diagnosis().probability("bearing_worn"); p < before {
		t.Errorf("an inspection that shows it leaves it at %v", p)
	}
	// Taken back, it says nothing.
	d2 := setupAgain(d)
	d2.symptom("grinding_noise")
	o = d2.sound("bearing_worn")
	d2.must(func(b bench, p pen) (JobChange, error) { return retract(b, o.ID, p) })
	if p := d2.diagnosis().probability("bearing_worn"); math.Abs(p-before) > 1e-12 {
		t.Errorf("taken back: %v, want %v", p, before)
	}
	// Confirming it after all wins.
	d2.sound("bearing_worn")
	d2.confirm("bearing_worn")
	if p := d2.diagnosis().probability("bearing_worn"); p != 1 {
		t.Errorf("confirmed after a look: %v", p)
	}
}

// setupAgain is another job on the same kind of board, past its gate.
func setupAgain(d *desk) *desk {
	e := *d
	e.file.Observations, e.file.Access, e.file.Faults = nil, nil, nil
	e.sees("pack_heat_triage", "normal")
	return &e
}

func TestRefuteIsRefused(t *testing.T) {
	d := setup(t, Diagnosing)
	yes := true
	for name, tt := range map[string]struct {
		in    ObservationInput
		field string
	}{
		"unknown":         {ObservationInput{Cause: "gremlin", Present: no()}, "cause"},
		"present":         {ObservationInput{Cause: "bearing_worn", Present: &yes}, "present"},
		"not said":        {ObservationInput{Cause: "bearing_worn"}, "present"},
		"with a symptom":  {ObservationInput{Cause: "bearing_worn", Symptom: "grinding_noise", Present: no()}, "cause"},
		"with an outcome": {ObservationInput{Cause: "bearing_worn", Present: no(), Outcome: "good"}, "cause"},
	} {
		_, err := d.observe(tt.in)
		if e := problem.As(err); e == nil || e.Code != problem.Invalid || len(e.Fields) == 0 || e.Fields[0].Field != tt.field {
			t.Errorf("%s: %v, want the field %s", name, err, tt.field)
		}
	}
	d.confirm("bearing_worn")
	_, err := d.observe(ObservationInput{Cause: "bearing_worn", Present: no()})
	refused(t, err, problem.Conflict, "cause")
	d.file.Job.State = Returned
	_, err = d.observe(ObservationInput{Cause: "bearing_corroded", Present: no()})
	refused(t, err, problem.Conflict, "state")
}

func TestSkipHasAReason(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.symptom("stutter_at_start")
	lead := d.diagnosis().Advice.Measurement
	ch, err := d.observe(ObservationInput{Measurement: lead, Unavailable: true, Reason: NoInstrument})
	if err != nil {
		t.Fatal(err)
	}
	if ch.Add[0].Reason != NoInstrument || ch.Audit.Detail["reason"] != "no_instrument" {
		t.Errorf("%+v, log %+v", ch.Add[0], ch.Audit.Detail)
	}
	if got := d.diagnosis().Advice.Measurement; got == lead {
		t.Errorf("%s is advised although it cannot be measured", got)
	}
	// Taken back, it is advised again.
	back := d.must(func(b bench, p pen) (JobChange, error) { return retract(b, ch.Add[0].ID, p) })
	if got := d.diagnosis().Advice.Measurement; got != lead || back.Audit.Detail["unavailable"] != true {
		t.Errorf("taken back: %s is advised, want %s; log %+v", got, lead, back.Audit.Detail)
	}
	// So it is when it is measured after all.
	if _, err = d.observe(ObservationInput{Measurement: "hall_timing", Unavailable: true, Reason: OtherReason, Note: "the stand is lent out"}); err != nil {
		t.Fatal(err)
	}
	d.sees("hall_timing", "even")
	if list := unavailable(d.lib, d.file); len(list) != 0 {
		t.Errorf("still unavailable: %v", list)
	}
	for name, tt := range map[string]struct {
		in    ObservationInput
		field string
	}{
		"unknown":               {ObservationInput{Measurement: "motor_ntc", Unavailable: true, Reason: "tired"}, "reason"},
		"other without words":   {ObservationInput{Measurement: "motor_ntc", Unavailable: true, Reason: OtherReason}, "note"},
		"words without reason":  {ObservationInput{Measurement: "motor_ntc", Unavailable: true, Note: "so"}, "reason"},
		"reason for a result":   {ObservationInput{Measurement: "motor_ntc", Outcome: "open", Reason: NoAccess}, "reason"},
		"reason with a symptom": {ObservationInput{Symptom: "weak_power", Present: no(), Reason: NoAccess}, "reason"},
	} {
		_, err := d.observe(tt.in)
		if e := problem.As(err); e == nil || e.Code != problem.Invalid || e.Fields[0].Field != tt.field {
			t.Errorf("%s: %v, want the field %s", name, err, tt.field)
		}
	}
}

func TestRunnerUpIsInTheLog(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.symptom("stutter_at_start")
	next := d.diagnosis().Next
	lead, runner := next[0].Measurement, next[1].Measurement
	ch, err := d.observe(ObservationInput{Measurement: runner.ID, Outcome: runner.Outcomes[len(runner.Outcomes)-1].ID})
	if err != nil {
		t.Fatal(err)
	}
	if ch.Audit.Detail["instead_of"] != lead.ID {
		t.Errorf("the log says %+v, advised was %s", ch.Audit.Detail, lead.ID)
	}
	lead = d.diagnosis().Next[0].Measurement
	ch, err = d.observe(ObservationInput{Measurement: lead.ID, Outcome: lead.Outcomes[len(lead.Outcomes)-1].ID})
	if _, there := ch.Audit.Detail["instead_of"]; err != nil || there {
		t.Errorf("%v: following the advice is logged as %+v", err, ch.Audit.Detail)
	}
}

func TestDisagreeing(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.symptom("soot_at_pin")
	d.sees("phase_connector_visual", "heat_marks")
	d.sees("phase_resistance_3", "one_high")
	got := d.diagnosis()
	if got.Advice.Kind != diagnosis.AdviseRepair {
		t.Fatalf("advised is %+v", got.Advice)
	}
	in := FaultInput{Cause: "bearing_worn", Disagreement: SeenDirectly, Grounds: "it howls"}
	ch := d.must(func(b bench, p pen) (JobChange, error) { return confirmFault(b, d.board, nil, in, p) })
	f := ch.Fault
	if f.Advised != got.Advice.Cause || f.Disagreement != SeenDirectly || f.Grounds != "it howls" || f.Probability > .2 || !strings.Contains(f.Basis, "“Wheel bearing worn”") {
		t.Errorf("%+v", f)
	}
	if ch.Audit.Detail["instead_of_repair"] != got.Advice.Cause || ch.Audit.Detail["reason"] != "seen_directly" || ch.Audit.Detail["grounds"] != "it howls" {
		t.Errorf("the log says %+v", ch.Audit.Detail)
	}
	// The diagnosis as it stood is kept, with the advice that was not followed.
	var kept keptDiagnosis
	if err := json.Unmarshal(ch.Snapshot.Body, &kept); err != nil || kept.Advice.Cause != got.Advice.Cause || ch.Snapshot.Trigger != "fault" {
		t.Errorf("%v: kept %+v", err, kept.Advice)
	}
	// Nobody is held up for a reason, and following the advice needs none.
	advised := d.diagnosis().Advice.Cause
	ch = d.must(func(b bench, p pen) (JobChange, error) {
		return confirmFault(b, d.board, nil, FaultInput{Cause: "tyre_worn"}, p)
	})
	if ch.Fault.Disagreement != "" || ch.Fault.Advised != advised {
		t.Errorf("%+v, advised was %q", ch.Fault, advised)
	}
	_, err := d.try(func(b bench, p pen) (JobChange, error) {
		return confirmFault(b, d.board, nil, FaultInput{Cause: "phase_pin_burned", Disagreement: "whim"}, p)
	})
	refused(t, err, problem.Invalid, "disagreement")
	if ch := d.must(func(b bench, p pen) (JobChange, error) {
		return confirmFault(b, d.board, nil, FaultInput{Cause: "phase_pin_burned"}, p)
	}); ch.Fault.Basis == "" {
		t.Error("a fault keeps no basis")
	}
}
