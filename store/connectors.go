package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const selectConnector = `
select id, board_id, place, component, family, poles, polarity, pin_map, sealing, note, fitted_at, removed_at, updated_at, version
  from connectors`

// orderConnectors puts fitted connectors first, then removed ones.
const orderConnectors = `
 order by removed_at is not null, lower(place), fitted_at, id`

func scanConnector(row pgx.CollectableRow) (c shop.Connector, err error) {
	err = row.Scan(&c.ID, &c.BoardID, &c.Place, &c.Component, &c.Family, &c.Poles, &c.Polarity, &c.PinMap,
		&c.Sealing, &c.Note, &c.FittedAt, &c.RemovedAt, &c.UpdatedAt, &c.Version)
	return c, err
}

// AddConnector enters a connector in the register; NotFound when the board is unknown.
func (s *Store) AddConnector(ctx context.Context, shopID shop.ID, c shop.Connector, audit shop.AuditEvent) error {
	at := firstTime(c.FittedAt, audit.At)
	return s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(`
insert into connectors (shop_id, id, board_id, place, component, family, poles, polarity, pin_map, sealing, note,
  fitted_at, removed_at, updated_at)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
			shopID, newID(c.ID), c.BoardID, c.Place, c.Component, c.Family, c.Poles, c.Polarity, object(c.PinMap), c.Sealing, c.Note,
			at, c.RemovedAt, firstTime(c.UpdatedAt, audit.At, at))
		queueAudit(b, shopID, audit)
	})
}

// UpdateConnector writes a connector where its stored version is c.Version, else
// Stale, and returns it as stored. Its board stays.
func (s *Store) UpdateConnector(ctx context.Context, shopID shop.ID, c shop.Connector, audit shop.AuditEvent) (shop.Connector, error) {
	var got shop.Connector
	err := s.tx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
update connectors set place = $4, component = $5, family = $6, poles = $7, polarity = $8, pin_map = $9, sealing = $10,
  note = $11, fitted_at = $12, removed_at = $13, updated_at = $14, version = version + 1
where shop_id = $1 and id = $2 and version = $3`,
			shopID, c.ID, c.Version, c.Place, c.Component, c.Family, c.Poles, c.Polarity, object(c.PinMap), c.Sealing,
			c.Note, c.FittedAt, c.RemovedAt, firstTime(audit.At, c.UpdatedAt))
		if err != nil {
			return err
		}
		got, err = one(ctx, tx, "connector", scanConnector, selectConnector+` where shop_id = $1 and id = $2`, shopID, c.ID)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return stale("connector")
		}
		return writeAudit(ctx, tx, shopID, audit)
	})
	if err != nil {
		return shop.Connector{}, err
	}
	return got, nil
}

// Connector finds a connector of the register.
func (s *Store) Connector(ctx context.Context, shopID, id shop.ID) (shop.Connector, error) {
	return one(ctx, s.pool, "connector", scanConnector, selectConnector+` where shop_id = $1 and id = $2`, shopID, id)
}
