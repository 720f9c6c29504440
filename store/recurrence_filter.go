package store

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

// recurrenceGroup is what one group counts. named says which record tells whose a
// failure is: none (every board has the thing), that of a connector or part, or that
// of the repaired fault.
type recurrenceGroup struct {
	events, carriers string
	key              string // the expression of its key, in {key}
	since            string // when what failed was fitted, in {since}
	named            recurrenceThing
}

type recurrenceThing int

const (
	wholeBoard recurrenceThing = iota
	connectorOfBoard
	partOfBoard
	repairedFault
)

var recurrenceGroups = map[shop.RecurrenceGroup]recurrenceGroup{
	shop.ByComponent:       {eventsByFault, carriersAll, "w.component", noFitting, wholeBoard},
	shop.ByFailureMode:     {eventsByFault, carriersAll, "w.failure_mode", noFitting, wholeBoard},
	shop.ByCause:           {eventsByFault, carriersAll, "w.cause", noFitting, wholeBoard},
	shop.ByConnectorFamily: {eventsByConnector, carriersByConnector, "btrim(x.family)", "x.fitted_at", connectorOfBoard},
	shop.BySealing:         {eventsByConnector, carriersByConnector, "btrim(x.sealing)", "x.fitted_at", connectorOfBoard},
	shop.ByPart:            {eventsByInstalled, carriersByInstalled, installedPart, "x.installed_at", partOfBoard},
	shop.ByLot:             {eventsByInstalled, carriersByInstalled, installedLot, "x.installed_at", partOfBoard},
	shop.ByAction:          {eventsByAction, carriersByAction, "", "", repairedFault},
}

const (
	noFitting = `null::timestamptz`

	// boardModel is make and model of a board b as one text; an index serves it
	// (boards_by_model).
	boardModel = `lower(btrim(btrim(b.make) || ' ' || btrim(b.model)))`

	// fittedSince is when the connector was fitted that a fault w names.
	fittedSince = `(select y.fitted_at from connectors y where y.shop_id = @shop and y.id = w.connector_id)`

	// whileFamily cuts spans to the times in which a connector of a family was fitted.
	whileFamily = `
select c.key, c.name, c.board_id, c.unit, greatest(c.starts, lower(t.span)) as starts, least(c.ends, upper(t.span)) as ends, c.origin, c.item
  from ({carriers}) c
  join (select y.board_id, unnest(range_agg(tstzrange(y.fitted_at, coalesce(y.removed_at, 'infinity')))) as span
          from connectors y where y.shop_id = @shop and btrim(y.family) = @family group by y.board_id) t
    on t.board_id = c.board_id and lower(t.span) < c.ends and upper(t.span) > c.starts`
)

// recurrenceSQL is the SQL of one query's group, narrowed by its filter. base has
// the service of the boards and the failures of the window, history the failures up
// to its end. fittings reads what was fitted, "" for groups of whole boards.
type recurrenceSQL struct{ base, history, events, carriers, repairs, fittings string }

// sql fills a group's statements. Without a filter the conditions are empty, so that
// the plan is that of the plain report.
func (g recurrenceGroup) sql(f shop.RecurrenceFilter) recurrenceSQL {
	var ofBoards, ofFaults, ofKinds, ofEvents, ofThings, ofRepairs string
	carriers, since := g.carriers, g.since
	if f.Model != "" {
		is := boardModel + ` = lower(@model)`
		if f.Model == shop.ModelNotRecorded {
			is = boardModel + ` = ''`
		}
		ofBoards = ` and ` + is
		ofFaults = ` and exists (select from boards b where b.shop_id = @shop and b.id = f.board_id and ` + is + `)`
	}
	if f.Cause != "" {
		ofKinds += ` and f.cause = @cause`
	}
	if f.FailureMode != "" {
		ofKinds += ` and f.failure_mode = @mode`
	}
	ofFaults += ofKinds
	if f.Component != "" {
		switch g.named {
		case connectorOfBoard, partOfBoard:
			ofEvents = ` and coalesce(nullif(btrim(x.component), ''), w.component) = @component`
			ofThings = ` and btrim(x.component) in ('', @component)`
		default:
			ofFaults += ` and f.component = @component`
		}
	}
	if f.Family != "" {
		ofFaults += ` and exists (select from connectors y where y.shop_id = @shop and y.id = f.connector_id and btrim(y.family) = @family)`
		switch g.named {
		case wholeBoard:
			carriers, since = strings.Replace(whileFamily, "{carriers}", carriers, 1), fittedSince
		case partOfBoard:
			carriers, since = strings.Replace(whileFamily, "{carriers}", carriers, 1), `greatest(`+since+`, `+fittedSince+`)`
		case connectorOfBoard:
			ofThings += ` and btrim(x.family) = @family`
		}
	}
	if g.named == repairedFault {
		ofRepairs = ofFaults
	}
	fill := strings.NewReplacer("{key}", g.key, "{since}", since, "{of boards}", ofBoards, "{of faults}", ofFaults,
		"{of events}", ofEvents, "{of things}", ofThings, "{of repairs}", ofRepairs, "{of kinds}", ofKinds).Replace
	out := recurrenceSQL{base: fill(recurrenceBase), history: fill(boardService + lifeHistory), events: fill(g.events), carriers: fill(carriers),
		repairs: fill(lifeRepairs)}
	if fitted := fittedThings[g.named]; fitted != "" {
		if g.key == installedLot {
			carriers = strings.ReplaceAll(carriers, "{key}", lotOfPiece)
		}
		out.fittings = fill(`carriers as (` + carriers + `),` + watched + fitted)
	}
	return out
}

// RecurrenceChoices lists what boards and connectors a report can be narrowed to. It
// jumps from one value to the next along an index (boards_by_model,
// connectors_by_family), so that it takes as many steps as there are values.
func (s *Store) RecurrenceChoices(ctx context.Context, shopID shop.ID) (models, families []string, err error) {
	args := pgx.NamedArgs{"shop": shopID}
	models, err = all(ctx, s.pool, pgx.RowTo[string], `
with recursive m as (
  (select `+boardModel+` as model from boards b where b.shop_id = @shop order by 1 limit 1)
  union all
  select (select `+boardModel+` from boards b where b.shop_id = @shop and `+boardModel+` > m.model order by 1 limit 1)
    from m where m.model is not null
)
select (select btrim(btrim(b.make) || ' ' || btrim(b.model)) from boards b where b.shop_id = @shop and `+boardModel+` = m.model limit 1)
  from m where m.model is not null order by m.model`, args)
	if err != nil {
		return nil, nil, err
	}
	families, err = all(ctx, s.pool, pgx.RowTo[string], `
with recursive m as (
  (select btrim(x.family) as family from connectors x where x.shop_id = @shop order by 1 limit 1)
  union all
  select (select btrim(x.family) from connectors x where x.shop_id = @shop and btrim(x.family) > m.family order by 1 limit 1)
    from m where m.family is not null
)
select m.family from m where m.family <> '' order by m.family`, args)
	return models, families, err
}
