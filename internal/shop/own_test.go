package shop_test

import (
	"strings"
	"sync"
	"testing"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// lampDrop is an invented measurement of a shop.
func lampDrop(base shop.ID) shop.OwnMeasurementInput {
	return shop.OwnMeasurementInput{Base: base, OwnMeasurement: faultlib.OwnMeasurement{
		ID: "lamp_drop", Title: "Lamp on the motor cable", Kind: measure.Numeric, Of: "motor_cable", Points: " lamp terminals ", Instrument: "voltmeter, lamp 60 W",
		Access: "outside", Minutes: 4, Hazard: 1, Caution: "the lamp gets hot",
		Inputs:  []measure.Input{{ID: "u_off", Label: "Voltage without the lamp", Unit: "V"}, {ID: "u_on", Label: "Voltage with the lamp", Unit: "V"}},
		Params:  []faultlib.OwnParam{{ID: "drop_max", Value: 5}},
		Compute: []measure.Step{{ID: "drop_pct", Label: "Voltage drop", Unit: "%", Expr: "100 * (u_off - u_on) / u_off"}},
		Outcomes: []measure.Outcome{{ID: "high", When: "drop_pct > drop_max", Meaning: "a joint with too much resistance"},
			{ID: "normal", When: "true", Meaning: "sound"}},
		Examples: []measure.Example{{In: map[string]any{"u_off": "80 V", "u_on": "79"}, Out: "normal"}, {In: map[string]any{"u_off": 80.0, "u_on": 70.0}, Out: "high"}},
		Links:    []faultlib.OwnLink{{Cause: "winding_open", Outcome: "high", P: 0.6}},
	}}
}

func TestOwnMeasurement(t *testing.T) {
	h := setup(t)
	b, _ := h.board("OM-1")
	before := h.job(b, 120, shop.JobInput{Complaint: "stutters"})
	_, first, err := h.Library(h.ctx, h.owner)
	if err != nil {
		t.Fatal(err)
	}

	trial := ok[shop.MeasurementTrial](t)(h.TryMeasurement(h.ctx, h.technician, lampDrop(first.ID)))
	if trial.Base.ID != first.ID || len(trial.Examples) != 2 {
		t.Fatalf("%+v", trial)
	}
	// 100 * (80 - 70) / 80, by hand.
	if e := trial.Examples[1]; !e.Agrees || e.Outcome != "high" || e.Values[0].Value != 12.5 || e.Values[0].Unit != "%" || !strings.Contains(e.Text, "too much resistance") {
		t.Errorf("%+v", e)
	}
	if libs, err := h.Libraries(h.ctx, h.owner); err != nil || len(libs) != 1 {
		t.Errorf("a trial stored something: %v, %v", libs, err)
	}

	// An example that comes out differently is shown and bars the saving.
	in := lampDrop(first.ID)
	in.Examples[1].Out = "normal"
	trial, err = h.TryMeasurement(h.ctx, h.owner, in)
	refused(t, err, problem.Invalid, "examples[1].out")
	if len(trial.Examples) != 2 || trial.Examples[1].Outcome != "high" || trial.Examples[1].Agrees {
		t.Errorf("%+v", trial.Examples)
	}
	_, err = h.SaveMeasurement(h.ctx, h.owner, in)
	refused(t, err, problem.Invalid, "examples[1].out")
	_, err = h.SaveMeasurement(h.ctx, h.technician, lampDrop(first.ID))
	refused(t, err, problem.Forbidden, "")
	_, err = h.TryMeasurement(h.ctx, h.counter, lampDrop(first.ID))
	refused(t, err, problem.Forbidden, "")

	second := ok[shop.LibraryVersion](t)(h.SaveMeasurement(h.ctx, h.owner, lampDrop(first.ID)))
	if !second.Current || second.Number != 2 || second.Note != "added measurement lamp_drop" || second.Edition != first.Edition {
		t.Errorf("%+v", second)
	}
	ev := ok[shop.Evaluation](t)(h.Evaluate(h.ctx, h.technician, "lamp_drop", shop.EvaluateInput{Readings: map[string]any{"u_off": "80 V", "u_on": "70000 mV"}}))
	if ev.Outcome != "high" || ev.Values[0].Value != 12.5 {
		t.Errorf("%+v", ev)
	}

	// The open job keeps its library; one opened now can use the measurement.
	_, err = h.Observe(h.ctx, h.technician, before.ID, shop.ObservationInput{Measurement: "lamp_drop", Readings: map[string]any{"u_off": 80.0, "u_on": 70.0}})
	refused(t, err, problem.Invalid, "measurement")
	b2, _ := h.board("OM-2")
	after := h.job(b2, 120, shop.JobInput{Complaint: "stutters", Symptoms: []string{"stutter_at_start"}})
	h.move(after.ID, shop.Diagnosing, "")
	h.observe(after.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"})
	prior := probability(t, h, after.ID, "winding_open")
	if o := h.observe(after.ID, shop.ObservationInput{Measurement: "lamp_drop", Readings: map[string]any{"u_off": 80.0, "u_on": 70.0}}); o.Result.Outcome != "high" {
		t.Errorf("%+v", o)
	}
	if now := probability(t, h, after.ID, "winding_open"); now <= prior {
		t.Errorf("the outcome that the cause produces does not raise it: %v, then %v", prior, now)
	}

	changeAndTakeOut(t, h, second)
}

func changeAndTakeOut(t *testing.T, h *house, second shop.LibraryVersion) {
	t.Helper()
	in := lampDrop(second.ID)
	_, err := h.SaveMeasurement(h.ctx, h.owner, in)
	refused(t, err, problem.Invalid, "id") // It would replace the other without a word.
	in.Replaces, in.Params[0].Value = "lamp_drop", 20
	in.Examples[1].Out = "normal"
	_, err = h.SaveMeasurement(h.ctx, h.owner, in)
	refused(t, err, problem.Invalid, "examples") // Nothing shows the outcome high any more.
	in.Examples[0].In["u_on"], in.Examples[0].Out = "60", "high"
	in.Base = shop.ID{}
	_, err = h.SaveMeasurement(h.ctx, h.owner, in)
	refused(t, err, problem.Stale, "")
	in.Base = second.ID
	third := ok[shop.LibraryVersion](t)(h.SaveMeasurement(h.ctx, h.owner, in))
	if third.Number != 3 || third.Note != "changed measurement lamp_drop" {
		t.Errorf("%+v", third)
	}
	in.Base, in.ID = third.ID, "lamp_dip"
	_, err = h.SaveMeasurement(h.ctx, h.owner, in)
	refused(t, err, problem.Invalid, "id")

	_, err = h.RemoveOwnMeasurement(h.ctx, h.technician, "lamp_drop", third.ID)
	refused(t, err, problem.Forbidden, "")
	_, err = h.RemoveOwnMeasurement(h.ctx, h.owner, "lamp_drop", second.ID)
	refused(t, err, problem.Stale, "")
	_, err = h.RemoveOwnMeasurement(h.ctx, h.owner, "pack_heat_triage", third.ID)
	refused(t, err, problem.Invalid, "")
	last := ok[shop.LibraryVersion](t)(h.RemoveOwnMeasurement(h.ctx, h.owner, "lamp_drop", third.ID))
	lib, v, err := h.Library(h.ctx, h.owner)
	if err != nil || v.ID != last.ID || lib.Measurement("lamp_drop") != nil || last.Number != 1 {
		t.Errorf("taken out: %+v, %v; want the bytes of the first version", last, err)
	}
}

// TestOwnMeasurementsSavedAtOnce: two owners build on the same version; one is
// told so.
func TestOwnMeasurementsSavedAtOnce(t *testing.T) {
	h := setup(t)
	_, first, err := h.Library(h.ctx, h.owner)
	if err != nil {
		t.Fatal(err)
	}
	errs := make([]error, 2)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() {
			in := lampDrop(first.ID)
			in.ID = []string{"lamp_one", "lamp_two"}[i]
			_, errs[i] = h.SaveMeasurement(h.ctx, h.owner, in)
		})
	}
	wg.Wait()
	lib, v, err := h.Library(h.ctx, h.owner)
	if err != nil {
		t.Fatal(err)
	}
	saved := 0
	for i, id := range []string{"lamp_one", "lamp_two"} {
		if errs[i] != nil {
			refused(t, errs[i], problem.Stale, "")
			continue
		}
		saved++
		if lib.Measurement(id) == nil {
			t.Errorf("%s was saved and is gone", id)
		}
	}
	if saved != 1 || v.Number != 2 {
		t.Errorf("%d saved, version %d", saved, v.Number)
	}
}

