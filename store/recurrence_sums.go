package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"nextprobe/internal/shop"
)

// Sums of the recurrence report.
//
// Every figure that the head of recurrence.go defines is a sum over boards, and what
// one board adds to it, as a function of the window [a, b), is a difference of two
// sums over steps in time, of the form S(b) - S(a), where S(t) is over the steps
// before t. A step has a group, a key, a moment, a kind and a value:
//
//	failures    1 at each failure
//	at_entry    1 at each failure that was there at entry
//	comebacks   1 at the last failure of each job that is a comeback
//	boards      1 at the last failure of each board
//	repeats     1 at the last failure of the last job but one with failures, of each board
//	carried     1 at the first moment at which a board carried the thing
//	released    1 at the last moment at which a board carried it
//	service     +1 where a span of service begins, -1 where it ends
//	distance    the change of speed in km/s at that moment
//
// Service time before t is the sum of value * (t - moment) over the steps before t;
// so is distance. Of the counts that are of different boards or jobs, comebacks,
// boards, repeats, and carriers (carried before b, less released before a), the
// difference is right where no step lies at or after b: a board whose last failure is
// at a or later was hit in the window. Windows that reach to the present are such. For
// others these counts are read from the records (the live query of recurrence.go),
// unless the question is for sums alone (shop.RecurrenceQuery.SumsOnly).
//
// Values are exact: counts and microseconds are integers, and a speed is rounded once
// to 1e-15 km/s, so that what is added can be taken away again to the last digit. The
// rounding is at most 5e-16 km/s times the window, 8e-8 km over five years for each
// straight line between two readings; the live query adds floating-point numbers, and
// the two agree to 1e-9 of the distance.
//
// Steps are made by the same SQL as the live query's, restricted to some boards: the
// names of the tables stand for those boards' rows (stepsScope). They are kept by board
// and day (recurrence_contributions), and summed up by day, month and year
// (recurrence_sums). A window is put together from years, months, days, and of the two
// days that it cuts, the steps. Days are days of UTC.
//
// Group 0 is the service of all boards, which component, failure mode and cause share.
// Parts and lots have beside the row of each key one for each name that its things go
// by, with their failures and spans, for the name shown is the first of those in the
// window.

// Groups and kinds of steps as the tables have them.
var sumGroups = map[shop.RecurrenceGroup]int16{shop.ByComponent: 1, shop.ByFailureMode: 2, shop.ByCause: 3, shop.ByConnectorFamily: 4,
	shop.BySealing: 5, shop.ByPart: 6, shop.ByLot: 7, shop.ByAction: 8}

const (
	groupOfAll = 0 // the service of all boards
	// namedGroups are those whose keys go by names of their own.
	namedGroups = "(6, 7)"
)

// sumColumns are the kinds, counted from 1, with the columns of their sums.
var sumColumns = []string{"failures", "at_entry", "comebacks", "boards", "repeats", "carried", "released", "service", "distance"}

