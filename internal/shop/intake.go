package shop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// day is 24 hours: warranty counts in whole days from the moment of return.
const day = 24 * time.Hour

// OpenJob takes a board in. The diagnosis of the job uses the edition of the
// library that is current now.
func (s *Service) OpenJob(ctx context.Context, a Actor, in JobInput) (Job, error) {
	if err := a.may(mayIntake); err != nil {
		return Job{}, err
	}
	ed, err := s.current(ctx, a.ShopID)
	if err != nil {
		return Job{}, err
	}
	board, err := s.store.BoardFile(ctx, a.ShopID, in.BoardID)
	if problem.Is(err, problem.NotFound) {
		return Job{}, problem.InField("board_id", "there is no such board in this shop")
	}
	if err != nil {
		return Job{}, err
	}
	p := pen{at: s.time(), actor: a, newID: newID}
	earlier, err := s.lastReturned(ctx, a, in.BoardID, p.at)
	if err != nil {
		return Job{}, err
	}
	n, err := openJob(ed, board, earlier, in, p)
	if err != nil {
		return Job{}, err
	}
	if n.Job.Learned, err = s.learnedForJob(ctx, a, ed); err != nil {
		return Job{}, err
	}
	return s.store.AddJob(ctx, a.ShopID, n)
}

func (s *Service) lastReturned(ctx context.Context, a Actor, boardID ID, at time.Time) (*Job, error) {
	sh, err := s.store.ShopByID(ctx, a.ShopID)
	if err != nil || sh.WarrantyDays == 0 {
		return nil, err
	}
	return s.store.LastReturned(ctx, a.ShopID, boardID, at.Add(-time.Duration(sh.WarrantyDays)*day))
}

// openJob is the intake as a rule: what is written, or every field at fault.
func openJob(ed *edition, board BoardFile, earlier *Job, in JobInput, p pen) (NewJob, error) {
	if board.OpenJob != nil {
		return NewJob{}, problem.New(problem.Conflict, "This board is in the shop already: job %d is open.", board.OpenJob.Number).
			With("board_id", "job %d of this board is open; go on with that one", board.OpenJob.Number)
	}
	var c checker
	job := Job{ID: p.newID(), BoardID: board.Board.ID, State: Received, LibraryID: ed.version.ID, OpenedAt: p.at, UpdatedAt: p.at, Version: 1,
		OdometerKM: in.OdometerKM, Exposures: slices.Clone(in.Exposures)}
	job.Complaint = c.note("complaint", in.Complaint, maxLong)
	job.Condition = c.note("condition", in.Condition, maxLong)
	reason := c.line("odometer_reason", in.OdometerReason, 0, maxAction)
	c.odometer("odometer_km", in.OdometerKM)
	backwards := c.odometerOf(board.Board, in.OdometerKM, reason)
	c.exposures(in.Exposures)
	observed := c.intakeSymptoms(ed.lib, in, p)
	if err := c.err(); err != nil {
		return NewJob{}, err
	}
	if earlier != nil {
		job.WarrantyOf = &earlier.ID
	}
	n := NewJob{Job: job, Observations: observed, State: StateChange{ID: p.newID(), To: Received, At: p.at, By: p.actor.Name}}
	if backwards {
		n.State.Reason = "Odometer below the last one: " + reason
	}
	n.Audit = AuditEvent{ID: p.newID(), At: p.at, By: p.actor.Name, ActorID: p.actor.ID, Action: "job.create",
		SubjectKind: "job", SubjectID: job.ID, Detail: map[string]any{"board_id": job.BoardID, "odometer_reason": reason}}
	return n, nil
}

// odometerOf asks for a reason when the odometer went backwards: a replaced
// display is rare, a typing error is not.
func (c *checker) odometerOf(b Board, km *float64, reason string) bool {
	if km == nil || b.OdometerKM == nil || *km >= *b.OdometerKM {
		return false
	}
	if reason == "" {
		c.failf("odometer_km", "is %g km, below the %g km this board had; correct it, or give odometer_reason (a replaced display, an earlier typing error)", *km, *b.OdometerKM)
	}
	return true
}

func (c *checker) exposures(list []string) {
	var known []string
	for _, e := range faultlib.Exposures() {
		known = append(known, e.ID)
	}
	for i, e := range list {
		field := fmt.Sprintf("exposures[%d]", i)
		if slices.Contains(list[:i], e) {
			c.failf(field, "%q stands twice", e)
			continue
		}
		c.oneOf(field, e, known...)
	}
}

// intakeSymptoms turns what was named, what was denied and what the exposures
// bring into observations.
func (c *checker) intakeSymptoms(lib *faultlib.Library, in JobInput, p pen) []Observation {
	var out []Observation
	seen := map[string]string{}
	add := func(field, id string, present bool) {
		switch at, twice := seen[id]; {
		case lib.Symptom(id) == nil:
			c.failf(field, "%q is no symptom of the fault library", id)
		case twice:
			c.failf(field, "%q stands twice, first at %s", id, at)
		default:
			seen[id] = field
			out = append(out, p.symptom(id, present))
		}
	}
	for i, id := range in.Symptoms {
		add(fmt.Sprintf("symptoms[%d]", i), id, true)
	}
	for i, id := range in.AbsentSymptoms {
		add(fmt.Sprintf("absent_symptoms[%d]", i), id, false)
	}
	for _, id := range faultlib.ExposureSymptoms(in.Exposures) {
		if slices.Contains(in.AbsentSymptoms, id) {
			c.failf("absent_symptoms", "%q is denied, but the exposures bring it; take one of the two away", id)
		}
		if _, named := seen[id]; !named && lib.Symptom(id) != nil {
			o := p.symptom(id, true)
			o.FromExposure = true
			out = append(out, o)
		}
	}
	return out
}

func (p pen) symptom(id string, present bool) Observation {
	return Observation{ID: p.newID(), Kind: ObservedSymptom, Symptom: id, Present: present, At: p.at, By: p.actor.Name}
}

// EarlierJob finds the board's last job returned within the warranty time; nil
// when there is none.
func (s *Service) EarlierJob(ctx context.Context, a Actor, boardID ID) (*EarlierJob, error) {
	if err := a.may(mayRead); err != nil {
		return nil, err
	}
	now := s.time()
	sh, err := s.store.ShopByID(ctx, a.ShopID)
	if err != nil {
		return nil, err
	}
	last, err := s.lastReturned(ctx, a, boardID, now)
	if err != nil || last == nil || last.ClosedAt == nil {
		return nil, err
	}
	jobs, err := s.store.BoardJobs(ctx, a.ShopID, boardID)
	if err != nil {
		return nil, err
	}
	for _, j := range jobs {
		if j.Job.ID == last.ID {
			ago := int(now.Sub(*last.ClosedAt) / day)
			return &EarlierJob{Job: j, DaysAgo: ago, DaysLeft: max(0, sh.WarrantyDays-ago)}, nil
		}
	}
	return nil, nil
}
