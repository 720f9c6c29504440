package store_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// fleet is a small history whose every figure can be counted by hand. The window
// is the hundred days before t0.
//
//	A NP-0001  record day -300   jobs: day -80 (km 1000), day -40 (km 1400), day -10 (km 1700)
//	B NP-0002  record day -60    jobs: day -50 (km 500), day -20 (km 800, scrapped on day -20)
//	C NP-0003  record day -30    no job
type fleet struct {
	*bench
	a, b, c shop.Board
	left    shop.Connector // A, family M3, gasket, day -200 on
	second  shop.Connector // A, family M3, sleeve, day -50 on
	bconn   shop.Connector // B, family X9, gasket, day -60 to day -30
	jobs    []shop.Job     // A -80, A -40, A -10, B -50, B -20
	faults  []shop.Fault   // motor_connector at -80, -40, -10 on A; -50 on B; hall_cable at -20 on B
	fitted  shop.InstalledPart
}

func newFleet(t *testing.T) *fleet {
	t.Helper()
	f := &fleet{bench: setup(t)}
	f.a = f.board
	f.b, f.c = f.addBoard("NP-0002", days(-60)), f.addBoard("NP-0003", days(-30))
	f.left = f.connector(f.a, "left", "M3", "gasket", days(-200), nil)
	f.second = f.connector(f.a, "right", "M3", "sleeve", days(-50), nil)
	f.bconn = f.connector(f.b, "left", "X9", "gasket", days(-60), ptr(days(-30)))
	_, err := f.store.Move(f.ctx, f.shop.ID, shop.Movement{PartID: f.part.ID, Quantity: 9, Reason: "received", At: days(-90)}, f.audit("part.move", f.part.ID))
	f.ok(err)

	f.visit(f.a, -80, 1000, "motor_connector", "reseat", func(x *shop.Fault) { x.ConnectorID = &f.left.ID })
	f.visit(f.a, -40, 1400, "motor_connector", "replace", func(x *shop.Fault) { x.ConnectorID = &f.left.ID })
	f.visit(f.a, -10, 1700, "motor_connector", "", func(x *shop.Fault) {
		x.ConnectorID, x.InstalledPartID = &f.second.ID, &f.fitted.ID
	})
	f.visit(f.b, -50, 500, "motor_connector", "reseat", func(x *shop.Fault) { x.ConnectorID = &f.bconn.ID })
	f.visit(f.b, -20, 800, "hall_cable", "", nil)
	return f
}

func (f *fleet) connector(b shop.Board, place, family, sealing string, fitted time.Time, removed *time.Time) shop.Connector {
	f.t.Helper()
	c := shop.Connector{ID: newID(), BoardID: b.ID, Place: place, Family: family, Sealing: sealing, Polarity: "unknown", FittedAt: fitted, RemovedAt: removed}
	f.ok(f.store.AddConnector(f.ctx, f.shop.ID, c, f.audit("connector.add", c.ID)))
	return c
}

// visit is a job of one day: a fault, a repair unless action is "" (then it is
// waived), and the way out. The repair "replace" fits a part of lot L1.
func (f *fleet) visit(b shop.Board, day float64, km float64, component, action string, fill func(*shop.Fault)) {
	f.t.Helper()
	at := days(day)
	n := f.newJob(b.ID, at, &km)
	if len(f.jobs) == 1 {
		n.Job.ComebackOf = &f.jobs[0].ID
	}
	j, err := f.store.AddJob(f.ctx, f.shop.ID, n)
	f.ok(err)
	fault := f.confirm(&j, component, at, fill)
	if action == "" {
		f.change(&j, at, func(c *shop.JobChange) { c.Waive = &shop.Waiver{FaultID: fault.ID, Reason: "owner's wish"} })
	} else {
		r := f.mend(&j, fault.ID, action, at)
		if action == "replace" {
			f.fitted = shop.InstalledPart{ID: newID(), PartID: &f.part.ID, PartName: "Motor connector", Lot: "L1", InstalledAt: at, RepairID: &r.ID}
			f.change(&j, at, func(c *shop.JobChange) { c.Installed = []shop.InstalledPart{f.fitted} })
		}
	}
	to := shop.Returned
	if component == "hall_cable" {
		to = shop.Scrapped
	}
	f.move(&j, to, at)
	f.jobs, f.faults = append(f.jobs, j), append(f.faults, fault)
}

func (f *fleet) report(g shop.RecurrenceGroup, from, to, now float64) []shop.GroupCount {
	f.t.Helper()
	rows, err := f.store.Recurrence(f.ctx, f.shop.ID, shop.RecurrenceQuery{Group: g, From: days(from), To: days(to), Now: days(now)})
	f.ok(err)
	return rows
}

