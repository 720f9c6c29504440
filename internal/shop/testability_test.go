package shop

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"nextprobe/internal/faultlib"
)

// worded is the report of the shipped library, made once.
var worded = sync.OnceValues(func() (Testability, error) {
	told, err := embedded().lib.Testability(nil, nil)
	if err != nil {
		return Testability{}, err
	}
	return WordTestability(embedded().lib, told), nil
})

func TestTestabilityIsWorded(t *testing.T) {
	t.Parallel()
	r, err := worded()
	if err != nil {
		t.Fatal(err)
	}
	named := func(refs ...TestabilityRef) {
		for _, ref := range refs {
			if ref.Name == "" || ref.Name == ref.ID {
				t.Errorf("%+v has no name", ref)
			}
		}
	}
	named(r.Undetected...)
	for _, g := range r.Groups {
		named(g.Causes...)
		if len(g.Causes) < 2 || len(g.Advice) == 0 || !(g.Prior > 0) {
			t.Errorf("group %+v", g)
		}
		for _, a := range g.Advice {
			if strings.Contains(a, "_") {
				t.Errorf("an id in %q", a)
			}
		}
	}
	for _, p := range r.Pairs {
		named(p.A, p.B)
	}
	for _, m := range r.Masked {
		named(append(m.By, m.Cause)...)
	}
	at := slices.IndexFunc(r.Idle, func(i TestabilityIdle) bool { return i.ID == "bus_residual_voltage" })
	if at < 0 || !slices.ContainsFunc(r.Idle[at].Needed, func(s string) bool { return strings.HasPrefix(s, "must hold before: ") }) {
		t.Errorf("the bus's own measurement is not said to be needed: %+v", r.Idle)
	}
	if r.Causes != len(embedded().lib.Causes) || r.Method == "" {
		t.Errorf("%d causes, %q", r.Causes, r.Method)
	}
}

// What would split a group is worded by what its causes have in common.
func TestTestabilityAdvice(t *testing.T) {
	t.Parallel()
	w := testabilityWriter{embedded().lib}
	for want, h := range map[string]faultlib.SplitHint{
		"acts on one of them alone":      {Components: []string{"hall_sensors", "motor_cable"}, Modes: []string{"open_circuit"}},
		"tells “open circuit” and “worn": {Components: []string{"bearings"}, Modes: []string{"open_circuit", "worn"}},
		"one cause would do":             {Components: []string{"bearings"}, Modes: []string{"worn"}},
	} {
		if got := w.missing(h); !strings.Contains(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// A report is made once however many ask at the same time; one that failed is
// made anew.
func TestReportsAreKept(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	r := newReports()
	var made atomic.Int32
	build := func() (*faultlib.Testability, error) {
		made.Add(1)
		return &faultlib.Testability{}, nil
	}
	var group sync.WaitGroup
	for range 8 {
		group.Go(func() {
			if _, err := r.testability(ctx, reportKey{hash: "a"}, build); err != nil {
				t.Error(err)
			}
		})
	}
	group.Wait()
	if n := made.Load(); n != 1 {
		t.Errorf("made %d times", n)
	}
	broken := errors.New("broken")
	if _, err := r.testability(ctx, reportKey{hash: "b"}, func() (*faultlib.Testability, error) { return nil, broken }); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
	if _, err := r.testability(ctx, reportKey{hash: "b"}, build); err != nil || made.Load() != 2 {
		t.Errorf("after a failure: %v, made %d times", err, made.Load())
	}
	for i := range 2 * reportsKept {
		if _, err := r.testability(ctx, reportKey{learned: learnedKey{number: i}}, build); err != nil {
			t.Fatal(err)
		}
	}
	if len(r.kept) != reportsKept || len(r.order) != reportsKept {
		t.Errorf("%d kept", len(r.kept))
	}
	away, cancel := context.WithCancel(ctx)
	cancel()
	for range reportsAtOnce {
		if err := r.enter(ctx); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := r.testability(away, reportKey{hash: "c"}, build); !errors.Is(err, context.Canceled) {
		t.Errorf("nobody waits for the report: %v", err)
	}
}
