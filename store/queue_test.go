package store_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/migrations"
	"nextprobe/store"
)

// work is a row of the queue.
type work struct {
	State, Kind string
	At          time.Time
	Attempt     int
}

// url is the address of the bench's database.
func (b *bench) url() string { return b.store.Pool().Config().ConnString() }

func (b *bench) queue() []work { b.t.Helper(); return b.queueOf("learn_from_job") }

func (b *bench) queueOf(kind string) []work {
	b.t.Helper()
	rows, err := b.store.Pool().Query(b.ctx, `select state::text, kind, scheduled_at, attempt from queue.river_job where kind = $1 order by id`, kind)
	b.ok(err)
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[work])
	b.ok(err)
	return list
}

// handBack returns a new job of the bench's board with its judgement due at a time.
func (b *bench) handBack(at, due time.Time) shop.Job {
	b.t.Helper()
	j := b.openJob(b.board.ID, at, nil)
	b.change(&j, at, func(c *shop.JobChange) {
		c.State = &shop.StateChange{ID: newID(), From: j.State, To: shop.Returned, At: at, By: "Kim"}
		c.ClosedAt, c.LearnAt = &at, &due
	})
	return j
}

// The judgement stands in the queue exactly when the hand-back is written.
func TestLearnAtIsPartOfTheHandBack(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.handBack(t0, days(30))
	got := b.queue()
	if len(got) != 1 || got[0].Kind != "learn_from_job" || got[0].State != "scheduled" || !got[0].At.Equal(days(30)) {
		t.Fatalf("the queue holds %+v", got)
	}
	j := b.openJob(b.board.ID, days(1), nil)
	err := b.tryChange(&j, days(1), func(c *shop.JobChange) {
		c.State = &shop.StateChange{ID: newID(), From: j.State, To: shop.Returned, At: days(1), By: "Kim"}
		c.LearnAt = ptr(days(31))
		c.Retract = []shop.ID{newID()} // Not in the job: all is refused.
	})
	refused(t, err, problem.Conflict, "")
	if got := b.queue(); len(got) != 1 {
		t.Errorf("after a refused hand-back the queue holds %+v", got)
	}
	q, err := b.store.LearningQueue(b.ctx, b.shop.ID)
	b.ok(err)
	if q.Waiting != 1 || q.Failed != 0 || q.Next == nil || !q.Next.Equal(days(30)) {
		t.Errorf("%+v", q)
	}
	other, err := b.store.LearningQueue(b.ctx, newID())
	b.ok(err)
	if other.Waiting != 0 {
		t.Errorf("another shop sees %+v", other)
	}
}

// recorder counts who judged what.
type recorder struct {
	mu   sync.Mutex
	seen map[shop.ID]int
	all  chan struct{} // closed when want jobs were seen
	want int
}

func (r *recorder) note(id shop.ID) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.seen[id]++
	if len(r.seen) == r.want {
		select {
		case <-r.all:
		default:
			close(r.all)
		}
	}
	return r.seen[id]
}

func (r *recorder) wait(t *testing.T) {
	t.Helper()
	select {
	case <-r.all:
	case <-time.After(2 * time.Minute):
		t.Fatal("the work was not done")
	}
}

func recording(n int) *recorder {
	return &recorder{seen: map[shop.ID]int{}, all: make(chan struct{}), want: n}
}

// quick looks at the queue often; what is due is a matter of the times in it.
var quick = store.WorkOptions{Poll: 20 * time.Millisecond, Quick: true}

// Two servers on one database: each job goes to one of them, and what is not due
// stays where it is.
func TestTwoServersShareTheWork(t *testing.T) {
	t.Parallel()
	b := setup(t)
	const n = 12
	rec := recording(n)
	for i := range n {
		b.handBack(days(float64(i)-900), days(float64(i)-870))
	}
	later := b.handBack(t0, time.Now().AddDate(50, 0, 0))
	second, err := store.Open(b.ctx, b.url(), store.Options{MaxConns: 4, Log: slog.New(slog.DiscardHandler)})
	b.ok(err)
	t.Cleanup(second.Close)
	var stops []*store.Workers
	for _, s := range []*store.Store{b.store, second} {
		w, err := s.Work(b.ctx, func(_ context.Context, shopID, job shop.ID) (time.Time, error) {
			if shopID != b.shop.ID {
				t.Errorf("shop %s", shopID)
			}
			rec.note(job)
			return time.Time{}, nil
		}, quick)
		b.ok(err)
		stops = append(stops, w)
	}
	rec.wait(t)
	for _, w := range stops {
		b.ok(w.Stop(b.ctx))
	}
	for id, times := range rec.seen {
		if times != 1 || id == later.ID {
			t.Errorf("job %s was judged %d times", id, times)
		}
	}
	got := b.queue()
	if got[n].State != "scheduled" {
		t.Errorf("what is not due is %+v", got[n])
	}
	for _, w := range got[:n] {
		if w.State != "completed" {
			t.Errorf("%+v", w)
		}
	}
}

