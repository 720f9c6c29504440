package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// Definitions of the recurrence report.
//
// The window is [From, min(To, Now)).
//
// A failure is a fault confirmed in the window, waived ones included: that the
// shop left it unrepaired does not mean that it did not happen.
//
// A board's service begins at its first contact with the shop, the earlier of
// its record and its first job, and ends at Now, or when a job of it was closed
// as scrapped. Exposure is service time within the window; it is right-censored
// there (IEC 60050-192, "time in service"; Nelson, "Recurrent Events Data
// Analysis", 2003, counts the same way).
//
// Distance comes from odometer readings, those of the jobs and the board's own.
// Between two readings it grows in a straight line; before the first and after
// the last it is unknown and counts as none. Where an odometer went backwards
// (another controller, a reset) the distance between the two is unknown too. A
// board with fewer than two readings has no distance.
//
// A failure was there at entry when it was found in the job of the board's first
// contact, or in one opened before the thing that failed was fitted: nobody saw it
// coming. It is in the counts of failures, boards and shares, but no rate, no test
// and no comparison of earlier with later has it: boards come to a shop because
// something failed, so that such failures say much of how boards are chosen and
// little of how often one fails. The drill-down leaves them out of the same figures.
//
// What carries a group's thing, and which failures count against it:
//
//   - component, failure_mode, cause: every board, for its whole service;
//   - connector_family, sealing: a board while a connector of that kind is in its
//     register, from fitted to removed; failures that name such a connector;
//   - part, lot: a board while such a part is installed; failures that name such
//     an installed part;
//   - action: a repair with that action, from the repair to the next fault of the
//     same component on the same board in a later job, which is the failure, or
//     to the end of service. It asks which repair lasts.
//
// Overlapping spans of one thing on one board count once: three connectors of a
// family make one board-day a day. A removed thing that was fitted before the
// first contact counts from the first contact. Groups by connector, part and
// action also list keys that had exposure and no failure: that is the answer to
// "which one holds". What the drill-down adds (ages, trends, lives) is defined at
// the head of lifedata.go.
//
// Filters narrow the list, its drill-down and its files alike:
//
//   - model: boards of that make and model as recorded, in any case of letters; the
//     failures of others and their service are left out. "-" is the boards of which
//     neither is recorded. All models together are the whole.
//   - component: failures of that component; exposure stays, because every board has
//     every component. By connector_family, sealing, part and lot the record of the
//     connector or part says whose it is, both for failures and exposure; where it
//     says nothing, the fault's component counts, and exposure stays.
//   - cause, failure mode: failures of that kind; exposure stays.
//   - connector family: failures that name such a connector, and exposure while one
//     was fitted to the board.
//   - by action a filter by component, cause, failure mode or family is about the
//     fault that was mended: only those repairs are followed, and what ends their
//     lives is the same as without a filter.

// board-wide events: every board carries the key.
//
// What stands in braces is filled by recurrenceGroup.sql, with nothing where there is
// no filter.
const (
	eventsByFault = `
select k.key, k.key as name, w.id, w.job_id, w.board_id, w.at, ''::text as action, ''::text as item, {since} as since
  from failed w cross join lateral (select {key} as key) k where k.key <> ''`
	carriersAll = `
select null::text as key, null::text as name, board_id, ''::text as unit, starts, ends, first as origin, ''::text as item from service`
)

const (
	eventsByConnector = `
select k.key, k.key as name, w.id, w.job_id, w.board_id, w.at, ''::text as action, x.id::text as item, {since} as since
  from failed w
  join connectors x on x.shop_id = @shop and x.id = w.connector_id
  cross join lateral (select {key} as key) k where k.key <> ''{of events}`
	carriersByConnector = `
select {key} as key, {key} as name, x.board_id, ''::text as unit,
       greatest(x.fitted_at, s.starts) as starts, least(coalesce(x.removed_at, s.ends), s.ends) as ends, x.fitted_at as origin, x.id::text as item
  from connectors x join service s on s.board_id = x.board_id
 where x.shop_id = @shop and {key} <> ''{of things}`
)

// installedKey names what an installed part is: the article, or for a part from
// elsewhere its name.
const (
	installedPart = `coalesce(x.part_id::text, x.part_name)`
	installedLot  = `btrim(x.lot)`

	eventsByInstalled = `
select k.key, x.part_name as name, w.id, w.job_id, w.board_id, w.at, ''::text as action, x.id::text as item, {since} as since
  from failed w
  join installed_parts x on x.shop_id = @shop and x.id = w.installed_part_id
  cross join lateral (select {key} as key) k where k.key <> ''{of events}`
	carriersByInstalled = `
select {key} as key, x.part_name as name, x.board_id, ''::text as unit,
       greatest(x.installed_at, s.starts) as starts, least(coalesce(x.removed_at, s.ends), s.ends) as ends, x.installed_at as origin, x.id::text as item
  from installed_parts x join service s on s.board_id = x.board_id
 where x.shop_id = @shop and {key} <> ''{of things}`
)

