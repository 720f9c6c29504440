package demo

import (
	"context"
	"fmt"
	"time"

	"nextprobe/internal/shop"
)

// work is one job at the bench.
type work struct {
	*filler
	job    shop.ID
	number int // of the job
	board  *board
	visit  visit
	fault  map[string]shop.ID
}

// route is the way to each end state; the last entry is the state itself.
var route = map[shop.State][]shop.State{
	shop.Received:         {},
	shop.Diagnosing:       {shop.Diagnosing},
	shop.AwaitingApproval: {shop.Diagnosing, shop.AwaitingApproval},
	shop.AwaitingParts:    {shop.Diagnosing, shop.AwaitingParts},
	shop.Repairing:        {shop.Diagnosing, shop.Repairing},
	shop.Verifying:        {shop.Diagnosing, shop.Repairing, shop.Verifying},
	shop.Ready:            {shop.Diagnosing, shop.Repairing, shop.Verifying, shop.Ready},
	shop.Returned:         {shop.Diagnosing, shop.Repairing, shop.Verifying, shop.Ready, shop.Returned},
	shop.Declined:         {shop.Diagnosing, shop.Declined},
	shop.Scrapped:         {shop.Diagnosing, shop.Scrapped},
}

// run reports whether the board has left the shop.
func (w *work) run(ctx context.Context) (bool, error) {
	w.fault = map[string]shop.ID{}
	for _, to := range route[w.visit.upTo] {
		w.clock.advance(time.Duration(3+w.rng.IntN(30)) * time.Hour)
		if !w.clock.Now().Before(w.until) {
			w.clock.set(w.until.Add(-time.Minute))
		}
		if err := w.enter(ctx, to); err != nil {
			return false, fmt.Errorf("to %s: %w", to, err)
		}
	}
	return w.visit.upTo == shop.Returned || w.visit.upTo == shop.Scrapped, nil
}

// enter moves the job and does what is done in that state.
func (w *work) enter(ctx context.Context, to shop.State) error {
	actor := w.bench
	reason := ""
	switch to {
	case shop.Returned:
		actor = w.counter
	case shop.Declined:
		actor, reason = w.counter, "Owner declines the estimate, collects the board next week"
	case shop.Scrapped:
		reason = "Owner agrees: repair would cost more than the board"
	case shop.AwaitingApproval:
		reason = "Estimate sent, waiting for the owner's yes"
	case shop.AwaitingParts:
		reason = "Ordered, supplier promises four days"
	case shop.Repairing:
		if w.rng.IntN(5) == 0 {
			if _, err := w.svc.MoveJob(ctx, w.bench, w.job, shop.AwaitingApproval, "Estimate sent, waiting for the owner's yes"); err != nil {
				return err
			}
			w.clock.advance(20 * time.Hour)
		}
	}
	if to == shop.Ready {
		if err := w.prove(ctx); err != nil {
			return err
		}
	}
	if _, err := w.svc.MoveJob(ctx, actor, w.job, to, reason); err != nil {
		return err
	}
	switch to {
	case shop.Diagnosing:
		return w.diagnose(ctx)
	case shop.Repairing:
		return w.repair(ctx)
	}
	return nil
}

// diagnose follows the engine's advice for a while, then confirms what is really broken.
func (w *work) diagnose(ctx context.Context) error {
	limit := 4 + w.rng.IntN(3)
	if w.visit.upTo == shop.Diagnosing {
		limit = 2
	}
	for range limit {
		d, err := w.svc.Diagnose(ctx, w.bench, w.job)
		if err != nil {
			return err
		}
		if d.Advice.Kind != "measure" {
			break
		}
		m := w.lib.Measurement(d.Advice.Measurement)
		in := shop.ObservationInput{Measurement: m.ID, Outcome: w.outcome(m, w.visit.causes)}
		if r := readingsFor(m, in.Outcome); r != nil {
			in.Readings, in.Outcome, in.Instrument = r, "", w.meterFor(m)
		}
		if _, err := w.svc.Observe(ctx, w.bench, w.job, in); err != nil {
			return fmt.Errorf("observe %s: %w", m.ID, err)
		}
		w.clock.advance(time.Duration(5+w.rng.IntN(20)) * time.Minute)
	}
	if w.visit.upTo == shop.Diagnosing || w.visit.upTo == shop.Declined {
		return nil
	}
	for _, c := range w.visit.causes {
		got, err := w.svc.ConfirmFault(ctx, w.bench, w.job, w.faultInput(c))
		if err != nil {
			return fmt.Errorf("confirm %s: %w", c, err)
		}
		w.fault[c] = got.ID
		w.sum.Faults++
	}
	f, err := w.svc.Job(ctx, w.bench, w.job)
	if err == nil && f.Job.ComebackOf != nil {
		w.sum.Comebacks++
	}
	return err
}

