package shop_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/storetest"
)

// house is a shop on a fresh database with a clock that tests move.
type house struct {
	*shop.Service
	store                      *store.Store
	t                          *testing.T
	ctx                        context.Context
	shop                       shop.Shop
	owner, technician, counter shop.Actor

	mu  sync.Mutex
	now time.Time
}

func setup(t *testing.T) *house {
	t.Helper()
	return setupAt(t, time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC))
}

func setupAt(t *testing.T, now time.Time) *house {
	t.Helper()
	t.Parallel()
	h := &house{t: t, ctx: t.Context(), now: now, store: storetest.New(t)}
	h.Service = shop.New(h.store, shop.Options{Now: h.tick})
	var err error
	if h.shop, err = h.Setup(h.ctx, "test", "Test shop"); err != nil {
		t.Fatal(err)
	}
	as := func(name string, r shop.Role) shop.Actor { return shop.Actor{ShopID: h.shop.ID, Name: name, Role: r} }
	h.owner, h.technician, h.counter = as("Odile", shop.Owner), as("Tessa", shop.Technician), as("Conrad", shop.Counter)
	return h
}

// tick is the clock: each look at it costs a second.
func (h *house) tick() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.now = h.now.Add(time.Second)
	return h.now
}

func (h *house) wait(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.now = h.now.Add(d)
}

func ok[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// refused is the check of the rules' own tests.
var refused = shop.Refused

func ptr[T any](v T) *T { return &v }

// board registers a board with one power connector.
func (h *house) board(serial string) (shop.Board, shop.Connector) {
	h.t.Helper()
	b := ok[shop.Board](h.t)(h.AddBoard(h.ctx, h.counter, shop.BoardInput{Serial: serial, Make: "Fennmark", Model: "Otterling", SeriesCells: ptr(20),
		ParallelCells: ptr(2), Chemistry: "layered_oxide", OdometerKM: ptr(100.0), Facts: map[string]string{"motor_plug": "internal"},
		Owner: &shop.OwnerInput{Name: "Ida Invented", Contact: "+00 555 0100"}}))
	k := ok[shop.Connector](h.t)(h.AddConnector(h.ctx, h.technician, b.ID, shop.ConnectorInput{Place: "between the boxes", Component: "interbox_connector",
		Family: "Larch-60", Poles: ptr(2), Polarity: "as_marked", PinMap: map[string]string{"1": "red, pack plus"}}))
	return b, k
}

func (h *house) job(b shop.Board, km float64, in shop.JobInput) shop.Job {
	h.t.Helper()
	in.BoardID, in.OdometerKM = b.ID, &km
	return ok[shop.Job](h.t)(h.OpenJob(h.ctx, h.counter, in))
}

func (h *house) move(job shop.ID, to shop.State, reason string) shop.Job {
	h.t.Helper()
	return ok[shop.Job](h.t)(h.MoveJob(h.ctx, h.technician, job, to, reason))
}

func (h *house) observe(job shop.ID, in shop.ObservationInput) shop.Observation {
	h.t.Helper()
	return ok[shop.Observation](h.t)(h.Observe(h.ctx, h.technician, job, in))
}

func (h *house) verify(job shop.ID, measurement, outcome string) shop.Verification {
	h.t.Helper()
	v := ok[shop.Verification](h.t)(h.Verify(h.ctx, h.technician, job, shop.VerificationInput{Measurement: measurement, Outcome: outcome}))
	if !v.Passed {
		h.t.Errorf("%s %s did not pass", measurement, outcome)
	}
	return v
}