// A repair's unit is the component it mended: two components of one board under
// the same action are two things at risk.
const (
	mended = `
select r.action as key, f.board_id, f.component, r.at as starts, n.id, n.job_id, n.at
  from repairs r
  join faults f on f.shop_id = r.shop_id and f.job_id = r.job_id and f.id = r.fault_id
  left join lateral (
    select l.id, l.job_id, l.at from faults l
     where l.shop_id = f.shop_id and l.board_id = f.board_id and l.component = f.component
       and l.at > r.at and l.job_id <> f.job_id
     order by l.at, l.id limit 1) n on true
 where r.shop_id = @shop{of repairs}`

	eventsByAction = `
select distinct m.key, m.key as name, m.id, m.job_id, m.board_id, m.at, m.key as action, ''::text as item, null::timestamptz as since
  from (` + mended + `) m where m.at >= @from and m.at < @to`
	carriersByAction = `
select m.key, m.key as name, m.board_id, m.component as unit,
       greatest(m.starts, s.starts) as starts, least(coalesce(m.at, s.ends), s.ends) as ends, m.starts as origin, ''::text as item
  from (` + mended + `) m join service s on s.board_id = m.board_id`
)

// boardService is each board's span within the window. first is its first contact:
// a job opened within a day of the board's record is that contact, since the record
// was made for it. seen is the last contact, now while a job is open.
const boardService = `
service as (
  select b.id as board_id,
         case when j.first_opened < b.created_at + interval '1 day' then j.first_opened else b.created_at end as first,
         greatest(b.created_at, j.last_seen) as seen,
         greatest(@from::timestamptz, least(b.created_at, j.first_opened)) as starts,
         least(@to::timestamptz, j.scrapped) as ends
    from boards b
    left join (select board_id, min(opened_at) as first_opened, min(closed_at) filter (where state = 'scrapped') as scrapped,
                      max(coalesce(closed_at, @to)) as last_seen
                 from jobs where shop_id = @shop group by board_id) j on j.board_id = b.id
   where b.shop_id = @shop{of boards}
)`

// recurrenceBase has beside the service the faults of the window.
const recurrenceBase = boardService + `,
failed as (
  select f.* from faults f where f.shop_id = @shop and f.at >= @from and f.at < @to{of faults}
)`

// odometerReadings are what odometers showed and when.
const odometerReadings = `
readings as (
  select board_id, at, max(km) as km from (
    select board_id, opened_at as at, odometer_km as km from jobs where shop_id = @shop and odometer_km is not null
    union all
    select id, odometer_at, odometer_km from boards where shop_id = @shop and odometer_km is not null) r
  group by board_id, at
)`

// odometerSegments are the straight lines between odometer readings.
const odometerSegments = odometerReadings + `,
segments as (
  select board_id, at as starts, km, lead(at) over w as ends, lead(km) over w as next_km
    from readings window w as (partition by board_id order by at)
)`

// Spans of one thing are joined before they are measured.
const recurrenceExposure = `
spans as (
  select key, board_id, unit, unnest(range_agg(tstzrange(starts, ends))) as span
    from carriers where starts < ends group by key, board_id, unit
),` + odometerSegments + `,
exposure as (
  select key, count(distinct board_id)::int as carriers, sum(extract(epoch from upper(span) - lower(span))) / 86400 as days
    from spans group by key
),
distance as (
  select p.key, sum((s.next_km - s.km)
           * extract(epoch from least(upper(p.span), s.ends) - greatest(lower(p.span), s.starts))
           / extract(epoch from s.ends - s.starts)) as km
    from spans p join segments s on s.board_id = p.board_id
   where s.next_km > s.km and s.starts < upper(p.span) and s.ends > lower(p.span)
   group by p.key
),
hits as (
  select board_id, key, count(distinct job_id) as jobs from events group by board_id, key
),
counted as (
  select e.key, min(e.name) as name, count(distinct e.id)::int as failures, max(e.at) as last_at,
         count(distinct e.job_id) filter (where j.comeback_of is not null)::int as comebacks,
         count(distinct e.id) filter (where j.opened_at <= greatest(s.first, e.since))::int as at_entry
    from events e join jobs j on j.shop_id = @shop and j.id = e.job_id join service s on s.board_id = e.board_id
   group by e.key
),
keys as (
  select key, min(name) as name from (
    select key, name from counted union all select key, name from carriers where starts < ends) k
   where key is not null group by key
)
select k.key, k.name, coalesce(n.failures, 0),
       (select count(*) from hits h where h.key = k.key)::int,
       (select count(*) from hits h where h.key = k.key and h.jobs > 1)::int,
       coalesce(x.carriers, 0), coalesce(x.days, 0)::float8, coalesce(d.km, 0)::float8,
       coalesce(n.comebacks, 0), n.last_at, coalesce(n.at_entry, 0)
  from keys k
  left join counted n on n.key = k.key
  left join exposure x on x.key = k.key or x.key is null
  left join distance d on d.key = k.key or d.key is null
 order by coalesce(n.failures, 0) desc, k.key`

