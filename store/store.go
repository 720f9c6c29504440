// Package store keeps a shop's records in Postgres. It implements shop.Store:
// one exported method is one transaction, and what the database refuses comes
// back as a *problem.Error in the words of errors.go.
package store

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"

	"nextprobe/internal/shop"
)

var _ shop.Store = (*Store)(nil)

// Options configure a Store.
type Options struct {
	// MaxConns bounds the pool; 0 means pgx's default, the larger of 4 and the number of CPUs.
	MaxConns int
	// Log takes what is worth a look but no error, such as a transaction that
	// was tried again. Nil means slog.Default().
	Log *slog.Logger
	// Tracer, when set, is told of every statement; a benchmark captures them so.
	Tracer pgx.QueryTracer
}

// Store is a pool of connections to one database.
type Store struct {
	pool *pgxpool.Pool
	log  *slog.Logger
	// queue takes in work that must happen later; Work does it.
	queue *river.Client[pgx.Tx]
	// narrow is up to how many boards a drill-down is narrowed to.
	narrow int
}

// Open connects to the database at url, a libpq URL or keyword string. It fails
// with problem.Unavailable when the database does not answer. It does not
// migrate.
func Open(ctx context.Context, url string, opt Options) (*Store, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("database URL: %w", err)
	}
	if opt.MaxConns > 0 {
		cfg.MaxConns = int32(min(opt.MaxConns, 10_000))
	}
	// Times come back in UTC whatever the machine's zone, so that answers do not
	// depend on where the server stands.
	cfg.AfterConnect = func(_ context.Context, conn *pgx.Conn) error {
		conn.TypeMap().RegisterType(&pgtype.Type{
			Name: "timestamptz", OID: pgtype.TimestamptzOID,
			Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC},
		})
		conn.TypeMap().RegisterType(&pgtype.Type{Name: "uuid", OID: pgtype.UUIDOID, Codec: uuidCodec{}})
		return nil
	}
	cfg.ConnConfig.Tracer = opt.Tracer
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	s := &Store{pool: pool, log: opt.Log, narrow: scopedBoards}
	if s.log == nil {
		s.log = slog.Default()
	}
	if s.queue, err = s.newQueue(); err != nil {
		pool.Close()
		return nil, fmt.Errorf("queue: %w", err)
	}
	if err := s.Ping(ctx); err != nil {
		pool.Close()
		return nil, err
	}
	return s, nil
}

// Close waits for the connections in use and closes all.
func (s *Store) Close() { s.pool.Close() }

// Ping tells whether the database answers; problem.Unavailable when it does not.
func (s *Store) Ping(ctx context.Context) error {
	return mapError(s.pool.Ping(ctx))
}