// What fails is tried again later, what is too early is asked again without
// counting as a failure.
func TestFailedAndEarlyWorkStays(t *testing.T) {
	t.Parallel()
	b := setup(t)
	bad := b.handBack(days(-900), days(-870))
	early := b.handBack(days(-800), days(-770))
	rec := recording(2)
	now := time.Now()
	opt := quick
	opt.Now = func() time.Time { return now }
	w, err := b.store.Work(b.ctx, func(_ context.Context, _, job shop.ID) (time.Time, error) {
		defer rec.note(job)
		if job == bad.ID {
			return time.Time{}, errors.New("the disk is on fire")
		}
		return now.Add(24 * time.Hour), nil
	}, opt)
	b.ok(err)
	rec.wait(t)
	b.ok(w.Stop(b.ctx))
	got := b.queue()
	if got[0].State != "retryable" && got[0].State != "available" || got[0].Attempt != 1 {
		t.Errorf("failed work is %+v", got[0])
	}
	if got[1].State != "scheduled" || got[1].Attempt != 0 || !got[1].At.After(now.Add(12*time.Hour)) {
		t.Errorf("early work is %+v (%s)", got[1], early.ID)
	}
	q, err := b.store.LearningQueue(b.ctx, b.shop.ID)
	b.ok(err)
	if q.Waiting != 2 || q.Failed != 0 {
		t.Errorf("%+v", q)
	}
	// Work that failed at every attempt is counted as such and kept.
	_, err = b.store.Pool().Exec(b.ctx, `update queue.river_job set state = 'discarded', finalized_at = '2020-01-01' where id = (select min(id) from queue.river_job)`)
	b.ok(err)
	if q, err = b.store.LearningQueue(b.ctx, b.shop.ID); err != nil || q.Waiting != 1 || q.Failed != 1 {
		t.Errorf("%+v, %v", q, err)
	}
}

// The tables of migration 9 are what the queue's module itself would make.
func TestQueueTablesAreTheModules(t *testing.T) {
	t.Parallel()
	b := setup(t)
	pool := b.store.Pool()
	_, err := pool.Exec(b.ctx, `create schema other`)
	b.ok(err)
	m, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Schema: "other"})
	b.ok(err)
	_, err = m.Migrate(b.ctx, rivermigrate.DirectionUp, nil)
	b.ok(err)
	theirs := describeQueue(b, "other")
	ours := describeQueue(b, "queue")
	if len(ours) < 50 {
		t.Fatalf("only %d lines", len(ours))
	}
	same(t, ours, theirs)
}

func describeQueue(b *bench, schema string) []string {
	b.t.Helper()
	rows, err := b.store.Pool().Query(b.ctx, `
select format('column %s %s %s %s %s %s', c.relname, a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull, c.relpersistence,
         pg_get_expr(d.adbin, d.adrelid))
  from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
  left join pg_attrdef d on d.adrelid = c.oid and d.adnum = a.attnum
 where c.relkind = 'r' and c.relnamespace::regnamespace::text = $1 and c.relname <> 'river_migration'
union all
select format('constraint %s %s %s', c.relname, k.conname, pg_get_constraintdef(k.oid))
  from pg_constraint k join pg_class c on c.oid = k.conrelid
 where k.connamespace::regnamespace::text = $1 and c.relname <> 'river_migration'
union all
select indexdef from pg_indexes where schemaname = $1 and tablename <> 'river_migration'
union all
select format('function %s %s %s', proname, provolatile, btrim(prosrc, E' \n')) from pg_proc where pronamespace::regnamespace::text = $1
union all
select format('enum %s %s', t.typname, string_agg(e.enumlabel, ',' order by e.enumsortorder))
  from pg_type t join pg_enum e on e.enumtypid = t.oid where t.typnamespace::regnamespace::text = $1 group by t.typname
 order by 1`, schema)
	b.ok(err)
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	b.ok(err)
	for i := range list {
		list[i] = strings.ReplaceAll(list[i], schema+".", "S.")
	}
	// Constraint names repeat between tables; names alone decide the order.
	slices.Sort(list)
	return list
}

// Jobs handed back before the queue was there wait for their turn like new ones.
func TestMigrationQueuesEarlierJobs(t *testing.T) {
	t.Parallel()
	b := setup(t)
	j := b.openJob(b.board.ID, days(-3), nil)
	f := b.confirm(&j, "motor_connector", days(-2), nil)
	b.mend(&j, f.ID, "clean", days(-2))
	b.move(&j, shop.Returned, days(-1))
	if got := b.queue(); len(got) != 0 {
		t.Fatalf("%+v", got)
	}
	const before = 9 // the queue is the ninth migration, its first work the tenth's
	b.ok(store.MigrateDown(b.ctx, b.url(), int(migrations.Latest())-before))
	b.ok(store.Migrate(b.ctx, b.url()))
	got := b.queue()
	if len(got) != 1 || got[0].State != "scheduled" || !got[0].At.Equal(days(29)) {
		t.Errorf("%s", fmt.Sprint(got))
	}
}
