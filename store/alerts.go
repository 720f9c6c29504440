package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

const alertColumns = `
o.id, o.grp, o.key, o.name, o.raised_at, o.raised, o.updated_at, o.figures, o.cleared_at, o.set_aside_at, o.set_aside_by, o.set_aside_reason`

// worstFirst puts first what is most certain to fail more than the others.
const worstFirst = `(o.figures ->> 'lower')::float8 desc nulls last, o.id`

// alertTargets returns where a row of alertColumns goes, and what finishes the alert
// after the scan.
func alertTargets(a *shop.RecurrenceAlert) (targets []any, finish func()) {
	var (
		at         *time.Time
		by, reason string
	)
	return []any{&a.ID, &a.Group, &a.Key, &a.Name, &a.RaisedAt, &a.Raised, &a.UpdatedAt, &a.Figures, &a.ClearedAt, &at, &by, &reason}, func() {
		if at != nil {
			a.SetAside = &shop.SetAside{At: *at, By: by, Reason: reason}
		}
	}
}

func scanAlert(row pgx.CollectableRow) (a shop.RecurrenceAlert, err error) {
	targets, finish := alertTargets(&a)
	err = row.Scan(targets...)
	finish()
	return a, err
}

// OpenAlerts lists the alerts that hold, those set aside too, worst first.
func (s *Store) OpenAlerts(ctx context.Context, shopID shop.ID) ([]shop.RecurrenceAlert, error) {
	return all(ctx, s.pool, scanAlert, `
select`+alertColumns+` from recurrence_alerts o where o.shop_id = $1 and o.cleared_at is null order by `+worstFirst, shopID)
}

// AlertsChecked is when the figures were last looked at; zero: never.
func (s *Store) AlertsChecked(ctx context.Context, shopID shop.ID) (time.Time, error) {
	at, err := one(ctx, s.pool, "check", pgx.RowTo[*time.Time], `
select max(at) from recurrence_alert_checks where shop_id = $1`, shopID)
	if err != nil || at == nil {
		return time.Time{}, err
	}
	return *at, nil
}

// ChangeAlerts writes what a look changed and when it was. It writes nothing when a
// later look was written already, and raises no second alert of a key that has an open
// one.
func (s *Store) ChangeAlerts(ctx context.Context, shopID shop.ID, c shop.AlertChange) error {
	return s.tx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
insert into recurrence_alert_checks (shop_id, at) values ($1, $2)
on conflict (shop_id) do update set at = excluded.at where recurrence_alert_checks.at < excluded.at`, shopID, c.At)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		b := &pgx.Batch{}
		for _, list := range [][]shop.RecurrenceAlert{c.Update, c.Clear} {
			for i := range list {
				a := &list[i]
				b.Queue(`
update recurrence_alerts set name = $3, updated_at = $4, figures = $5, cleared_at = $6
 where shop_id = $1 and id = $2 and cleared_at is null`, shopID, a.ID, a.Name, a.UpdatedAt, a.Figures, a.ClearedAt)
			}
		}
		for i := range c.Raise {
			a := &c.Raise[i]
			b.Queue(`
insert into recurrence_alerts (shop_id, id, grp, key, name, raised_at, raised, updated_at, figures) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)
on conflict (shop_id, grp, key) where cleared_at is null do nothing`,
				shopID, newID(a.ID), a.Group, a.Key, a.Name, a.RaisedAt, a.Raised, a.UpdatedAt, a.Figures)
		}
		return tx.SendBatch(ctx, b).Close()
	})
}

// SetAlertAside marks an open alert. NotFound when the shop has no such alert,
// Conflict when it has cleared or is set aside already.
func (s *Store) SetAlertAside(ctx context.Context, shopID, id shop.ID, v shop.SetAside, audit shop.AuditEvent) (shop.RecurrenceAlert, error) {
	var got shop.RecurrenceAlert
	err := s.tx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
update recurrence_alerts set set_aside_at = $3, set_aside_by = $4, set_aside_reason = $5
 where shop_id = $1 and id = $2 and cleared_at is null and set_aside_at is null`, shopID, id, v.At, v.By, v.Reason)
		if err != nil {
			return err
		}
		got, err = one(ctx, tx, "alert", scanAlert, `select`+alertColumns+` from recurrence_alerts o where o.shop_id = $1 and o.id = $2`, shopID, id)
		switch {
		case err != nil:
			return err
		case tag.RowsAffected() > 0:
			return writeAudit(ctx, tx, shopID, audit)
		case got.ClearedAt != nil:
			return problem.New(problem.Conflict, "This alert has cleared: it no longer holds.")
		}
		return problem.New(problem.Conflict, "This alert was set aside already, by %s.", got.SetAside.By)
	})
	if err != nil {
		return shop.RecurrenceAlert{}, err
	}
	return got, nil
}

