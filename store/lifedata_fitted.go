package store

import (
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

// What was fitted, from its first day on: the life of a piece needs where it was before
// the window and on other boards, too. The definitions are at the head of lifedata.go.
const (
	// lotOfPiece is the lot of an installation x, or where it has none that of another
	// installation of the same article and serial.
	lotOfPiece = `coalesce(nullif(btrim(x.lot), ''), (select min(btrim(y.lot)) from installed_parts y
   where y.shop_id = @shop and btrim(x.serial) <> '' and lower(btrim(y.serial)) = lower(btrim(x.serial)) and btrim(y.serial) <> ''
     and coalesce(y.part_id::text, y.part_name) = ` + installedPart + ` and btrim(y.lot) <> ''), '')`

	// watched are the times in which each thing of the key was under observation.
	watched = `
watched as (
  select c.item, array_agg(greatest(c.starts, s.first) order by c.starts) as starts,
         array_agg(case when @contact then least(c.ends, s.seen) else c.ends end order by c.starts) as ends
    from carriers c join service s on s.board_id = c.board_id
   where c.key = @key and c.starts < c.ends group by c.item
)`

	fittedConnectors = `
select x.id::text, '', '', x.place, x.board_id, b.serial, x.fitted_at, x.removed_at, w.starts, w.ends, n.opened_at, n.failure_mode, n.id, n.number
  from watched w
  join connectors x on x.shop_id = @shop and x.id = w.item::uuid
  join boards b on b.shop_id = @shop and b.id = x.board_id
  left join lateral (
    select j.opened_at, f.failure_mode, j.id, j.number` + failuresOfBoard + ` and f.connector_id = x.id` + firstOfThem + `
 order by x.fitted_at, x.id`

	fittedParts = `,
pieces as (
  select distinct ` + installedPart + ` as article, lower(btrim(x.serial)) as serial
    from watched w join installed_parts x on x.shop_id = @shop and x.id = w.item::uuid where btrim(x.serial) <> ''
),
installed as (
  select x.* from watched w join installed_parts x on x.shop_id = @shop and x.id = w.item::uuid
  union
  select x.* from pieces p join installed_parts x on x.shop_id = @shop and btrim(x.serial) <> '' and lower(btrim(x.serial)) = p.serial
     and ` + installedPart + ` = p.article
   where x.installed_at < @to
)
select x.id::text, ` + installedPart + `, btrim(x.serial), x.part_name, x.board_id, b.serial, x.installed_at, x.removed_at,
       w.starts, w.ends, n.opened_at, n.failure_mode, n.id, n.number
  from installed x
  join boards b on b.shop_id = @shop and b.id = x.board_id
  left join watched w on w.item = x.id::text
  left join lateral (
    select j.opened_at, f.failure_mode, j.id, j.number` + failuresOfBoard + ` and f.installed_part_id = x.id` + firstOfThem + `
 order by x.installed_at, x.id`

	// The first failure n of a thing x: of those of its board, with what names it in
	// between.
	failuresOfBoard = `
      from faults f join jobs j on j.shop_id = f.shop_id and j.id = f.job_id
     where f.shop_id = @shop and f.board_id = x.board_id and f.at < @to{of kinds}`
	firstOfThem = `
     order by j.opened_at, f.at, f.id limit 1) n on true`
)

// fittedThings reads what was fitted, by what a group's things are.
var fittedThings = map[recurrenceThing]string{connectorOfBoard: fittedConnectors, partOfBoard: fittedParts}

func scanFitting(row pgx.CollectableRow) (f shop.Fitting, err error) {
	var starts, ends []time.Time
	var at *time.Time
	var mode *string
	var job *shop.ID
	var number *int
	err = row.Scan(&f.Item, &f.Article, &f.Serial, &f.Name, &f.BoardID, &f.BoardSerial, &f.At, &f.Removed, &starts, &ends, &at, &mode, &job, &number)
	for i := range starts {
		f.Watched = append(f.Watched, shop.Span{Starts: starts[i], Ends: ends[i]})
	}
	if at != nil {
		f.Failed = &shop.FittingFailure{At: *at, Mode: *mode, JobID: *job, JobNumber: *number}
	}
	return f, err
}
