package store

import (
	"bytes"
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// An answer is remembered for a day. A claim that was never settled belongs to a
// process that died; after ten minutes the key is free again.
const (
	answerAge = 24 * time.Hour
	claimAge  = 10 * time.Minute
)

// Claim takes a key for the request with that hash. It returns nil when the
// caller should go on and Settle, the stored answer when the same request was
// answered before, and Conflict when the key belongs to another request or the
// same one is still running.
func (s *Store) Claim(ctx context.Context, shopID shop.ID, key string, hash []byte, at time.Time) (*shop.Replay, error) {
	var replay *shop.Replay
	err := s.tx(ctx, func(tx pgx.Tx) error {
		replay = nil
		tag, err := tx.Exec(ctx, `
insert into idempotency_keys as k (shop_id, key, request_hash, claimed_at) values ($1, $2, $3, $4)
on conflict (shop_id, key) do update
   set request_hash = excluded.request_hash, claimed_at = excluded.claimed_at, status = null, header = null, body = null
 where k.claimed_at < case when k.status is null then $5::timestamptz else $6::timestamptz end`,
			shopID, key, hash, at, at.Add(-claimAge), at.Add(-answerAge))
		if err != nil || tag.RowsAffected() > 0 {
			return err
		}
		replay, err = earlier(ctx, tx, shopID, key, hash)
		return err
	})
	return replay, err
}

// earlier returns the answer kept under a key that is taken.
func earlier(ctx context.Context, tx pgx.Tx, shopID shop.ID, key string, hash []byte) (*shop.Replay, error) {
	type kept struct {
		Hash   []byte
		Status *int
		Header map[string]string
		Body   []byte
	}
	k, err := one(ctx, tx, "idempotency key", pgx.RowToStructByPos[kept], `
select request_hash, status, header, body from idempotency_keys where shop_id = $1 and key = $2 for update`, shopID, key)
	switch {
	case err != nil:
		return nil, err
	case !bytes.Equal(k.Hash, hash):
		return nil, problem.New(problem.Conflict, "This Idempotency-Key was used for another request; use a new key.").
			With("Idempotency-Key", "must be new for a new request")
	case k.Status == nil:
		return nil, problem.New(problem.Conflict, "The same request is still running; wait for it and repeat.").
			With("Idempotency-Key", "belongs to a request that is still running")
	}
	return &shop.Replay{Status: *k.Status, Header: k.Header, Body: k.Body}, nil
}

// Settle stores the answer under a claimed key. A nil answer releases the key,
// because the request failed and may be tried again.
func (s *Store) Settle(ctx context.Context, shopID shop.ID, key string, r *shop.Replay) error {
	if r == nil {
		_, err := s.pool.Exec(ctx, `delete from idempotency_keys where shop_id = $1 and key = $2 and status is null`, shopID, key)
		return mapError(err)
	}
	tag, err := s.pool.Exec(ctx, `
update idempotency_keys set status = $3, header = $4, body = $5 where shop_id = $1 and key = $2 and status is null`,
		shopID, key, r.Status, object(r.Header), list(r.Body))
	if err == nil && tag.RowsAffected() == 0 {
		return problem.New(problem.Conflict, "This Idempotency-Key is not claimed.")
	}
	return mapError(err)
}

// ForgetAnswers removes the answers of all shops that are older than a day, and
// returns how many. The server calls it now and then.
func (s *Store) ForgetAnswers(ctx context.Context, at time.Time) (int64, error) {
	tag, err := s.pool.Exec(ctx, `delete from idempotency_keys where claimed_at < $1`, at.Add(-answerAge))
	return tag.RowsAffected(), mapError(err)
}