// AlertsOfBoard lists the open alerts, but those set aside, of what a board carries,
// worst first. An action is carried by a component whose newest repair it was, until a
// later job finds that component failed. Alerts of connectors are listed without a
// place when the family of no fitted connector of the board is recorded.
//
// EXPLAIN on 200,000 boards, 1,500,000 faults and as many repairs: the open alerts come
// from recurrence_alerts_one_open (a handful), and for each group only the board's own
// rows are read: connectors from connectors_of_board, installed parts from
// installed_parts_of_board, faults from faults_by_board, their repairs from repairs_pkey.
// The parts of the union whose group has no open alert are never executed. No index was
// added for it.
func (s *Store) AlertsOfBoard(ctx context.Context, shopID, boardID shop.ID) ([]shop.CarriedAlert, error) {
	type found struct {
		alert   shop.RecurrenceAlert
		carried *shop.Carried
	}
	rows, err := all(ctx, s.pool, func(row pgx.CollectableRow) (f found, err error) {
		var (
			known bool
			c     shop.Carried
			since *time.Time
		)
		targets, finish := alertTargets(&f.alert)
		err = row.Scan(append(targets, &known, &c.Component, &c.Name, &since, &c.JobID)...)
		finish()
		if known && since != nil {
			c.Since, f.carried = *since, &c
		}
		return f, err
	}, `
select`+alertColumns+`, c.known, c.component, c.name, c.since, c.job_id
  from recurrence_alerts o cross join lateral (
    select true as known, x.component, x.place as name, x.fitted_at as since, null::uuid as job_id
      from connectors x
     where o.grp = 'connector_family' and x.shop_id = @shop and x.board_id = @board and x.removed_at is null and btrim(x.family) = o.key
    union all
    select false, '', '', null, null
     where o.grp = 'connector_family' and not exists (
       select from connectors x where x.shop_id = @shop and x.board_id = @board and x.removed_at is null and btrim(x.family) <> '')
    union all
    select true, x.component, x.part_name, x.installed_at, r.job_id
      from installed_parts x left join repairs r on r.shop_id = x.shop_id and r.id = x.repair_id
     where o.grp in ('part', 'lot') and x.shop_id = @shop and x.board_id = @board and x.removed_at is null
       and case o.grp when 'part' then `+installedPart+` else `+installedLot+` end = o.key
    union all
    select true, m.component, '', m.at, m.job_id
      from (select distinct on (f.component) f.component, f.job_id, r.action, r.at
              from faults f join repairs r on r.shop_id = f.shop_id and r.job_id = f.job_id and r.fault_id = f.id
             where o.grp = 'action' and f.shop_id = @shop and f.board_id = @board
             order by f.component, r.at desc, r.id desc) m
     where m.action = o.key and not exists (
       select from faults l where l.shop_id = @shop and l.board_id = @board and l.component = m.component
          and l.at > m.at and l.job_id <> m.job_id)) c
 where o.shop_id = @shop and o.cleared_at is null and o.set_aside_at is null
 order by `+worstFirst+`, c.since, c.component, c.name`, pgx.NamedArgs{"shop": shopID, "board": boardID})
	if err != nil {
		return nil, err
	}
	var out []shop.CarriedAlert
	for _, f := range rows {
		if n := len(out); n == 0 || out[n-1].Alert.ID != f.alert.ID {
			out = append(out, shop.CarriedAlert{Alert: f.alert})
		}
		if last := &out[len(out)-1]; f.carried != nil {
			last.Carried = append(last.Carried, *f.carried)
		}
	}
	return out, nil
}