const (
	// stepsScope makes the names of the tables stand for the rows of @boards. Not
	// materialized: the live query's look-ups keep their indexes.
	stepsScope = `
boards as not materialized (select * from boards where shop_id = @shop and id = any(@boards)),
jobs as not materialized (select * from jobs where shop_id = @shop and board_id = any(@boards)),
faults as not materialized (select * from faults where shop_id = @shop and board_id = any(@boards)),
repairs as not materialized (select r.* from repairs r where r.shop_id = @shop and r.job_id in (select id from jobs)),
connectors as not materialized (select * from connectors where shop_id = @shop and board_id = any(@boards)),
installed_parts as not materialized (select * from installed_parts where shop_id = @shop and board_id = any(@boards)),`

	stepsOfBoards = `,
hits as (
  select e.grp, e.key, e.board_id, e.id, e.job_id, e.at, j.comeback_of is not null as comeback,
         bool_or(j.opened_at <= greatest(s.first, e.since)) as at_entry
    from happened e join jobs j on j.shop_id = @shop and j.id = e.job_id join service s on s.board_id = e.board_id
   group by 1, 2, 3, 4, 5, 6, 7
),
visits as (
  select grp, key, board_id, comeback, max(at) as at,
         row_number() over (partition by grp, key, board_id order by max(at) desc, job_id) as place
    from hits group by grp, key, board_id, job_id, comeback
),
spans as (
  select grp, key, board_id, unit, unnest(range_agg(tstzrange(starts, ends))) as span
    from carrying where starts < ends group by grp, key, board_id, unit
),` + odometerSegments + `,
ridden as (
  select p.grp, p.key, p.board_id, greatest(lower(p.span), s.starts) as starts, least(upper(p.span), s.ends) as ends,
         round((s.next_km - s.km)::numeric / extract(epoch from s.ends - s.starts), 15) as speed
    from spans p join segments s on s.board_id = p.board_id
   where s.next_km > s.km and s.starts < upper(p.span) and s.ends > lower(p.span)
),
moves (grp, key, name, board_id, kind, at, value) as (
  select grp, key, '', board_id, 1, at, 1::numeric from hits
  union all select grp, key, '', board_id, 2, at, 1 from hits where at_entry
  union all select grp, key, '', board_id, 3, at, 1 from visits where comeback
  union all select grp, key, '', board_id, 4, at, 1 from visits where place = 1
  union all select grp, key, '', board_id, 5, at, 1 from visits where place = 2
  union all select grp, key, '', board_id, 6, min(lower(span)), 1 from spans group by grp, key, board_id
  union all select grp, key, '', board_id, 7, max(upper(span)) - interval '1 microsecond', 1 from spans
             group by grp, key, board_id having max(upper(span)) < 'infinity'
  union all select grp, key, '', board_id, 8, lower(span), 1 from spans
  union all select grp, key, '', board_id, 8, upper(span), -1 from spans where upper(span) < 'infinity'
  union all select grp, key, '', board_id, 9, starts, speed from ridden
  union all select grp, key, '', board_id, 9, ends, -speed from ridden
  union all select distinct grp, key, name, board_id, 1, at, 1 from happened where grp in ` + namedGroups + `
  union all select grp, key, name, board_id, 6, starts, 1 from carrying where grp in ` + namedGroups + ` and starts < ends
  union all select grp, key, name, board_id, 7, ends - interval '1 microsecond', 1 from carrying
             where grp in ` + namedGroups + ` and starts < ends and ends < 'infinity'
),
steps as (
  select board_id, (at at time zone 'UTC')::date as day, grp::smallint as grp, key, name, kind::smallint as kind,
         (extract(epoch from (at at time zone 'UTC')::time) * 1000000)::bigint as us, sum(value) as value
    from moves group by 1, 2, 3, 4, 5, 6, 7 having sum(value) <> 0
),
fresh as (
  select board_id, day, array_agg(grp) as grp, array_agg(key) as key, array_agg(name) as name, array_agg(kind) as kind, array_agg(us) as us,
         array_agg(value) as value
    from (select * from steps order by board_id, day, grp, key, name, kind, us) s group by board_id, day
)`

	unpacked = `unnest(c.grp, c.key, c.name, c.kind, c.us, c.value) as u (grp, key, name, kind, us, value)`
)

// sumOf builds the columns of the sums from steps d: one per kind, and for service and
// distance the moments after the beginning of the period.
func sumOf() string {
	var b strings.Builder
	for i, c := range sumColumns {
		cast := "bigint"
		if c == "distance" {
			cast = "numeric"
		}
		fmt.Fprintf(&b, ", coalesce(sum(d.value) filter (where d.kind = %d), 0)::%s as %s", i+1, cast, c)
	}
	for _, kind := range []int{8, 9} {
		fmt.Fprintf(&b, ", coalesce(sum(d.value * (d.us + (d.day - p.period) * 86400000000)) filter (where d.kind = %d), 0) as %s_us", kind, sumColumns[kind-1])
	}
	return b.String()
}

