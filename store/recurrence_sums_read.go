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

// The plan of the list (EXPLAIN ANALYZE at 1,000,000 jobs, by component, last 12 months):
// six index scans of recurrence_sums_pkey, whose columns stand in the order of the
// question (shop, group, level, period), give 559 rows for the two ends of the window; one
// of recurrence_contributions_by_day gives the 2,119 boards of the day that the window
// cuts, and their steps; planning takes as long as reading. No table of records is
// touched.

// sumsList reads the rows of one group for a window. side is 1 for what lies before
// the window's end and -1 for what lies before its beginning. Where the window reaches
// to the present all years lie before its end.
var sumsList = `
with reach as (
  select coalesce((select newest < @to::timestamptz from recurrence_progress where shop_id = @shop), true) as present
),
edges as materialized (
  select c.day, u.* from recurrence_contributions c cross join ` + unpacked + `
   where c.shop_id = @shop and c.day = any((select array[@from_day::date, case when not present then @to_day::date end] from reach)::date[])
     and u.grp = any(@groups)
),
cut as (
  select e.side, d.* from (values (1, @to_day::date, @to_us::bigint), (-1, @from_day::date, @from_us::bigint)) as e (side, day, us)
    join edges d on d.day = e.day and d.us < e.us and (e.side = -1 or not (select present from reach))
),
parts as (` + sumsParts() + `
  union all
  select side, grp, key, name, day - date '2000-01-01'` + sumsOfCut() + ` from cut
),
totals as (
  select grp, key, name, sum(side * failures) as failures, sum(side * at_entry) as at_entry, sum(side * comebacks) as comebacks,
         sum(side * boards) as boards, sum(side * repeats) as repeats,
         coalesce(sum(carried) filter (where side = 1), 0) - coalesce(sum(released) filter (where side = -1), 0) as carriers,
         sum(side * service * (at_day - day)) * 86400000000 + sum(side * service * at_us) - sum(side * service_us) as us,
         sum(side * (distance * ((at_day - day) * 86400000000 + at_us) - distance_us)) as km
    from (select p.*, case side when 1 then @to_number::bigint else @from_number::bigint end as at_day,
                 case side when 1 then @to_us::bigint else @from_us::bigint end as at_us from parts p) p
   group by grp, key, name
),
named as (
  select t.*, min(name) filter (where name <> '' and (failures > 0 or carriers > 0)) over (partition by grp, key) as shown from totals t
),
latest as (
  select key, max(last_at) as last_at from (` + sumsLatest + `) l group by key
),
whole as (select * from totals where grp = @exposure and @exposure <> @group)
select t.key, coalesce(t.shown, t.key), t.failures::int, t.boards::int, t.repeats::int, coalesce(w.carriers, t.carriers)::int,
       (coalesce(w.us, t.us) * 0.000001 / 86400)::float8, (coalesce(w.km, t.km) * 0.000001)::float8, t.comebacks::int, l.last_at, t.at_entry::int,
       (select present from reach)
  from named t left join latest l on l.key = t.key left join whole w on true
 where t.grp = @group and t.name = '' and (t.failures > 0 or t.us > 0)
 order by t.failures desc, t.key`

// sumsParts is the years, months and days before each end of a window.
func sumsParts() string {
	var parts []string
	for _, end := range []struct{ side, name, present string }{{"1", "to", "(select present from reach)"}, {"-1", "from", "false"}} {
		for _, level := range []string{
			`level = 1 and (%[2]s or period < @%[1]s_year)`,
			`level = 2 and not %[2]s and period >= @%[1]s_year and period < @%[1]s_month`,
			`level = 3 and not %[2]s and period >= @%[1]s_month and period < @%[1]s_day`,
		} {
			parts = append(parts, `
  select `+end.side+` as side, grp, key, name, period - date '2000-01-01' as day, `+strings.Join(sumColumns, ", ")+`, service_us, distance_us
    from recurrence_sums where shop_id = @shop and grp = any(@groups) and `+fmt.Sprintf(level, end.name, end.present))
		}
	}
	return strings.Join(parts, `
  union all`)
}

