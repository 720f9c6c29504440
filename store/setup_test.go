package store_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/storetest"
)

// t0 is the present of all store tests.
var t0 = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// days returns t0 moved by n days.
func days(n float64) time.Time { return t0.Add(time.Duration(n * 24 * float64(time.Hour))) }

func newID() shop.ID { return uuid.Must(uuid.NewV7()) }

func ptr[T any](v T) *T { return &v }

// bench is a shop with an edition of the library, a board and a part.
type bench struct {
	t       testing.TB
	ctx     context.Context
	store   *store.Store
	shop    shop.Shop
	library shop.LibraryVersion
	board   shop.Board
	part    shop.Part
}

// setup makes a bench in a database of its own.
func setup(t testing.TB) *bench {
	t.Helper()
	return newBench(t, storetest.New(t), "first")
}

// newBench makes a bench in a store that may hold others. All benches hold the
// same serials, numbers and names.
func newBench(t testing.TB, s *store.Store, slug string) *bench {
	t.Helper()
	b := &bench{t: t, ctx: context.Background(), store: s}
	var err error
	b.shop, err = s.EnsureShop(b.ctx, shop.Shop{ID: newID(), Slug: slug, Name: "Shop " + slug, Currency: "EUR",
		LabourMinor: 6000, WarrantyDays: 90, CreatedAt: days(-400)})
	b.ok(err)
	b.library = b.edition("edition 1", true)
	b.board = b.addBoard("NP-0001", days(-300))
	b.part = shop.Part{ID: newID(), Number: "MC-3", Name: "Motor connector", Component: "motor_connector", Supplier: "Supplier A",
		UnitCostMinor: ptr(int64(450)), Currency: "EUR", MinStock: 2, CreatedAt: days(-300), Version: 1}
	b.ok(s.AddPart(b.ctx, b.shop.ID, b.part, nil, b.audit("part.create", b.part.ID)))
	return b
}

func (b *bench) ok(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) audit(action string, subject shop.ID) shop.AuditEvent {
	return shop.AuditEvent{ID: newID(), At: t0, By: "Kim", ActorID: newID(), Action: action, SubjectKind: "test", SubjectID: subject}
}

func (b *bench) edition(content string, current bool) shop.LibraryVersion {
	b.t.Helper()
	sum := sha256.Sum256([]byte(content))
	v, err := b.store.SaveLibrary(b.ctx, b.shop.ID, shop.LibraryVersion{ID: newID(), SHA256: hex.EncodeToString(sum[:]), Edition: 1,
		Note: content, Current: current, StoredAt: days(-400), By: "Kim"}, []byte(content), b.audit("library.import", b.shop.ID))
	b.ok(err)
	return v
}

func (b *bench) addBoard(serial string, created time.Time) shop.Board {
	b.t.Helper()
	v := shop.Board{ID: newID(), Serial: serial, Make: "Invented", Model: "One", Facts: map[string]string{"motor_plug": "external"},
		CreatedAt: created, UpdatedAt: created, Version: 1}
	b.ok(b.store.AddBoard(b.ctx, b.shop.ID, v, b.audit("board.create", v.ID)))
	return v
}

// newJob is an intake of a board.
func (b *bench) newJob(board shop.ID, at time.Time, km *float64) shop.NewJob {
	id := newID()
	return shop.NewJob{
		Job: shop.Job{ID: id, BoardID: board, State: shop.Received, Complaint: "cuts out", OdometerKM: km,
			Exposures: []string{"rain"}, Condition: "wet", LibraryID: b.library.ID, OpenedAt: at, UpdatedAt: at},
		State: shop.StateChange{ID: newID(), To: shop.Received, At: at, By: "Kim"},
		Audit: b.audit("job.create", id),
	}
}

func (b *bench) openJob(board shop.ID, at time.Time, km *float64) shop.Job {
	b.t.Helper()
	j, err := b.store.AddJob(b.ctx, b.shop.ID, b.newJob(board, at, km))
	b.ok(err)
	return j
}

// change applies a change to the job's present version.
func (b *bench) change(j *shop.Job, at time.Time, fill func(*shop.JobChange)) {
	b.t.Helper()
	b.ok(b.tryChange(j, at, fill))
}

func (b *bench) tryChange(j *shop.Job, at time.Time, fill func(*shop.JobChange)) error {
	c := shop.JobChange{JobID: j.ID, Version: j.Version, At: at, By: "Kim", Audit: b.audit("job.change", j.ID)}
	fill(&c)
	after, err := b.store.ChangeJob(b.ctx, b.shop.ID, c)
	if err == nil {
		*j = after
	}
	return err
}

// move takes a job to a state.
func (b *bench) move(j *shop.Job, to shop.State, at time.Time) {
	b.t.Helper()
	b.change(j, at, func(c *shop.JobChange) {
		c.State = &shop.StateChange{ID: newID(), From: j.State, To: to, At: at, By: "Kim"}
		if to == shop.Returned || to == shop.Scrapped {
			c.ClosedAt = &at
		}
	})
}

// confirm records a fault of a component in a job.
func (b *bench) confirm(j *shop.Job, component string, at time.Time, fill func(*shop.Fault)) shop.Fault {
	b.t.Helper()
	f := shop.Fault{ID: newID(), JobID: j.ID, Cause: component + ".open", Component: component, FailureMode: "open",
		Probability: 0.9, At: at, By: "Kim"}
	if fill != nil {
		fill(&f)
	}
	b.change(j, at, func(c *shop.JobChange) { c.Fault = &f })
	return f
}

// mend records a repair of a fault.
func (b *bench) mend(j *shop.Job, fault shop.ID, action string, at time.Time) shop.Repair {
	b.t.Helper()
	r := shop.Repair{ID: newID(), FaultID: fault, Action: action, Minutes: 20, At: at, By: "Kim"}
	b.change(j, at, func(c *shop.JobChange) { c.Repair = &r })
	return r
}

// refused checks that err has the code and, when field is not empty, names it.
func refused(t testing.TB, err error, code problem.Code, field string) {
	t.Helper()
	p := problem.As(err)
	if p == nil || p.Code != code {
		t.Fatalf("got %v, want a problem of code %s", err, code)
	}
	if p.Message == "" {
		t.Error("the problem has no message")
	}
	if field != "" && (len(p.Fields) != 1 || p.Fields[0].Field != field || p.Fields[0].Message == "") {
		t.Errorf("got fields %+v, want %q", p.Fields, field)
	}
}

func same(t testing.TB, got, want any) {
	t.Helper()
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}
