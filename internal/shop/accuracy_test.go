package shop

import (
	"math"
	"strings"
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/units"
)

// meter is an invented instrument with two ranges of voltage, one of small
// resistance and one of temperature.
func meter(pct float64) *Instrument {
	return &Instrument{ID: newID(), Name: "Meter 3", Version: 1, Ranges: []InstrumentRange{
		{Unit: "V", High: 60, Resolution: 0.01, PlusMinusPct: 0.5, Counts: 2},
		{Unit: "V", High: 6, Resolution: 0.001, PlusMinusPct: 0.5, Counts: 2},
		{Unit: "Ohm", High: 10, Resolution: 0.001, PlusMinusPct: pct, Counts: 0},
		{Unit: "Cel", Low: -20, High: 400, Resolution: 0.1, PlusMinusPct: 1, Counts: 3}}}
}

// The half width is ±(p % of the reading + n digits), as instruments state it
// and JCGM 100:2008, 4.3.7 takes it: a rectangular distribution within the
// limits. The figures are worked by hand.
func TestRangeForReading(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name  string
		unit  string
		value float64
		high  float64 // of the range that is to be chosen; 0: none
		want  float64 // half width in the reading's unit
		known bool
	}{
		{"the narrowest range that holds it", "V", 4, 6, 4*0.005 + 2*0.001, true},
		{"its end belongs to it", "V", 6, 6, 6*0.005 + 2*0.001, true},
		{"just above the end the next one", "V", 6.001, 60, 6.001*0.005 + 2*0.01, true},
		{"in another unit of the same quantity", "mV", 4000, 6, 4000*0.005 + 2, true},
		{"polarity does not matter", "V", -4, 6, 4*0.005 + 2*0.001, true},
		{"without counts half a digit", "mOhm", 100, 10, 100*0.01 + 0.5, true},
		{"a temperature below zero in its range", "Cel", -10, 400, 10*0.01 + 3*0.1, true},
		{"a temperature below its range", "Cel", -30, 0, 0, true},
		{"another scale of temperature", "K", 283.15, 400, 10*0.01 + 3*0.1, true},
		{"beyond every range", "V", 75, 0, 0, true},
		{"a quantity it does not measure", "A", 1, 0, 0, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			r, w, known := meter(1).rangeFor(units.MustUnit(tc.unit), tc.value)
			switch {
			case (r == nil) != (tc.high == 0) || known != tc.known:
				t.Fatalf("range %+v, known %v", r, known)
			case r != nil && r.High != tc.high:
				t.Errorf("range to %v, want to %v", r.High, tc.high)
			case math.Abs(w-tc.want) > 1e-9*max(1, tc.want):
				t.Errorf("half width %v, want %v", w, tc.want)
			}
		})
	}
}

func TestOverdue(t *testing.T) {
	t.Parallel()
	due := time.Date(2026, 1, 3, 0, 0, 0, 0, time.UTC)
	i := Instrument{CalibrationDue: &due}
	for at, want := range map[time.Time]bool{due.Add(-time.Hour): false, due.Add(23 * time.Hour): false, due.Add(24 * time.Hour): true} {
		if i.Overdue(at) != want {
			t.Errorf("at %s overdue is %v", at, !want)
		}
	}
	if (&Instrument{}).Overdue(due) {
		t.Error("overdue without a due date")
	}
}

// onEdge are readings whose unbalance is near its warning limit of 3 %.
func onEdge() map[string]any {
	return map[string]any{"r_ab": 104.0, "r_bc": 100.0, "r_ca": 100.0, "t_wind_c": 20.0, "r_model_20": 100.0, "flex_change_pct": 0.0}
}

func (d *desk) takes(with *Instrument, readings map[string]any) Observation {
	d.t.Helper()
	ch := d.must(func(b bench, p pen) (JobChange, error) {
		in := ObservationInput{Measurement: "phase_resistance_3", Readings: readings}
		if b.instrument = with; with != nil {
			in.Instrument = &with.ID
		}
		return observe(b, in, p)
	})
	return ch.Add[0]
}

