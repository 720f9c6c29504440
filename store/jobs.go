package store

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const jobColumns = `
j.id, j.number, j.board_id, j.state, j.complaint, j.odometer_km, j.exposures, j.condition, j.warranty_of, j.comeback_of,
j.library_id, j.learned_number, j.opened_at, j.ready_at, j.closed_at, j.updated_at, j.version`

func jobTargets(j *shop.Job) []any {
	return []any{&j.ID, &j.Number, &j.BoardID, &j.State, &j.Complaint, &j.OdometerKM, &j.Exposures, &j.Condition,
		&j.WarrantyOf, &j.ComebackOf, &j.LibraryID, &j.Learned, &j.OpenedAt, &j.ReadyAt, &j.ClosedAt, &j.UpdatedAt, &j.Version}
}

func scanJob(row pgx.CollectableRow) (j shop.Job, err error) {
	err = row.Scan(jobTargets(&j)...)
	return j, err
}

const faultColumns = `
f.id, f.job_id, f.cause, f.component, f.failure_mode, f.connector_id, f.installed_part_id, f.note, f.probability,
f.at, f.by_name, f.waived_at, f.waived_by, f.waive_reason, f.advised, f.disagreement, f.grounds, f.basis`

func scanFault(row pgx.CollectableRow) (f shop.Fault, err error) {
	err = row.Scan(&f.ID, &f.JobID, &f.Cause, &f.Component, &f.FailureMode, &f.ConnectorID, &f.InstalledPartID, &f.Note,
		&f.Probability, &f.At, &f.By, &f.WaivedAt, &f.WaivedBy, &f.WaiveReason,
		&f.Advised, &f.Disagreement, &f.Grounds, &f.Basis)
	return f, err
}

const insertState = `
insert into job_states (shop_id, job_id, step, id, from_state, to_state, reason, at, by_name)
values ($1, $2, $3, $4, nullif($5, ''), $6, $7, $8, $9)`

// AddJob opens a job in one round trip. The number comes from the shop's
// counter, whose row stays locked until the job is stored, so that numbers have
// no gaps. Conflict when the board has an open job.
func (s *Store) AddJob(ctx context.Context, shopID shop.ID, n shop.NewJob) (shop.Job, error) {
	var got shop.Job
	j := n.Job
	j.ID = newID(j.ID)
	at := firstTime(j.OpenedAt, n.Audit.At)
	err := s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(`
with counter as (
  update shop_counters set last_job = last_job + 1 where shop_id = $1 returning last_job
)
insert into jobs as j (shop_id, id, number, board_id, state, complaint, odometer_km, exposures, condition,
  warranty_of, comeback_of, library_id, learned_number, opened_at, ready_at, closed_at, updated_at)
select $1, $2, counter.last_job, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13::timestamptz, $14::timestamptz, $15::timestamptz, $16::timestamptz
  from counter
returning`+jobColumns,
			shopID, j.ID, j.BoardID, j.State, j.Complaint, j.OdometerKM, list(j.Exposures), j.Condition,
			j.WarrantyOf, j.ComebackOf, j.LibraryID, j.Learned, at, j.ReadyAt, j.ClosedAt, firstTime(j.UpdatedAt, at)).
			Query(intoOne(&got, "shop", scanJob))
		b.Queue(insertState, shopID, j.ID, 1, newID(n.State.ID), "", j.State, n.State.Reason,
			firstTime(n.State.At, at), firstText(n.State.By, n.Audit.By))
		for i := range n.Observations {
			queueObservation(b, shopID, j.ID, &n.Observations[i], at, n.Audit.By)
		}
		if j.OdometerKM != nil {
			b.Queue(`
update boards set odometer_km = $3, odometer_at = $4, updated_at = $4, version = version + 1 where shop_id = $1 and id = $2`,
				shopID, j.BoardID, j.OdometerKM, at)
		}
		queueAudit(b, shopID, n.Audit)
	})
	if err != nil {
		return shop.Job{}, err
	}
	return got, nil
}

const summaryFrom = `
  from jobs j
  join boards b on b.shop_id = j.shop_id and b.id = j.board_id
  left join customers c on c.shop_id = b.shop_id and c.id = b.owner_id`

const summaryColumns = jobColumns + `, b.serial, btrim(b.make || ' ' || b.model), coalesce(c.name, '')`

func scanSummary(row pgx.CollectableRow) (v shop.JobSummary, err error) {
	err = row.Scan(append(jobTargets(&v.Job), &v.BoardSerial, &v.BoardName, &v.OwnerName)...)
	return v, err
}

// summaries reads jobs with their faults, newest first, in one round trip. The
// filter is SQL over j, b and c; limit 0 means all.
func (s *Store) summaries(ctx context.Context, filter string, args pgx.NamedArgs, limit int) ([]shop.JobSummary, error) {
	var (
		list   []shop.JobSummary
		faults []shop.Fault
	)
	tail := summaryFrom + ` where ` + filter + ` order by j.number desc`
	if limit > 0 {
		tail += ` limit ` + strconv.Itoa(limit)
	}
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(`select`+summaryColumns+tail, args).Query(into(&list, scanSummary))
		b.Queue(`select`+faultColumns+` from faults f
 where f.shop_id = @shop and f.job_id in (select j.id`+tail+`) order by f.at, f.id`, args).Query(into(&faults, scanFault))
	})
	if err != nil {
		return nil, err
	}
	place := make(map[shop.ID]int, len(list))
	for i := range list {
		place[list[i].Job.ID] = i
	}
	for _, f := range faults {
		i := place[f.JobID]
		list[i].Faults = append(list[i].Faults, f)
	}
	return list, nil
}

