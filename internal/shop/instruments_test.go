package shop_test

import (
	"strings"
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

var ohms = shop.InstrumentRange{Unit: "ohm", High: 10, Resolution: 0.001, PlusMinusPct: 1}

func TestInstruments(t *testing.T) {
	h := setup(t)
	due := time.Date(2026, 1, 3, 15, 0, 0, 0, time.UTC)
	in := shop.InstrumentInput{Name: " Meter 1 ", Kind: "milliohm meter", Serial: "S1", CalibrationDue: &due, Ranges: []shop.InstrumentRange{ohms}}
	i := ok[shop.Instrument](t)(h.AddInstrument(h.ctx, h.technician, in))
	if i.Name != "Meter 1" || i.Version != 1 || i.Ranges[0].Unit != "Ohm" || !i.CalibrationDue.Equal(due.Truncate(24*time.Hour)) || !i.Overdue(h.now) {
		t.Errorf("%+v", i)
	}
	_, err := h.AddInstrument(h.ctx, h.owner, in)
	refused(t, err, problem.Conflict, "name")
	_, err = h.AddInstrument(h.ctx, h.counter, in)
	refused(t, err, problem.Forbidden, "")
	_, err = h.EditInstrument(h.ctx, h.counter, i.ID, shop.InstrumentPatch{})
	refused(t, err, problem.Forbidden, "")

	next := due.AddDate(1, 0, 0)
	i = ok[shop.Instrument](t)(h.EditInstrument(h.ctx, h.technician, i.ID, shop.InstrumentPatch{Version: 1, CalibrationDue: shop.Change[*time.Time]{Set: true, Value: &next}}))
	if i.Version != 2 || i.Overdue(h.now) || len(i.Ranges) != 1 {
		t.Errorf("%+v", i)
	}
	_, err = h.EditInstrument(h.ctx, h.technician, i.ID, shop.InstrumentPatch{Version: 1, Name: shop.Change[string]{Set: true, Value: "x"}})
	refused(t, err, problem.Stale, "")
	i = ok[shop.Instrument](t)(h.RetireInstrument(h.ctx, h.owner, i.ID))
	if i.RetiredAt == nil {
		t.Error("not retired")
	}
	_, err = h.Evaluate(h.ctx, h.counter, "pack_heat_triage", shop.EvaluateInput{Outcome: "normal", Instrument: &i.ID})
	refused(t, err, problem.Invalid, "instrument")
	i = ok[shop.Instrument](t)(h.EditInstrument(h.ctx, h.owner, i.ID, shop.InstrumentPatch{Retired: shop.Change[bool]{Set: true}}))
	if i.RetiredAt != nil {
		t.Error("still retired")
	}
	l := ok[[]shop.Instrument](t)(h.Instruments(h.ctx, h.counter))
	if len(l) != 1 || l[0].Version != i.Version {
		t.Errorf("%+v", l)
	}
}

func TestInstrumentFields(t *testing.T) {
	h := setup(t)
	far := time.Date(20260, 1, 1, 0, 0, 0, 0, time.UTC)
	for field, spoil := range map[string]func(*shop.InstrumentInput){
		"name":                     func(in *shop.InstrumentInput) { in.Name = " " },
		"calibration_due":          func(in *shop.InstrumentInput) { in.CalibrationDue = &far },
		"ranges":                   func(in *shop.InstrumentInput) { in.Ranges = make([]shop.InstrumentRange, 65) },
		"ranges[0].unit":           func(in *shop.InstrumentInput) { in.Ranges[0].Unit = "furlongs" },
		"ranges[0].to":             func(in *shop.InstrumentInput) { in.Ranges[0].Low = 10 },
		"ranges[0].resolution":     func(in *shop.InstrumentInput) { in.Ranges[0].Resolution = 11 },
		"ranges[0].plus_minus_pct": func(in *shop.InstrumentInput) { in.Ranges[0].PlusMinusPct = -1 },
		"ranges[0].counts":         func(in *shop.InstrumentInput) { in.Ranges[0].Counts = -1 },
	} {
		in := shop.InstrumentInput{Name: "Meter 2", Ranges: []shop.InstrumentRange{ohms}}
		spoil(&in)
		_, err := h.AddInstrument(h.ctx, h.technician, in)
		refused(t, err, problem.Invalid, field)
	}
}

// The accuracy a reading was judged with stays with it, whatever becomes of the instrument.
func TestReadingKeepsItsInstrument(t *testing.T) {
	h := setup(t)
	b, _ := h.board("IN-1")
	job := h.job(b, 120, shop.JobInput{Symptoms: []string{"stutter_at_start"}})
	h.observe(job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"})
	h.move(job.ID, shop.Diagnosing, "")
	due := time.Date(2026, 1, 3, 0, 0, 0, 0, time.UTC)
	i := ok[shop.Instrument](t)(h.AddInstrument(h.ctx, h.technician, shop.InstrumentInput{Name: "Meter 3", CalibrationDue: &due, Ranges: []shop.InstrumentRange{ohms}}))
	readings := map[string]any{"r_ab": 104.0, "r_bc": 100.0, "r_ca": 100.0, "t_wind_c": 20.0, "r_model_20": 100.0, "flex_change_pct": 0.0}
	e := ok[shop.Evaluation](t)(h.EvaluateFor(h.ctx, h.counter, job.ID, "phase_resistance_3", shop.EvaluateInput{Readings: readings, Instrument: &i.ID}))
	o := h.observe(job.ID, shop.ObservationInput{Measurement: "phase_resistance_3", Readings: readings, Instrument: &i.ID})
	if !strings.Contains(e.Text, "on the edge") || e.Text != o.Result.Text || e.Instrument == nil || !e.Instrument.Overdue {
		t.Errorf("evaluated %+v, recorded %+v", e, o.Result)
	}
	better := ohms
	better.PlusMinusPct = 0
	ok[shop.Instrument](t)(h.EditInstrument(h.ctx, h.technician, i.ID, shop.InstrumentPatch{Name: shop.Change[string]{Set: true, Value: "Meter 3b"},
		Ranges: shop.Change[[]shop.InstrumentRange]{Set: true, Value: []shop.InstrumentRange{better}}}))
	f := ok[shop.JobFile](t)(h.Job(h.ctx, h.counter, job.ID))
	got := f.Observations[len(f.Observations)-1].Result
	if got.Instrument.Name != "Meter 3" || got.Instrument.Ranges[0].PlusMinusPct != 1 || len(got.Likelihood) != len(o.Result.Likelihood) {
		t.Errorf("the past changed: %+v", got)
	}
	gone := h.shop.ID
	_, err := h.Observe(h.ctx, h.technician, job.ID, shop.ObservationInput{Measurement: "phase_resistance_3", Readings: readings, Instrument: &gone})
	refused(t, err, problem.Invalid, "instrument")
	_, err = h.Verify(h.ctx, h.technician, job.ID, shop.VerificationInput{Measurement: "phase_resistance_3", Readings: readings, Instrument: &gone})
	refused(t, err, problem.Invalid, "instrument")
	v := ok[shop.Verification](t)(h.Verify(h.ctx, h.technician, job.ID, shop.VerificationInput{Measurement: "phase_resistance_3", Readings: readings, Instrument: &i.ID}))
	if v.Result.Instrument.Name != "Meter 3b" || v.InstrumentID == nil {
		t.Errorf("%+v", v)
	}
}
