package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"time"

	"nextprobe/internal/shop"
)

func (b *bed) compareRead(ctx context.Context) (comparison, error) {
	from := func(base string) func() *http.Request {
		return func() *http.Request { return b.request(http.MethodGet, base+"/api/v1/jobs/"+b.nextJob().String(), nil) }
	}
	return compare(ctx, "`GET /api/v1/jobs/{id}`", from(b.base), from(bareBase), nil)
}

// compareIntake gives every request a board of its own: a board has one open job.
func (b *bed) compareIntake(ctx context.Context) (comparison, error) {
	from := func(base string) func() *http.Request {
		return func() *http.Request {
			i := spareNext.Add(1) - 1
			if i >= int64(len(spare)) {
				return nil
			}
			return b.intake(base, spare[i])
		}
	}
	// A round takes what it can of these; the next brings its own.
	prepare := func() error {
		spareNext.Store(int64(len(spare)))
		return b.copySpare(ctx, 6000)
	}
	return compare(ctx, "intake `POST /api/v1/jobs`", from(b.base), from(bareBase), prepare)
}

// copySpare makes many boards at once from the first spare one.
func (b *bed) copySpare(ctx context.Context, n int) error {
	rows, err := b.bare.Query(ctx, `
insert into boards (shop_id, id, serial, make, model, series_cells, created_at, updated_at)
select shop_id, gen_random_uuid(), 'SPARE-' || $3::text || '-' || i, make, model, series_cells, created_at, updated_at
  from boards, generate_series(1, $4) i where shop_id = $1 and id = $2
returning id`, b.actor.ShopID, spare[0], fmt.Sprint(len(spare)), n)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var id shop.ID
		if err := rows.Scan(&id); err != nil {
			return err
		}
		spare = append(spare, id)
	}
	return rows.Err()
}

// diagnosisSteps times a whole step with a growing number of observations.
func (b *bed) diagnosisSteps(ctx context.Context) error {
	job := b.jobs[1]
	for i, o := range observed[6:] {
		if _, err := b.svc.Observe(ctx, b.actor, job, o); err != nil {
			return err
		}
		abnormal := 2 + 1 + 4 + i + 1 // the intake's symptoms, rain, four abnormal measurements, these
		if abnormal%2 == 1 {
			continue
		}
		file, err := b.svc.Job(ctx, b.actor, job)
		if err != nil {
			return err
		}
		var took []time.Duration
		for range 200 {
			at := time.Now()
			if _, err := b.svc.DiagnoseFile(ctx, b.actor, file); err != nil {
				return err
			}
			took = append(took, time.Since(at))
		}
		slices.Sort(took)
		fmt.Printf("| %d abnormal findings | %.2f ms | %.2f ms |\n", abnormal, took[len(took)/2].Seconds()*1000, took[len(took)*99/100].Seconds()*1000)
	}
	return nil
}

// startOnce starts the binary on the folder, waits until it is ready, sends
// requests and returns the time and its resident memory.
func startOnce(ctx context.Context, binary, dir string) (time.Duration, string, error) {
	ln, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return 0, "", err
	}
	addr := ln.Addr().String()
	_ = ln.Close()
	cmd := exec.CommandContext(ctx, binary, "serve", "--data", dir, "--listen", addr)
	began := time.Now()
	if err := cmd.Start(); err != nil {
		return 0, "", err
	}
	defer func() {
		_ = cmd.Process.Signal(os.Interrupt)
		_ = cmd.Wait()
	}()
	ready := "http://" + addr + "/readyz"
	for {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, ready, http.NoBody)
		if err != nil {
			return 0, "", err
		}
		resp, err := http.DefaultClient.Do(req)
		if err == nil {
			_ = resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				break
			}
		}
		if time.Since(began) > time.Minute {
			return 0, "", fmt.Errorf("%s is not ready after a minute", binary)
		}
		time.Sleep(5 * time.Millisecond)
	}
	took := time.Since(began)
	token, err := exec.CommandContext(ctx, binary, "token", "add", "--data", dir, "--role", "owner", "--name", fmt.Sprintf("bench %d", began.UnixNano())).Output()
	if err != nil {
		return 0, "", fmt.Errorf("token add beside the server: %w", err)
	}
	if err := burst(ctx, "http://"+addr, strings.TrimSpace(string(token))); err != nil {
		return 0, "", err
	}
	return took, residentMemory(cmd.Process.Pid), nil
}

// burst sends 2,000 requests of several kinds.
func burst(ctx context.Context, base, token string) error {
	paths := []string{"/api/v1/jobs?limit=50", "/api/v1/boards?limit=50", "/api/v1/parts", "/api/v1/recurrence?group=component&exposure=time", "/api/v1/library/measurements"}
	var wg sync.WaitGroup
	errs := make(chan error, clients)
	for c := range clients {
		wg.Go(func() {
			for i := range 2000 / clients {
				req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+paths[(c+i)%len(paths)], nil)
				if err == nil {
					req.Header.Set("Authorization", "Bearer "+token)
					err = exchange(ctx, http.DefaultClient, req)
				}
				if err != nil {
					errs <- err
					return
				}
			}
		})
	}
	wg.Wait()
	select {
	case err := <-errs:
		return err
	default:
		return nil
	}
}

func residentMemory(pid int) string {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return "unknown"
	}
	for _, l := range strings.Split(string(b), "\n") {
		if v, ok := strings.CutPrefix(l, "VmRSS:"); ok {
			var kb int
			if _, err := fmt.Sscanf(strings.TrimSpace(v), "%d kB", &kb); err == nil {
				return fmt.Sprintf("%.0f MiB", float64(kb)/1024)
			}
		}
	}
	return "unknown"
}
