package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

// JobFile reads a job with everything recorded in it in one round trip, all
// parts as they stood at one moment. Records are in order of time; connectors
// are those of the board, fitted ones first.
//
// This is what the bench opens all day: statements are positional and read by
// the prefix of a primary key, and nothing is packed into JSON that the
// protocol can carry as columns.
func (s *Store) JobFile(ctx context.Context, shopID, id shop.ID) (shop.JobFile, error) {
	var (
		f     shop.JobFile
		head  jobAndBoard
		parts []usedPart
	)
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(selectJobAndBoard, shopID, id).Query(intoOne(&head, "job", scanJobAndBoard))
		b.Queue(selectConnector+`
 where shop_id = $1 and board_id = (select board_id from jobs where shop_id = $1 and id = $2)`+orderConnectors, shopID, id).
			Query(into(&f.Connectors, scanConnector))
		b.Queue(`
select id, coalesce(from_state, ''), to_state, reason, at, by_name from job_states
 where shop_id = $1 and job_id = $2 order by step`, shopID, id).Query(into(&f.States, scanState))
		b.Queue(`
select id, kind, symptom, present, measurement, unavailable, result, from_exposure, at, by_name,
  retracted_at, retracted_by, superseded_by, invalidated_at, invalidated_by, instrument_id,
  cause, unavailable_reason, note from observations
 where shop_id = $1 and job_id = $2 order by at, id`, shopID, id).Query(into(&f.Observations, scanObservation))
		b.Queue(`
select id, opening, state, implied, at, by_name from access_events
 where shop_id = $1 and job_id = $2 order by at, id`, shopID, id).Query(into(&f.Access, scanAccess))
		b.Queue(`select`+faultColumns+` from faults f
 where f.shop_id = $1 and f.job_id = $2 order by f.at, f.id`, shopID, id).Query(into(&f.Faults, scanFault))
		b.Queue(`
select id, fault_id, action, minutes, note, at, by_name from repairs
 where shop_id = $1 and job_id = $2 order by at, id`, shopID, id).Query(into(&f.Repairs, scanRepair))
		b.Queue(`
select repair_id, part_id, part_name, quantity, lot, serial from repair_parts
 where shop_id = $1 and job_id = $2 order by repair_id, line`, shopID, id).Query(into(&parts, scanUsedPart))
		b.Queue(`
select id, measurement, result, passed, at, by_name, invalidated_at, invalidated_by, instrument_id from verifications
 where shop_id = $1 and job_id = $2 order by at, id`, shopID, id).Query(into(&f.Verifications, scanVerification))
	})
	if err != nil {
		return shop.JobFile{}, err
	}
	f.Job, f.Board = head.job, head.board
	for i := range f.Repairs {
		for _, p := range parts {
			if p.repairID == f.Repairs[i].ID {
				f.Repairs[i].Parts = append(f.Repairs[i].Parts, p.RepairPart)
			}
		}
	}
	return f, nil
}

const selectJobAndBoard = `select` + jobColumns + `,` + boardColumns + `
  from jobs j
  join boards b on b.shop_id = j.shop_id and b.id = j.board_id
  left join customers c on c.shop_id = b.shop_id and c.id = b.owner_id
 where j.shop_id = $1 and j.id = $2`

type jobAndBoard struct {
	job   shop.Job
	board shop.Board
}

func scanJobAndBoard(row pgx.CollectableRow) (v jobAndBoard, err error) {
	board, finish := boardTargets(&v.board)
	err = row.Scan(append(jobTargets(&v.job), board...)...)
	finish()
	return v, err
}

func scanState(row pgx.CollectableRow) (v shop.StateChange, err error) {
	err = row.Scan(&v.ID, &v.From, &v.To, &v.Reason, &v.At, &v.By)
	return v, err
}

func scanObservation(row pgx.CollectableRow) (o shop.Observation, err error) {
	err = row.Scan(&o.ID, &o.Kind, &o.Symptom, &o.Present, &o.Measurement, &o.Unavailable, &o.Result, &o.FromExposure,
		&o.At, &o.By, &o.RetractedAt, &o.RetractedBy, &o.SupersededBy, &o.InvalidatedAt, &o.InvalidatedBy, &o.InstrumentID,
		&o.Cause, &o.Reason, &o.Note)
	return o, err
}

func scanAccess(row pgx.CollectableRow) (v shop.AccessEvent, err error) {
	err = row.Scan(&v.ID, &v.Opening, &v.State, &v.Implied, &v.At, &v.By)
	return v, err
}

func scanRepair(row pgx.CollectableRow) (v shop.Repair, err error) {
	err = row.Scan(&v.ID, &v.FaultID, &v.Action, &v.Minutes, &v.Note, &v.At, &v.By)
	return v, err
}

// usedPart is a part with the repair that used it.
type usedPart struct {
	repairID shop.ID
	shop.RepairPart
}

func scanUsedPart(row pgx.CollectableRow) (p usedPart, err error) {
	err = row.Scan(&p.repairID, &p.PartID, &p.Name, &p.Quantity, &p.Lot, &p.Serial)
	return p, err
}

func scanVerification(row pgx.CollectableRow) (v shop.Verification, err error) {
	err = row.Scan(&v.ID, &v.Measurement, &v.Result, &v.Passed, &v.At, &v.By, &v.InvalidatedAt, &v.InvalidatedBy, &v.InstrumentID)
	return v, err
}