// near compares figures that were divided.
var near = cmpopts.EquateApprox(0, 1e-6)

func TestRecurrence(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	part := f.part.ID.String()
	tests := []struct {
		name          string
		group         shop.RecurrenceGroup
		from, to, now float64
		want          []shop.GroupCount
	}{
		// Service in the window: A 100 days, B from day -60 to its scrapping on day -20: 40, C 30.
		// Distance: A 1000 to 1700 = 700, B 300.
		{"by component", shop.ByComponent, -100, 10, 0, []shop.GroupCount{
			{Key: "motor_connector", Name: "motor_connector", Failures: 4, Boards: 2, RepeatBoards: 1, Carriers: 3, BoardDays: 170, DistanceKM: 1000, Comebacks: 1, LastAt: days(-10)},
			{Key: "hall_cable", Name: "hall_cable", Failures: 1, Boards: 1, Carriers: 3, BoardDays: 170, DistanceKM: 1000, LastAt: days(-20)},
		}},
		{"by failure mode", shop.ByFailureMode, -100, 0, 0, []shop.GroupCount{
			{Key: "open", Name: "open", Failures: 5, Boards: 2, RepeatBoards: 2, Carriers: 3, BoardDays: 170, DistanceKM: 1000, Comebacks: 1, LastAt: days(-10)},
		}},
		// The window [-60, -25) cuts: A 35 days, B 35 days, C 5 days. A's odometer went 10 km a day from -80 to -25
		// (400 km in 40 days, then 300 in 30): 350. B's 10 km a day from -50 to -20: 250.
		{"window edges", shop.ByCause, -60, -25, 0, []shop.GroupCount{
			{Key: "motor_connector.open", Name: "motor_connector.open", Failures: 2, Boards: 2, Carriers: 3, BoardDays: 75, DistanceKM: 600, Comebacks: 1, LastAt: days(-40)},
		}},
		{"now cuts the window", shop.ByCause, -60, 10, -25, []shop.GroupCount{
			{Key: "motor_connector.open", Name: "motor_connector.open", Failures: 2, Boards: 2, Carriers: 3, BoardDays: 75, DistanceKM: 600, Comebacks: 1, LastAt: days(-40)},
		}},
		// Two connectors of one family on A make one board: 100 days. X9 was on B from -60 to -30; km from -50 on.
		{"by family", shop.ByConnectorFamily, -100, 0, 0, []shop.GroupCount{
			{Key: "M3", Name: "M3", Failures: 3, Boards: 1, RepeatBoards: 1, Carriers: 1, BoardDays: 100, DistanceKM: 700, Comebacks: 1, LastAt: days(-10)},
			{Key: "X9", Name: "X9", Failures: 1, Boards: 1, Carriers: 1, BoardDays: 30, DistanceKM: 200, LastAt: days(-50)},
		}},
		{"by sealing", shop.BySealing, -100, 0, 0, []shop.GroupCount{
			{Key: "gasket", Name: "gasket", Failures: 3, Boards: 2, RepeatBoards: 1, Carriers: 2, BoardDays: 130, DistanceKM: 900, Comebacks: 1, LastAt: days(-40)},
			{Key: "sleeve", Name: "sleeve", Failures: 1, Boards: 1, Carriers: 1, BoardDays: 50, DistanceKM: 400, LastAt: days(-10)},
		}},
		// A key with exposure and no failure is listed.
		{"sealing without failure", shop.BySealing, -9, 0, 0, []shop.GroupCount{
			{Key: "gasket", Name: "gasket", Carriers: 1, BoardDays: 9},
			{Key: "sleeve", Name: "sleeve", Carriers: 1, BoardDays: 9},
		}},
		{"by part", shop.ByPart, -100, 0, 0, []shop.GroupCount{
			{Key: part, Name: "Motor connector", Failures: 1, Boards: 1, Carriers: 1, BoardDays: 40, DistanceKM: 300, LastAt: days(-10)},
		}},
		{"by lot", shop.ByLot, -100, 0, 0, []shop.GroupCount{
			{Key: "L1", Name: "Motor connector", Failures: 1, Boards: 1, Carriers: 1, BoardDays: 40, DistanceKM: 300, LastAt: days(-10)},
		}},
		// reseat: A from -80 to its failure on -40 (40 days, 400 km); B from -50 to its scrapping on -20 (30 days, 300 km).
		// replace: A from -40 to its failure on -10.
		{"by action", shop.ByAction, -100, 0, 0, []shop.GroupCount{
			{Key: "replace", Name: "replace", Failures: 1, Boards: 1, Carriers: 1, BoardDays: 30, DistanceKM: 300, LastAt: days(-10)},
			{Key: "reseat", Name: "reseat", Failures: 1, Boards: 1, Carriers: 2, BoardDays: 70, DistanceKM: 700, Comebacks: 1, LastAt: days(-40)},
		}},
		{"before all", shop.ByComponent, -900, -800, 0, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := f.report(tt.group, tt.from, tt.to, tt.now)
			if d := cmp.Diff(tt.want, got, near, cmpopts.EquateEmpty()); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
		})
	}
}

