package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const boardColumns = `
b.id, b.serial, b.make, b.model, b.series_cells, b.parallel_cells, b.chemistry, b.controller, b.firmware,
b.odometer_km, b.facts, b.note, b.created_at, b.updated_at, b.version, c.id, c.name, c.contact, c.created_at`

const boardFrom = `
  from boards b left join customers c on c.shop_id = b.shop_id and c.id = b.owner_id`

// boardTargets returns where a row of boardColumns goes, and what finishes the
// board after the scan.
func boardTargets(b *shop.Board) (targets []any, finish func()) {
	var (
		id            *shop.ID
		name, contact *string
		since         *time.Time
	)
	targets = []any{&b.ID, &b.Serial, &b.Make, &b.Model, &b.SeriesCells, &b.ParallelCells, &b.Chemistry, &b.Controller,
		&b.Firmware, &b.OdometerKM, &b.Facts, &b.Note, &b.CreatedAt, &b.UpdatedAt, &b.Version, &id, &name, &contact, &since}
	return targets, func() {
		if id != nil {
			b.Owner = &shop.Customer{ID: *id, Name: *name, Contact: *contact, CreatedAt: *since}
		}
	}
}

func scanBoard(row pgx.CollectableRow) (b shop.Board, err error) {
	targets, finish := boardTargets(&b)
	err = row.Scan(targets...)
	finish()
	return b, err
}

// queueOwner writes a board's owner when it is named, and returns its id. An
// owner with an id only is an existing customer.
func queueOwner(b *pgx.Batch, shopID shop.ID, owner *shop.Customer, at time.Time) *shop.ID {
	if owner == nil {
		return nil
	}
	id := newID(owner.ID)
	if owner.Name != "" || owner.ID == uuid.Nil {
		b.Queue(`
insert into customers as c (shop_id, id, name, contact, created_at) values ($1, $2, $3, $4, $5)
on conflict (shop_id, id) do update set name = excluded.name, contact = excluded.contact
 where (c.name, c.contact) is distinct from (excluded.name, excluded.contact)`,
			shopID, id, owner.Name, owner.Contact, firstTime(owner.CreatedAt, at))
	}
	return &id
}

// AddBoard adds a board, and its owner when named; Conflict when the serial is taken.
func (s *Store) AddBoard(ctx context.Context, shopID shop.ID, v shop.Board, audit shop.AuditEvent) error {
	at := firstTime(v.CreatedAt, audit.At)
	return s.batch(ctx, func(b *pgx.Batch) {
		owner := queueOwner(b, shopID, v.Owner, at)
		b.Queue(`
insert into boards (shop_id, id, serial, make, model, series_cells, parallel_cells, chemistry, controller, firmware,
  odometer_km, odometer_at, facts, owner_id, note, created_at, updated_at)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, case when $11::float8 is not null then $15::timestamptz end,
  $12, $13, $14, $15, $16)`,
			shopID, newID(v.ID), v.Serial, v.Make, v.Model, v.SeriesCells, v.ParallelCells, v.Chemistry, v.Controller, v.Firmware,
			v.OdometerKM, object(v.Facts), owner, v.Note, at, firstTime(v.UpdatedAt, at))
		queueAudit(b, shopID, audit)
	})
}

// UpdateBoard writes a board where its stored version is v.Version, else Stale,
// and returns it as stored.
func (s *Store) UpdateBoard(ctx context.Context, shopID shop.ID, v shop.Board, audit shop.AuditEvent) (shop.Board, error) {
	var got shop.Board
	at := firstTime(audit.At, v.UpdatedAt)
	err := s.tx(ctx, func(tx pgx.Tx) error {
		b := &pgx.Batch{}
		owner := queueOwner(b, shopID, v.Owner, at)
		if err := tx.SendBatch(ctx, b).Close(); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `
update boards set serial = $4, make = $5, model = $6, series_cells = $7, parallel_cells = $8, chemistry = $9,
  controller = $10, firmware = $11, odometer_km = $12,
  odometer_at = case when $12::float8 is null then null when odometer_km = $12 then odometer_at else $16::timestamptz end,
  facts = $13, owner_id = $14, note = $15, updated_at = $16, version = version + 1
where shop_id = $1 and id = $2 and version = $3`,
			shopID, v.ID, v.Version, v.Serial, v.Make, v.Model, v.SeriesCells, v.ParallelCells, v.Chemistry,
			v.Controller, v.Firmware, v.OdometerKM, object(v.Facts), owner, v.Note, at)
		if err != nil {
			return err
		}
		got, err = one(ctx, tx, "board", scanBoard, `select`+boardColumns+boardFrom+` where b.shop_id = $1 and b.id = $2`, shopID, v.ID)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return stale("board")
		}
		return writeAudit(ctx, tx, shopID, audit)
	})
	if err != nil {
		return shop.Board{}, err
	}
	return got, nil
}