// recurrenceArgs checks a query and gives its SQL and arguments; To is cut at Now.
func recurrenceArgs(shopID shop.ID, q shop.RecurrenceQuery) (recurrenceSQL, pgx.NamedArgs, error) {
	g, ok := recurrenceGroups[q.Group]
	if !ok {
		return recurrenceSQL{}, nil, problem.InField("group",
			"must be component, connector_family, failure_mode, cause, part, lot, sealing or action, not %q", q.Group)
	}
	if !q.From.Before(q.To) {
		return recurrenceSQL{}, nil, problem.InField("from", "must be before to")
	}
	args := pgx.NamedArgs{"shop": shopID, "from": q.From, "to": q.End(), "model": q.Filter.Model, "component": q.Filter.Component,
		"family": q.Filter.Family, "cause": q.Filter.Cause, "mode": q.Filter.FailureMode}
	return g.sql(q.Filter), args, nil
}

// Recurrence counts failures and exposure per key of the group, most failures
// first, then by key. The definitions are at the head of this file. Boards hit
// twice or more are those with failures in two jobs or more. It is read from sums
// where they can give it (recurrence_sums_read.go), else from the records.
func (s *Store) Recurrence(ctx context.Context, shopID shop.ID, q shop.RecurrenceQuery) ([]shop.GroupCount, error) {
	g, args, err := recurrenceArgs(shopID, q)
	if err != nil {
		return nil, err
	}
	if rows, ok, err := s.recurrenceBySums(ctx, shopID, q); ok || err != nil {
		return rows, err
	}
	return s.recurrenceFromRecords(ctx, g, args)
}

func (s *Store) recurrenceFromRecords(ctx context.Context, g recurrenceSQL, args pgx.NamedArgs) ([]shop.GroupCount, error) {
	return all(ctx, s.pool, func(row pgx.CollectableRow) (shop.GroupCount, error) { return scanGroupCount(row) }, `with`+g.base+`,
events as (`+g.events+`),
carriers as (`+g.carriers+`),`+recurrenceExposure, args)
}

// scanGroupCount reads a row of the list, and what stands after it.
func scanGroupCount(row pgx.CollectableRow, more ...any) (c shop.GroupCount, err error) {
	var last *time.Time
	err = row.Scan(append([]any{&c.Key, &c.Name, &c.Failures, &c.Boards, &c.RepeatBoards, &c.Carriers, &c.BoardDays,
		&c.DistanceKM, &c.Comebacks, &last, &c.AtEntry}, more...)...)
	if last != nil {
		c.LastAt = *last
	}
	return c, err
}

// RecurrenceEvents lists the failures behind one row of Recurrence, in order of
// time. Action is the repair that did not last in a report by action, else the
// first repair of the fault.
func (s *Store) RecurrenceEvents(ctx context.Context, shopID shop.ID, q shop.RecurrenceQuery, key string) ([]shop.FaultEvent, error) {
	g, args, err := recurrenceArgs(shopID, q)
	if err != nil {
		return nil, err
	}
	args["key"] = key
	scope, err := s.scopeOfKey(ctx, shopID, q.Group, key, args)
	if err != nil {
		return nil, err
	}
	return all(ctx, s.pool, func(row pgx.CollectableRow) (e shop.FaultEvent, err error) {
		err = row.Scan(&e.FaultID, &e.JobID, &e.BoardID, &e.JobNumber, &e.BoardSerial, &e.Cause, &e.Component,
			&e.At, &e.OdometerKM, &e.Action, &e.ComebackOf)
		return e, err
	}, `with`+scope+g.base+`,
events as (`+g.events+`)
select e.id, e.job_id, e.board_id, j.number, b.serial, f.cause, f.component, f.at, j.odometer_km,
       coalesce(nullif(e.action, ''), (select r.action from repairs r
         where r.shop_id = @shop and r.job_id = f.job_id and r.fault_id = f.id order by r.at, r.id limit 1), ''), j.comeback_of
  from events e
  join faults f on f.shop_id = @shop and f.job_id = e.job_id and f.id = e.id
  join jobs j on j.shop_id = @shop and j.id = e.job_id
  join boards b on b.shop_id = @shop and b.id = e.board_id
 where e.key = @key
 order by f.at, f.id`, args)
}
