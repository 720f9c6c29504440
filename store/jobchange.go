package store

import (
	"bytes"
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// ChangeJob applies one use case's change to a job and returns the job after it.
// Stale when the job's version is not c.Version; Conflict when the stock would
// fall below zero, when a record to retract is retracted already, or when a
// finding would be recorded twice; NotFound when a record named is not in the
// job. Nothing is written when any part is refused.
func (s *Store) ChangeJob(ctx context.Context, shopID shop.ID, c shop.JobChange) (shop.Job, error) {
	var got shop.Job
	c.At = firstTime(c.At, c.Audit.At)
	c.By = firstText(c.By, c.Audit.By)
	err := s.tx(ctx, func(tx pgx.Tx) error {
		job, step, err := advance(ctx, tx, shopID, c)
		if err != nil {
			return err
		}
		got = job
		// The job's row is locked and its version is right: the rest goes in one
		// round trip. A callback that fails rolls all of it back.
		b := &pgx.Batch{}
		w := changeWriter{b, shopID, job, c}
		w.state(step)
		w.odometer()
		w.observations()
		w.access()
		w.fault()
		w.repair()
		w.records()
		if err := tx.SendBatch(ctx, b).Close(); err != nil {
			return err
		}
		return s.queueWork(ctx, tx, shopID, c)
	})
	if err != nil {
		return shop.Job{}, err
	}
	return got, nil
}

// queueWork puts into the queue what a change is to cause later.
func (s *Store) queueWork(ctx context.Context, tx pgx.Tx, shopID shop.ID, c shop.JobChange) error {
	if c.Fault != nil || c.Repair != nil {
		if err := s.checkAlertsLater(ctx, tx, shopID, c.At); err != nil {
			return err
		}
	}
	if c.LearnAt != nil {
		return s.learnLater(ctx, tx, shopID, c.JobID, *c.LearnAt)
	}
	return nil
}

// advance writes the change to the job's own row, and returns the job after it
// and the number of its last step.
func advance(ctx context.Context, tx pgx.Tx, shopID shop.ID, c shop.JobChange) (job shop.Job, step int, err error) {
	var state *shop.State
	if c.State != nil {
		state = &c.State.To
	}
	edit := shop.JobEdit{}
	if c.Edit != nil {
		edit = *c.Edit
	}
	rows, err := tx.Query(ctx, `
update jobs j set version = version + 1, updated_at = @at,
  state = coalesce(@state, state),
  state_step = state_step + case when @state::text is null then 0 else 1 end,
  ready_at = coalesce(@ready, ready_at),
  closed_at = case
    when @state::text is null then coalesce(@closed, closed_at)
    when @state::text in ('returned', 'scrapped') then coalesce(@closed, @at)
    else @closed::timestamptz end,
  complaint = case when @edit then @complaint else complaint end,
  odometer_km = case when @edit then @odometer else odometer_km end,
  exposures = case when @edit then @exposures else exposures end,
  condition = case when @edit then @condition else condition end,
  comeback_of = coalesce(@comeback, comeback_of)
where shop_id = @shop and id = @id and version = @version
returning`+jobColumns+`, j.state_step`,
		pgx.NamedArgs{"shop": shopID, "id": c.JobID, "version": c.Version, "at": c.At, "state": state,
			"ready": c.ReadyAt, "closed": c.ClosedAt, "edit": c.Edit != nil, "complaint": edit.Complaint,
			"odometer": edit.OdometerKM, "exposures": list(edit.Exposures), "condition": edit.Condition, "comeback": c.ComebackOf})
	if err != nil {
		return job, 0, err
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (n int, err error) {
		err = row.Scan(append(jobTargets(&job), &n)...)
		return n, err
	})
	if err != nil {
		return job, 0, err
	}
	if len(found) == 0 {
		_, err := one(ctx, tx, "job", pgx.RowTo[int], `select 1 from jobs where shop_id = $1 and id = $2`, shopID, c.JobID)
		if err == nil {
			err = stale("job")
		}
		return job, 0, err
	}
	return job, found[0], nil
}

// changeWriter queues the records of a change.
type changeWriter struct {
	b      *pgx.Batch
	shopID shop.ID
	job    shop.Job // after the change
	c      shop.JobChange
}

func (w *changeWriter) state(step int) {
	if st := w.c.State; st != nil {
		w.b.Queue(insertState, w.shopID, w.job.ID, step, newID(st.ID), st.From, st.To, st.Reason,
			firstTime(st.At, w.c.At), firstText(st.By, w.c.By))
	}
}

// odometer carries a corrected reading over to the board, unless the board has a
// newer one.
func (w *changeWriter) odometer() {
	if w.c.Edit == nil || w.c.Edit.OdometerKM == nil {
		return
	}
	w.b.Queue(`
update boards set odometer_km = $3, odometer_at = $4, updated_at = $5, version = version + 1
 where shop_id = $1 and id = $2 and (odometer_at is null or odometer_at <= $4) and odometer_km is distinct from $3`,
		w.shopID, w.job.BoardID, w.c.Edit.OdometerKM, w.job.OpenedAt, w.c.At)
}

func (w *changeWriter) observations() {
	for _, id := range w.c.Retract {
		w.b.Queue(`
update observations set retracted_at = $4, retracted_by = $5
 where shop_id = $1 and job_id = $2 and id = $3 and retracted_at is null`, w.shopID, w.job.ID, id, w.c.At, w.c.By).
			Exec(mustHit("This observation is not in the job, or it is retracted already."))
	}
	// Marked before the later records are added, because one finding has one live record.
	for _, id := range sortedIDs(w.c.Supersede) {
		w.b.Queue(`
update observations set superseded_by = $4
 where shop_id = $1 and job_id = $2 and id = $3 and superseded_by is null`, w.shopID, w.job.ID, id, w.c.Supersede[id]).
			Exec(mustHit("The observation to replace is not in the job, or it is replaced already."))
	}
	for _, id := range sortedIDs(w.c.Invalidate) {
		w.b.Queue(`
with o as (update observations set invalidated_at = $4, invalidated_by = $5
            where shop_id = $1 and job_id = $2 and id = $3 and invalidated_at is null returning 1),
     v as (update verifications set invalidated_at = $4, invalidated_by = $5
            where shop_id = $1 and job_id = $2 and id = $3 and invalidated_at is null returning 1)
select 1 from o union all select 1 from v`, w.shopID, w.job.ID, id, w.c.At, w.c.Invalidate[id]).
			Exec(mustHit("The result to mark invalid is not in the job, or it is invalid already."))
	}
	for i := range w.c.Add {
		queueObservation(w.b, w.shopID, w.job.ID, &w.c.Add[i], w.c.At, w.c.By)
	}
}

func queueObservation(b *pgx.Batch, shopID, jobID shop.ID, o *shop.Observation, at time.Time, by string) {
	b.Queue(`
insert into observations (shop_id, job_id, id, kind, symptom, present, measurement, unavailable, result, from_exposure,
  at, by_name, retracted_at, retracted_by, superseded_by, invalidated_at, invalidated_by, instrument_id,
  cause, unavailable_reason, note)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21)`,
		shopID, jobID, newID(o.ID), o.Kind, o.Symptom, o.Present, o.Measurement, o.Unavailable, o.Result, o.FromExposure,
		firstTime(o.At, at), firstText(o.By, by), o.RetractedAt, o.RetractedBy, o.SupersededBy, o.InvalidatedAt, o.InvalidatedBy, o.InstrumentID,
		o.Cause, o.Reason, o.Note)
}

func (w *changeWriter) access() {
	for _, e := range w.c.Access {
		w.b.Queue(`
insert into access_events (shop_id, job_id, id, opening, state, implied, at, by_name) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
			w.shopID, w.job.ID, newID(e.ID), e.Opening, e.State, e.Implied, firstTime(e.At, w.c.At), firstText(e.By, w.c.By))
	}
}

func (w *changeWriter) fault() {
	if f := w.c.Fault; f != nil {
		w.b.Queue(`
insert into faults (shop_id, job_id, id, board_id, cause, component, failure_mode, connector_id, installed_part_id, note,
  probability, at, by_name, waived_at, waived_by, waive_reason, advised, disagreement, grounds, basis)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)`,
			w.shopID, w.job.ID, newID(f.ID), w.job.BoardID, f.Cause, f.Component, f.FailureMode, f.ConnectorID, f.InstalledPartID,
			f.Note, f.Probability, firstTime(f.At, w.c.At), firstText(f.By, w.c.By), f.WaivedAt, f.WaivedBy, f.WaiveReason,
			f.Advised, f.Disagreement, f.Grounds, f.Basis)
	}
	if v := w.c.Waive; v != nil {
		w.b.Queue(`
update faults set waived_at = $4, waived_by = $5, waive_reason = $6
 where shop_id = $1 and job_id = $2 and id = $3 and waived_at is null`, w.shopID, w.job.ID, v.FaultID, w.c.At, w.c.By, v.Reason).
			Exec(mustHit("This fault is not in the job, or it is waived already."))
	}
}

func (w *changeWriter) repair() {
	if r := w.c.Repair; r != nil {
		id := newID(r.ID)
		at, by := firstTime(r.At, w.c.At), firstText(r.By, w.c.By)
		w.b.Queue(`
insert into repairs (shop_id, job_id, id, fault_id, action, minutes, note, at, by_name) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			w.shopID, w.job.ID, id, r.FaultID, r.Action, r.Minutes, r.Note, at, by)
		for i, p := range r.Parts {
			w.b.Queue(`
insert into repair_parts (shop_id, job_id, repair_id, line, part_id, part_name, quantity, lot, serial)
values ($1, $2, $3, $4, $5, coalesce(nullif($6, ''), (select name from parts where shop_id = $1 and id = $5), ''), $7, $8, $9)`,
				w.shopID, w.job.ID, id, i+1, p.PartID, p.Name, p.Quantity, p.Lot, p.Serial)
		}
		// Two repairs that use the same parts lock their rows in the same order.
		used := slices.SortedStableFunc(slices.Values(r.Parts), func(a, b shop.RepairPart) int {
			return bytes.Compare(a.PartID[:], b.PartID[:])
		})
		for _, p := range used {
			w.b.Queue(insertMovement, movementArgs(w.shopID, shop.Movement{PartID: p.PartID, Quantity: -p.Quantity,
				Reason: "used", Lot: p.Lot, RepairID: &id, At: at, By: by}, w.c.Audit)...)
		}
	}
	for _, r := range w.c.Removed {
		w.b.Queue(`
update installed_parts set removed_at = $4, removed_km = $5
 where shop_id = $1 and board_id = $2 and id = $3 and removed_at is null`, w.shopID, w.job.BoardID, r.InstalledPartID, w.c.At, r.KM).
			Exec(mustHit("The part to remove is not installed in this board, or it is removed already."))
	}
	for i := range w.c.Installed {
		p := &w.c.Installed[i]
		w.b.Queue(`
insert into installed_parts (shop_id, id, board_id, part_id, part_name, component, serial, lot, installed_at, installed_km,
  removed_at, removed_km, repair_id)
values ($1, $2, $3, $4, coalesce(nullif($5, ''), (select name from parts where shop_id = $1 and id = $4), ''),
  $6, $7, $8, $9, $10, $11, $12, $13)`,
			w.shopID, newID(p.ID), w.job.BoardID, p.PartID, p.PartName, p.Component, p.Serial, p.Lot,
			firstTime(p.InstalledAt, w.c.At), p.InstalledKM, p.RemovedAt, p.RemovedKM, p.RepairID)
	}
}

