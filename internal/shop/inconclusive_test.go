package shop

import (
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

const (
	voltage = "pack_voltage_soc"
	tooMild = "pack_resistance_step"
)

// advised reports whether the engine may still propose a measurement.
func (d *desk) advised(measurement string) bool {
	d.t.Helper()
	q, err := inquire(d.bench)
	if err != nil {
		d.t.Fatal(err)
	}
	return slices.ContainsFunc(q.advice.Candidates, func(c diagnosis.Candidate) bool { return measurementOf(c.Finding) == measurement })
}

// unmoved compares the probabilities of all listed causes.
func unmoved(a, b Diagnosis) bool {
	return slices.EqualFunc(a.Causes, b.Causes, func(x, y CauseView) bool { return x.ID == y.ID && x.Probability == y.Probability })
}

func TestResultOfNoUse(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	d.symptom("short_range")
	before := d.diagnosis()
	if !d.advised(voltage) {
		t.Fatalf("%s is not advised at all: %+v", voltage, before.Advice)
	}
	o := d.sees(voltage, "series_unknown")
	after := d.diagnosis()
	if !unmoved(before, after) || len(evidenceOf(d.lib, d.file)) != 2 {
		t.Error("a result of no use moves a probability")
	}
	if !slices.ContainsFunc(o.Result.Warnings, func(w string) bool { return strings.Contains(w, "take it again") }) {
		t.Errorf("the result does not say that it is of no use: %q", o.Result.Warnings)
	}
	if !d.advised(voltage) || len(vainText(d.lib, d.file)) != 0 {
		t.Error("once of no use it is no longer advised")
	}
	second := d.sees(voltage, "series_unknown")
	if d.advised(voltage) {
		t.Error("twice of no use it is still advised")
	}
	if w := strings.Join(d.diagnosis().Warnings, " "); !strings.Contains(w, "was of no use 2 times in this job, at last because: number of groups not known") {
		t.Errorf("no sentence says so: %q", w)
	}
	d.must(func(b bench, p pen) (JobChange, error) { return retract(b, second.ID, p) })
	if !d.advised(voltage) {
		t.Error("one of the two was a mistake and is retracted, and it is not advised")
	}
	d.sees(voltage, "series_unknown")
	d.sees(voltage, "empty")
	if unmoved(before, d.diagnosis()) || len(vainText(d.lib, d.file)) != 0 {
		t.Error("a result at last is no evidence")
	}
}

func TestResultOfNoUseReplacesNothing(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	good := d.sees(voltage, "empty")
	before := d.diagnosis()
	d.sees(voltage, "series_unknown")
	d.sees(voltage, "series_unknown")
	if !unmoved(before, d.diagnosis()) {
		t.Error("a result of no use takes the earlier result out of the evidence")
	}
	if ev := evidenceOf(d.lib, d.file); ev[len(ev)-1].record != good.ID {
		t.Errorf("evidence %+v", ev)
	}
	if !slices.ContainsFunc(d.diagnosis().Observations, func(o Observation) bool { return o.ID == good.ID }) {
		t.Error("what is evidence is not listed")
	}
	_, err := d.observe(ObservationInput{Measurement: voltage, Unavailable: true})
	refused(t, err, problem.Conflict, "unavailable")
	last := d.sees(voltage, "in_range")
	if ev := evidenceOf(d.lib, d.file); ev[len(ev)-1].record != last.ID || len(ev) != 2 {
		t.Errorf("evidence %+v, want the last result in place of the first", ev)
	}

	// One that never gave a result can be said to be not measurable.
	d.sees(tooMild, "invalid")
	if _, err := d.observe(ObservationInput{Measurement: tooMild, Unavailable: true}); err != nil {
		t.Error(err)
	}
}

// TestResultOfNoUseProvesNothing: the newest result counts as a proof, and one of no
// use does not pass: a bus found dead and then still falling is not dead.
func TestResultOfNoUseProvesNothing(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("pack_heat_triage", "normal")
	probe := d.lib.Measurement("bridge_diode_test")
	blocked := func() string {
		t.Helper()
		q := &inquiry{bench: d.bench}
		return q.blocked(probe)
	}
	d.mustAccess("motor_box_open", Open)
	d.sees("bus_residual_voltage", "falling")
	if b := blocked(); !strings.Contains(b, "must come out as “at or below the working limit”") {
		t.Errorf("with a bus still falling: %q", b)
	}
	d.sees("bus_residual_voltage", "safe")
	if b := blocked(); b != "" {
		t.Errorf("with a bus found dead: %q", b)
	}
	d.sees("bus_residual_voltage", "falling")
	if b := blocked(); b == "" {
		t.Error("with a bus found dead and then falling the probes are let in")
	}
}

// TestEventSpoilsWhatStands: an event makes the result that stands invalid and calls
// for it again, also behind one of no use, which itself calls for nothing.
func TestEventSpoilsWhatStands(t *testing.T) {
	const leak = "box_leak_decay"
	d := setup(t, Diagnosing)
	d.sees(leak, "tight")
	d.sees(leak, "invalid")
	d.mustAccess("motor_box_open", Open)
	if d.file.Observations[0].InvalidatedAt == nil {
		t.Fatal("the opening leaves the earlier result as it was")
	}
	asked := func() int {
		n := 0
		for _, x := range rechecks(d.lib, d.file) {
			if x.measurement == leak {
				n++
			}
		}
		return n
	}
	if n := asked(); n != 1 {
		t.Errorf("asked for again %d times, want once", n)
	}
}

func TestEventAsksForNothingOfNoUse(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("box_leak_decay", "invalid")
	d.mustAccess("motor_box_open", Open)
	if list := rechecks(d.lib, d.file); len(list) != 0 {
		t.Errorf("a result of no use is asked for again: %+v", list)
	}
}

// TestMostProbablyOfNoUse: a reading whose uncertainty lies mostly where it would be
// of no use is no evidence; with a smaller share the rest is.
func TestMostProbablyOfNoUse(t *testing.T) {
	d := setup(t, Diagnosing)
	for _, c := range []struct {
		likelihood map[string]float64
		evidence   bool
		says       string
	}{
		{map[string]float64{"invalid": 0.6, "aged": 0.4}, false, "take it again"},
		{map[string]float64{"invalid": 0.2, "aged": 0.8}, true, "With 20 %"},
		{map[string]float64{"good": 0.2, "aged": 0.8}, true, ""},
	} {
		r := Result{Outcome: "aged", Likelihood: c.likelihood}
		if _, ok := measured(d.lib, tooMild, &r); ok != c.evidence {
			t.Errorf("%v: evidence %v", c.likelihood, ok)
		}
		if said, _ := saidBy(d.lib, tooMild, &r); !strings.Contains(said.Note, c.says) || (c.says == "") != (said.Note == "") {
			t.Errorf("%v: %q", c.likelihood, said.Note)
		}
	}
}
