package store_test

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func raised(group shop.RecurrenceGroup, key string, lower float64) shop.RecurrenceAlert {
	f := shop.AlertFigures{From: days(-730), To: t0, Failures: 5, Boards: 4, Carriers: 9, Exposure: 7.25, Ratio: ptr(2 * lower), Lower: ptr(lower), Upper: ptr(9 * lower),
		P: 0.001, AdjustedP: 0.004, Compared: 4}
	return shop.RecurrenceAlert{ID: newID(), Group: group, Key: key, Name: "the " + key, RaisedAt: t0, Raised: f, UpdatedAt: t0, Figures: f}
}

func (b *bench) alerts() []shop.RecurrenceAlert {
	b.t.Helper()
	list, err := b.store.OpenAlerts(b.ctx, b.shop.ID)
	b.ok(err)
	for i := range list {
		for _, at := range []*time.Time{&list[i].RaisedAt, &list[i].UpdatedAt, list[i].ClearedAt} {
			if at != nil {
				*at = at.UTC()
			}
		}
	}
	return list
}

func TestAlertsAreRaisedUpdatedAndCleared(t *testing.T) {
	t.Parallel()
	b := setup(t)
	at, err := b.store.AlertsChecked(b.ctx, b.shop.ID)
	b.ok(err)
	if !at.IsZero() || len(b.alerts()) != 0 {
		t.Fatalf("a new shop was looked at on %s", at)
	}
	mild, bad := raised(shop.ByConnectorFamily, "M3", 1.5), raised(shop.ByLot, "L1", 3)
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: t0, Raise: []shop.RecurrenceAlert{mild, bad}}))
	same(t, b.alerts(), []shop.RecurrenceAlert{bad, mild}) // Worst first.

	// A look that began earlier and ends later changes nothing.
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: days(-1), Raise: []shop.RecurrenceAlert{raised(shop.ByLot, "L2", 9)}}))
	// The same key is told of once.
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: days(1), Raise: []shop.RecurrenceAlert{raised(shop.ByLot, "L1", 9)}}))
	same(t, b.alerts(), []shop.RecurrenceAlert{bad, mild})

	mild.Figures.Failures, mild.Figures.Lower, mild.UpdatedAt = 9, ptr(4.0), days(2)
	gone := bad
	gone.UpdatedAt, gone.ClearedAt = days(2), ptr(days(2))
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: days(2), Update: []shop.RecurrenceAlert{mild}, Clear: []shop.RecurrenceAlert{gone}}))
	same(t, b.alerts(), []shop.RecurrenceAlert{mild})
	if at, err = b.store.AlertsChecked(b.ctx, b.shop.ID); err != nil || !at.Equal(days(2)) {
		t.Errorf("looked at %s, %v", at, err)
	}

	// What has cleared may be raised anew, as another alert.
	again := raised(shop.ByLot, "L1", 2)
	again.RaisedAt, again.UpdatedAt = days(3), days(3)
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: days(3), Raise: []shop.RecurrenceAlert{again}}))
	same(t, b.alerts(), []shop.RecurrenceAlert{mild, again})

	other := newBench(t, b.store, "second")
	if list := other.alerts(); len(list) != 0 {
		t.Errorf("another shop sees %+v", list)
	}
}

func TestAlertIsSetAsideOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	a := raised(shop.ByConnectorFamily, "M3", 2)
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: t0, Raise: []shop.RecurrenceAlert{a}}))
	set := func(shopID, id shop.ID) (shop.RecurrenceAlert, error) {
		return b.store.SetAlertAside(b.ctx, shopID, id, shop.SetAside{At: days(1), By: "Kim", Reason: "being refitted"}, b.audit("alert.set_aside", id))
	}
	_, err := set(b.shop.ID, newID())
	refused(t, err, problem.NotFound, "")
	other := newBench(t, b.store, "second")
	_, err = set(other.shop.ID, a.ID)
	refused(t, err, problem.NotFound, "")
	got, err := set(b.shop.ID, a.ID)
	b.ok(err)
	if got.SetAside == nil || got.SetAside.Reason != "being refitted" || !got.SetAside.At.Equal(days(1)) {
		t.Errorf("%+v", got)
	}
	_, err = set(b.shop.ID, a.ID)
	refused(t, err, problem.Conflict, "")
	log, err := b.store.Audit(b.ctx, b.shop.ID, a.ID, shop.Page{})
	b.ok(err)
	if len(log.Items) != 1 || log.Items[0].Action != "alert.set_aside" {
		t.Errorf("the log holds %+v", log.Items)
	}
	cleared := a
	cleared.UpdatedAt, cleared.ClearedAt = days(2), ptr(days(2))
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: days(2), Clear: []shop.RecurrenceAlert{cleared}}))
	_, err = set(b.shop.ID, a.ID)
	refused(t, err, problem.Conflict, "")
}

