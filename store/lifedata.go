package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

// From the log to life data. The window, the failures and who carries what are
// defined at the head of recurrence.go; here is what ages and lives are.
//
// Observation. A board is followed from its first contact, or from the beginning of
// the window if that is later, to the end of the window, to now, or to its
// scrapping. What happened before the first contact was not seen: the board comes in
// at that age (left truncation). A job opened within a day of the board's record is
// its first contact. On request observation ends at the last contact instead, the
// last time a job of the board was open: that leaves out of account that no news of
// a board is usually good news, and since visits come with failures it makes trends
// look worse and lives shorter than they are. The truth is usually between the two.
//
// Age. Time in service counts from the first contact for component, failure mode and
// cause, and from the day it was fitted for a connector or a part. Distance is the
// odometer, in a straight line between two visits; a board is followed from its first
// reading to its last. Where an odometer went backwards nothing is added, so ages
// never fall.
//
// Failures. A failure is dated by the opening of its job, which is when it came to
// the shop, not by the hour it was confirmed. One that was there when observation
// began (found in the job of the first contact, or begun before the window) is in the
// counts of the list, but has no age: nobody knows how long it had been coming. The
// trend, the mean cumulative function and the rate under observation leave it out,
// and the page says how many that were. Counting them would put a failure at age 0 of
// nearly every board and make every trend look like an improvement.
//
// Renewal by repair. A life begins with the last repair of a component in a job: what
// was tried before it in the same job never went on the road. It ends with the next
// job of that board in which a fault of that component is confirmed, the comeback.
// Without one it is censored where observation ends. A repair from before the window
// enters at the age it had when the window began. The list by action counts every
// repair, and to the hour at which the fault was confirmed: its figures may differ a
// little from these. Its drill-down sets one action beside all the others together.
//
// Life of what was fitted. A connector or an installed part lives from the day it was
// fitted to the first failure that names it, and is censored when it is removed or
// observation ends. One that had failed before observation began is left out: it is not
// a first life any more, whether it was repaired or not.
//
// A part with a serial is one piece on every board: article and serial, in any case of
// letters. Its age is the time, or the distance, that it was installed; on the shelf it
// does not age. Taken off without a failure and fitted again it goes on with its age,
// and where nobody saw it between, it comes in late at that age. By lot a piece keeps
// the lot that any of its installations names, where another says none. A serial that
// is recorded in two boards at one time is a contradiction: it is named, and each of
// these installations is a piece of its own from the day it was fitted. Nothing is left
// out. (Entering such a one is refused: installed_parts_serial_once.)
//
// What failed in several modes at once counts as the one confirmed first. Modes compete:
// the share that failed in one by an age is what did so while the others were at work.
//
// Two keys are compared by the lives of what was fitted, or by the lives after their
// repairs where boards have no such thing: components, causes and modes are on the same
// boards, so that their first failures are not lives of different things.
//
// Example. The window is the 100 days to 2 March 2026 (day 0). Ages are counted from
// the first contact; all faults are of the motor connector.
//
//	board    first contact   jobs (odometer)                         repair
//	NP-0001  day -80, job    day -80 (1000 km)                       cleaned
//	                         day -50 (1300 km), comeback             replaced
//	                         day -20 (1900 km), comeback             replaced
//	NP-0002  day -100        day -60 (500 km)                        cleaned
//	         (its record)    day -40 (700 km), comeback              replaced
//	NP-0003  day -50, job    day -50 (2000 km)                       cleaned
//	                         day -10 (2400 km), something else       -
//
// Six failures of the connector. Those of NP-0001 on day -80 and NP-0003 on day -50
// were there at first contact, which leaves four: NP-0001 at the ages 30 and 60 days,
// followed to 80; NP-0002 at 40 and 60 days, followed to 100; NP-0003 followed for 50
// days without one. Exposure 80 + 100 + 50 = 230 days.
//
// Mean cumulative function (failures over boards under observation):
//
//	age  boards  failures  sum
//	 30     3       1      0.3333
//	 40     3       1      0.6667
//	 60     2       2      1.6667
//
// Laplace: the failures lie at 30 + 60 - 2·40 = 10 and 40 + 60 - 2·50 = 0 days from the
// middle, in all 10; the variance is 2·80²/12 + 2·100²/12 = 2733.3, so U = 10/52.28 =
// 0.191, p = 0.848: no trend to be seen.
//
// By distance NP-0001 is followed from 1000 to 1900 km with failures at 1300 and 1900
// (the last ends its observation), NP-0002 from 500 to 700 with one at 700 (that of
// 500 km was there at the first reading), NP-0003 from 2000 to 2400 with none.
// Exposure 900 + 200 + 400 = 1500 km.
//
// Lives after cleaning: 30 days to the comeback (NP-0001), 20 to the comeback
// (NP-0002), 50 without one (NP-0003). Kaplan-Meier: 2/3 after 20 days, 1/3 after 30.
// Lives after replacing: 30 to the comeback, then 20 without one (NP-0001), 40 without
// one (NP-0002). Kaplan-Meier: 1 until 30 days, at which two are left, then 1/2.
//
// Example of parts with serials, one article, the window the 200 days to day 0:
//
//	serial  board    installed       what happened
//	K7      NP-0001  day -300..-180  taken off: 120 days old
//	        NP-0002  day -150..      failed on day -90: 120 + 60 = 180 days old
//	K8      NP-0003  day -200..      still there: 200 days
//	K9      NP-0001  day -160..      never taken off as recorded
//	        NP-0004  day -100..      so it cannot be here: a contradiction
//
// K7 comes in at the age of 100 days, when the window begins, and fails at 180. K8 is
// followed from 0 to 200. K9 counts as two pieces, from 0 to 160 and from 0 to 100. At
// 180 days K7 and K8 are left: Kaplan-Meier 1/2. Exposure 80 + 200 + 160 + 100 = 540.

