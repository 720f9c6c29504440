package shop

import (
	"context"
	"fmt"
	"slices"

	"nextprobe/internal/problem"
)

// repairStates are the states in which a repair is recorded.
var repairStates = []State{Repairing, Diagnosing, Verifying}

// Repair records what was done about a fault: parts leave the stock, those that
// serve a component are from now on installed on the board, and results that the
// work disturbed become invalid.
func (s *Service) Repair(ctx context.Context, a Actor, jobID ID, in RepairInput) (Repair, error) {
	if err := a.may(mayBench); err != nil {
		return Repair{}, err
	}
	var c checker
	parts := make([]Part, len(in.Parts))
	for i, line := range in.Parts {
		p, err := s.store.Part(ctx, a.ShopID, line.PartID)
		if problem.Is(err, problem.NotFound) {
			c.failf(fmt.Sprintf("parts[%d].part_id", i), "there is no such part in this shop")
		} else if err != nil {
			return Repair{}, err
		}
		parts[i] = p
	}
	c.repair(&in)
	if err := c.err(); err != nil {
		return Repair{}, err
	}
	_, ch, err := s.change(ctx, a, jobID, 0, func(b bench, p pen) (JobChange, error) {
		board, err := s.store.BoardFile(ctx, a.ShopID, b.file.Job.BoardID)
		if err != nil {
			return JobChange{}, err
		}
		return repair(b, board, parts, in, p)
	})
	if err != nil {
		return Repair{}, err
	}
	return *ch.Repair, nil
}

func (c *checker) repair(in *RepairInput) {
	in.Action = c.line("action", in.Action, 1, maxAction)
	c.integer("minutes", in.Minutes, 0, maxMinutes)
	in.Note = c.note("note", in.Note, maxLong)
	in.Parts = slices.Clone(in.Parts)
	for i := range in.Parts {
		line, field := &in.Parts[i], fmt.Sprintf("parts[%d].", i)
		c.integer(field+"quantity", line.Quantity, 1, maxCount)
		line.Lot = c.line(field+"lot", line.Lot, 0, maxShort)
		line.Serial = c.line(field+"serial", line.Serial, 0, maxSerial)
		if line.Serial != "" && line.Quantity > 1 {
			c.failf(field+"serial", "names one piece; give each piece its own line")
		}
	}
}

func repair(b bench, board BoardFile, parts []Part, in RepairInput, p pen) (JobChange, error) {
	if err := inStates(b.file, "A repair is recorded", repairStates...); err != nil {
		return JobChange{}, err
	}
	fault := faultOf(b.file, in.FaultID)
	if fault == nil {
		return JobChange{}, problem.InField("fault_id", "there is no such fault in this job")
	}
	if fault.WaivedAt != nil {
		return JobChange{}, problem.New(problem.Conflict, "This fault was waived: %s.", fault.WaiveReason).
			With("fault_id", "is waived; a waived fault is left unrepaired")
	}
	ch := p.start(b.file, "job.repair")
	r := &Repair{ID: p.newID(), FaultID: fault.ID, Action: in.Action, Minutes: in.Minutes, Note: in.Note, At: p.at, By: p.actor.Name}
	for i, line := range in.Parts {
		part := parts[i]
		r.Parts = append(r.Parts, RepairPart{PartID: part.ID, Name: part.Name, Quantity: line.Quantity, Lot: line.Lot, Serial: line.Serial})
		if part.Component == "" {
			continue
		}
		ch.Installed = append(ch.Installed, InstalledPart{ID: p.newID(), BoardID: b.file.Job.BoardID, PartID: &part.ID, PartName: part.Name,
			Component: fault.Component, Serial: line.Serial, Lot: line.Lot, InstalledAt: p.at, InstalledKM: b.file.Job.OdometerKM, RepairID: &r.ID})
	}
	ch.Repair = r
	if err := ch.remove(b, board, in.Removed); err != nil {
		return JobChange{}, err
	}
	ch.disturb(b, repairedBy(b.lib, fault.Component), "")
	ch.Audit.Detail["fault_id"], ch.Audit.Detail["cause"], ch.Audit.Detail["action"] = fault.ID, fault.Cause, in.Action
	return ch, nil
}

// remove ends the service of installed parts that were taken off.
func (ch *JobChange) remove(b bench, board BoardFile, ids []ID) error {
	var c checker
	for i, id := range ids {
		field := fmt.Sprintf("removed[%d]", i)
		at := slices.IndexFunc(board.Installed, func(ip InstalledPart) bool { return ip.ID == id })
		switch {
		case slices.Contains(ids[:i], id):
			c.failf(field, "stands twice")
		case at < 0:
			c.failf(field, "there is no such part installed on this board")
		case board.Installed[at].RemovedAt != nil:
			c.failf(field, "was removed already")
		default:
			ch.Removed = append(ch.Removed, Removal{InstalledPartID: id, KM: b.file.Job.OdometerKM})
		}
	}
	return c.err()
}

func faultOf(f JobFile, id ID) *Fault {
	for i := range f.Faults {
		if f.Faults[i].ID == id {
			return &f.Faults[i]
		}
	}
	return nil
}
