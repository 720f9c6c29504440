package shop

import (
	"context"
	"fmt"
	"slices"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// Jobs lists jobs, newest first.
func (s *Service) Jobs(ctx context.Context, a Actor, f JobFilter) (List[JobSummary], error) {
	var c checker
	c.page(f.Page)
	for _, st := range f.States {
		c.oneOf("state", string(st), stateWords(States())...)
	}
	f.Query = c.line("query", f.Query, 0, maxAction)
	if err := firstOf(a.may(mayRead), c.err()); err != nil {
		return List[JobSummary]{}, err
	}
	return s.store.Jobs(ctx, a.ShopID, f)
}

// JobCounts counts the jobs in each state.
func (s *Service) JobCounts(ctx context.Context, a Actor) (map[State]int, error) {
	if err := a.may(mayRead); err != nil {
		return nil, err
	}
	return s.store.JobCounts(ctx, a.ShopID)
}

// Job reads a job with everything recorded in it.
func (s *Service) Job(ctx context.Context, a Actor, id ID) (JobFile, error) {
	if err := a.may(mayRead); err != nil {
		return JobFile{}, err
	}
	return s.store.JobFile(ctx, a.ShopID, id)
}

// JobByNumber finds a job by the number on its tag.
func (s *Service) JobByNumber(ctx context.Context, a Actor, number int) (ID, error) {
	if err := a.may(mayRead); err != nil {
		return ID{}, err
	}
	return s.store.JobByNumber(ctx, a.ShopID, number)
}

// Audit lists who did what to a job or another subject, newest first.
func (s *Service) Audit(ctx context.Context, a Actor, subjectID ID, p Page) (List[AuditEvent], error) {
	var c checker
	c.page(p)
	if err := firstOf(a.may(mayRead), c.err()); err != nil {
		return List[AuditEvent]{}, err
	}
	return s.store.Audit(ctx, a.ShopID, subjectID, p)
}

// Snapshots lists the diagnoses kept at the decisions of a job.
func (s *Service) Snapshots(ctx context.Context, a Actor, jobID ID) ([]Snapshot, error) {
	if err := a.may(mayRead); err != nil {
		return nil, err
	}
	return s.store.Snapshots(ctx, a.ShopID, jobID)
}

// EditJob corrects the intake fields. The history symptoms follow the exposures.
func (s *Service) EditJob(ctx context.Context, a Actor, id ID, patch JobPatch) (Job, error) {
	if err := a.may(mayIntake); err != nil {
		return Job{}, err
	}
	job, _, err := s.change(ctx, a, id, patch.Version, func(b bench, p pen) (JobChange, error) { return editJob(b, patch, p) })
	return job, err
}

func editJob(b bench, patch JobPatch, p pen) (JobChange, error) {
	f := b.file
	if !f.Job.State.Open() {
		return JobChange{}, problem.New(problem.Conflict, "This job is %s; its intake is closed.", f.Job.State)
	}
	edit := JobEdit{Complaint: f.Job.Complaint, OdometerKM: f.Job.OdometerKM, Exposures: slices.Clone(f.Job.Exposures), Condition: f.Job.Condition}
	set(&edit.Complaint, patch.Complaint)
	set(&edit.OdometerKM, patch.OdometerKM)
	set(&edit.Exposures, patch.Exposures)
	set(&edit.Condition, patch.Condition)
	var c checker
	edit.Complaint = c.note("complaint", edit.Complaint, maxLong)
	edit.Condition = c.note("condition", edit.Condition, maxLong)
	c.odometer("odometer_km", edit.OdometerKM)
	c.exposures(edit.Exposures)
	if err := c.err(); err != nil {
		return JobChange{}, err
	}
	ch := p.start(f, "job.edit")
	ch.Edit = &edit
	if !patch.Exposures.Set {
		return ch, nil
	}
	want := faultlib.ExposureSymptoms(edit.Exposures)
	for i := range f.Observations {
		if o := &f.Observations[i]; o.FromExposure && o.Active() && !slices.Contains(want, o.Symptom) {
			ch.Retract = append(ch.Retract, o.ID)
		}
	}
	for _, id := range want {
		if activeSymptom(f, id) == nil && b.lib.Symptom(id) != nil {
			o := p.symptom(id, true)
			o.FromExposure = true
			ch.Add = append(ch.Add, o)
			ch.disturb(b, reportedBy(b.lib, id), "")
		}
	}
	return ch, nil
}

func activeSymptom(f JobFile, id string) *Observation {
	for i := range f.Observations {
		if o := &f.Observations[i]; o.Kind == ObservedSymptom && o.Symptom == id && o.Active() {
			return o
		}
	}
	return nil
}

// MoveJob changes the state of a job. Ready is refused with every open
// requirement as a field.
func (s *Service) MoveJob(ctx context.Context, a Actor, id ID, to State, reason string) (Job, error) {
	if err := a.may(mayRead); err != nil {
		return Job{}, err
	}
	if validState(to) {
		if err := a.mayMove(to); err != nil {
			return Job{}, err
		}
	}
	job, _, err := s.change(ctx, a, id, 0, func(b bench, p pen) (JobChange, error) { return moveJob(b, to, reason, p) })
	return job, err
}

func moveJob(b bench, to State, reason string, p pen) (JobChange, error) {
	from := b.file.Job.State
	if err := checkMove(from, to); err != nil {
		return JobChange{}, err
	}
	var c checker
	reason = c.note("reason", reason, maxLong)
	if needsReason(from, to) && reason == "" {
		c.failf("reason", "must say why the job goes from %s to %s", from, to)
	}
	if err := c.err(); err != nil {
		return JobChange{}, err
	}
	if err := checkClosing(b, to); err != nil {
		return JobChange{}, err
	}
	ch := p.start(b.file, "job.state")
	ch.State = &StateChange{ID: p.newID(), From: from, To: to, Reason: reason, At: p.at, By: p.actor.Name}
	ch.Audit.Detail["from"], ch.Audit.Detail["to"], ch.Audit.Detail["reason"] = string(from), string(to), reason
	if to == Ready {
		ch.ReadyAt = &ch.At
	}
	if !to.Open() {
		ch.ClosedAt = &ch.At
	}
	if to == Returned && len(b.file.Repairs) > 0 {
		due := ch.At.Add(LearningWait)
		ch.LearnAt = &due
	}
	return ch, nil
}

// checkClosing refuses ready while a requirement is open, and handing a
// declined board back with an opening open.
func checkClosing(b bench, to State) error {
	if to == Ready {
		return requirementsOf(b.lib, b.file).refusal()
	}
	if to != Returned {
		return nil
	}
	open := openings(b.lib, b.file)
	if len(open) == 0 {
		return nil
	}
	e := problem.New(problem.Conflict, "The board is still open; close it before it goes back.")
	for _, o := range open {
		e = e.With("opening."+o.ID, "is open; close it")
	}
	return e
}

// refusal is the Conflict that names everything still missing; nil when ready.
func (r Requirements) refusal() error {
	if r.Ready {
		return nil
	}
	e := problem.New(problem.Conflict, "This job is not ready: %s.", plural(r.unmet(), "requirement is", "requirements are")+" not met")
	for _, i := range r.Items {
		if !i.Met {
			e = e.With(i.field(), "%s", i.Text)
		}
	}
	return e
}

func (r Requirements) unmet() int {
	n := 0
	for _, i := range r.Items {
		if !i.Met {
			n++
		}
	}
	return n
}

func (r Requirement) field() string {
	switch {
	case r.Kind == requireFault:
		return r.Kind + "." + r.Cause
	case r.Opening != "":
		return r.Kind + "." + r.Opening
	default:
		return r.Kind + "." + r.Measurement
	}
}

func plural(n int, one, many string) string {
	if n == 1 {
		return fmt.Sprintf("1 %s", one)
	}
	return fmt.Sprintf("%d %s", n, many)
}
