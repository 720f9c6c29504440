package store

import (
	"context"
	"errors"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

var _ scs.CtxStore = (*Sessions)(nil)

// Sessions keeps the sign-ins of the pages for scs.
type Sessions struct{ pool *pgxpool.Pool }

// Sessions returns the session store on the same database.
func (s *Store) Sessions() *Sessions { return &Sessions{s.pool} }

// FindCtx returns a session's data; found is false when it is unknown or expired.
func (s *Sessions) FindCtx(ctx context.Context, token string) (data []byte, found bool, err error) {
	err = s.pool.QueryRow(ctx, `select data from sessions where token = $1 and expiry > current_timestamp`, token).Scan(&data)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, false, nil
	}
	return data, err == nil, mapError(err)
}

// CommitCtx writes a session.
func (s *Sessions) CommitCtx(ctx context.Context, token string, data []byte, expiry time.Time) error {
	_, err := s.pool.Exec(ctx, `
insert into sessions (token, data, expiry) values ($1, $2, $3)
on conflict (token) do update set data = excluded.data, expiry = excluded.expiry`, token, data, expiry)
	return mapError(err)
}

// DeleteCtx removes a session; one that is unknown is no error.
func (s *Sessions) DeleteCtx(ctx context.Context, token string) error {
	_, err := s.pool.Exec(ctx, `delete from sessions where token = $1`, token)
	return mapError(err)
}

// DeleteExpired removes the sessions that expired and returns how many. The
// server calls it now and then; an expired session is never found before that.
func (s *Sessions) DeleteExpired(ctx context.Context) (int64, error) {
	tag, err := s.pool.Exec(ctx, `delete from sessions where expiry <= current_timestamp`)
	return tag.RowsAffected(), mapError(err)
}

// Find is FindCtx without a context, which scs asks for.
func (s *Sessions) Find(token string) ([]byte, bool, error) {
	return s.FindCtx(context.Background(), token)
}

// Commit is CommitCtx without a context, which scs asks for.
func (s *Sessions) Commit(token string, data []byte, expiry time.Time) error {
	return s.CommitCtx(context.Background(), token, data, expiry)
}

// Delete is DeleteCtx without a context, which scs asks for.
func (s *Sessions) Delete(token string) error { return s.DeleteCtx(context.Background(), token) }