// summed sums steps d up by year, month and day.
func summed(steps string) string {
	return `
select @shop::uuid as shop_id, d.grp, p.level, p.period, d.key, d.name` + sumOf() + `,
       max(d.day + d.us * interval '1 microsecond') filter (where d.kind = 1 and d.value > 0) at time zone 'UTC' as last_at
  from ` + steps + ` d cross join lateral (values (1::smallint, date_trunc('year', d.day)::date), (2::smallint, date_trunc('month', d.day)::date),
         (3::smallint, d.day)) as p (level, period)
 group by d.grp, p.level, p.period, d.key, d.name`
}

// sumsInsert names the columns that summed gives.
var sumsInsert = `insert into recurrence_sums (shop_id, grp, level, period, key, name, ` + strings.Join(sumColumns, ", ") + `, service_us, distance_us, last_at)`

// sumsAdd adds a row to the one that is there.
func sumsAdd() string {
	var b strings.Builder
	b.WriteString(` on conflict (shop_id, grp, level, period, key, name) do update set last_at = greatest(recurrence_sums.last_at, excluded.last_at)`)
	for _, c := range append([]string{"service_us", "distance_us"}, sumColumns...) {
		fmt.Fprintf(&b, ", %[1]s = recurrence_sums.%[1]s + excluded.%[1]s", c)
	}
	return b.String()
}

// stepsSQL is the steps of @boards, as fresh rows of recurrence_contributions.
func stepsSQL() string {
	var happened, carrying []string
	base := ""
	for _, g := range []shop.RecurrenceGroup{shop.ByComponent, shop.ByFailureMode, shop.ByCause, shop.ByConnectorFamily, shop.BySealing,
		shop.ByPart, shop.ByLot, shop.ByAction} {
		sql := recurrenceGroups[g].sql(shop.RecurrenceFilter{})
		base = sql.base
		happened = append(happened, fmt.Sprintf(`select %d as grp, key, name, id, job_id, board_id, at, since from (%s) e`, sumGroups[g], sql.events))
		if at := sumGroups[g]; g == shop.ByComponent || at > sumGroups[shop.ByCause] {
			if g == shop.ByComponent {
				at = groupOfAll
			}
			carrying = append(carrying, fmt.Sprintf(`select %d as grp, coalesce(key, '') as key, coalesce(name, '') as name, board_id, unit, starts, ends from (%s) c`, at, sql.carriers))
		}
	}
	const union = `
 union all `
	return `with` + stepsScope + base + `,
happened as (` + strings.Join(happened, union) + `),
carrying as (` + strings.Join(carrying, union) + `)` + stepsOfBoards
}

// sumsSQL are the statements of the sums, made once.
type sumsSQL struct {
	renew string // contributions and sums of @boards
	fill  string // contributions of @boards alone, where there are none
	sumUp string // all sums from the contributions
}

func newSumsSQL() (s sumsSQL) {
	steps := stepsSQL()
	s.renew = steps + `,
old as (
  select c.day, u.* from recurrence_contributions c cross join ` + unpacked + ` where c.shop_id = @shop and c.board_id = any(@boards)
),
changed as materialized (
  select day, grp, key, name, kind, us, sum(value) as value
    from (select day, grp, key, name, kind, us, value from steps union all select day, grp, key, name, kind, us, -value from old) d
   group by 1, 2, 3, 4, 5, 6 having sum(value) <> 0
),
gone as (
  delete from recurrence_contributions c
   where c.shop_id = @shop and c.board_id = any(@boards) and not exists (select from fresh f where f.board_id = c.board_id and f.day = c.day)
),
kept as (
  insert into recurrence_contributions as c (shop_id, board_id, day, grp, key, name, kind, us, value)
  select @shop, * from fresh
      on conflict (shop_id, board_id, day) do update
     set grp = excluded.grp, key = excluded.key, name = excluded.name, kind = excluded.kind, us = excluded.us, value = excluded.value
   where (c.grp, c.key, c.name, c.kind, c.us, c.value)
         is distinct from (excluded.grp, excluded.key, excluded.name, excluded.kind, excluded.us, excluded.value)
),
added as (` + sumsInsert + summed("changed") + `
order by d.grp, p.level, p.period, d.key, d.name` + sumsAdd() + `
),` + reached + `
select distinct grp, key, name, day from changed where kind = 1 and value < 0 order by 1, 2, 3, 4`
	s.fill = steps + `,` + reached + `
insert into recurrence_contributions (shop_id, board_id, day, grp, key, name, kind, us, value) select @shop, * from fresh`
	s.sumUp = sumsInsert + summed(`(select c.day, u.* from recurrence_contributions c cross join `+unpacked+` where c.shop_id = @shop)`) + `
 order by d.grp, p.level, p.period, d.key, d.name` // as the list reads them
	return s
}

