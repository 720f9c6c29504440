package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const partColumns = `
id, number, name, component, supplier, unit_cost_minor, currency, min_stock, stock, note, created_at, version`

func partTargets(p *shop.Part) []any {
	return []any{&p.ID, &p.Number, &p.Name, &p.Component, &p.Supplier, &p.UnitCostMinor, &p.Currency,
		&p.MinStock, &p.Stock, &p.Note, &p.CreatedAt, &p.Version}
}

func scanPart(row pgx.CollectableRow) (p shop.Part, err error) {
	err = row.Scan(partTargets(&p)...)
	return p, err
}

const insertMovement = `
insert into stock_movements (shop_id, id, part_id, quantity, reason, lot, unit_cost_minor, repair_id, at, by_name, note)
values ($1, $2, $3, $4, $5, $6, coalesce($7, (select unit_cost_minor from parts where shop_id = $1 and id = $3)), $8, $9, $10, $11)`

const movementColumns = `
id, part_id, quantity, reason, lot, unit_cost_minor, repair_id, balance, at, by_name, note, entry`

func movementArgs(shopID shop.ID, m shop.Movement, audit shop.AuditEvent) []any {
	return []any{shopID, newID(m.ID), m.PartID, m.Quantity, m.Reason, m.Lot, m.UnitCostMinor, m.RepairID,
		firstTime(m.At, audit.At), firstText(m.By, audit.By), m.Note}
}

// entry is a movement with its place in the part's ledger.
type entry struct {
	shop.Movement
	number int
}

func scanEntry(row pgx.CollectableRow) (e entry, err error) {
	m := &e.Movement
	err = row.Scan(&m.ID, &m.PartID, &m.Quantity, &m.Reason, &m.Lot, &m.UnitCostMinor, &m.RepairID, &m.Balance,
		&m.At, &m.By, &m.Note, &e.number)
	return e, err
}

// AddPart adds an article, and the first entry of its ledger when there is one.
// A part without a currency takes the shop's. Conflict when the number is taken.
func (s *Store) AddPart(ctx context.Context, shopID shop.ID, p shop.Part, first *shop.Movement, audit shop.AuditEvent) error {
	id := newID(p.ID)
	return s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(`
insert into parts (shop_id, id, number, name, component, supplier, unit_cost_minor, currency, min_stock, note, created_at)
values ($1, $2, $3, $4, $5, $6, $7, coalesce(nullif($8, ''), (select currency from shops where id = $1)), $9, $10, $11)`,
			shopID, id, p.Number, p.Name, p.Component, p.Supplier, p.UnitCostMinor, p.Currency, p.MinStock, p.Note,
			firstTime(p.CreatedAt, audit.At))
		if first != nil {
			m := *first
			m.PartID = id
			b.Queue(insertMovement, movementArgs(shopID, m, audit)...)
		}
		queueAudit(b, shopID, audit)
	})
}

// UpdatePart writes an article where its stored version is p.Version, else
// Stale, and returns it as stored. Stock and currency stay.
func (s *Store) UpdatePart(ctx context.Context, shopID shop.ID, p shop.Part, audit shop.AuditEvent) (shop.Part, error) {
	var got shop.Part
	err := s.tx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
update parts set number = $4, name = $5, component = $6, supplier = $7, unit_cost_minor = $8, min_stock = $9, note = $10,
  version = version + 1
where shop_id = $1 and id = $2 and version = $3`,
			shopID, p.ID, p.Version, p.Number, p.Name, p.Component, p.Supplier, p.UnitCostMinor, p.MinStock, p.Note)
		if err != nil {
			return err
		}
		got, err = one(ctx, tx, "part", scanPart, `select`+partColumns+` from parts where shop_id = $1 and id = $2`, shopID, p.ID)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return stale("part")
		}
		return writeAudit(ctx, tx, shopID, audit)
	})
	if err != nil {
		return shop.Part{}, err
	}
	return got, nil
}

// Parts lists parts by number. The query is looked for anywhere in number, name
// and supplier, in any case.
func (s *Store) Parts(ctx context.Context, shopID shop.ID, f shop.PartFilter) (shop.List[shop.Part], error) {
	limit, err := limitOf(f.Page.Limit)
	if err != nil {
		return shop.List[shop.Part]{}, err
	}
	key, more, err := decodeCursor[textKey]("parts", f.Page.Cursor)
	if err != nil {
		return shop.List[shop.Part]{}, err
	}
	rows, err := all(ctx, s.pool, func(row pgx.CollectableRow) (k keyed[shop.Part], err error) {
		err = row.Scan(append(partTargets(&k.item), &k.key.Text)...)
		k.key.ID = k.item.ID
		return k, err
	}, `select`+partColumns+`, lower(btrim(number))
  from parts
 where shop_id = @shop
   and (@query = '%%' or lower(number || ' ' || name || ' ' || supplier) like lower(@query))
   and (@component = '' or component = @component)
   and (not @more or (lower(btrim(number)), id) > (@text, @id))
 order by lower(btrim(number)), id
 limit @limit`,
		pgx.NamedArgs{"shop": shopID, "query": contains(f.Query), "component": f.Component,
			"more": more, "text": key.Text, "id": key.ID, "limit": limit + 1})
	if err != nil {
		return shop.List[shop.Part]{}, err
	}
	return items(page(rows, limit, "parts", func(k keyed[shop.Part]) any { return k.key })), nil
}

// Part finds an article.
func (s *Store) Part(ctx context.Context, shopID, id shop.ID) (shop.Part, error) {
	return one(ctx, s.pool, "part", scanPart, `select`+partColumns+` from parts where shop_id = $1 and id = $2`, shopID, id)
}

// Movements lists the ledger of a part, newest entry first.
func (s *Store) Movements(ctx context.Context, shopID, partID shop.ID, p shop.Page) (shop.List[shop.Movement], error) {
	var none shop.List[shop.Movement]
	limit, err := limitOf(p.Limit)
	if err != nil {
		return none, err
	}
	before, more, err := decodeCursor[int]("movements", p.Cursor)
	if err != nil {
		return none, err
	}
	entries, err := all(ctx, s.pool, scanEntry, `select`+movementColumns+`
  from stock_movements
 where shop_id = $1 and part_id = $2 and (not $3 or entry < $4)
 order by entry desc limit $5`, shopID, partID, more, before, limit+1)
	if err != nil {
		return none, err
	}
	cut := page(entries, limit, "movements", func(e entry) any { return e.number })
	out := shop.List[shop.Movement]{Items: make([]shop.Movement, len(cut.Items)), Next: cut.Next}
	for i, e := range cut.Items {
		out.Items[i] = e.Movement
	}
	return out, nil
}

// Move adds an entry to the ledger and returns it with its balance; Conflict
// when the stock would fall below zero, NotFound when the part is unknown. An
// entry without a cost takes the part's.
func (s *Store) Move(ctx context.Context, shopID shop.ID, m shop.Movement, audit shop.AuditEvent) (shop.Movement, error) {
	var got entry
	m.ID = newID(m.ID)
	err := s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(insertMovement+` returning`+movementColumns, movementArgs(shopID, m, audit)...).
			Query(intoOne(&got, "part", scanEntry))
		queueAudit(b, shopID, audit)
	})
	if err != nil {
		return shop.Movement{}, err
	}
	return got.Movement, nil
}