// The fleet's board A carries two connectors of M3, a part of lot L1, and a motor
// connector last mended by "replace" and found failed since; B has lost its connector.
func TestAlertsOfBoard(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	raise := []shop.RecurrenceAlert{
		raised(shop.ByConnectorFamily, "M3", 9), raised(shop.ByConnectorFamily, "X9", 8), raised(shop.ByLot, "L1", 7), raised(shop.ByLot, "L2", 6),
		raised(shop.ByPart, f.part.ID.String(), 5), raised(shop.ByAction, "reseat", 4), raised(shop.ByAction, "replace", 3),
	}
	f.ok(f.store.ChangeAlerts(f.ctx, f.shop.ID, shop.AlertChange{At: t0, Raise: raise}))
	type carried struct {
		Key, Component, Name string
		Since                time.Time
		FromJob              bool
	}
	of := func(b shop.Board) (out []carried) {
		t.Helper()
		list, err := f.store.AlertsOfBoard(f.ctx, f.shop.ID, b.ID)
		f.ok(err)
		for _, a := range list {
			for _, c := range a.Carried {
				out = append(out, carried{a.Alert.Key, c.Component, c.Name, c.Since.UTC(), c.JobID != nil})
			}
			if len(a.Carried) == 0 {
				out = append(out, carried{Key: a.Alert.Key})
			}
		}
		return out
	}
	same(t, of(f.a), []carried{{"M3", "", "left", days(-200), false}, {"M3", "", "right", days(-50), false},
		{"L1", "", "Motor connector", days(-40), true}, {f.part.ID.String(), "", "Motor connector", days(-40), true}})
	// The connector that B had is removed, and none is recorded now: either family may be
	// there. Its motor connector was mended by "reseat" on day -50 and has held.
	same(t, of(f.b), []carried{{Key: "M3"}, {Key: "X9"}, {"reseat", "motor_connector", "", days(-50), true}})
	same(t, of(f.c), []carried{{Key: "M3"}, {Key: "X9"}})

	// Mended again in the same job: the newest repair counts.
	j := f.openJob(f.c.ID, days(-5), nil)
	fault := f.confirm(&j, "hall_cable", days(-5), nil)
	f.mend(&j, fault.ID, "reseat", days(-4.5))
	same(t, of(f.c)[2:], []carried{{"reseat", "hall_cable", "", days(-4.5), true}})
	f.mend(&j, fault.ID, "replace", days(-4))
	same(t, of(f.c)[2:], []carried{{"replace", "hall_cable", "", days(-4), true}})

	_, err := f.store.SetAlertAside(f.ctx, f.shop.ID, raise[0].ID, shop.SetAside{At: t0, By: "Kim", Reason: "known"}, f.audit("alert.set_aside", raise[0].ID))
	f.ok(err)
	same(t, of(f.a)[0].Key, "L1")
	if list, err := f.store.AlertsOfBoard(f.ctx, newID(), f.a.ID); err != nil || len(list) != 0 {
		t.Errorf("another shop sees %+v, %v", list, err)
	}
}

// looks are the pieces of work that look at the figures.
func (b *bench) looks() []time.Time {
	b.t.Helper()
	var out []time.Time
	for _, w := range b.queueOf("check_alerts") {
		out = append(out, w.At.UTC())
	}
	return out
}

