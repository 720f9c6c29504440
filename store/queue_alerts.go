package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"

	"nextprobe/internal/shop"
)

const (
	// alertEvery is how often the figures behind the alerts of a shop are looked at: what
	// is recorded within one such time is looked at once, after it. A look reads five
	// reports, well below a second each at a million jobs.
	alertEvery = 15 * time.Minute
	// alertGrace lets transactions that began within that time commit first.
	alertGrace = time.Minute
)

// alertArgs is the work of looking at the figures of a shop.
type alertArgs struct {
	ShopID shop.ID `json:"shop_id"`
}

// Kind names the work in the queue.
func (alertArgs) Kind() string { return "check_alerts" }

// alertsDue is when what was recorded at a time is looked at.
func alertsDue(at time.Time) time.Time { return at.Truncate(alertEvery).Add(alertEvery + alertGrace) }

// alertOptions make the work one piece for each shop and alertEvery. Pieces that are
// running or done count too, because a later record has a later due time.
func alertOptions(due time.Time) *river.InsertOpts {
	return &river.InsertOpts{ScheduledAt: due, MaxAttempts: learnAttempts, UniqueOpts: river.UniqueOpts{ByArgs: true, ByPeriod: alertEvery}}
}

// checkAlertsLater puts a look at the figures into the queue, in the transaction that
// confirms a fault or records a repair.
func (s *Store) checkAlertsLater(ctx context.Context, tx pgx.Tx, shopID shop.ID, at time.Time) error {
	_, err := s.queue.InsertTx(ctx, tx, alertArgs{shopID}, alertOptions(alertsDue(at)))
	return err
}

// checkNewShops puts a look into the queue for every shop that has never had one: a
// shop from before there were alerts, or one whose records were copied in. It is one
// piece with what was due before, so that it takes the place of nothing still to come.
func (s *Store) checkNewShops(ctx context.Context, at time.Time) error {
	return s.tx(ctx, func(tx pgx.Tx) error {
		shops, err := all(ctx, tx, pgx.RowTo[shop.ID], `
select id from shops s where not exists (select from recurrence_alert_checks c where c.shop_id = s.id) order by id`)
		for _, id := range shops {
			if err == nil {
				_, err = s.queue.InsertTx(ctx, tx, alertArgs{id}, alertOptions(at.Truncate(alertEvery).Add(-alertGrace)))
			}
		}
		return err
	})
}

// CheckAlerts looks at the figures of a shop, unless that was done since a time.
type CheckAlerts func(ctx context.Context, shopID shop.ID, since time.Time) error

type alertWorker struct {
	river.WorkerDefaults[alertArgs]
	check CheckAlerts
}

// Work looks at the figures of the shop that its args name.
func (w *alertWorker) Work(ctx context.Context, job *river.Job[alertArgs]) error {
	if w.check == nil {
		return river.JobSnooze(alertEvery)
	}
	return w.check(ctx, job.Args.ShopID, job.ScheduledAt)
}
