// Package demo fills a shop with invented data: about sixty boards and eighteen
// months of jobs. It is deterministic, samples the fault library's own causal
// model for what breaks and what the measurements show, and goes through the
// shop's use cases with a back-dated clock, so that every record obeys the
// rules a real one would. Nothing in it stands for a real shop, board or person.
package demo

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

// Months is how far back the demo's first job lies.
const Months = 18

// Sign-ins of the demo shop. They are printed by the demo command and exist
// nowhere else: a served shop makes its own users.
//
//nolint:gosec,revive // Invented and printed for everybody; the three pairs belong together.
const (
	OwnerLogin, OwnerPassword           = "owner", "harbour-lantern-42"
	TechnicianLogin, TechnicianPassword = "bench", "copper-whistle-17"
	CounterLogin, CounterPassword       = "counter", "paper-kite-88"
)

// Summary says what was filled.
type Summary struct {
	Skipped              bool // the shop had boards already
	Boards, Jobs, Faults int
	Comebacks, StillOpen int
	NewestJob            int
	Judged               int // jobs judged for what they teach
	Alerts               int // bad actors that the pages tell of
}

// Clock is the back-dated clock the demo's service runs on.
type Clock struct{ t time.Time }

// Now returns the demo's present moment.
func (c *Clock) Now() time.Time { return c.t }

func (c *Clock) set(t time.Time)         { c.t = t }
func (c *Clock) advance(d time.Duration) { c.t = c.t.Add(d) }

// NewClock returns a clock that starts at t.
func NewClock(t time.Time) *Clock { return &Clock{t: t} }

// Fill fills the actor's shop once. svc must run on clock; until is the demo's
// "today". A shop that has boards is left as it is.
func Fill(ctx context.Context, svc *shop.Service, clock *Clock, owner shop.Actor, until time.Time) (Summary, error) {
	return fillFirst(ctx, svc, clock, owner, until, math.MaxInt)
}

// fillFirst is Fill up to a number of jobs.
func fillFirst(ctx context.Context, svc *shop.Service, clock *Clock, owner shop.Actor, until time.Time, jobs int) (Summary, error) {
	have, err := svc.Boards(ctx, owner, shop.BoardFilter{Page: shop.Page{Limit: 1}})
	if err != nil {
		return Summary{}, err
	}
	if len(have.Items) > 0 {
		return Summary{Skipped: true}, nil
	}
	lib, _, err := svc.Library(ctx, owner)
	if err != nil {
		return Summary{}, err
	}
	start := until.AddDate(0, -Months, 0)
	clock.set(start.Add(-24 * time.Hour))
	f := &filler{
		svc: svc, lib: lib, clock: clock, until: until, start: start,
		rng:     rand.New(rand.NewPCG(0x6e657874, 0x70726f6265)), //nolint:gosec // The same invented shop each time, no secret.
		owner:   owner,
		bench:   named(owner, "Ilse Marrow", shop.Technician),
		counter: named(owner, "Odo Fennick", shop.Counter),
		parts:   map[string]shop.Part{},
	}
	if err := f.people(ctx); err != nil {
		return Summary{}, fmt.Errorf("demo people: %w", err)
	}
	if err := f.stock(ctx); err != nil {
		return Summary{}, fmt.Errorf("demo stock: %w", err)
	}
	if err := f.instruments(ctx); err != nil {
		return Summary{}, fmt.Errorf("demo instruments: %w", err)
	}
	if err := f.fleet(ctx); err != nil {
		return Summary{}, fmt.Errorf("demo boards: %w", err)
	}
	if err := f.history(ctx, jobs); err != nil {
		return Summary{}, fmt.Errorf("demo jobs: %w", err)
	}
	clock.set(until)
	// The queue would do it too, one by one; the demo shows at once what the
	// eighteen months taught, and what they warn of.
	if f.sum.Judged, err = f.svc.LearnDue(ctx, f.owner); err != nil {
		return Summary{}, fmt.Errorf("demo learning: %w", err)
	}
	if err := f.svc.CheckAlerts(ctx, f.owner, time.Time{}); err != nil {
		return Summary{}, fmt.Errorf("demo alerts: %w", err)
	}
	alerts, err := f.svc.Alerts(ctx, f.owner)
	if err != nil {
		return Summary{}, fmt.Errorf("demo alerts: %w", err)
	}
	f.sum.Alerts = len(alerts.Items)
	return f.sum, nil
}

func named(a shop.Actor, name string, r shop.Role) shop.Actor {
	a.Name, a.Role = name, r
	return a
}

// filler carries the state of one run.
type filler struct {
	svc                   *shop.Service
	lib                   *faultlib.Library
	clock                 *Clock
	start, until          time.Time
	rng                   *rand.Rand
	owner, bench, counter shop.Actor
	boards                []*board
	parts                 map[string]shop.Part
	meters                []shop.Instrument
	sum                   Summary
}

// board is a demo board with what the generator needs to remember.
type board struct {
	shop.Board
	interbox, phase, hall *shop.Connector
	km, kmPerDay          float64
	busyUntil             time.Time
	visits                int
}

func (f *filler) people(ctx context.Context) error {
	for _, u := range []struct {
		login, name, password string
		role                  shop.Role
	}{
		{OwnerLogin, "Runa Applewhistle", OwnerPassword, shop.Owner},
		{TechnicianLogin, f.bench.Name, TechnicianPassword, shop.Technician},
		{CounterLogin, f.counter.Name, CounterPassword, shop.Counter},
	} {
		if _, err := f.svc.AddUser(ctx, f.owner, u.login, u.name, u.role, u.password); err != nil {
			return err
		}
	}
	_, err := f.svc.EditShop(ctx, f.owner, "Puddle Lane Board Works (demo)", 6000, 90)
	return err
}

func pick[T any](r *rand.Rand, xs []T) T { return xs[r.IntN(len(xs))] }

func ptr[T any](v T) *T { return &v }