// textKey is the cursor of lists that are ordered by a folded text.
type textKey struct {
	Text string  `json:"text"`
	ID   shop.ID `json:"id"`
}

type keyed[T any] struct {
	item T
	key  textKey
}

// items drops the sort keys of a page.
func items[T any](l shop.List[keyed[T]]) shop.List[T] {
	out := shop.List[T]{Items: make([]T, len(l.Items)), Next: l.Next}
	for i, k := range l.Items {
		out.Items[i] = k.item
	}
	return out
}

// Boards lists boards by serial. The query is looked for anywhere in serial,
// make and model, or owner, in any case.
func (s *Store) Boards(ctx context.Context, shopID shop.ID, f shop.BoardFilter) (shop.List[shop.Board], error) {
	limit, err := limitOf(f.Page.Limit)
	if err != nil {
		return shop.List[shop.Board]{}, err
	}
	key, more, err := decodeCursor[textKey]("boards", f.Page.Cursor)
	if err != nil {
		return shop.List[shop.Board]{}, err
	}
	rows, err := all(ctx, s.pool, func(row pgx.CollectableRow) (k keyed[shop.Board], err error) {
		targets, finish := boardTargets(&k.item)
		err = row.Scan(append(targets, &k.key.Text)...)
		finish()
		k.key.ID = k.item.ID
		return k, err
	}, `select`+boardColumns+`, lower(btrim(b.serial))`+boardFrom+`
 where b.shop_id = @shop
   and (@query = '%%' or lower(b.serial || ' ' || b.make || ' ' || b.model || ' ' || coalesce(c.name, '')) like lower(@query))
   and (not @more or (lower(btrim(b.serial)), b.id) > (@text, @id))
 order by lower(btrim(b.serial)), b.id
 limit @limit`,
		pgx.NamedArgs{"shop": shopID, "query": contains(f.Query), "more": more, "text": key.Text, "id": key.ID, "limit": limit + 1})
	if err != nil {
		return shop.List[shop.Board]{}, err
	}
	return items(page(rows, limit, "boards", func(k keyed[shop.Board]) any { return k.key })), nil
}

// BoardFile reads a board with its connectors, installed parts and open job.
func (s *Store) BoardFile(ctx context.Context, shopID, id shop.ID) (shop.BoardFile, error) {
	var (
		f    shop.BoardFile
		jobs []shop.Job
	)
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(`select`+boardColumns+boardFrom+` where b.shop_id = $1 and b.id = $2`, shopID, id).
			Query(intoOne(&f.Board, "board", scanBoard))
		b.Queue(selectConnector+` where shop_id = $1 and board_id = $2`+orderConnectors, shopID, id).
			Query(into(&f.Connectors, scanConnector))
		b.Queue(`
select id, board_id, part_id, part_name, component, serial, lot, installed_at, installed_km, removed_at, removed_km, repair_id
  from installed_parts where shop_id = $1 and board_id = $2
 order by removed_at is not null, installed_at, id`, shopID, id).Query(into(&f.Installed, scanInstalled))
		b.Queue(`select`+jobColumns+` from jobs j
 where j.shop_id = $1 and j.board_id = $2 and j.state not in ('returned', 'scrapped')`, shopID, id).Query(into(&jobs, scanJob))
	})
	if err != nil {
		return shop.BoardFile{}, err
	}
	if len(jobs) > 0 {
		f.OpenJob = &jobs[0]
	}
	return f, nil
}

func scanInstalled(row pgx.CollectableRow) (p shop.InstalledPart, err error) {
	err = row.Scan(&p.ID, &p.BoardID, &p.PartID, &p.PartName, &p.Component, &p.Serial, &p.Lot,
		&p.InstalledAt, &p.InstalledKM, &p.RemovedAt, &p.RemovedKM, &p.RepairID)
	return p, err
}

// Customers lists customers by name whose name or contact contains the query.
func (s *Store) Customers(ctx context.Context, shopID shop.ID, query string, limit int) ([]shop.Customer, error) {
	limit, err := limitOf(limit)
	if err != nil {
		return nil, err
	}
	return all(ctx, s.pool, func(row pgx.CollectableRow) (c shop.Customer, err error) {
		err = row.Scan(&c.ID, &c.Name, &c.Contact, &c.CreatedAt)
		return c, err
	}, `
select id, name, contact, created_at from customers
 where shop_id = $1 and lower(name || ' ' || contact) like lower($2)
 order by lower(name), id limit $3`, shopID, contains(query), limit)
}