const lifeUnits = `
select c.board_id, b.serial, c.item, c.origin,
       greatest(c.starts, s.first) as starts, case when @contact then least(c.ends, s.seen) else c.ends end as ends
  from carriers c
  join service s on s.board_id = c.board_id
  join boards b on b.shop_id = @shop and b.id = c.board_id
 where (c.key is null or c.key = @key) and c.starts < c.ends
 order by b.serial, c.board_id, c.starts, c.ends`

const lifeEvents = `
select e.id, e.job_id, j.number, e.board_id, e.item, j.opened_at
  from events e join jobs j on j.shop_id = @shop and j.id = e.job_id
 where e.key = @key order by j.opened_at, e.id`

const lifeReadings = odometerReadings + `
select board_id, at, km from readings order by board_id, at`

// Repairs are asked of the whole history up to the end of the window, so that one
// from before it can enter late.
const (
	lifeHistory = `,
failed as (
  select f.* from faults f where f.shop_id = @shop and f.at < @to{of faults}
)`
	lifeRepairs = `
last_repairs as (
  select distinct on (f.board_id, f.job_id, f.component) r.id, r.action, r.at, f.board_id, f.job_id, f.component
    from repairs r
    join faults f on f.shop_id = r.shop_id and f.job_id = r.job_id and f.id = r.fault_id
   where r.shop_id = @shop and r.at < @to and (@every or f.id in (select e.id from events e where e.key = @key)){of repairs}
   order by f.board_id, f.job_id, f.component, r.at desc, r.id desc
)
select m.action, m.component, m.board_id, b.serial, m.job_id, j.number, m.at, greatest(m.at, s.starts),
       greatest(m.at, case when @contact then least(s.ends, s.seen) else s.ends end), n.id, n.number, n.opened_at
  from last_repairs m
  join service s on s.board_id = m.board_id
  join boards b on b.shop_id = @shop and b.id = m.board_id
  join jobs j on j.shop_id = @shop and j.id = m.job_id
  left join lateral (
    select k.id, k.number, k.opened_at
      from faults l join jobs k on k.shop_id = l.shop_id and k.id = l.job_id
     where l.shop_id = @shop and l.board_id = m.board_id and l.component = m.component and l.job_id <> m.job_id
       and k.opened_at > m.at and l.at < @to
     order by k.opened_at, k.id limit 1) n on true
 order by m.at, m.id`
)

// LifeData reads what the log says of one key: boards under observation, failures
// with their dates, and lives after repairs. Repairs of a report by action are those
// of every action, so that they can be compared. Readings are there for distance
// only. The definitions are at the head of this file.
func (s *Store) LifeData(ctx context.Context, shopID shop.ID, q shop.RecurrenceQuery, key string, distance bool) (shop.LifeData, error) {
	var d shop.LifeData
	g, args, err := recurrenceArgs(shopID, q)
	if err != nil {
		return d, err
	}
	args["key"], args["contact"], args["every"] = key, q.ToLastContact, q.Group == shop.ByAction
	scope, err := s.scopeOfKey(ctx, shopID, q.Group, key, args)
	if err != nil {
		return d, err
	}
	with := `with` + scope + g.history + `,
`
	err = s.snapshot(ctx, func(b *pgx.Batch) {
		d = shop.LifeData{}
		b.Queue(noJIT)
		if q.Group != shop.ByAction {
			b.Queue(with+`carriers as (`+g.carriers+`)`+lifeUnits, args).Query(into(&d.Units, scanLifeUnit))
		}
		if g.fittings != "" {
			b.Queue(with+g.fittings, args).Query(into(&d.Fittings, scanFitting))
		}
		b.Queue(`with`+scope+g.base+`,
events as (`+g.events+`)`+lifeEvents, args).Query(into(&d.Events, scanLifeEvent))
		b.Queue(with+`events as (`+g.events+`),`+g.repairs, args).Query(into(&d.Repairs, scanRepairLife))
		if distance {
			b.Queue(`with`+scope+lifeReadings, args).Query(into(&d.Readings, pgx.RowToStructByPos[shop.OdometerReading]))
		}
	})
	return d, err
}

func scanLifeUnit(row pgx.CollectableRow) (u shop.LifeUnit, err error) {
	err = row.Scan(&u.BoardID, &u.BoardSerial, &u.Item, &u.Origin, &u.Starts, &u.Ends)
	return u, err
}

func scanLifeEvent(row pgx.CollectableRow) (e shop.LifeEvent, err error) {
	err = row.Scan(&e.FaultID, &e.JobID, &e.JobNumber, &e.BoardID, &e.Item, &e.At)
	return e, err
}

func scanRepairLife(row pgx.CollectableRow) (r shop.RepairLife, err error) {
	var job *shop.ID
	var number *int
	var at *time.Time
	err = row.Scan(&r.Action, &r.Component, &r.BoardID, &r.BoardSerial, &r.JobID, &r.JobNumber, &r.At, &r.Starts, &r.Ends, &job, &number, &at)
	// A comeback after the end of observation has not been seen.
	if at != nil && !at.After(r.Ends) {
		r.Comeback = &shop.CameBack{JobID: *job, JobNumber: *number, At: *at}
		r.Ends = *at
	}
	return r, err
}
