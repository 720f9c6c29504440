package main

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// databaseEmpty reports whether the database holds no tables of its own.
func databaseEmpty(ctx context.Context, url string) (bool, error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return false, err
	}
	defer conn.Close(ctx)
	var n int
	err = conn.QueryRow(ctx, `select count(*) from pg_catalog.pg_tables where schemaname = 'public'`).Scan(&n)
	return n == 0, err
}
