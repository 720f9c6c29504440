package main

import (
	"errors"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

const (
	mostSteps    = 60
	checkMinutes = 10  // after a repair: does the complaint persist?
	comebackCost = 240 // minutes of labour that a comeback costs
	handOverCost = 480 // minutes of labour to have somebody else find it
)

// workshop is what all jobs share.
type workshop struct {
	numbers, believed *numbers
	engine            *diagnosis.Model
	eco               *diagnosis.Economy
	actions           map[string]*diagnosis.Action
	openings          map[string]*diagnosis.Opening
	repairs           map[string]*diagnosis.RepairCost
	handBack          []string // findings proven before each hand-back
	checklist         []string
}

// newWorkshop draws its boards from one library and believes in another, whose
// causes and findings must be the same. The economy is the first one's.
func newWorkshop(truth, believed *faultlib.Library) (*workshop, error) {
	w := &workshop{numbers: newNumbers(truth), believed: newNumbers(believed),
		eco: truth.Economy(faultlib.EconomyContext{LabourPerHour: labourPerHour})}
	if !slices.Equal(w.numbers.ids, w.believed.ids) || !slices.EqualFunc(w.numbers.findings, w.believed.findings,
		func(a, b findingNumbers) bool { return a.id == b.id && len(a.leak) == len(b.leak) }) {
		return nil, errors.New("the two libraries differ in their causes or findings; only numbers and roots may")
	}
	for _, n := range []*numbers{w.numbers, w.believed} {
		if err := n.addRoots(); err != nil {
			return nil, err
		}
	}
	var err error
	if w.engine, err = believed.Model(faultlib.ModelContext{}); err != nil {
		return nil, err
	}
	w.index()
	return w, nil
}

func (w *workshop) index() {
	w.actions, w.openings, w.repairs = map[string]*diagnosis.Action{}, map[string]*diagnosis.Opening{}, map[string]*diagnosis.RepairCost{}
	for k := range w.eco.Actions {
		w.actions[w.eco.Actions[k].Finding] = &w.eco.Actions[k]
	}
	for k := range w.eco.Openings {
		w.openings[w.eco.Openings[k].ID] = &w.eco.Openings[k]
	}
	for k := range w.eco.Repairs {
		w.repairs[w.eco.Repairs[k].Cause] = &w.eco.Repairs[k]
	}
	for _, il := range w.numbers.lib.Interlocks {
		if il.Action == "hand_back" {
			for _, ck := range il.Require {
				w.handBack = append(w.handBack, faultlib.MeasurementFinding(ck.Measurement))
			}
		}
	}
	w.checklist = w.fixedList()
}

// job is one board on the bench.
type job struct {
	w      *workshop
	b      *board
	p      policy
	model  *diagnosis.Model
	ev     []diagnosis.Observation
	left   []int           // faults not repaired yet
	tried  map[string]bool // causes repaired: each is then ruled out
	open   []string
	boxes  map[string]bool // sealed boxes opened in this job
	result result
	seen   map[string]bool // findings measured before
	once   []string        // those among them measured once
	told   func(format string, args ...any)
	states []float64 // ln weight of the believed roots' states
	row    []float64 // scratch
}

type result struct {
	faults     int
	minutes    float64
	search     float64 // minutes up to the first repair
	money      float64 // in minutes of labour, work and parts
	tests      int
	boxes      int
	repairs    int
	firstRight bool
	comeback   bool
	handedOver bool
}

func (w *workshop) newJob(b *board, p policy) *job {
	j := &job{w: w, b: b, p: p, model: w.engine, left: slices.Clone(b.faults), tried: map[string]bool{}, seen: map[string]bool{}, boxes: map[string]bool{},
		told: func(string, ...any) {}}
	j.result.faults = len(b.faults)
	j.states = w.believed.statesFor(b.exposures)
	if told := w.believed.lib.RootPriors(b.exposures); len(told) > 0 {
		var err error
		if j.model, err = w.engine.WithPriors(told); err != nil {
			panic(err) // the numbers are those of a checked library
		}
	}
	j.ev = append(append(j.ev, b.reported...), b.gate...)
	for _, g := range b.gate {
		j.spend(w.actions[g.Finding].Minutes + j.reach(w.actions[g.Finding].Access))
	}
	return j
}

func (j *job) spend(minutes float64) {
	j.result.minutes += minutes
	j.result.money += minutes
}

// reach opens what is still closed on the way, and counts closing it again.
func (j *job) reach(access string) float64 {
	minutes, sealed := 0.0, false
	var visit func(id string)
	visit = func(id string) {
		o := j.w.openings[id]
		if o == nil || slices.Contains(j.open, id) {
			return
		}
		for _, before := range o.Requires {
			visit(before)
		}
		j.open = append(j.open, id)
		minutes += o.OpenMinutes + o.CloseMinutes
		if o.Reseal && !sealed && !j.behindSeal(o) {
			sealed = true
			minutes += o.ResealMinutes
		}
		if o.Reseal {
			j.boxes[id] = true
		}
	}
	visit(access)
	if lo := j.w.numbers.lib.Opening(access); lo != nil {
		// What needs a box closed ends its being open.
		for _, id := range lo.Closed {
			j.open = slices.DeleteFunc(j.open, func(x string) bool { return x == id || j.needs(x, id) })
		}
	}
	return minutes
}

func (j *job) behindSeal(o *diagnosis.Opening) bool {
	return slices.ContainsFunc(o.Requires, func(id string) bool {
		before := j.w.openings[id]
		return before != nil && (before.Reseal || j.behindSeal(before))
	})
}

func (j *job) needs(id, other string) bool {
	o := j.w.openings[id]
	return o != nil && slices.ContainsFunc(o.Requires, func(x string) bool { return x == other || j.needs(x, other) })
}

// work follows the policy until the board is truly repaired, comes back or is
// handed over.
func (j *job) work() (result, error) {
	for _, o := range j.ev {
		j.told("reported %s %d", o.Finding, o.Level)
	}
	done := false
	for range mostSteps {
		step, err := j.p.next(j)
		if err != nil {
			return j.result, err
		}
		switch {
		case step.finding != "":
			j.measure(step.finding)
		case step.cause != "":
			done = j.repair(step.cause)
		default:
			done = j.handOver()
		}
		if done {
			break
		}
	}
	if !done {
		j.handOver()
	}
	j.result.boxes = len(j.boxes)
	return j.result, nil
}

func (j *job) measure(finding string) {
	a := j.w.actions[finding]
	at := j.w.numbers.at[finding]
	x := j.b.misread[at]
	switch {
	case j.seen[finding]:
		x = j.fresh(finding)
		j.once = slices.DeleteFunc(j.once, func(id string) bool { return id == finding })
		j.ev = slices.DeleteFunc(j.ev, func(o diagnosis.Observation) bool { return o.Finding == finding })
	case x < 0:
		x = j.b.level(at, j.left)
	}
	if !j.seen[finding] {
		j.once = append(j.once, finding)
	}
	j.seen[finding] = true
	j.spend(a.Minutes + j.reach(a.Access))
	j.result.tests++
	j.ev = append(j.ev, observation(finding, x))
	j.told("measure %s: level %d, %.0f minutes so far", finding, x, j.result.minutes)
}

// repair spends what the repair costs; a right one takes the fault away. It
// reports whether the job is over.
func (j *job) repair(cause string) bool {
	if j.result.repairs == 0 {
		j.result.search = j.result.minutes
	}
	r := j.w.repairs[cause]
	minutes := r.Minutes + r.VerifyCost/j.w.eco.LabourPerMinute
	for _, id := range r.Access {
		minutes += j.reach(id)
	}
	j.spend(minutes)
	j.result.money += r.Parts / j.w.eco.LabourPerMinute
	i := j.w.engine.CauseIndex(cause)
	right := slices.Contains(j.left, i)
	if j.result.repairs++; j.result.repairs == 1 {
		j.result.firstRight = right
	}
	j.told("repair %s: %t, %.0f minutes so far", cause, right, j.result.minutes)
	j.tried[cause] = true
	if m, err := j.model.WithPriors(map[string]float64{cause: 0}); err == nil {
		j.model = m
	}
	j.spend(checkMinutes)
	j.left = slices.DeleteFunc(j.left, func(k int) bool { return k == i })
	j.forget(cause)
	j.prove(cause)
	if !right {
		return false
	}
	return j.after()
}

// prove takes again the measurements that prove a repair, which replace the
// earlier ones. A false alarm or a misreading does not happen twice.
func (j *job) prove(cause string) {
	for _, ck := range j.w.numbers.lib.Cause(cause).Verify {
		finding := faultlib.MeasurementFinding(ck.Measurement)
		j.ev = slices.DeleteFunc(j.ev, func(o diagnosis.Observation) bool { return o.Finding == finding })
		j.ev = append(j.ev, observation(finding, j.fresh(finding)))
		j.once = slices.DeleteFunc(j.once, func(id string) bool { return id == finding })
	}
}

// fresh is what a finding shows on a careful second look.
func (j *job) fresh(finding string) int {
	return j.b.fresh(j.w.numbers.at[finding], j.left)
}

// forget drops the results that a repair makes stale: what the repaired cause
// bore on and came out abnormal, and what the library's events say.
func (j *job) forget(cause string) {
	n := j.w.numbers
	i := j.w.engine.CauseIndex(cause)
	component := n.lib.Cause(cause).Component
	j.ev = slices.DeleteFunc(j.ev, func(o diagnosis.Observation) bool {
		if isSymptom(o.Finding) {
			return false
		}
		_, m := faultlib.FindingOf(o.Finding)
		return o.Level > 0 && n.findings[n.at[o.Finding]].links[i] != nil ||
			slices.ContainsFunc(n.lib.Invalidations, func(v faultlib.Invalidation) bool {
				return slices.Contains(v.Components, component) && slices.Contains(v.Results, m)
			})
	})
}

// after sees what is left of the complaint once a fault is gone: the symptoms
// are looked at again, and where none is left the hand-back is tried.
func (j *job) after() bool {
	n := j.w.numbers
	kept := j.ev[:0:0]
	remains := false
	for _, o := range j.ev {
		at := n.at[o.Finding]
		if isSymptom(o.Finding) {
			if o.Level > 0 && n.findings[at].group != historyGroup {
				o.Level = j.fresh(o.Finding)
				remains = remains || j.b.faulty(at, j.left) > 0
			}
		}
		kept = append(kept, o)
	}
	j.ev = kept
	if remains {
		return false
	}
	return j.handBack()
}

// handBack runs the proofs that every hand-back asks for; what they show keeps
// the job going, and a fault they do not show comes back.
func (j *job) handBack() bool {
	found := false
	for _, finding := range j.w.handBack {
		m := j.w.numbers.lib.Measurement(finding[len("m:"):])
		if m.Access == "sealed_for_test" && len(j.boxes) == 0 {
			continue
		}
		a := j.w.actions[finding]
		j.spend(a.Minutes)
		if x := j.fresh(finding); x > 0 {
			found = true
			j.ev = slices.DeleteFunc(j.ev, func(o diagnosis.Observation) bool { return o.Finding == finding })
			j.ev = append(j.ev, observation(finding, x))
			j.told("hand-back: %s level %d", finding, x)
		}
	}
	if found {
		return false
	}
	if len(j.left) > 0 {
		j.result.comeback = true
		j.spend(comebackCost)
		j.told("comes back")
	}
	return true
}

func (j *job) handOver() bool {
	if j.result.repairs == 0 {
		j.result.search = j.result.minutes
	}
	j.result.handedOver = true
	j.spend(handOverCost)
	j.told("handed over")
	return true
}
