package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const selectShop = `
select id, slug, name, currency, labour_minor, warranty_days, created_at from shops`

func scanShop(row pgx.CollectableRow) (v shop.Shop, err error) {
	err = row.Scan(&v.ID, &v.Slug, &v.Name, &v.Currency, &v.LabourMinor, &v.WarrantyDays, &v.CreatedAt)
	return v, err
}

// EnsureShop returns the shop with the slug; when there is none, it makes v.
// Several processes may do so at once and get the same shop.
func (s *Store) EnsureShop(ctx context.Context, v shop.Shop) (shop.Shop, error) {
	var got shop.Shop
	id := newID(v.ID)
	err := s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(`
insert into shops (id, slug, name, currency, labour_minor, warranty_days, created_at)
values ($1, $2, $3, $4, $5, $6, $7)
on conflict (slug) do nothing`, id, v.Slug, v.Name, v.Currency, v.LabourMinor, v.WarrantyDays, v.CreatedAt)
		b.Queue(`
insert into shop_counters (shop_id) select id from shops where slug = $1
on conflict (shop_id) do nothing`, v.Slug)
		b.Queue(selectShop+` where slug = $1`, v.Slug).Query(intoOne(&got, "shop", scanShop))
	})
	return got, err
}

// ShopBySlug finds a shop by its slug.
func (s *Store) ShopBySlug(ctx context.Context, slug string) (shop.Shop, error) {
	return one(ctx, s.pool, "shop", scanShop, selectShop+` where slug = $1`, slug)
}

// ShopByID finds a shop by its id.
func (s *Store) ShopByID(ctx context.Context, id shop.ID) (shop.Shop, error) {
	return one(ctx, s.pool, "shop", scanShop, selectShop+` where id = $1`, id)
}

// UpdateShop writes name, currency, labour rate and warranty time. The slug
// stays, because addresses hold it.
func (s *Store) UpdateShop(ctx context.Context, v shop.Shop, audit shop.AuditEvent) error {
	return s.tx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
update shops set name = $2, currency = $3, labour_minor = $4, warranty_days = $5 where id = $1`,
			v.ID, v.Name, v.Currency, v.LabourMinor, v.WarrantyDays)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return notFound("shop")
		}
		return writeAudit(ctx, tx, v.ID, audit)
	})
}