// A reading on the edge, taken with an instrument, is soft evidence: the
// posterior of a cause lies between those of the two outcomes it may be.
func TestAccuracyMovesThePosterior(t *testing.T) {
	d := setup(t, Diagnosing)
	d.symptom("stutter_at_start")
	posterior := func(with *Instrument, outcome string) (map[string]float64, Observation) {
		x := *d
		x.file.Observations = append([]Observation(nil), d.file.Observations...)
		var o Observation
		if outcome != "" {
			o = x.sees("phase_resistance_3", outcome)
		} else {
			o = x.takes(with, onEdge())
		}
		p := map[string]float64{}
		for _, c := range x.diagnosis().Causes {
			p[c.ID] = c.Probability
		}
		return p, o
	}
	soft, o := posterior(meter(1), "")
	if len(o.Result.Likelihood) != 2 || o.Result.Likelihood["balanced"] < 0.05 || o.Result.Likelihood["marginal"] < 0.05 {
		t.Fatalf("not on the edge: %+v", o.Result.Likelihood)
	}
	if !strings.Contains(o.Result.Text, "on the edge") {
		t.Errorf("the text does not say so: %s", o.Result.Text)
	}
	use := o.Result.Instrument
	if use == nil || use.Name != "Meter 3" || len(use.Ranges) != 2 || use.Ranges[0].Unit != "Ohm" || use.Ranges[1].Unit != "Cel" || o.InstrumentID == nil {
		t.Errorf("the record is %+v", use)
	}
	bare, o := posterior(nil, "")
	if len(o.Result.Likelihood) != 1 || o.Result.Instrument != nil {
		t.Errorf("without an instrument: %+v", o.Result)
	}
	balanced, _ := posterior(nil, "balanced")
	marginal, _ := posterior(nil, "marginal")
	moved := 0
	for id, p := range soft {
		lo, hi := min(balanced[id], marginal[id]), max(balanced[id], marginal[id])
		if p < lo-1e-9 || p > hi+1e-9 {
			t.Errorf("%s: %v is not between %v and %v", id, p, lo, hi)
		}
		if hi-lo > 1e-3 && p > lo+1e-4 && p < hi-1e-4 {
			moved++
		}
	}
	if moved == 0 {
		t.Error("the accuracy moved no cause")
	}
	for id, p := range bare {
		if math.Abs(p-balanced[id]) > 1e-12 && math.Abs(p-marginal[id]) > 1e-12 {
			t.Errorf("%s without an instrument is neither of the two: %v", id, p)
		}
	}
}

// A display that flickers across a limit is soft evidence without any instrument, with
// one even more so; what was typed is kept.
func TestFlickeringReading(t *testing.T) {
	d := setup(t, Diagnosing)
	readings := onEdge()
	readings["r_ab"] = "102,5–106 mΩ"
	r := d.takes(nil, readings).Result
	if len(r.Likelihood) != 2 || r.Likelihood["balanced"] < 0.05 || r.Likelihood["marginal"] < 0.05 || r.Instrument != nil {
		t.Errorf("%+v", r)
	}
	if r.Readings["r_ab"] != "102,5–106 mΩ" || !strings.Contains(r.Text, "102.5 to 106 mΩ") || !strings.Contains(r.Text, "on the edge") {
		t.Errorf("%v: %s", r.Readings, r.Text)
	}
	with := d.takes(meter(1), readings).Result
	if len(with.Instrument.Ranges) != 2 || with.Likelihood["balanced"] == r.Likelihood["balanced"] {
		t.Errorf("the instrument adds nothing: %+v, %+v", with.Instrument, with.Likelihood)
	}
	readings["r_ab"] = "106–102,5 mΩ"
	_, err := d.observe(ObservationInput{Measurement: "phase_resistance_3", Readings: readings})
	refused(t, err, problem.Invalid, "readings.r_ab")
}

func TestInstrumentWarnings(t *testing.T) {
	d := setup(t, Diagnosing)
	due := time.Date(2026, 1, 3, 0, 0, 0, 0, time.UTC)
	m := meter(1)
	m.CalibrationDue = &due
	m.Ranges = m.Ranges[2:3]
	readings := onEdge()
	readings["r_bc"], readings["r_ca"] = 20e3, "OL"
	r := d.takes(m, readings).Result
	all := strings.Join(r.Warnings, "\n")
	for _, want := range []string{"Meter 3: calibration was due 3 Jan 2026", "is outside the ranges of Meter 3", "Meter 3 has no range in °C"} {
		if strings.Count(all, want) != 1 {
			t.Errorf("%q is not said once in:\n%s", want, all)
		}
	}
	if !r.Instrument.Overdue || r.Instrument.CalibrationDue != "2026-01-03" || len(r.Instrument.Ranges) != 1 {
		t.Errorf("%+v", r.Instrument)
	}
	// What a reading states of itself comes first, also when it states that it is exact.
	readings = onEdge()
	for _, k := range []string{"r_ab", "r_bc", "r_ca"} {
		readings[k] = map[string]any{"value": readings[k], "unit": "mohm", "plus_minus_pct": 0.0}
	}
	if r = d.takes(meter(1), readings).Result; len(r.Likelihood) != 1 {
		t.Errorf("an exact reading got the instrument's accuracy: %+v", r.Likelihood)
	}
}

func TestInstrumentBelongsToReadings(t *testing.T) {
	d := setup(t, Diagnosing)
	id, yes := newID(), true
	for _, in := range []ObservationInput{
		{Symptom: "no_power_on", Present: &yes, Instrument: &id}, {Measurement: "stand_spin", Unavailable: true, Instrument: &id},
	} {
		_, err := d.observe(in)
		refused(t, err, problem.Invalid, "instrument")
	}
}
