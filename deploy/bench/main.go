// Command bench measures the server against the least that could do the same
// work: bare echo handlers that run the very statements nextprobe runs (captured
// from it) on the same database in the same run, in turns. It prints a Markdown
// table. Run it through deploy/bench/run.sh (make bench).
package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"
)

const (
	rounds     = 7               // pairs; the median ratio is quoted
	roundTime  = 2 * time.Second // each side of a pair
	clients    = 8
	boardCount = 200
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "bench: name the nextprobe binary")
		os.Exit(2)
	}
	if err := run(context.Background(), os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, binary string) error {
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	b, err := newBed(ctx, log)
	if err != nil {
		return err
	}
	defer b.close()
	fmt.Printf("%d cores, %s, %s, %s\n\n", runtime.NumCPU(), runtime.Version(), cpuModel(), postgresVersion(ctx, b))
	fmt.Println("| what | nextprobe | bare echo + pgx | ratio |")
	fmt.Println("|---|---|---|---|")
	for _, c := range []func(context.Context) (comparison, error){b.compareRead, b.compareIntake} {
		r, err := c(ctx)
		if err != nil {
			return err
		}
		fmt.Println(r.row())
	}
	fmt.Println("\n| one diagnosis step (posterior, ranking, explanations, wording) | median | p99 |")
	fmt.Println("|---|---|---|")
	if err := b.diagnosisSteps(ctx); err != nil {
		return err
	}
	b.close()
	return startUp(ctx, binary)
}

func cpuModel() string {
	b, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return runtime.GOARCH
	}
	for _, l := range strings.Split(string(b), "\n") {
		if name, ok := strings.CutPrefix(l, "model name"); ok {
			return strings.TrimSpace(strings.TrimLeft(name, "\t :"))
		}
	}
	return runtime.GOARCH
}

func postgresVersion(ctx context.Context, b *bed) string {
	var v string
	if err := b.bare.QueryRow(ctx, "show server_version").Scan(&v); err != nil {
		return "Postgres"
	}
	return "Postgres " + v
}

// startUp times the binary on an existing folder and reads its resident memory
// after a burst of requests.
func startUp(ctx context.Context, binary string) error {
	dir, err := os.MkdirTemp("", "nextprobe-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	if err := os.Chmod(dir, 0o755); err != nil {
		return err
	}
	fill := exec.CommandContext(ctx, binary, "demo", "--fill-only", "--data", dir)
	fill.Stderr = os.Stderr
	began := time.Now()
	if err := fill.Run(); err != nil {
		return fmt.Errorf("fill the demo shop: %w", err)
	}
	fmt.Println("\n| start-up | |")
	fmt.Println("|---|---|")
	fmt.Printf("| first start: make the database, migrate, fill the demo shop | %.1f s |\n", time.Since(began).Seconds())
	var starts []time.Duration
	var rss string
	for range 5 {
		d, kb, err := startOnce(ctx, binary, dir)
		if err != nil {
			return err
		}
		starts, rss = append(starts, d), kb
	}
	fmt.Printf("| start on that folder until ready, median of 5 | %.2f s |\n", median(starts).Seconds())
	fmt.Printf("| resident memory after 2,000 requests, without Postgres | %s |\n", rss)
	return nil
}
