package store_test

import (
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func TestIdempotencyKeys(t *testing.T) {
	t.Parallel()
	b := setup(t)
	claim := func(key, hash string, at time.Time) (*shop.Replay, error) {
		return b.store.Claim(b.ctx, b.shop.ID, key, []byte(hash), at)
	}
	free := func(key, hash string, at time.Time) {
		t.Helper()
		if r, err := claim(key, hash, at); r != nil || err != nil {
			t.Fatalf("got %v, %v; the key should be free", r, err)
		}
	}
	free("k", "request", t0)
	_, err := claim("k", "request", t0.Add(time.Minute))
	refused(t, err, problem.Conflict, "Idempotency-Key") // Still running.
	want := &shop.Replay{Status: 201, Header: map[string]string{"ETag": `"1"`}, Body: []byte(`{"id":1}`)}
	b.ok(b.store.Settle(b.ctx, b.shop.ID, "k", want))
	got, err := claim("k", "request", t0.Add(time.Hour))
	b.ok(err)
	same(t, got, want)
	_, err = claim("k", "another", t0.Add(time.Hour))
	refused(t, err, problem.Conflict, "Idempotency-Key")
	refused(t, b.store.Settle(b.ctx, b.shop.ID, "k", want), problem.Conflict, "") // An answer is written once.
	b.ok(b.store.Settle(b.ctx, b.shop.ID, "k", nil))                              // And stays.
	got, err = claim("k", "request", t0.Add(time.Hour))
	b.ok(err)
	same(t, got, want)
	free("k", "another", t0.Add(25*time.Hour)) // A day later it is forgotten.

	free("failed", "request", t0)
	b.ok(b.store.Settle(b.ctx, b.shop.ID, "failed", nil))
	free("failed", "request", t0)

	free("died", "request", t0)
	free("died", "request", t0.Add(11*time.Minute))

	free("empty", "request", t0)
	b.ok(b.store.Settle(b.ctx, b.shop.ID, "empty", &shop.Replay{Status: 204}))
	got, err = claim("empty", "request", t0)
	b.ok(err)
	if got.Status != 204 || len(got.Body) != 0 {
		t.Errorf("got %+v", got)
	}
	n, err := b.store.ForgetAnswers(b.ctx, t0.Add(25*time.Hour))
	if n != 3 || err != nil {
		t.Errorf("forgot %d, %v", n, err)
	}
	_, err = claim("", "request", t0)
	refused(t, err, problem.Invalid, "Idempotency-Key")
}

// One of many identical requests goes on; the others are told to wait.
func TestClaimAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	errs := make(chan error, 10)
	for range cap(errs) {
		go func() {
			_, err := b.store.Claim(b.ctx, b.shop.ID, "k", []byte("h"), t0)
			errs <- err
		}()
	}
	won := 0
	for range cap(errs) {
		if err := <-errs; err == nil {
			won++
		} else {
			refused(t, err, problem.Conflict, "Idempotency-Key")
		}
	}
	if won != 1 {
		t.Errorf("%d requests went on", won)
	}
}