// sumsOfCut makes rows of single steps.
func sumsOfCut() string {
	var b strings.Builder
	for i, c := range sumColumns {
		if c == "distance" {
			fmt.Fprintf(&b, `, case kind when %d then value else 0 end`, i+1)
			continue
		}
		fmt.Fprintf(&b, `, case kind when %d then value::bigint else 0 end`, i+1)
	}
	return b.String() + `, case kind when 8 then value * us else 0 end, case kind when 9 then value * us else 0 end`
}

// sumsLatest is the last failures of the years, months and days within a window, and
// the failures of the days that it cuts.
const sumsLatest = `
  select key, last_at from recurrence_sums where shop_id = @shop and grp = @group and name = '' and level = 1
     and period > @from_year and period < @to_year
  union all
  select key, last_at from recurrence_sums where shop_id = @shop and grp = @group and name = '' and level = 2
     and period > @from_month and period < @to_month and (period < @from_year + interval '1 year' or period >= @to_year)
  union all
  select key, last_at from recurrence_sums where shop_id = @shop and grp = @group and name = '' and level = 3
     and period > @from_day and (period < @to_day or period = @to_day and (select present from reach)) and (period < @from_month + interval '1 month' or period >= @to_month)
  union all
  select key, (day + us * interval '1 microsecond') at time zone 'UTC'
    from edges where grp = @group and kind = 1 and name = '' and (day > @from_day or us >= @from_us)
     and ((select present from reach) or day < @to_day or us < @to_us)`

// recurrenceBySums reads the list from the sums; false where it must be read from the
// records: with a filter, with more marks than a reader should work off, and for a
// window that ends before the present, unless sums alone are asked for.
func (s *Store) recurrenceBySums(ctx context.Context, shopID shop.ID, q shop.RecurrenceQuery) ([]shop.GroupCount, bool, error) {
	q.To = q.End()
	if q.Filtered() || !q.From.Before(q.To) {
		return nil, false, nil
	}
	if ok, err := s.catchUp(ctx, shopID, sumsAtOnce); !ok || err != nil {
		return nil, false, err
	}
	present := true
	var rows []shop.GroupCount
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(noJIT)
		b.Queue(noWorkers)
		b.Queue(sumsList, sumsArgs(shopID, q)).Query(into(&rows, func(row pgx.CollectableRow) (shop.GroupCount, error) { return scanGroupCount(row, &present) }))
	})
	if err != nil || present {
		return rows, err == nil, err
	}
	if !q.SumsOnly {
		return nil, false, nil
	}
	for i := range rows {
		rows[i].Boards, rows[i].RepeatBoards, rows[i].Carriers, rows[i].Comebacks = 0, 0, 0, 0
	}
	return rows, true, nil
}

func sumsArgs(shopID shop.ID, q shop.RecurrenceQuery) pgx.NamedArgs {
	group := sumGroups[q.Group]
	exposure := group
	if group <= sumGroups[shop.ByCause] {
		exposure = groupOfAll
	}
	args := pgx.NamedArgs{"shop": shopID, "to": q.To, "group": group, "exposure": exposure, "groups": []int16{group, exposure}}
	for name, t := range map[string]time.Time{"from": q.From, "to": q.To} {
		t = t.UTC()
		y, m, d := t.Date()
		date := func(m time.Month, d int) pgtype.Date {
			return pgtype.Date{Time: time.Date(y, m, d, 0, 0, 0, 0, time.UTC), Valid: true}
		}
		day := date(m, d)
		args[name+"_year"], args[name+"_month"], args[name+"_day"] = date(1, 1), date(m, 1), day
		args[name+"_number"] = (day.Time.Unix() - time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).Unix()) / 86400
		args[name+"_us"] = t.Sub(day.Time).Microseconds()
	}
	return args
}