func TestOwnMeasurementBoundsItsTexts(t *testing.T) {
	h := setup(t)
	for field, spoil := range map[string]func(*shop.OwnMeasurementInput){
		"title":               func(in *shop.OwnMeasurementInput) { in.Title = strings.Repeat("x", 10_000) },
		"inputs[1].label":     func(in *shop.OwnMeasurementInput) { in.Inputs[1].Label = "a\x00b" },
		"inputs":              func(in *shop.OwnMeasurementInput) { in.Inputs = make([]measure.Input, shop.MaxOwnInputs+1) },
		"compute[0].expr":     func(in *shop.OwnMeasurementInput) { in.Compute[0].Expr = strings.Repeat("(", 10_000) },
		"examples[0].in.u_on": func(in *shop.OwnMeasurementInput) { in.Examples[0].In["u_on"] = strings.Repeat("9", 10_000) },
		"outcomes[0].meaning": func(in *shop.OwnMeasurementInput) { in.Outcomes[0].Meaning = "" },
	} {
		in := lampDrop(shop.ID{})
		spoil(&in)
		_, err := h.TryMeasurement(h.ctx, h.owner, in)
		refused(t, err, problem.Invalid, field)
	}
}

func probability(t *testing.T, h *house, job shop.ID, cause string) float64 {
	t.Helper()
	d := ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, job))
	for _, c := range d.Causes {
		if c.ID == cause {
			return c.Probability
		}
	}
	t.Fatalf("no cause %s", cause)
	return 0
}
