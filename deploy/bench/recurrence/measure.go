package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"runtime"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
	"nextprobe/store"
)

var groups = []shop.RecurrenceGroup{shop.ByComponent, shop.ByFailureMode, shop.ByCause, shop.ByConnectorFamily, shop.BySealing, shop.ByPart,
	shop.ByLot, shop.ByAction}

// present is when the reports are asked for; jobs of the measurement are a little older.
var present = end.Add(time.Hour)

// bench is one filled database with its first shop.
type bench struct {
	store *store.Store
	svc   *shop.Service
	actor shop.Actor
	url   string
}

func openBench(ctx context.Context, db place, log *slog.Logger) (*bench, error) {
	if err := store.Migrate(ctx, db.url); err != nil {
		return nil, err
	}
	st, err := store.Open(ctx, db.url, store.Options{MaxConns: 4, Log: log})
	if err != nil {
		return nil, err
	}
	b := &bench{store: st, url: db.url, svc: shop.New(st, shop.Options{Now: func() time.Time { return present }})}
	s, err := st.ShopBySlug(ctx, "shop-1")
	b.actor = shop.Actor{ShopID: s.ID, Name: "bench", Role: shop.Owner}
	return b, err
}

// quantiles are of times in order.
func quantiles(times []time.Duration) (p50, p95 time.Duration) {
	slices.Sort(times)
	return times[len(times)/2], times[(len(times)*95+99)/100-1]
}

func timed(rounds int, work func() error) ([]time.Duration, error) {
	var times []time.Duration
	for range rounds {
		began := time.Now()
		if err := work(); err != nil {
			return nil, err
		}
		times = append(times, time.Since(began))
	}
	return times, nil
}

func milli(d time.Duration) string { return fmt.Sprintf("%.1f ms", float64(d.Microseconds())/1000) }

func measure(ctx context.Context, large, small place, s scale, rounds int, out io.Writer, log *slog.Logger) error {
	b, err := openBench(ctx, large, log)
	if err != nil {
		return err
	}
	defer b.store.Close()
	few, err := openBench(ctx, small, log)
	if err != nil {
		return err
	}
	defer few.store.Close()
	fmt.Fprintf(out, "%d jobs, %d boards, %d shops, seed %d; %d cores, %s\n\n", s.jobs, s.boards, s.shops, s.seed, runtime.NumCPU(), runtime.Version())
	began := time.Now()
	if err := b.store.KeepSums(ctx); err != nil {
		return err
	}
	fmt.Fprintf(out, "Sums brought up to date: %.1f s.\n", time.Since(began).Seconds())
	if err := few.store.KeepSums(ctx); err != nil {
		return err
	}
	if err := b.sizes(ctx, out); err != nil {
		return err
	}
	if err := b.lists(ctx, rounds, out); err != nil {
		return err
	}
	if err := confirming(ctx, few, b, out); err != nil {
		return err
	}
	return b.drillDowns(ctx, min(rounds, 5), out)
}

func (b *bench) sizes(ctx context.Context, out io.Writer) error {
	conn, err := pgx.Connect(ctx, b.url)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	var sizes [3]string
	err = conn.QueryRow(ctx, `select pg_size_pretty(pg_database_size(current_database())), pg_size_pretty(pg_total_relation_size('recurrence_contributions')),
  pg_size_pretty(pg_total_relation_size('recurrence_sums'))`).Scan(&sizes[0], &sizes[1], &sizes[2])
	fmt.Fprintf(out, "Database %s, of that contributions %s and sums %s.\n\n", sizes[0], sizes[1], sizes[2])
	return err
}

// windows are what a page asks for: the whole history and the last 12 months.
func windows() []struct {
	name string
	from time.Time
} {
	return []struct {
		name string
		from time.Time
	}{{"whole history", present.AddDate(-years-1, 0, 0)}, {"last 12 months", present.AddDate(-1, 0, 0)}}
}

func (b *bench) lists(ctx context.Context, rounds int, out io.Writer) error {
	fmt.Fprintln(out, "| list by | window | rows | store p50 | store p95 | whole report p50 | p95 |")
	fmt.Fprintln(out, "|---|---|---|---|---|---|---|")
	for _, g := range groups {
		for _, w := range windows() {
			q := shop.RecurrenceQuery{Group: g, From: w.from, To: present, Now: present}
			rows := 0
			times, err := timed(rounds, func() error {
				list, err := b.store.Recurrence(ctx, b.actor.ShopID, q)
				rows = len(list)
				return err
			})
			if err != nil {
				return err
			}
			whole, err := timed(rounds, func() error {
				_, err := b.svc.Recurrence(ctx, b.actor, q, "time")
				return err
			})
			if err != nil {
				return err
			}
			p50, p95 := quantiles(times)
			w50, w95 := quantiles(whole)
			fmt.Fprintf(out, "| %s | %s | %d | %s | %s | %s | %s |\n", g, w.name, rows, milli(p50), milli(p95), milli(w50), milli(w95))
		}
	}
	fmt.Fprintln(out)
	return nil
}

// drillDowns opens the first row of each group, which is the heaviest.
func (b *bench) drillDowns(ctx context.Context, rounds int, out io.Writer) error {
	fmt.Fprintln(out, "| drill-down | window | failures | life data | whole page |")
	fmt.Fprintln(out, "|---|---|---|---|---|")
	for _, g := range groups {
		for _, w := range windows() {
			q := shop.RecurrenceQuery{Group: g, From: w.from, To: present, Now: present}
			list, err := b.store.Recurrence(ctx, b.actor.ShopID, q)
			if err != nil || len(list) == 0 {
				return err
			}
			times, err := timed(rounds, func() error {
				_, err := b.store.LifeData(ctx, b.actor.ShopID, q, list[0].Key, false)
				return err
			})
			if err != nil {
				return err
			}
			whole, err := timed(rounds, func() error {
				_, err := b.svc.RecurrenceDetail(ctx, b.actor, q, "time", list[0].Key)
				return err
			})
			if err != nil {
				return err
			}
			p50, _ := quantiles(times)
			w50, _ := quantiles(whole)
			fmt.Fprintf(out, "| %s %s | %s | %d | %s | %s |\n", g, list[0].Key, w.name, list[0].Failures, milli(p50), milli(w50))
		}
	}
	fmt.Fprintln(out)
	return nil
}
