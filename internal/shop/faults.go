package shop

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// faultStates are the states in which a fault is confirmed; the first is the one
// the error points to.
var faultStates = []State{Diagnosing, AwaitingApproval, AwaitingParts, Repairing, Verifying}

// ConfirmFault confirms a cause in a job and keeps the diagnosis as it stood. A
// component that already failed in a job within the warranty time makes this
// job a comeback of that one.
func (s *Service) ConfirmFault(ctx context.Context, a Actor, jobID ID, in FaultInput) (Fault, error) {
	if err := a.may(mayBench); err != nil {
		return Fault{}, err
	}
	_, ch, err := s.change(ctx, a, jobID, 0, func(b bench, p pen) (JobChange, error) {
		board, earlier, err := s.boardPast(ctx, a, b)
		if err != nil {
			return JobChange{}, err
		}
		return confirmFault(b, board, earlier, in, p)
	})
	if err != nil {
		return Fault{}, err
	}
	return *ch.Fault, nil
}

// boardPast reads the board and the faults of its jobs that were closed within
// the warranty time before this one was opened.
func (s *Service) boardPast(ctx context.Context, a Actor, b bench) (BoardFile, []Fault, error) {
	board, err := s.store.BoardFile(ctx, a.ShopID, b.file.Job.BoardID)
	if err != nil {
		return BoardFile{}, nil, err
	}
	if b.shop.WarrantyDays == 0 {
		return board, nil, nil
	}
	since := b.file.Job.OpenedAt.Add(-time.Duration(b.shop.WarrantyDays) * day)
	earlier, err := s.store.FaultsOfBoardSince(ctx, a.ShopID, b.file.Job.BoardID, since)
	return board, earlier, err
}

func confirmFault(b bench, board BoardFile, earlier []Fault, in FaultInput, p pen) (JobChange, error) {
	if !slices.Contains(faultStates, b.file.Job.State) {
		return JobChange{}, problem.New(problem.Conflict, "A fault is confirmed while the job is in diagnosis; move it to diagnosing first.").
			With("state", "is %s", b.file.Job.State)
	}
	cause := b.lib.Cause(in.Cause)
	if cause == nil {
		return JobChange{}, problem.InField("cause", "%q is no cause of the fault library", in.Cause)
	}
	var c checker
	note := c.note("note", in.Note, maxLong)
	c.faultConnector(board, cause, in.ConnectorID)
	c.faultPart(board, in.InstalledPartID)
	grounds := c.note("grounds", in.Grounds, maxLong)
	if in.Disagreement != "" {
		c.oneOf("disagreement", string(in.Disagreement), idsOf(Disagreements())...)
	}
	if err := c.err(); err != nil {
		return JobChange{}, err
	}
	for _, f := range b.file.Faults {
		if f.Cause == cause.ID && f.WaivedAt == nil {
			return JobChange{}, problem.New(problem.Conflict, "%s is confirmed in this job already.", cause.Name).
				With("cause", "is confirmed already; repair or waive it")
		}
	}
	d, err := diagnoseWhole(b, cause.ID)
	if err != nil {
		return JobChange{}, err
	}
	ch := p.start(b.file, "job.fault")
	ch.Fault = &Fault{ID: p.newID(), JobID: b.file.Job.ID, Cause: cause.ID, Component: cause.Component, FailureMode: cause.Mode,
		ConnectorID: in.ConnectorID, InstalledPartID: in.InstalledPartID, Note: note, Probability: d.probability(cause.ID), At: p.at, By: p.actor.Name}
	if arg := d.Argument.Of(cause.ID); arg != nil {
		ch.Fault.Basis = strings.Join(arg.Sentences, " ")
	}
	// Where this very repair is advised there is nothing to disagree with.
	if d.Advice.Cause != cause.ID {
		ch.Fault.Advised, ch.Fault.Disagreement, ch.Fault.Grounds = d.Advice.Cause, in.Disagreement, grounds
		if d.Advice.Cause != "" {
			ch.Audit.Detail["instead_of_repair"] = d.Advice.Cause
		}
		if in.Disagreement != "" {
			ch.Audit.Detail["reason"] = string(in.Disagreement)
		}
		if grounds != "" {
			ch.Audit.Detail["grounds"] = grounds
		}
	}
	if ch.Snapshot, err = p.snapshot("fault", b, d); err != nil {
		return JobChange{}, err
	}
	ch.ComebackOf = comebackOf(b.file.Job, earlier, cause.Component)
	ch.Audit.Detail["cause"], ch.Audit.Detail["fault_id"] = cause.ID, ch.Fault.ID
	return ch, nil
}

