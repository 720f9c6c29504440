package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"github.com/golang-migrate/migrate/v4"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"

	"nextprobe/migrations"
)

// Migrate brings the database at url to the newest schema. Several processes may
// call it at once: one works, the others wait. A cancelled ctx stops it between
// two migrations, never inside one.
func Migrate(ctx context.Context, url string) error {
	return migrated(ctx, url, func(m *migrate.Migrate) error { return m.Up() })
}

// MigrateDown takes back the newest steps migrations, with the data in them.
func MigrateDown(ctx context.Context, url string, steps int) error {
	if steps <= 0 {
		return fmt.Errorf("migrate down: steps must be 1 or more, not %d", steps)
	}
	return migrated(ctx, url, func(m *migrate.Migrate) error { return m.Steps(-steps) })
}

// MigrateStatus returns the schema's version (0: empty), whether a migration
// broke off inside (dirty), and the newest version this program knows.
func MigrateStatus(ctx context.Context, url string) (version uint, dirty bool, latest uint, err error) {
	err = migrated(ctx, url, func(m *migrate.Migrate) error {
		var err error
		version, dirty, err = m.Version()
		if errors.Is(err, migrate.ErrNilVersion) {
			return nil
		}
		return err
	})
	return version, dirty, migrations.Latest(), err
}

// migrated runs fn on a migrator of the database and closes it.
func migrated(ctx context.Context, url string, fn func(*migrate.Migrate) error) (err error) {
	cfg, err := pgx.ParseConfig(url)
	if err != nil {
		return fmt.Errorf("database URL: %w", err)
	}
	// The driver's own URL form loses libpq keywords and sockets, so it gets an open database.
	db := stdlib.OpenDB(*cfg)
	m, err := migrator(ctx, db)
	if err != nil {
		return errors.Join(fmt.Errorf("migrate: %w", mapError(err)), db.Close())
	}
	stop := context.AfterFunc(ctx, func() { m.GracefulStop <- true })
	defer stop()
	err = fn(m)
	if errors.Is(err, migrate.ErrNoChange) {
		err = nil
	}
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		err = fmt.Errorf("migrate: %w", err)
	}
	srcErr, dbErr := m.Close()
	return errors.Join(err, srcErr, dbErr)
}

func migrator(ctx context.Context, db *sql.DB) (*migrate.Migrate, error) {
	if err := db.PingContext(ctx); err != nil {
		return nil, err
	}
	src, err := iofs.New(migrations.FS, ".")
	if err != nil {
		return nil, err
	}
	driver, err := migratepgx.WithInstance(db, &migratepgx.Config{})
	if err != nil {
		return nil, errors.Join(err, src.Close())
	}
	return migrate.NewWithInstance("iofs", src, "pgx5", driver)
}
