package shop

import (
	"bytes"
	"context"
	"slices"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// benchStates are the states in which work is recorded.
var benchStates = []State{Diagnosing, AwaitingApproval, AwaitingParts, Repairing, Verifying}

// stamp is when a record was made. Records of one moment keep the order in
// which their ids were made.
type stamp struct {
	at time.Time
	id ID
}

func (s stamp) after(t stamp) bool {
	if !s.at.Equal(t.at) {
		return s.at.After(t.at)
	}
	return bytes.Compare(s.id[:], t.id[:]) > 0
}

func later(a, b stamp) stamp {
	if b.after(a) {
		return b
	}
	return a
}

// doors is the state of every opening ever touched in a job.
type doors struct {
	last map[string]AccessEvent
	// opened tells that it was open at some time.
	opened map[string]bool
}

func doorsOf(f JobFile) doors {
	d := doors{last: map[string]AccessEvent{}, opened: map[string]bool{}}
	for _, e := range f.Access {
		d.last[e.Opening] = e
		if e.State == Open {
			d.opened[e.Opening] = true
		}
	}
	return d
}

func (d doors) open(id string) bool { return d.last[id].State == Open }

// openings lists what is open now, in library order.
func openings(lib *faultlib.Library, f JobFile) []faultlib.Opening {
	d := doorsOf(f)
	var out []faultlib.Opening
	for _, o := range lib.Openings {
		if o.ID != outside && d.open(o.ID) {
			out = append(out, o)
		}
	}
	return out
}

// reach adds to a change that an access is reached: what of its path is not
// open yet is recorded as opened, and what that disturbs is invalidated. An
// access that needs boxes closed is refused while one is open.
func (ch *JobChange) reach(b bench, access string, implied bool, p pen) error {
	d := doorsOf(b.file)
	path := openingPath(b.lib, access)
	for _, o := range path {
		if err := mustBeClosed(b.lib, d, o); err != nil {
			return err
		}
	}
	for _, o := range path {
		if d.open(o.ID) {
			continue
		}
		ch.undo(b, d, o.ID, p)
		ch.record(d, p.access(o.ID, Open, implied))
		ch.disturb(b, openedBy(b.lib, o.ID), o.ID)
	}
	return nil
}

func mustBeClosed(lib *faultlib.Library, d doors, o faultlib.Opening) error {
	for _, id := range closedFor(o) {
		if d.open(id) {
			return problem.New(problem.Conflict, "This needs the board closed, and %q is open; close it first.", id).
				With("opening", "close %s first", id)
		}
	}
	return nil
}

// undo ends a state that cannot last with the opening now opened: a box made
// ready for the air test is not ready any more once it is opened.
func (ch *JobChange) undo(b bench, d doors, opened string, p pen) {
	for _, o := range b.lib.Openings {
		if d.open(o.ID) && slices.Contains(closedFor(o), opened) {
			ch.record(d, p.access(o.ID, Closed, true))
		}
	}
}

func (ch *JobChange) record(d doors, e AccessEvent) {
	d.last[e.Opening] = e
	ch.Access = append(ch.Access, e)
}

func (p pen) access(id string, to OpeningState, implied bool) AccessEvent {
	return AccessEvent{ID: p.newID(), Opening: id, State: to, Implied: implied, At: p.at, By: p.actor.Name}
}

// Access opens or closes an opening and returns the job after it. Opening
// records the whole path, closing everything behind it.
func (s *Service) Access(ctx context.Context, a Actor, jobID ID, in AccessInput) (JobFile, error) {
	if err := a.may(mayBench); err != nil {
		return JobFile{}, err
	}
	_, _, err := s.change(ctx, a, jobID, 0, func(b bench, p pen) (JobChange, error) { return moveAccess(b, in, p) })
	if err != nil {
		return JobFile{}, err
	}
	return s.store.JobFile(ctx, a.ShopID, jobID)
}

func moveAccess(b bench, in AccessInput, p pen) (JobChange, error) {
	var c checker
	c.oneOf("state", string(in.State), string(Open), string(Closed))
	if opening(b.lib, in.Opening) == nil {
		c.failf("opening", "%q is no opening of the fault library; it knows %s", in.Opening, orList(openingIDs(b.lib)))
	}
	if err := c.err(); err != nil {
		return JobChange{}, err
	}
	ch := p.start(b.file, "job.access")
	ch.Audit.Detail["opening"], ch.Audit.Detail["state"] = in.Opening, string(in.State)
	if in.State == Open {
		return ch, ch.openUp(b, in.Opening, p)
	}
	return ch, ch.closeUp(b, in.Opening, p)
}

func (ch *JobChange) openUp(b bench, id string, p pen) error {
	if err := inStates(b.file, "A board is opened", benchStates...); err != nil {
		return err
	}
	if doorsOf(b.file).open(id) {
		return problem.New(problem.Conflict, "This opening is open already.").With("opening", "%s is open already", id)
	}
	return ch.reach(b, id, false, p)
}

// closeUp closes an opening after everything that requires it, innermost first.
// A declined board may be closed too: it must be before it goes back.
func (ch *JobChange) closeUp(b bench, id string, p pen) error {
	if err := inStates(b.file, "A board is closed", append(slices.Clone(benchStates), Declined)...); err != nil {
		return err
	}
	if !doorsOf(b.file).open(id) {
		return problem.New(problem.Conflict, "This opening is not open.").With("opening", "%s is not open", id)
	}
	open := openings(b.lib, b.file)
	slices.SortStableFunc(open, func(x, y faultlib.Opening) int {
		return len(openingPath(b.lib, y.ID)) - len(openingPath(b.lib, x.ID))
	})
	for _, o := range open {
		if o.ID == id || requires(b.lib, o.ID, id) {
			ch.Access = append(ch.Access, p.access(o.ID, Closed, o.ID != id))
		}
	}
	return nil
}

func openingIDs(lib *faultlib.Library) []string {
	var ids []string
	for _, o := range lib.Openings {
		if o.ID != outside {
			ids = append(ids, o.ID)
		}
	}
	return ids
}
