package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// comparison is a measured pair: ours and bare, alternating.
type comparison struct {
	name       string
	ours, bare []sample
}

// sample is one round of one side.
type sample struct {
	perSecond float64
	p50, p99  time.Duration
}

func (c comparison) row() string {
	ratios := make([]float64, len(c.ours))
	for i := range c.ours {
		ratios[i] = c.ours[i].perSecond / c.bare[i].perSecond
	}
	slices.Sort(ratios)
	show := func(s []sample) string {
		var rate []float64
		var p99 []time.Duration
		for _, x := range s {
			rate, p99 = append(rate, x.perSecond), append(p99, x.p99)
		}
		slices.Sort(rate)
		return fmt.Sprintf("%.0f/s, p99 %.1f ms", rate[len(rate)/2], median(p99).Seconds()*1000)
	}
	return fmt.Sprintf("| %s | %s | %s | %.2f (%.2f to %.2f) |", c.name, show(c.ours), show(c.bare), ratios[len(ratios)/2], ratios[0], ratios[len(ratios)-1])
}

// compare runs both sides in turn, the order changing from pair to pair, after
// one round of each that does not count.
func compare(ctx context.Context, name string, ours, bare func() *http.Request, prepare func() error) (comparison, error) {
	c := comparison{name: name}
	for i := range rounds + 1 {
		sides := []struct {
			next func() *http.Request
			into *[]sample
		}{{ours, &c.ours}, {bare, &c.bare}}
		if i%2 == 1 {
			slices.Reverse(sides)
		}
		for _, s := range sides {
			if prepare != nil {
				if err := prepare(); err != nil {
					return c, err
				}
			}
			got, err := load(ctx, s.next)
			if err != nil {
				return c, fmt.Errorf("%s: %w", name, err)
			}
			if i > 0 {
				*s.into = append(*s.into, got)
			}
		}
	}
	return c, nil
}

// load sends requests from a fixed number of clients for a fixed time. next
// returns nil when it has run out, which ends the round early.
func load(ctx context.Context, next func() *http.Request) (sample, error) {
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: clients, DisableCompression: true}}
	defer client.CloseIdleConnections()
	var (
		wg       sync.WaitGroup
		mu       sync.Mutex
		all      []time.Duration
		stopped  atomic.Bool
		firstErr error
	)
	began := time.Now()
	for range clients {
		wg.Go(func() {
			var mine []time.Duration
			for !stopped.Load() && time.Since(began) < roundTime {
				req := next()
				if req == nil {
					break
				}
				at := time.Now()
				if err := exchange(ctx, client, req); err != nil {
					stopped.Store(true)
					mu.Lock()
					firstErr = err
					mu.Unlock()
					break
				}
				mine = append(mine, time.Since(at))
			}
			mu.Lock()
			all = append(all, mine...)
			mu.Unlock()
		})
	}
	wg.Wait()
	took := time.Since(began)
	if firstErr != nil || len(all) == 0 {
		return sample{}, fmt.Errorf("no answers: %w", firstErr)
	}
	slices.Sort(all)
	return sample{float64(len(all)) / took.Seconds(), all[len(all)/2], all[len(all)*99/100]}, nil
}

func exchange(ctx context.Context, client *http.Client, req *http.Request) error {
	resp, err := client.Do(req.WithContext(ctx))
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode >= 300 {
		err = fmt.Errorf("%s %s: %s: %.300s", req.Method, req.URL.Path, resp.Status, body)
	}
	return err
}

func median(d []time.Duration) time.Duration {
	d = slices.Clone(d)
	slices.Sort(d)
	return d[len(d)/2]
}