// reached writes down the latest of the steps.
const reached = `
reached as (
  insert into recurrence_progress as p (shop_id, newest)
  select @shop, max(day + us * interval '1 microsecond') at time zone 'UTC' from steps having count(*) > 0
      on conflict (shop_id) do update set newest = greatest(p.newest, excluded.newest)
)`

// always is a window without end.
func always(args pgx.NamedArgs) pgx.NamedArgs {
	args["from"] = pgtype.Timestamptz{InfinityModifier: pgtype.NegativeInfinity, Valid: true}
	args["to"] = pgtype.Timestamptz{InfinityModifier: pgtype.Infinity, Valid: true}
	return args
}

var theSums = newSumsSQL()

const (
	// sumsChunk is how many boards are renewed in one transaction.
	sumsChunk = 500
	// rebuildChunk is how many boards are read together when all is made anew.
	rebuildChunk = 2000
	// sumsAtOnce is how many marks a reader works off before it reads. With more it
	// reads the records themselves, and leaves the marks to the queue.
	sumsAtOnce = 2000
	// sumsRebuild is from how many marked boards on everything is made anew: sums of
	// that many boards touch most days, each once for a chunk.
	sumsRebuild = 20_000
)

// catchUp renews the contributions of marked boards until no mark is left that was
// there when it began, chunk by chunk. It returns false when there are more than atMost.
func (s *Store) catchUp(ctx context.Context, shopID shop.ID, atMost int) (bool, error) {
	for {
		var left int
		err := s.tx(ctx, func(tx pgx.Tx) error {
			left = 0
			marks, err := all(ctx, tx, pgx.RowToStructByPos[mark], `
select id, board_id from recurrence_dirty where shop_id = $1 order by id limit $2`, shopID, atMost+1)
			if err != nil || len(marks) == 0 {
				return err
			}
			if left = len(marks); left > atMost {
				return nil
			}
			left, err = renew(ctx, tx, shopID, marks)
			return err
		})
		if err != nil || left == 0 {
			return err == nil, err
		}
		if left > atMost {
			return false, nil
		}
	}
}

type mark struct {
	ID    int64
	Board shop.ID
}

// renew works off the first of the marks and returns how many are left of them.
func renew(ctx context.Context, tx pgx.Tx, shopID shop.ID, marks []mark) (int, error) {
	if err := lockSums(ctx, tx, shopID); err != nil {
		return 0, err
	}
	seen := map[shop.ID]bool{}
	var boards []shop.ID
	var ids []int64
	for _, m := range marks {
		if !seen[m.Board] && len(boards) == sumsChunk {
			break
		}
		ids = append(ids, m.ID)
		if !seen[m.Board] {
			seen[m.Board] = true
			boards = append(boards, m.Board)
		}
	}
	// Whoever held the lock before may have worked these off; what this statement
	// sees of them then is no change.
	if _, err := tx.Exec(ctx, `delete from recurrence_dirty where shop_id = $1 and id = any($2)`, shopID, ids); err != nil {
		return 0, err
	}
	lost, err := all(ctx, tx, pgx.RowToStructByPos[lostHit], theSums.renew, always(pgx.NamedArgs{"shop": shopID, "boards": boards}))
	if err != nil {
		return 0, err
	}
	return len(marks) - len(ids), findLast(ctx, tx, shopID, lost)
}