func (w *changeWriter) records() {
	if v := w.c.Verify; v != nil {
		w.b.Queue(`
insert into verifications (shop_id, job_id, id, measurement, result, passed, at, by_name, invalidated_at, invalidated_by,
  instrument_id)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			w.shopID, w.job.ID, newID(v.ID), v.Measurement, v.Result, v.Passed, firstTime(v.At, w.c.At), firstText(v.By, w.c.By),
			v.InvalidatedAt, v.InvalidatedBy, v.InstrumentID)
	}
	if v := w.c.Snapshot; v != nil {
		w.b.Queue(`
insert into diagnosis_snapshots (shop_id, job_id, id, cause, library_id, body, at, by_name) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
			w.shopID, w.job.ID, newID(v.ID), v.Trigger, v.LibraryID, v.Body, firstTime(v.At, w.c.At), firstText(v.By, w.c.By))
	}
	queueAudit(w.b, w.shopID, w.c.Audit)
}

// mustHit fails a statement that changed nothing: what it names is not there, or
// not in the state the caller saw.
func mustHit(message string) func(pgconn.CommandTag) error {
	return func(tag pgconn.CommandTag) error {
		if tag.RowsAffected() == 0 {
			return problem.New(problem.Conflict, "%s", message)
		}
		return nil
	}
}

// sortedIDs lists the keys in order, so that two changes lock rows alike.
func sortedIDs[V any](m map[shop.ID]V) []shop.ID {
	return slices.SortedFunc(maps.Keys(m), func(a, b shop.ID) int { return bytes.Compare(a[:], b[:]) })
}