// Jobs lists jobs, newest first. The query is a job number (with or without a
// leading #), or is looked for anywhere in serial and owner, in any case.
func (s *Store) Jobs(ctx context.Context, shopID shop.ID, f shop.JobFilter) (shop.List[shop.JobSummary], error) {
	var none shop.List[shop.JobSummary]
	limit, err := limitOf(f.Page.Limit)
	if err != nil {
		return none, err
	}
	before, more, err := decodeCursor[int]("jobs", f.Page.Cursor)
	if err != nil {
		return none, err
	}
	// Only the conditions asked for stand in the statement, so that each form of
	// the list gets a plan of its own and its index.
	where := []string{`j.shop_id = @shop`}
	args := pgx.NamedArgs{"shop": shopID}
	add := func(cond, name string, value any) {
		where = append(where, cond)
		args[name] = value
	}
	if len(f.States) > 0 {
		add(`j.state = any(@states)`, "states", f.States)
	}
	if f.BoardID != nil {
		add(`j.board_id = @board`, "board", *f.BoardID)
	}
	if q := strings.TrimSpace(f.Query); q != "" {
		add(`(j.number = @number or lower(b.serial || ' ' || coalesce(c.name, '')) like lower(@query))`, "query", contains(q))
		args["number"] = numberIn(q)
	}
	if more {
		add(`j.number < @before`, "before", before)
	}
	rows, err := s.summaries(ctx, strings.Join(where, ` and `), args, limit+1)
	if err != nil {
		return none, err
	}
	return page(rows, limit, "jobs", func(v shop.JobSummary) any { return v.Job.Number }), nil
}

// numberIn reads a job number as people write it; 0, which no job has, for other text.
func numberIn(q string) int {
	n, err := strconv.ParseInt(strings.TrimPrefix(q, "#"), 10, 32)
	if err != nil {
		return 0
	}
	return int(n)
}

// BoardJobs lists all jobs of a board with their faults, newest first; NotFound
// when the board is unknown.
func (s *Store) BoardJobs(ctx context.Context, shopID, boardID shop.ID) ([]shop.JobSummary, error) {
	list, err := s.summaries(ctx, `j.shop_id = @shop and j.board_id = @board`,
		pgx.NamedArgs{"shop": shopID, "board": boardID}, 0)
	if err != nil || len(list) > 0 {
		return list, err
	}
	_, err = one(ctx, s.pool, "board", pgx.RowTo[int], `select 1 from boards where shop_id = $1 and id = $2`, shopID, boardID)
	return list, err
}

// JobCounts counts the jobs in each state; a state without jobs is absent.
func (s *Store) JobCounts(ctx context.Context, shopID shop.ID) (map[shop.State]int, error) {
	type count struct {
		State shop.State
		N     int
	}
	rows, err := all(ctx, s.pool, pgx.RowToStructByPos[count],
		`select state, count(*) from jobs where shop_id = $1 group by state`, shopID)
	if err != nil {
		return nil, err
	}
	counts := make(map[shop.State]int, len(rows))
	for _, r := range rows {
		counts[r.State] = r.N
	}
	return counts, nil
}

// JobByNumber finds a job by the number on its ticket.
func (s *Store) JobByNumber(ctx context.Context, shopID shop.ID, number int) (shop.ID, error) {
	return one(ctx, s.pool, "job", pgx.RowTo[shop.ID], `select id from jobs where shop_id = $1 and number = $2`, shopID, number)
}

// LastReturned finds the board's newest job that was returned at or after since; nil when there is none.
func (s *Store) LastReturned(ctx context.Context, shopID, boardID shop.ID, since time.Time) (*shop.Job, error) {
	rows, err := s.pool.Query(ctx, `select`+jobColumns+` from jobs j
 where j.shop_id = $1 and j.board_id = $2 and j.state = 'returned' and j.closed_at >= $3
 order by j.closed_at desc, j.number desc limit 1`, shopID, boardID, since)
	if err != nil {
		return nil, mapError(err)
	}
	j, err := pgx.CollectOneRow(rows, scanJob)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return &j, mapError(err)
}

// FaultsOfBoardSince lists the faults of the board's jobs that were closed at or
// after since, newest first, waived ones included.
func (s *Store) FaultsOfBoardSince(ctx context.Context, shopID, boardID shop.ID, since time.Time) ([]shop.Fault, error) {
	return all(ctx, s.pool, scanFault, `select`+faultColumns+`
  from faults f join jobs j on j.shop_id = f.shop_id and j.id = f.job_id
 where f.shop_id = $1 and f.board_id = $2 and j.closed_at >= $3
 order by f.at desc, f.id desc`, shopID, boardID, since)
}

// Snapshots lists the diagnoses kept at the decisions of a job, in order of time.
func (s *Store) Snapshots(ctx context.Context, shopID, jobID shop.ID) ([]shop.Snapshot, error) {
	return all(ctx, s.pool, func(row pgx.CollectableRow) (v shop.Snapshot, err error) {
		err = row.Scan(&v.ID, &v.Trigger, &v.LibraryID, &v.Body, &v.At, &v.By)
		return v, err
	}, `
select id, cause, library_id, body, at, by_name from diagnosis_snapshots
 where shop_id = $1 and job_id = $2 order by at, id`, shopID, jobID)
}
