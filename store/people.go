package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const selectUser = `
select id, login, name, role, password_hash, disabled_at, created_at from users`

func scanUser(row pgx.CollectableRow) (u shop.User, err error) {
	err = row.Scan(&u.ID, &u.Login, &u.Name, &u.Role, &u.PasswordHash, &u.DisabledAt, &u.CreatedAt)
	return u, err
}

// AddUser adds a user; Conflict when the login is taken.
func (s *Store) AddUser(ctx context.Context, shopID shop.ID, u shop.User, audit shop.AuditEvent) error {
	return s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(`
insert into users (shop_id, id, login, name, role, password_hash, disabled_at, created_at)
values ($1, $2, $3, $4, $5, $6, $7, $8)`,
			shopID, newID(u.ID), u.Login, u.Name, u.Role, u.PasswordHash, u.DisabledAt, firstTime(u.CreatedAt, audit.At))
		queueAudit(b, shopID, audit)
	})
}

// SetPassword replaces the password hash of a login.
func (s *Store) SetPassword(ctx context.Context, shopID shop.ID, login, hash string, audit shop.AuditEvent) error {
	return s.changeOne(ctx, shopID, "user", audit, `
update users set password_hash = $3 where shop_id = $1 and lower(btrim(login)) = lower(btrim($2))`,
		shopID, login, hash)
}

// DisableUser bars a login from signing in. One that is disabled already keeps its time.
func (s *Store) DisableUser(ctx context.Context, shopID shop.ID, login string, at time.Time, audit shop.AuditEvent) error {
	return s.changeOne(ctx, shopID, "user", audit, `
update users set disabled_at = coalesce(disabled_at, $3) where shop_id = $1 and lower(btrim(login)) = lower(btrim($2))`,
		shopID, login, at)
}

// changeOne runs an update that must hit a row, and logs it.
func (s *Store) changeOne(ctx context.Context, shopID shop.ID, thing string, audit shop.AuditEvent, sql string, args ...any) error {
	return s.tx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, sql, args...)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return notFound(thing)
		}
		return writeAudit(ctx, tx, shopID, audit)
	})
}

// Users lists the users of a shop by login, disabled ones included.
func (s *Store) Users(ctx context.Context, shopID shop.ID) ([]shop.User, error) {
	return all(ctx, s.pool, scanUser, selectUser+` where shop_id = $1 order by lower(btrim(login))`, shopID)
}

// UserByLogin finds a user for the sign-in, however the login is typed.
func (s *Store) UserByLogin(ctx context.Context, shopID shop.ID, login string) (shop.User, error) {
	return one(ctx, s.pool, "user", scanUser,
		selectUser+` where shop_id = $1 and lower(btrim(login)) = lower(btrim($2))`, shopID, login)
}

// UserByID finds a user.
func (s *Store) UserByID(ctx context.Context, shopID, id shop.ID) (shop.User, error) {
	return one(ctx, s.pool, "user", scanUser, selectUser+` where shop_id = $1 and id = $2`, shopID, id)
}

func scanToken(row pgx.CollectableRow) (t shop.Token, err error) {
	err = row.Scan(&t.ID, &t.Name, &t.Role, &t.CreatedAt, &t.LastUsedAt, &t.RevokedAt)
	return t, err
}

// AddToken stores a token by the SHA-256 of its secret; Conflict when a live
// token has its name.
func (s *Store) AddToken(ctx context.Context, shopID shop.ID, t shop.Token, hash []byte, audit shop.AuditEvent) error {
	return s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(`
insert into api_tokens (shop_id, id, name, role, hash, created_at) values ($1, $2, $3, $4, $5, $6)`,
			shopID, newID(t.ID), t.Name, t.Role, hash, firstTime(t.CreatedAt, audit.At))
		queueAudit(b, shopID, audit)
	})
}

// RevokeToken ends the live token of that name; NotFound when there is none.
func (s *Store) RevokeToken(ctx context.Context, shopID shop.ID, name string, at time.Time, audit shop.AuditEvent) error {
	return s.changeOne(ctx, shopID, "live token", audit, `
update api_tokens set revoked_at = $3
 where shop_id = $1 and lower(btrim(name)) = lower(btrim($2)) and revoked_at is null`, shopID, name, at)
}

// Tokens lists the tokens of a shop, live ones first, then by name.
func (s *Store) Tokens(ctx context.Context, shopID shop.ID) ([]shop.Token, error) {
	return all(ctx, s.pool, scanToken, `
select id, name, role, created_at, last_used_at, revoked_at from api_tokens
 where shop_id = $1 order by revoked_at is not null, lower(btrim(name)), created_at desc, id`, shopID)
}

// touchEvery is how exact a token's last use is kept. Writing it on each request
// would turn every read into a write.
const touchEvery = time.Minute

// ActorByToken finds who a token acts for; NotFound when the hash is unknown or
// the token revoked. The time of last use is kept to the minute, and a failure
// to write it is only logged: it does not bar the request.
func (s *Store) ActorByToken(ctx context.Context, hash []byte, at time.Time) (shop.Actor, error) {
	var last *time.Time
	a, err := one(ctx, s.pool, "token", func(row pgx.CollectableRow) (a shop.Actor, err error) {
		err = row.Scan(&a.ShopID, &a.ID, &a.Name, &a.Role, &last)
		return a, err
	}, `select shop_id, id, name, role, last_used_at from api_tokens where hash = $1 and revoked_at is null limit 1`, hash)
	if err != nil || last != nil && at.Sub(*last) < touchEvery {
		return a, err
	}
	if _, err := s.pool.Exec(ctx, `
update api_tokens set last_used_at = greatest(last_used_at, $3) where shop_id = $1 and id = $2`, a.ShopID, a.ID, at); err != nil {
		s.log.Warn("last use of a token was not written", "token", a.Name, "error", err)
	}
	return a, nil
}
