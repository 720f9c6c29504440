// Package storetest opens stores on fresh databases for tests.
package storetest

import (
	"context"
	"log/slog"
	"testing"

	"nextprobe/migrations"
	"nextprobe/store"
	"nextprobe/store/pgtest"
)

// New returns a store on a fresh, migrated database that no other test sees.
// Store and database go when the test ends.
func New(t testing.TB) *store.Store {
	t.Helper()
	s, err := store.Open(context.Background(), URL(t), store.Options{MaxConns: 8, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatalf("open the test database: %v", err)
	}
	t.Cleanup(s.Close)
	return s
}

// URL returns the address of a fresh, migrated database.
func URL(t testing.TB) string {
	t.Helper()
	return pgtest.NewMigrated(t, migrations.Hash(), store.Migrate)
}
