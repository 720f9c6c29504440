// Command recurrence measures the recurrence report on an invented chain of shops:
//
//	go run ./deploy/bench/recurrence [-jobs N] [-boards N] [-shops N] [-seed N] [-dir folder]
//
// It starts a Postgres of its own with durable settings, fills a database by COPY,
// which depends on the flags alone, and prints how long the list takes for each group,
// what a drill-down costs, and what confirming a fault costs in a long history beside
// a short one. With -dir the folder is kept, and a database that is there is used
// again.
package main

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/store/pgserver"
)

func main() {
	var s scale
	flag.IntVar(&s.jobs, "jobs", 1_000_000, "jobs of the whole chain")
	flag.IntVar(&s.boards, "boards", 200_000, "boards of the whole chain")
	flag.IntVar(&s.shops, "shops", 1, "shops the boards are spread over")
	flag.Uint64Var(&s.seed, "seed", 1, "seed of the invention")
	dir := flag.String("dir", "", "folder of the database, kept; empty: a temporary one")
	rounds := flag.Int("rounds", 20, "how often each list is asked for")
	flag.Parse()
	if err := run(context.Background(), s, *dir, *rounds); err != nil {
		fmt.Fprintln(os.Stderr, "recurrence:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, s scale, dir string, rounds int) (err error) {
	if s.jobs < 1 || s.boards < 1 || s.shops < 1 || s.shops > s.boards {
		return fmt.Errorf("jobs, boards and shops must be 1 or more, and no more shops than boards")
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelInfo}))
	if dir == "" {
		if dir, err = os.MkdirTemp("", "nextprobe-recurrence-"); err != nil {
			return err
		}
		defer func() { _ = os.RemoveAll(dir) }()
		if err := os.Chmod(dir, 0o755); err != nil { // #nosec G302 -- Postgres's own user must be able to enter
			return err
		}
	}
	pg, err := pgserver.Start(ctx, pgserver.Options{Dir: dir, Log: log})
	if err != nil {
		return err
	}
	defer func() {
		down, cancel := context.WithTimeout(ctx, time.Minute)
		defer cancel()
		_ = pg.Stop(down)
	}()
	large, err := prepared(ctx, pg, s, false, log)
	if err != nil {
		return err
	}
	// The measurement opens jobs on most of its boards, so that it serves once.
	few := scale{jobs: 1000, boards: 200, shops: 1, seed: s.seed}
	small, err := prepared(ctx, pg, few, true, log)
	if err != nil {
		return err
	}
	return measure(ctx, large, small, s, rounds, os.Stdout, log)
}

// prepared makes the database of a scale unless it is there, or anew.
func prepared(ctx context.Context, pg *pgserver.Server, s scale, anew bool, log *slog.Logger) (place, error) {
	name := fmt.Sprintf("chain_%d_%d_%d_%d", s.jobs, s.boards, s.shops, s.seed)
	db, err := placeOf(pg, name)
	if err != nil {
		return db, err
	}
	conn, err := pgx.Connect(ctx, pg.AdminURL())
	if err != nil {
		return db, err
	}
	defer func() { _ = conn.Close(ctx) }()
	if anew {
		if _, err := conn.Exec(ctx, `drop database if exists `+pgx.Identifier{name}.Sanitize()); err != nil {
			return db, err
		}
	}
	var there bool
	if err := conn.QueryRow(ctx, `select exists (select from pg_database where datname = $1)`, name).Scan(&there); err != nil || there {
		return db, err
	}
	// Under another name until it is whole.
	cfg, err := pgx.ParseConfig(pg.URL())
	if err != nil {
		return db, err
	}
	for _, sql := range []string{`drop database if exists filling`, `create database filling owner ` + pgx.Identifier{cfg.User}.Sanitize()} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return db, err
		}
	}
	filling, err := placeOf(pg, "filling")
	if err != nil {
		return db, err
	}
	began := time.Now()
	if err := fill(ctx, filling, s, log); err != nil {
		return db, fmt.Errorf("fill: %w", err)
	}
	log.Info("filled", "database", name, "seconds", time.Since(began).Seconds())
	_, err = conn.Exec(ctx, `alter database filling rename to `+pgx.Identifier{name}.Sanitize())
	return db, err
}

func placeOf(pg *pgserver.Server, database string) (p place, err error) {
	if p.url, err = withDatabase(pg.URL(), database); err == nil {
		p.admin, err = withDatabase(pg.AdminURL(), database)
	}
	return p, err
}

func withDatabase(server, database string) (string, error) {
	u, err := url.Parse(server)
	if err != nil {
		return "", err
	}
	u.Path = "/" + database
	return u.String(), nil
}