// A fault or a repair causes one look for each quarter of an hour, after it.
func TestFaultsAndRepairsCauseOneLook(t *testing.T) {
	t.Parallel()
	b := setup(t)
	j := b.openJob(b.board.ID, t0, nil)
	b.move(&j, shop.Diagnosing, t0)
	if got := b.looks(); len(got) != 0 {
		t.Fatalf("without a fault: %v", got)
	}
	at := t0.Add(3 * time.Minute)
	f := b.confirm(&j, "motor_connector", at, nil)
	b.confirm(&j, "hall_cable", at.Add(11*time.Minute), nil)
	first := t0.Add(16 * time.Minute)
	same(t, b.looks(), []time.Time{first})
	b.mend(&j, f.ID, "clean", at.Add(13*time.Minute)) // 16 minutes after t0: the first look may be running.
	same(t, b.looks(), []time.Time{first, t0.Add(31 * time.Minute)})
	err := b.tryChange(&j, at.Add(time.Hour), func(c *shop.JobChange) {
		c.Fault = &shop.Fault{ID: newID(), Cause: "x.open", Component: "x", At: at.Add(time.Hour), By: "Kim"}
		c.Retract = []shop.ID{newID()} // Not in the job: all is refused.
	})
	refused(t, err, problem.Conflict, "")
	if got := b.looks(); len(got) != 2 {
		t.Errorf("after a refused fault: %v", got)
	}
}

// A server that starts looks at the shops that were never looked at, and does the
// looks that are due.
func TestWorkLooksAtTheFigures(t *testing.T) {
	t.Parallel()
	b := setup(t)
	seen := newBench(t, b.store, "second")
	b.ok(b.store.ChangeAlerts(b.ctx, seen.shop.ID, shop.AlertChange{At: t0}))
	var n atomic.Int32
	done := make(chan shop.ID, 8)
	opt := quick
	opt.CheckAlerts = func(_ context.Context, shopID shop.ID, since time.Time) error {
		if since.IsZero() || since.After(time.Now()) {
			t.Errorf("asked for a look since %s", since)
		}
		n.Add(1)
		done <- shopID
		return nil
	}
	w, err := b.store.Work(b.ctx, func(context.Context, shop.ID, shop.ID) (time.Time, error) { return time.Time{}, nil }, opt)
	b.ok(err)
	select {
	case id := <-done:
		if id != b.shop.ID {
			t.Errorf("looked at %s", id)
		}
	case <-time.After(2 * time.Minute):
		t.Error("no look was taken")
	}
	b.ok(w.Stop(b.ctx))
	if n.Load() != 1 || len(b.looks()) != 1 {
		t.Errorf("%d looks, %v in the queue", n.Load(), b.looks())
	}

	// A process that is not to look leaves the work for another.
	j := b.openJob(b.board.ID, t0, nil)
	b.confirm(&j, "motor_connector", t0, nil)
	b.handOver(&j)
	rec := recording(1)
	w, err = b.store.Work(b.ctx, func(_ context.Context, _, job shop.ID) (time.Time, error) { rec.note(job); return time.Time{}, nil }, quick)
	b.ok(err)
	rec.wait(t)
	b.ok(w.Stop(b.ctx))
	got := b.queueOf("check_alerts")
	if len(got) != 2 || got[0].State != "completed" || got[1].State != "scheduled" && got[1].State != "available" || got[1].Attempt != 0 {
		t.Errorf("%+v", got)
	}
}

// handOver hands a job back, to be judged at once.
func (b *bench) handOver(j *shop.Job) {
	b.t.Helper()
	b.change(j, days(0.1), func(c *shop.JobChange) {
		c.State = &shop.StateChange{ID: newID(), From: j.State, To: shop.Returned, At: days(0.1), By: "Kim"}
		c.ClosedAt, c.LearnAt = ptr(days(0.1)), ptr(days(1))
	})
}

// The schema keeps alerts whole.
func TestAlertConstraints(t *testing.T) {
	t.Parallel()
	b := setup(t)
	a := raised(shop.ByConnectorFamily, "M3", 2)
	b.ok(b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: t0, Raise: []shop.RecurrenceAlert{a}}))
	bad := a
	bad.ClearedAt, bad.UpdatedAt = ptr(days(-1)), t0
	err := b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: days(1), Clear: []shop.RecurrenceAlert{bad}})
	refused(t, err, problem.Invalid, "at")
	err = b.store.ChangeAlerts(b.ctx, b.shop.ID, shop.AlertChange{At: days(1), Raise: []shop.RecurrenceAlert{raised(shop.ByCause, "x", 2)}})
	refused(t, err, problem.Invalid, "group")
	_, err = b.store.SetAlertAside(b.ctx, b.shop.ID, a.ID, shop.SetAside{At: t0, By: "Kim", Reason: " "}, b.audit("alert.set_aside", a.ID))
	refused(t, err, problem.Invalid, "reason")
}