// Rows and the events behind them count the same, in every group.
func TestRecurrenceEventsAgreeWithRows(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	for _, g := range []shop.RecurrenceGroup{shop.ByComponent, shop.ByConnectorFamily, shop.ByFailureMode, shop.ByCause, shop.ByPart,
		shop.ByLot, shop.BySealing, shop.ByAction} {
		rows := f.report(g, -100, 0, 0)
		if len(rows) == 0 {
			t.Errorf("%s: no rows", g)
		}
		for _, r := range rows {
			events, err := f.store.RecurrenceEvents(f.ctx, f.shop.ID, shop.RecurrenceQuery{Group: g, From: days(-100), To: days(0), Now: t0}, r.Key)
			f.ok(err)
			if len(events) != r.Failures || len(events) > 0 && !events[len(events)-1].At.Equal(r.LastAt) {
				t.Errorf("%s %s: %d events, %d failures", g, r.Key, len(events), r.Failures)
			}
		}
	}
}

func TestRecurrenceEvents(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	read := func(g shop.RecurrenceGroup, key string) []shop.FaultEvent {
		t.Helper()
		events, err := f.store.RecurrenceEvents(f.ctx, f.shop.ID, shop.RecurrenceQuery{Group: g, From: days(-100), To: days(0), Now: t0}, key)
		f.ok(err)
		return events
	}
	event := func(i int, serial, action string) shop.FaultEvent {
		j, x := f.jobs[i], f.faults[i]
		return shop.FaultEvent{FaultID: x.ID, JobID: j.ID, BoardID: j.BoardID, JobNumber: j.Number, BoardSerial: serial, Cause: x.Cause,
			Component: x.Component, At: x.At, OdometerKM: j.OdometerKM, Action: action, ComebackOf: j.ComebackOf}
	}
	same(t, read(shop.ByComponent, "motor_connector"), []shop.FaultEvent{
		event(0, "NP-0001", "reseat"), event(3, "NP-0002", "reseat"), event(1, "NP-0001", "replace"), event(2, "NP-0001", ""),
	})
	same(t, read(shop.ByAction, "reseat"), []shop.FaultEvent{event(1, "NP-0001", "reseat")})
	same(t, read(shop.ByLot, "L1"), []shop.FaultEvent{event(2, "NP-0001", "")})
	same(t, read(shop.ByCause, "nothing"), []shop.FaultEvent{})
}

// An odometer that went backwards leaves the distance between unknown, and one
// reading is no distance.
func TestRecurrenceDistance(t *testing.T) {
	t.Parallel()
	f := &fleet{bench: setup(t)}
	f.visit(f.board, -80, 1000, "motor_connector", "reseat", nil)
	f.visit(f.board, -60, 1100, "motor_connector", "reseat", nil)
	f.visit(f.board, -40, 5, "motor_connector", "reseat", nil)
	f.visit(f.board, -20, 55, "motor_connector", "reseat", nil)
	f.visit(f.addBoard("NP-0002", days(-90)), -20, 700, "motor_connector", "reseat", nil)
	rows := f.report(shop.ByComponent, -100, 0, 0)
	if len(rows) != 1 || math.Abs(rows[0].DistanceKM-150) > 1e-6 {
		t.Errorf("rows %+v, want 150 km", rows)
	}
}

func TestRecurrenceRefusesNonsense(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for field, q := range map[string]shop.RecurrenceQuery{
		"group": {Group: "colour", From: days(-1), To: t0},
		"from":  {Group: shop.ByCause, From: t0, To: t0},
	} {
		_, err := b.store.Recurrence(b.ctx, b.shop.ID, q)
		refused(t, err, problem.Invalid, field)
		_, err = b.store.RecurrenceEvents(b.ctx, b.shop.ID, q, "x")
		refused(t, err, problem.Invalid, field)
	}
}