// noJIT is for statements of many small steps: compiling them takes longer than they
// run (hundreds of expressions, a second or two).
const noJIT = `set local jit = off`

// noWorkers is for statements that read a few thousand rows by index: starting helpers
// takes longer.
const noWorkers = `set local max_parallel_workers_per_gather = 0`

// lockSums has one at a time write the sums of a shop, without compiling statements.
func lockSums(ctx context.Context, tx pgx.Tx, shopID shop.ID) error {
	if _, err := tx.Exec(ctx, noJIT); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended('recurrence_sums ' || $1::text, 0))`, shopID.String())
	return err
}

// lostHit is a day on which a failure does not count any more.
type lostHit struct {
	Grp       int16
	Key, Name string
	Day       time.Time
}

// findLast finds the last failure again where one was taken away, by day and from
// these by month and year.
func findLast(ctx context.Context, tx pgx.Tx, shopID shop.ID, lost []lostHit) error {
	if len(lost) == 0 {
		return nil
	}
	b := &pgx.Batch{}
	for _, l := range lost {
		b.Queue(`
update recurrence_sums s set last_at = (
  select max(c.day + u.us * interval '1 microsecond') at time zone 'UTC'
    from recurrence_contributions c cross join `+unpacked+`
   where c.shop_id = s.shop_id and c.day = s.period and (u.grp, u.key, u.name, u.kind) = (s.grp, s.key, s.name, 1))
 where s.shop_id = $1 and s.grp = $2 and s.level = 3 and s.period = $3 and s.key = $4 and s.name = $5`, shopID, l.Grp, l.Day, l.Key, l.Name)
	}
	for _, l := range lost {
		for i, unit := range []string{"year", "month"} {
			b.Queue(`
update recurrence_sums s set last_at = (
  select max(d.last_at) from recurrence_sums d
   where d.shop_id = s.shop_id and d.grp = s.grp and d.level = 3 and d.period >= s.period and d.period < s.period + ('1 ' || $6)::interval
     and d.key = s.key and d.name = s.name)
 where s.shop_id = $1 and s.grp = $2 and s.level = $7 and s.period = date_trunc($6, $3::date)::date and s.key = $4 and s.name = $5`,
				shopID, l.Grp, l.Day, l.Key, l.Name, unit, i+1)
		}
	}
	return tx.SendBatch(ctx, b).Close()
}

// rebuildSums makes everything anew from the records. Marks of changes that are not
// committed yet stay.
func (s *Store) rebuildSums(ctx context.Context, shopID shop.ID) error {
	return s.tx(ctx, func(tx pgx.Tx) error {
		if err := lockSums(ctx, tx, shopID); err != nil {
			return err
		}
		for _, sql := range []string{`delete from recurrence_dirty where shop_id = $1`, `delete from recurrence_contributions where shop_id = $1`,
			`delete from recurrence_sums where shop_id = $1`, `delete from recurrence_progress where shop_id = $1`} {
			if _, err := tx.Exec(ctx, sql, shopID); err != nil {
				return err
			}
		}
		boards, err := all(ctx, tx, pgx.RowTo[shop.ID], `select id from boards where shop_id = $1 order by id`, shopID)
		if err != nil {
			return err
		}
		for len(boards) > 0 {
			n := min(len(boards), rebuildChunk)
			if _, err := tx.Exec(ctx, theSums.fill, always(pgx.NamedArgs{"shop": shopID, "boards": boards[:n]})); err != nil {
				return err
			}
			boards = boards[n:]
		}
		_, err = tx.Exec(ctx, theSums.sumUp, pgx.NamedArgs{"shop": shopID})
		return err
	})
}
