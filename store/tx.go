package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// A transaction that lost to another one (serialization failure, deadlock) is
// tried again this many times in all.
const attempts = 4

// rollbackTime bounds a rollback, which outlives the request that failed.
const rollbackTime = 5 * time.Second

// tx runs fn in one transaction: committed when fn returns nil, else rolled
// back, even when ctx was cancelled. Errors come back mapped.
func (s *Store) tx(ctx context.Context, fn func(pgx.Tx) error) error {
	return s.retry(ctx, func() error {
		tx, err := s.pool.Begin(ctx)
		if err != nil {
			return err
		}
		// Rollback after Commit does nothing.
		defer func() {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), rollbackTime)
			defer cancel()
			if err := tx.Rollback(ctx); err != nil && !errors.Is(err, pgx.ErrTxClosed) {
				s.log.Warn("rollback failed; the connection is dropped", "error", err)
			}
		}()
		if err := fn(tx); err != nil {
			return err
		}
		return tx.Commit(ctx)
	})
}

// batch runs what fill queues as one transaction in one round trip: the
// statements are pipelined up to a single Sync, which the protocol commits or
// rolls back whole (PostgreSQL documentation, "Pipelining"). fill is called
// again when the transaction is tried again. A result's callback runs when the
// batch may be committed already, so nothing in a batch may depend on one.
func (s *Store) batch(ctx context.Context, fill func(*pgx.Batch)) error {
	return s.retry(ctx, func() error {
		b := &pgx.Batch{}
		fill(b)
		return s.pool.SendBatch(ctx, b).Close()
	})
}

// snapshot is batch for several reads that must agree with each other.
func (s *Store) snapshot(ctx context.Context, fill func(*pgx.Batch)) error {
	return s.retry(ctx, func() error {
		b := &pgx.Batch{}
		b.Queue("begin isolation level repeatable read read only")
		fill(b)
		b.Queue("commit")
		// A failed statement leaves the connection inside the transaction; the pool
		// drops a connection in that state on release.
		return s.pool.SendBatch(ctx, b).Close()
	})
}

func (s *Store) retry(ctx context.Context, fn func() error) error {
	for n := 1; ; n++ {
		err := fn()
		if err == nil {
			return nil
		}
		if n == attempts || ctx.Err() != nil || !lostRace(err) {
			return mapError(err)
		}
		s.log.Debug("transaction tried again", "attempt", n, "error", err)
	}
}

// lostRace reports a serialization failure or a deadlock.
func lostRace(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (pg.Code == "40001" || pg.Code == "40P01")
}

// querier is what reads one statement: the pool or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

var (
	_ querier = (*pgxpool.Pool)(nil)
	_ querier = pgx.Tx(nil)
)

// all reads every row of a statement. The slice is never nil.
func all[T any](ctx context.Context, q querier, scan pgx.RowToFunc[T], sql string, args ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, mapError(err)
	}
	list, err := pgx.CollectRows(rows, scan)
	return list, mapError(err)
}

// one reads the only row of a statement; NotFound naming thing when there is none.
func one[T any](ctx context.Context, q querier, thing string, scan pgx.RowToFunc[T], sql string, args ...any) (T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		var zero T
		return zero, mapError(err)
	}
	v, err := pgx.CollectExactlyOneRow(rows, scan)
	if errors.Is(err, pgx.ErrNoRows) {
		return v, notFound(thing)
	}
	return v, mapError(err)
}

// into is a batch callback that collects all rows into dst.
func into[T any](dst *[]T, scan pgx.RowToFunc[T]) func(pgx.Rows) error {
	return func(rows pgx.Rows) error {
		list, err := pgx.CollectRows(rows, scan)
		*dst = list
		return err
	}
}

// intoOne is a batch callback for the only row; NotFound naming thing when there is none.
func intoOne[T any](dst *T, thing string, scan pgx.RowToFunc[T]) func(pgx.Rows) error {
	return func(rows pgx.Rows) error {
		v, err := pgx.CollectExactlyOneRow(rows, scan)
		if errors.Is(err, pgx.ErrNoRows) {
			return notFound(thing)
		}
		*dst = v
		return err
	}
}