// comebackOf finds the newest earlier job in which the component failed and was
// not left unrepaired on purpose.
func comebackOf(job Job, earlier []Fault, component string) *ID {
	if job.WarrantyOf == nil || job.ComebackOf != nil {
		return nil
	}
	for _, f := range earlier {
		if f.JobID != job.ID && f.Component == component && f.WaivedAt == nil {
			return &f.JobID
		}
	}
	return nil
}

func (c *checker) faultConnector(board BoardFile, cause *faultlib.Cause, id *ID) {
	if id == nil {
		return
	}
	at := slices.IndexFunc(board.Connectors, func(k Connector) bool { return k.ID == *id })
	switch {
	case at < 0:
		c.failf("connector_id", "there is no such connector on this board")
	case board.Connectors[at].Component != "" && board.Connectors[at].Component != cause.Component:
		c.failf("connector_id", "is entered as %s, the cause is of %s", board.Connectors[at].Component, cause.Component)
	}
}

func (c *checker) faultPart(board BoardFile, id *ID) {
	if id != nil && !slices.ContainsFunc(board.Installed, func(ip InstalledPart) bool { return ip.ID == *id }) {
		c.failf("installed_part_id", "there is no such part installed on this board")
	}
}

func (p pen) snapshot(trigger string, b bench, d Diagnosis) (*Snapshot, error) {
	body, err := json.Marshal(d.kept())
	if err != nil {
		return nil, fmt.Errorf("keep the diagnosis: %w", err)
	}
	return &Snapshot{ID: p.newID(), Trigger: trigger, LibraryID: b.file.Job.LibraryID, Body: body, At: p.at, By: p.actor.Name}, nil
}

// WaiveFault leaves a fault unrepaired, with a reason.
func (s *Service) WaiveFault(ctx context.Context, a Actor, jobID, faultID ID, reason string) (Fault, error) {
	if err := a.may(mayBench); err != nil {
		return Fault{}, err
	}
	_, ch, err := s.change(ctx, a, jobID, 0, func(b bench, p pen) (JobChange, error) { return waiveFault(b, faultID, reason, p) })
	if err != nil {
		return Fault{}, err
	}
	f, err := s.store.JobFile(ctx, a.ShopID, jobID)
	if err != nil {
		return Fault{}, err
	}
	if got := faultOf(f, ch.Waive.FaultID); got != nil {
		return *got, nil
	}
	return Fault{}, problem.New(problem.NotFound, "There is no such fault in this job.")
}

// minReason is the shortest reason that can say anything, in characters.
const minReason = 3

func waiveFault(b bench, faultID ID, reason string, p pen) (JobChange, error) {
	fault := faultOf(b.file, faultID)
	if fault == nil {
		return JobChange{}, problem.New(problem.NotFound, "There is no such fault in this job.")
	}
	if err := inStates(b.file, "A fault is waived", faultStates...); err != nil {
		return JobChange{}, err
	}
	var c checker
	reason = c.note("reason", reason, maxLong)
	if len([]rune(reason)) < minReason {
		c.fields = nil
		c.failf("reason", "must say why the fault is left unrepaired, in at least %d characters", minReason)
	}
	if err := c.err(); err != nil {
		return JobChange{}, err
	}
	if fault.WaivedAt != nil {
		return JobChange{}, problem.New(problem.Conflict, "This fault is waived already: %s.", fault.WaiveReason)
	}
	d, err := diagnose(b)
	if err != nil {
		return JobChange{}, err
	}
	ch := p.start(b.file, "job.waive")
	ch.Waive = &Waiver{FaultID: faultID, Reason: reason}
	if ch.Snapshot, err = p.snapshot("waive", b, d); err != nil {
		return JobChange{}, err
	}
	ch.Audit.Detail["fault_id"], ch.Audit.Detail["cause"], ch.Audit.Detail["reason"] = faultID, fault.Cause, reason
	return ch, nil
}
