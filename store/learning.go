package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

const selectState = `
select number, library_id, jobs, as_of, body, at from learned_states`

func scanLearnedState(row pgx.CollectableRow) (v shop.LearnedState, err error) {
	err = row.Scan(&v.Number, &v.LibraryID, &v.Jobs, &v.AsOf, &v.Body, &v.At)
	return v, err
}

// totalsRow is the row of a shop's totals.
type totalsRow struct {
	version int
	totals  learning.Totals
}

func scanTotals(row pgx.CollectableRow) (v totalsRow, err error) {
	err = row.Scan(&v.version, &v.totals)
	return v, err
}

// decisionBody is what a decision keeps of the number as it stood.
type decisionBody struct {
	Levels  []string  `json:"levels"`
	Expert  []float64 `json:"expert"`
	Learned []float64 `json:"learned"`
}

func scanDecision(row pgx.CollectableRow) (v shop.LearningDecision, err error) {
	var body decisionBody
	err = row.Scan(&v.ID, &v.Subject, &v.Accepted, &body, &v.Jobs, &v.Reason, &v.At, &v.By)
	v.Levels, v.Expert, v.Learned = body.Levels, body.Expert, body.Learned
	return v, err
}

// Learning reads what a shop learned so far, as it stood at one moment.
func (s *Store) Learning(ctx context.Context, shopID shop.ID) (shop.LearningFile, error) {
	var (
		f      shop.LearningFile
		totals []totalsRow
		states []shop.LearnedState
	)
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(`select version, body from learning_totals where shop_id = $1`, shopID).Query(into(&totals, scanTotals))
		b.Queue(`
select id, subject, accepted, body, jobs, reason, at, by_name from learning_decisions
 where shop_id = $1 order by at, id`, shopID).Query(into(&f.Decisions, scanDecision))
		b.Queue(selectState+` where shop_id = $1 order by number desc limit 1`, shopID).Query(into(&states, scanLearnedState))
	})
	if err != nil {
		return shop.LearningFile{}, err
	}
	if len(totals) > 0 {
		f.Version, f.Totals = totals[0].version, totals[0].totals
	}
	if len(states) > 0 {
		f.State = &states[0]
	}
	return f, nil
}

// ChangeLearning writes one lesson, decision or new state with the totals after
// it. Stale when the shop's version is not c.Version; Conflict when the job was
// judged already. Nothing is written when any part is refused.
func (s *Store) ChangeLearning(ctx context.Context, shopID shop.ID, c shop.LearningChange) error {
	return s.tx(ctx, func(tx pgx.Tx) error {
		// The row of the totals orders those who learn in a shop at the same time.
		tag, err := tx.Exec(ctx, `
insert into learning_totals (shop_id, body, version) values ($1, $2, $3 + 1)
on conflict (shop_id) do update set body = excluded.body, version = excluded.version where learning_totals.version = $3`,
			shopID, c.Totals, c.Version)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return stale("learning")
		}
		b := &pgx.Batch{}
		if l := c.Lesson; l != nil {
			b.Queue(`
insert into lessons (shop_id, job_id, verdict, later_job, learned_on, body, forecasts, at) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
				shopID, l.JobID, l.Verdict, l.LaterJob, l.On, l.Body, l.Forecasts, l.At)
		}
		if d := c.Decision; d != nil {
			b.Queue(`
insert into learning_decisions (shop_id, id, subject, accepted, body, jobs, reason, at, by_name) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
				shopID, newID(d.ID), d.Subject, d.Accepted, decisionBody{list(d.Levels), list(d.Expert), list(d.Learned)}, d.Jobs, d.Reason, d.At, d.By)
		}
		if st := c.State; st != nil {
			b.Queue(`
insert into learned_states (shop_id, number, library_id, jobs, as_of, body, at)
select $1, coalesce(max(number), 0) + 1, $2, $3, $4, $5, $6 from learned_states where shop_id = $1`,
				shopID, st.LibraryID, st.Jobs, st.AsOf, st.Body, st.At)
		}
		if c.Audit != nil {
			queueAudit(b, shopID, *c.Audit)
		}
		return tx.SendBatch(ctx, b).Close()
	})
}

// LessonExists tells whether a job was judged.
func (s *Store) LessonExists(ctx context.Context, shopID, jobID shop.ID) (bool, error) {
	return one(ctx, s.pool, "lesson", pgx.RowTo[bool], `
select exists (select from lessons where shop_id = $1 and job_id = $2)`, shopID, jobID)
}

func scanLesson(row pgx.CollectableRow) (v shop.JobLesson, err error) {
	err = row.Scan(&v.JobID, &v.JobNumber, &v.Verdict, &v.LaterJob, &v.On, &v.Body, &v.Forecasts, &v.At)
	return v, err
}

// Lessons lists the newest lessons by the day they count from, at most limit (0: all).
func (s *Store) Lessons(ctx context.Context, shopID shop.ID, limit int) ([]shop.JobLesson, error) {
	return all(ctx, s.pool, scanLesson, `
select l.job_id, j.number, l.verdict, l.later_job, l.learned_on, l.body, l.forecasts, l.at
  from lessons l join jobs j on j.shop_id = l.shop_id and j.id = l.job_id
 where l.shop_id = $1 order by l.learned_on desc, l.job_id desc limit nullif($2, 0)`, shopID, limit)
}

// Forecasts lists those of all jobs that taught, the earliest first, and counts
// the jobs by verdict.
func (s *Store) Forecasts(ctx context.Context, shopID shop.ID) ([]shop.Forecasts, map[shop.Verdict]int, error) {
	type count struct {
		Verdict shop.Verdict
		N       int
	}
	var (
		out    []shop.Forecasts
		counts []count
	)
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(`select forecasts from lessons where shop_id = $1 and verdict = 'taught' order by learned_on, job_id`, shopID).
			Query(into(&out, pgx.RowTo[shop.Forecasts]))
		b.Queue(`select verdict, count(*) from lessons where shop_id = $1 group by verdict`, shopID).
			Query(into(&counts, pgx.RowToStructByPos[count]))
	})
	verdicts := make(map[shop.Verdict]int, len(counts))
	for _, c := range counts {
		verdicts[c.Verdict] = c.N
	}
	return out, verdicts, err
}

// LearnedState finds a learned state by its number.
func (s *Store) LearnedState(ctx context.Context, shopID shop.ID, number int) (shop.LearnedState, error) {
	return one(ctx, s.pool, "learned state", scanLearnedState, selectState+` where shop_id = $1 and number = $2`, shopID, number)
}

// NewestLearned finds the learned state in use; nil before there is one.
func (s *Store) NewestLearned(ctx context.Context, shopID shop.ID) (*shop.LearnedState, error) {
	v, err := one(ctx, s.pool, "learned state", scanLearnedState, selectState+` where shop_id = $1 order by number desc limit 1`, shopID)
	if problem.Is(err, problem.NotFound) || errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return &v, err
}

// DueForLearning lists jobs handed back at or before closed after a repair and
// not judged yet, the earliest first.
func (s *Store) DueForLearning(ctx context.Context, shopID shop.ID, closed time.Time) ([]shop.ID, error) {
	return all(ctx, s.pool, pgx.RowTo[shop.ID], `
select j.id from jobs j
 where j.shop_id = $1 and j.state = 'returned' and j.closed_at <= $2
   and exists (select from repairs r where r.shop_id = j.shop_id and r.job_id = j.id)
   and not exists (select from lessons l where l.shop_id = j.shop_id and l.job_id = j.id)
 order by j.closed_at, j.id`, shopID, closed)
}
