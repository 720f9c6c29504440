package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"

	"nextprobe/internal/shop"
)

const (
	// queueSchema is where migration 9 puts the queue's tables.
	queueSchema = "queue"
	// learnAttempts is how often a job is tried before it is left for somebody to
	// look at. The waits grow with the fourth power of the attempts, to five hours
	// and a half before the last.
	learnAttempts = 12
	// learnTime bounds one attempt.
	learnTime = time.Minute
	// keepForever keeps work that failed at every attempt.
	keepForever = -1
)

// learnArgs is the work of judging a job for what it teaches.
type learnArgs struct {
	ShopID shop.ID `json:"shop_id"`
	JobID  shop.ID `json:"job_id"`
}

// Kind names the work in the queue.
func (learnArgs) Kind() string { return "learn_from_job" }

// newQueue returns a client that puts work in but does none.
func (s *Store) newQueue() (*river.Client[pgx.Tx], error) {
	return river.NewClient(riverpgxv5.New(s.pool), &river.Config{Schema: queueSchema, Logger: s.log})
}

// learnLater puts a job's judgement into the queue, in the transaction that
// hands the job back: neither happens without the other.
func (s *Store) learnLater(ctx context.Context, tx pgx.Tx, shopID, jobID shop.ID, at time.Time) error {
	_, err := s.queue.InsertTx(ctx, tx, learnArgs{shopID, jobID}, &river.InsertOpts{
		ScheduledAt: at, MaxAttempts: learnAttempts, UniqueOpts: river.UniqueOpts{ByArgs: true}})
	return err
}

// Learn judges one job. A time that is not zero says when to ask again.
type Learn func(ctx context.Context, shopID, jobID shop.ID) (again time.Time, err error)

// Workers does the work of the queue until it is stopped.
type Workers struct{ client *river.Client[pgx.Tx] }

type learnWorker struct {
	river.WorkerDefaults[learnArgs]
	learn Learn
	now   func() time.Time
}

// Work judges the job that its args name.
func (w *learnWorker) Work(ctx context.Context, job *river.Job[learnArgs]) error {
	again, err := w.learn(ctx, job.Args.ShopID, job.Args.JobID)
	if err == nil && !again.IsZero() {
		return river.JobSnooze(max(0, again.Sub(w.now())))
	}
	return err
}

// WorkOptions configure Work.
type WorkOptions struct {
	// Poll is how often the queue is looked at; 0 means every five seconds. The
	// queue is polled, not listened to, so that it works through a pooler that
	// shares connections between transactions.
	Poll time.Duration
	// Now is the clock that snoozes count from; nil means time.Now.
	Now func() time.Time
	// Quick starts the queue's housekeeping at once, for tests.
	Quick bool
	// CheckAlerts looks at the figures behind the alerts; nil: that work is left in the
	// queue for a process that does it.
	CheckAlerts CheckAlerts
}

// Work starts to judge jobs whose waiting time is over, one after the other.
// Several processes may work on one database: each piece of work goes to one of
// them. Stop it before the store is closed.
func (s *Store) Work(ctx context.Context, learn Learn, opt WorkOptions) (*Workers, error) {
	w := &learnWorker{learn: learn, now: opt.Now}
	if w.now == nil {
		w.now = time.Now
	}
	if opt.Poll == 0 {
		opt.Poll = 5 * time.Second
	}
	workers := river.NewWorkers()
	river.AddWorker(workers, w)
	river.AddWorker(workers, &alertWorker{check: opt.CheckAlerts})
	if opt.CheckAlerts != nil {
		if err := s.checkNewShops(ctx, w.now()); err != nil {
			return nil, fmt.Errorf("queue: %w", err)
		}
	}
	cfg := &river.Config{
		Schema: queueSchema, Logger: s.log, Workers: workers, Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: 1}},
		PollOnly: true, FetchPollInterval: opt.Poll, FetchCooldown: min(opt.Poll, 100*time.Millisecond),
		JobTimeout: learnTime, DiscardedJobRetentionPeriod: keepForever, TestOnly: opt.Quick,
	}
	s.keepSums(cfg)
	client, err := river.NewClient(riverpgxv5.New(s.pool), cfg)
	if err != nil {
		return nil, fmt.Errorf("queue: %w", err)
	}
	// Stop ends it, not the caller's context: work under way is finished first.
	if err := client.Start(context.WithoutCancel(ctx)); err != nil {
		return nil, fmt.Errorf("queue: %w", err)
	}
	return &Workers{client}, nil
}

// Stop lets work under way finish and ends the workers; when ctx ends first, it
// breaks the work off, which the queue then gives out again.
func (w *Workers) Stop(ctx context.Context) error {
	if err := w.client.Stop(ctx); err == nil {
		return nil
	}
	hard, cancel := context.WithTimeout(context.WithoutCancel(ctx), rollbackTime)
	defer cancel()
	return w.client.StopAndCancel(hard)
}

// LearningQueue says what of a shop is still to be judged.
func (s *Store) LearningQueue(ctx context.Context, shopID shop.ID) (shop.LearningQueue, error) {
	return one(ctx, s.pool, "queue", func(row pgx.CollectableRow) (v shop.LearningQueue, err error) {
		err = row.Scan(&v.Waiting, &v.Next, &v.Failed)
		return v, err
	}, `
select count(*) filter (where live), min(scheduled_at) filter (where live), count(*) filter (where state = 'discarded')
  from (select q.state, q.scheduled_at, q.state not in ('cancelled', 'completed', 'discarded')
            and not exists (select from lessons l where l.shop_id = $1 and l.job_id = (q.args ->> 'job_id')::uuid) as live
          from queue.river_job q
         where q.args @> jsonb_build_object('shop_id', $1::uuid) and q.kind = 'learn_from_job') q`, shopID)
}
