package shop

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
)

// handedBack takes the desk's job to its end, a day after it began.
func (d *desk) handedBack() time.Time {
	closed := at(24 * 60)
	d.file.Job.State, d.file.Job.ClosedAt = Returned, &closed
	return closed
}

func TestJudge(t *testing.T) {
	d := setup(t, Diagnosing)
	fault := d.confirm("tyre_puncture")
	later := func(days float64, state State, faults ...Fault) JobSummary {
		return JobSummary{Job: Job{ID: newID(), State: state, OpenedAt: at(24 * 60).Add(time.Duration(days * float64(day)))}, Faults: faults}
	}
	same := Fault{Component: fault.Component, Cause: "tyre_worn"}
	waivedSame := same
	waivedSame.WaivedAt = &same.At
	marked := later(20, Returned)
	marked.Job.ComebackOf = &d.file.Job.ID

	if _, _, err := judge(d.file, nil, at(0)); !problem.Is(err, problem.Conflict) {
		t.Errorf("a job in the shop was judged: %v", err)
	}
	d.file.Job.State = Repairing
	unrepaired := d.file
	d.repairs(fault)
	closed := d.handedBack()
	unrepaired.Job.State, unrepaired.Job.ClosedAt = Returned, &closed
	waived := d.file
	waived.Faults = append(slices.Clone(waived.Faults), waivedSame)
	self := JobSummary{Job: d.file.Job, Faults: d.file.Faults}
	due := closed.Add(LearningWait)

	for _, tc := range []struct {
		name   string
		f      JobFile
		visits []JobSummary
		now    time.Time
		want   Verdict
		again  time.Time
	}{
		{"too early", d.file, nil, due.Add(-time.Second), "", due},
		{"held", d.file, []JobSummary{self}, due, Taught, time.Time{}},
		{"back for something else", d.file, []JobSummary{later(10, Returned, Fault{Component: "bms"}), self}, due, Taught, time.Time{}},
		{"back, and left as it was", d.file, []JobSummary{later(10, Returned, waivedSame)}, due, Taught, time.Time{}},
		{"the component again", d.file, []JobSummary{later(10, Returned, same)}, due, Comeback, time.Time{}},
		{"marked as comeback", d.file, []JobSummary{marked}, due, Comeback, time.Time{}},
		{"the component again, later", d.file, []JobSummary{later(31, Returned, same)}, due, Taught, time.Time{}},
		{"in the shop, nobody knows why", d.file, []JobSummary{later(29, Diagnosing)}, due, Taught, due.Add(stillHere)},
		{"in the shop since after the time", d.file, []JobSummary{later(31, Diagnosing)}, due.Add(2 * day), Taught, time.Time{}},
		{"an earlier visit", d.file, []JobSummary{later(-10, Returned, same)}, due, Taught, time.Time{}},
		{"not repaired", unrepaired, nil, due, Unrepaired, time.Time{}},
		{"waived", waived, nil, due, Waived, time.Time{}},
	} {
		l, again, err := judge(tc.f, tc.visits, tc.now)
		if err != nil || l.Verdict != tc.want || !again.Equal(tc.again) || (l.LaterJob != nil) != (tc.want == Comeback) {
			t.Errorf("%s: %s, again %v, %+v, %v", tc.name, l.Verdict, again, l.LaterJob, err)
		}
		if !l.On.Equal(closed) || !l.At.Equal(tc.now) || l.JobID != d.file.Job.ID {
			t.Errorf("%s: %+v", tc.name, l)
		}
	}
}

// What was found before the repair teaches the links, what was normal after it
// speaks about the other causes.
func TestTeachingCaseKeepsTheTwoStatesApart(t *testing.T) {
	d := setup(t, Diagnosing)
	d.symptom("stutter_at_start")
	mistake := d.symptom("no_power_on")
	d.must(func(b bench, p pen) (JobChange, error) {
		c := p.start(b.file, "test")
		c.Retract = []ID{mistake.ID}
		return c, nil
	})
	d.sees("phase_connector_visual", "heat_marks")
	fault := d.confirm("phase_pin_burned")
	d.file.Job.State = Repairing
	d.repairs(fault)
	d.file.Job.State = Verifying
	d.proves("phase_connector_visual", "sound")

	now := evidenceOf(d.lib, d.file)
	c, err := teachingCase(d.bench)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]int{}
	for _, o := range c.Evidence {
		found[o.Finding] = o.Level
	}
	if len(found) != 2 || found["s:stutter_at_start"] != 1 || found["m:phase_connector_visual"] == 0 {
		t.Errorf("before the repair: %+v", found)
	}
	if !slices.Equal(c.NormalAfter, []string{"m:phase_connector_visual"}) {
		t.Errorf("after the repair: %v", c.NormalAfter)
	}
	if c.Priors["phase_pin_burned"] != 1 {
		t.Errorf("%v", c.Priors)
	}
	for _, x := range now {
		if x.id == "phase_connector_visual" && x.ev.Level != 0 {
			t.Error("the diagnosis itself counts the latest result")
		}
	}
	l, err := learning.Learn(c)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range l.Links {
		if n.Cause == "phase_pin_burned" && n.Finding == "m:phase_connector_visual" {
			if n.Resolved < 0.9 || n.Levels[0].Count > 0.1 {
				t.Errorf("the soot was the pin's: %+v", n)
			}
			return
		}
	}
	t.Error("the link to what was seen is missing")
}

