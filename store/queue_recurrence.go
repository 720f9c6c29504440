package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"nextprobe/internal/shop"
)

const (
	// sumsQueue is apart, so that a long fill keeps no other work waiting.
	sumsQueue = "recurrence"
	// sumsEvery is how often marks are worked off. Readers do it too; this keeps the
	// marks few for the first reader of the day.
	sumsEvery = time.Minute
	// sumsTime bounds a fill: a chain of a million jobs takes minutes.
	sumsTime = 2 * time.Hour
)

// sumsWork is the work of keeping the recurrence report's sums.
type sumsWork struct{}

// Kind names the work in the queue.
func (sumsWork) Kind() string { return "recurrence_sums" }

type sumsWorker struct {
	river.WorkerDefaults[sumsWork]
	store *Store
}

// Timeout is that of a first fill.
func (*sumsWorker) Timeout(*river.Job[sumsWork]) time.Duration { return sumsTime }

// Work brings the sums of all shops up to date.
func (w *sumsWorker) Work(ctx context.Context, _ *river.Job[sumsWork]) error {
	return w.store.KeepSums(ctx)
}

// keepSums has the queue bring the sums up to date every minute, one process of all
// at a time.
func (s *Store) keepSums(c *river.Config) {
	river.AddWorker(c.Workers, &sumsWorker{store: s})
	c.Queues[sumsQueue] = river.QueueConfig{MaxWorkers: 1}
	c.PeriodicJobs = append(c.PeriodicJobs, river.NewPeriodicJob(river.PeriodicInterval(sumsEvery), func() (river.JobArgs, *river.InsertOpts) {
		return sumsWork{}, &river.InsertOpts{Queue: sumsQueue, MaxAttempts: 1, UniqueOpts: river.UniqueOpts{ByState: []rivertype.JobState{
			rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRetryable, rivertype.JobStateRunning, rivertype.JobStateScheduled}}}
	}, nil))
}

// KeepSums works off the marks of every shop, by making all sums of a shop anew where
// there are many. The first time after an update that is the case for a large shop.
func (s *Store) KeepSums(ctx context.Context) error {
	shops, err := all(ctx, s.pool, pgx.RowTo[shop.ID], `select s.id from shops s where exists (select from recurrence_dirty d where d.shop_id = s.id) order by s.id`)
	if err != nil {
		return err
	}
	for _, id := range shops {
		few, err := s.catchUp(ctx, id, sumsRebuild)
		if err == nil && !few {
			s.log.Info("the sums of the recurrence report are made anew", "shop", id)
			err = s.rebuildSums(ctx, id)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