func (w *work) faultInput(cause string) shop.FaultInput {
	in := shop.FaultInput{Cause: cause}
	switch w.lib.Cause(cause).Component {
	case "interbox_connector":
		in.ConnectorID = &w.board.interbox.ID
	case "phase_connector":
		in.ConnectorID = &w.board.phase.ID
	case "hall_connector":
		in.ConnectorID = &w.board.hall.ID
	}
	return in
}

// repair does the planned repair, or the library's, and keeps the register true.
func (w *work) repair(ctx context.Context) error {
	for i, c := range w.visit.causes {
		cause := w.lib.Cause(c)
		in := shop.RepairInput{FaultID: w.fault[c], Action: cause.Repair, Minutes: int(cause.RepairMinutes[0]) + w.rng.IntN(20)}
		part := w.partOf(cause.Component)
		if i == 0 && w.visit.action != "" {
			in.Action, part = w.visit.action, w.visit.part
		}
		if p, ok := w.parts[part]; ok {
			in.Parts = []shop.RepairPartInput{{PartID: p.ID, Quantity: 1, Lot: pick(w.rng, lotsOf(part))}}
		}
		if _, err := w.svc.Repair(ctx, w.bench, w.job, in); err != nil {
			return fmt.Errorf("repair %s: %w", c, err)
		}
		w.clock.advance(time.Duration(in.Minutes) * time.Minute)
	}
	return w.refit(ctx)
}

// refit ends the old connector's time in the register and enters the new one.
func (w *work) refit(ctx context.Context) error {
	if w.visit.refit == "" {
		return nil
	}
	now := w.clock.Now()
	old := w.board.interbox
	if _, err := w.svc.EditConnector(ctx, w.bench, old.ID, shop.ConnectorPatch{RemovedAt: shop.Change[*time.Time]{Set: true, Value: &now}}); err != nil {
		return err
	}
	c, err := w.svc.AddConnector(ctx, w.bench, w.board.ID, shop.ConnectorInput{Place: old.Place, Component: old.Component, Family: w.visit.refit, Poles: old.Poles, Polarity: old.Polarity, PinMap: old.PinMap, Sealing: "sleeve", FittedAt: &now})
	w.board.interbox = &c
	return err
}

func (w *work) partOf(component string) string {
	for _, a := range articles {
		if a.component == component && component != "" {
			return a.number
		}
	}
	return "MISC"
}

func lotsOf(number string) []string {
	for _, a := range articles {
		if a.number == number {
			return a.lots
		}
	}
	return []string{""}
}

// prove meets the closing gate: it does what the requirements ask until none is left.
func (w *work) prove(ctx context.Context) error {
	for range 60 {
		r, err := w.svc.Requirements(ctx, w.bench, w.job)
		if err != nil {
			return err
		}
		if r.Ready {
			return nil
		}
		if err := w.meet(ctx, r); err != nil {
			return err
		}
		w.clock.advance(time.Duration(4+w.rng.IntN(10)) * time.Minute)
	}
	return fmt.Errorf("the requirements do not end")
}

// meet does the first thing that bars ready: measurements that need an open
// box come before closing it, tests of the closed box after.
func (w *work) meet(ctx context.Context, r shop.Requirements) error {
	var opening *shop.Requirement
	for pass := range 2 {
		for i := range r.Items {
			q := &r.Items[i]
			if q.Met {
				continue
			}
			if q.Kind == "opening" {
				if opening == nil {
					opening = q
				}
				continue
			}
			if q.Measurement == "" {
				return fmt.Errorf("cannot meet %s %s: %s", q.Kind, q.Cause, q.Text)
			}
			if inside := w.needsOpen(q.Measurement); (pass == 0) == inside {
				if pass == 1 && opening != nil {
					break
				}
				return w.verify(ctx, q.Measurement)
			}
		}
		if pass == 0 && opening != nil {
			_, err := w.svc.Access(ctx, w.bench, w.job, shop.AccessInput{Opening: opening.Opening, State: shop.Closed})
			return err
		}
	}
	return fmt.Errorf("nothing left to do, yet not ready")
}

func (w *work) needsOpen(id string) bool {
	m := w.lib.Measurement(id)
	for _, o := range w.lib.OpeningPath(w.lib.AccessOf(id, w.board.Facts)) {
		if o.Reseal {
			return true
		}
	}
	return m == nil
}

func (w *work) verify(ctx context.Context, id string) error {
	m := w.lib.Measurement(id)
	normal := m.Outcomes[len(m.Outcomes)-1].ID
	for _, o := range m.Outcomes {
		if o.Normal {
			normal = o.ID
			break
		}
	}
	in := shop.VerificationInput{Measurement: id, Outcome: normal}
	if r := readingsFor(m, normal); r != nil {
		in.Readings, in.Outcome = r, ""
	}
	if _, err := w.svc.Verify(ctx, w.bench, w.job, in); err != nil {
		return fmt.Errorf("verify %s: %w", id, err)
	}
	return nil
}