func TestForecastsOfTheFirstDecision(t *testing.T) {
	d := setup(t, Diagnosing)
	d.file.Faults = []Fault{{Cause: "a"}, {Cause: "rare"}, {Cause: "a"}}
	body := func(causes ...keptCause) []byte {
		raw, err := json.Marshal(keptDiagnosis{Causes: causes})
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	kept := []Snapshot{{Trigger: "waive", Body: body(keptCause{"w", 0.9, false})},
		{Trigger: "fault", Body: body(keptCause{"a", 0.8, false}, keptCause{"b", 0.1, false}, keptCause{"rare", 0.005, false}, keptCause{"sure", 1, true})},
		{Trigger: "fault", Body: body(keptCause{"b", 0.9, false})}}
	got, err := forecastsOf(d.file, kept)
	if err != nil {
		t.Fatal(err)
	}
	want := []CauseForecast{{"a", 0.8, true}, {"b", 0.1, false}}
	if !slices.Equal(got.List, want) || got.Missed != 1 {
		t.Errorf("%+v", got)
	}
	if got, err = forecastsOf(d.file, kept[:1]); err != nil || len(got.List) != 0 || got.Missed != 0 {
		t.Errorf("without a decision: %+v, %v", got, err)
	}
	if _, err = forecastsOf(d.file, []Snapshot{{Trigger: "fault", Body: []byte("{")}}); err == nil {
		t.Error("a kept diagnosis that cannot be read was taken")
	}
	v, err := calibrate([]Forecasts{{List: want, Missed: 1}, {List: []CauseForecast{{"c", 0.6, false}}}, {}})
	if err != nil || v.Jobs != 2 || v.N != 3 || v.Missed != 1 || v.Leading.Right != 1 || math.Abs(v.Leading.MeanForecast-0.7) > 1e-12 {
		t.Errorf("%+v, %v", v, err)
	}
}

// The numbers in use are the edition's model, and nothing else moves.
func TestLearnedNumbersAreTheModel(t *testing.T) {
	d := setup(t, Diagnosing)
	row := d.lib.LinkRows()[3]
	even := make([]float64, len(row.P))
	for z := range even {
		even[z] = 1 / float64(len(even))
	}
	st := &LearnedState{Number: 4, LibraryID: d.ed.version.ID, Body: LearnedNumbers{Priors: []LearnedPrior{{"tyre_puncture", 0.4}},
		Links: []LearnedLink{{row.Cause, row.Finding, row.Levels, even}}}}
	ed := &edition{lib: d.lib, version: d.ed.version, learned: st}
	spec, err := d.lib.Spec(ed.context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range spec.Causes {
		want := d.lib.Cause(c.ID).PriorPer1000 / 1000
		if c.ID == "tyre_puncture" {
			want = 0.4
		}
		if c.Prior != want || ed.prior(d.lib.Cause(c.ID)) != want {
			t.Errorf("%s has %v, want %v", c.ID, c.Prior, want)
		}
	}
	if l := spec.Links[3]; math.Abs(l.P[0]-even[0]) > 1e-15 {
		t.Errorf("%+v", l)
	}
	if ed.learned = nil; ed.prior(d.lib.Cause("tyre_puncture")) != d.lib.Cause("tyre_puncture").PriorPer1000/1000 {
		t.Error("without a state the library's number holds")
	}
}

// A state is written only when a diagnosis would use other numbers.
func TestNextStateOnlyWhenNumbersMove(t *testing.T) {
	d := setup(t, Diagnosing)
	f := &LearningFile{}
	if st := nextState(d.ed, f, at(0)); st != nil {
		t.Errorf("nothing learned, and a state: %+v", st)
	}
	for range 8 {
		f.Totals.Add(0, learning.Lesson{Causes: []learning.CauseCount{{Cause: "tyre_worn", Present: 0.2, Resolved: 1}}})
	}
	st := nextState(d.ed, f, at(0))
	if st == nil || len(st.Body.Priors) != 1 || len(st.Body.Links) != 0 || st.Jobs != 8 || st.LibraryID != d.ed.version.ID {
		t.Fatalf("%+v", st)
	}
	if p := st.Body.Priors[0]; p.Cause != "tyre_worn" || math.Abs(p.P-(20*0.045+1.6)/28) > 1e-12 {
		t.Errorf("%+v", p)
	}
	f.State = st
	if again := nextState(d.ed, f, at(9)); again != nil {
		t.Errorf("the same numbers, and another state: %+v", again)
	}
	f.Decisions = []LearningDecision{{Subject: "tyre_worn", Learned: []float64{st.Body.Priors[0].P}}}
	if back := nextState(d.ed, f, at(9)); back == nil || len(back.Body.Priors) != 0 {
		t.Errorf("rejected, and still in use: %+v", back)
	}
}
