package store_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nextprobe/internal/shop"
)

// narrowed is the fleet of newFleet and one board more of another model, so that every
// filter leaves something out:
//
//	D NP-0004 "Other Two"  record day -100  connector P (no family, component hall_cable) from -100
//	          job day -30 (km 100): motor_connector.wet naming P, cleaned; job day -10 (km 300): hall_cable.open
//
// The connectors of A belong to motor_connector as the register says; B's says nothing.
type narrowedFleet struct {
	*fleet
	d shop.Board
}

func newNarrowed(t *testing.T) *narrowedFleet {
	t.Helper()
	f := &narrowedFleet{fleet: newFleet(t)}
	f.d = shop.Board{ID: newID(), Serial: "NP-0004", Make: " Other", Model: "Two ", CreatedAt: days(-100), UpdatedAt: days(-100), Version: 1}
	f.ok(f.store.AddBoard(f.ctx, f.shop.ID, f.d, f.audit("board.create", f.d.ID)))
	p := shop.Connector{ID: newID(), BoardID: f.d.ID, Place: "left", Family: "M3", Component: "hall_cable", Polarity: "unknown", FittedAt: days(-40)}
	f.ok(f.store.AddConnector(f.ctx, f.shop.ID, p, f.audit("connector.add", p.ID)))
	f.visit(f.d, -30, 100, "motor_connector", "reseat", func(x *shop.Fault) {
		x.Cause, x.FailureMode, x.ConnectorID = "motor_connector.wet", "leak", &p.ID
	})
	f.visit(f.d, -10, 300, "axle", "reseat", nil)
	return f
}

func (f *fleet) narrow(g shop.RecurrenceGroup, filter shop.RecurrenceFilter) []shop.GroupCount {
	f.t.Helper()
	rows, err := f.store.Recurrence(f.ctx, f.shop.ID, shop.RecurrenceQuery{Group: g, From: days(-100), To: days(10), Now: t0, Filter: filter})
	f.ok(err)
	return rows
}

// plain is a count without dates and entries.
func plain(key string, failures, boards, repeat, carriers int, days, km float64) shop.GroupCount {
	return shop.GroupCount{Key: key, Name: key, Failures: failures, Boards: boards, RepeatBoards: repeat, Carriers: carriers, BoardDays: days, DistanceKM: km}
}

var plainly = cmp.Options{near, cmpopts.EquateEmpty(), cmpopts.IgnoreFields(shop.GroupCount{}, "LastAt", "Comebacks", "AtEntry")}

func TestRecurrenceFilters(t *testing.T) {
	t.Parallel()
	f := newNarrowed(t)
	tests := []struct {
		name   string
		group  shop.RecurrenceGroup
		filter shop.RecurrenceFilter
		want   []shop.GroupCount
	}{
		// Unfiltered, for comparison: A 100 days, B 40, C 30, D 100, together 270; km 700 + 300 + 200.
		{"whole", shop.ByComponent, shop.RecurrenceFilter{}, []shop.GroupCount{
			plain("motor_connector", 5, 3, 1, 4, 270, 1200), plain("axle", 1, 1, 0, 4, 270, 1200), plain("hall_cable", 1, 1, 0, 4, 270, 1200)}},
		// A model takes its boards, failures and exposure.
		{"model", shop.ByComponent, shop.RecurrenceFilter{Model: "other two"}, []shop.GroupCount{
			plain("axle", 1, 1, 0, 1, 100, 200), plain("motor_connector", 1, 1, 0, 1, 100, 200)}},
		{"the other model", shop.ByComponent, shop.RecurrenceFilter{Model: "Invented One"}, []shop.GroupCount{
			plain("motor_connector", 4, 2, 1, 3, 170, 1000), plain("hall_cable", 1, 1, 0, 3, 170, 1000)}},
		{"no model recorded", shop.ByComponent, shop.RecurrenceFilter{Model: shop.ModelNotRecorded}, nil},
		{"connectors of a model", shop.ByConnectorFamily, shop.RecurrenceFilter{Model: "Other Two"}, []shop.GroupCount{plain("M3", 1, 1, 0, 1, 40, 200)}},
		{"actions of a model", shop.ByAction, shop.RecurrenceFilter{Model: "Other Two"}, []shop.GroupCount{plain("reseat", 0, 0, 0, 1, 40, 200)}},
		// A cause or mode takes its failures; every board could have had it.
		{"cause", shop.ByComponent, shop.RecurrenceFilter{Cause: "motor_connector.wet"}, []shop.GroupCount{plain("motor_connector", 1, 1, 0, 4, 270, 1200)}},
		{"mode", shop.ByComponent, shop.RecurrenceFilter{FailureMode: "open"}, []shop.GroupCount{
			plain("motor_connector", 4, 2, 1, 4, 270, 1200), plain("axle", 1, 1, 0, 4, 270, 1200), plain("hall_cable", 1, 1, 0, 4, 270, 1200)}},
		{"component and mode", shop.ByFailureMode, shop.RecurrenceFilter{Component: "motor_connector"}, []shop.GroupCount{
			plain("open", 4, 2, 1, 4, 270, 1200), plain("leak", 1, 1, 0, 4, 270, 1200)}},
		// The register says that D's connector is of the hall cable, whatever the fault was of; it says nothing of the
		// others, so that A's and B's faults decide.
		{"connectors of a component", shop.ByConnectorFamily, shop.RecurrenceFilter{Component: "hall_cable"}, []shop.GroupCount{
			plain("M3", 1, 1, 0, 2, 140, 900), plain("X9", 0, 0, 0, 1, 30, 200)}},
		{"connectors of another component", shop.ByConnectorFamily, shop.RecurrenceFilter{Component: "motor_connector"}, []shop.GroupCount{
			plain("M3", 3, 1, 1, 1, 100, 700), plain("X9", 1, 1, 0, 1, 30, 200)}},
		// While a connector of the family was fitted: A from -200 on (100 days), D from -40 on. Only failures that name one.
		{"family", shop.ByComponent, shop.RecurrenceFilter{Family: "M3"}, []shop.GroupCount{plain("motor_connector", 4, 2, 1, 2, 140, 900)}},
		{"family of 30 days", shop.ByCause, shop.RecurrenceFilter{Family: "X9"}, []shop.GroupCount{plain("motor_connector.open", 1, 1, 0, 1, 30, 200)}},
		{"sealing of a family", shop.BySealing, shop.RecurrenceFilter{Family: "X9"}, []shop.GroupCount{plain("gasket", 1, 1, 0, 1, 30, 200)}},
		// The part fitted on day -40 is on A, which has M3 all the time and X9 never.
		{"lot beside a family", shop.ByLot, shop.RecurrenceFilter{Family: "M3"}, []shop.GroupCount{{Key: "L1", Name: "Motor connector", Failures: 1, Boards: 1, Carriers: 1, BoardDays: 40, DistanceKM: 300}}},
		{"lot beside no such family", shop.ByLot, shop.RecurrenceFilter{Family: "X9"}, nil},
		// What was mended: on X9 only B's reseating, which was followed to the scrapping.
		{"actions on a family", shop.ByAction, shop.RecurrenceFilter{Family: "X9"}, []shop.GroupCount{plain("reseat", 0, 0, 0, 1, 30, 300)}},
		{"actions on a component", shop.ByAction, shop.RecurrenceFilter{Component: "axle"}, []shop.GroupCount{plain("reseat", 0, 0, 0, 1, 10, 0)}},
		{"actions on a cause", shop.ByAction, shop.RecurrenceFilter{Cause: "motor_connector.wet"}, []shop.GroupCount{plain("reseat", 0, 0, 0, 1, 30, 200)}},
		{"all at once", shop.ByCause, shop.RecurrenceFilter{Model: "INVENTED ONE", Component: "motor_connector", Family: "M3", Cause: "motor_connector.open", FailureMode: "open"},
			[]shop.GroupCount{plain("motor_connector.open", 3, 1, 1, 1, 100, 700)}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if d := cmp.Diff(tt.want, f.narrow(tt.group, tt.filter), plainly); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
		})
	}
}

var allGroups = []shop.RecurrenceGroup{shop.ByComponent, shop.ByConnectorFamily, shop.ByFailureMode, shop.ByCause, shop.ByPart, shop.ByLot, shop.BySealing, shop.ByAction}

// All models together are the whole, in failures and in exposure; all components, causes
// and modes are in failures.
func TestRecurrenceFiltersAddUp(t *testing.T) {
	t.Parallel()
	f := newNarrowed(t)
	// One board of which neither make nor model is known.
	x := shop.Board{ID: newID(), Serial: "NP-0005", CreatedAt: days(-20), UpdatedAt: days(-20), Version: 1}
	f.ok(f.store.AddBoard(f.ctx, f.shop.ID, x, f.audit("board.create", x.ID)))
	f.visit(x, -5, 10, "motor_connector", "reseat", nil)
	filters := map[string][]shop.RecurrenceFilter{
		"model":     {{Model: "Invented One"}, {Model: "Other Two"}, {Model: shop.ModelNotRecorded}},
		"component": {{Component: "motor_connector"}, {Component: "hall_cable"}, {Component: "axle"}},
		"cause":     {{Cause: "motor_connector.open"}, {Cause: "motor_connector.wet"}, {Cause: "hall_cable.open"}, {Cause: "axle.open"}},
		"mode":      {{FailureMode: "open"}, {FailureMode: "leak"}},
	}
	for _, g := range allGroups {
		for by, parts := range filters {
			if g == shop.ByAction && by != "model" {
				continue // there a filter is about the fault that was mended, which may be followed by the same failure
			}
			sums := map[string]shop.GroupCount{}
			for _, part := range parts {
				for _, r := range f.narrow(g, part) {
					s := sums[r.Key]
					s.Failures, s.AtEntry, s.Carriers = s.Failures+r.Failures, s.AtEntry+r.AtEntry, s.Carriers+r.Carriers
					s.BoardDays, s.DistanceKM = s.BoardDays+r.BoardDays, s.DistanceKM+r.DistanceKM
					sums[r.Key] = s
				}
			}
			for _, r := range f.narrow(g, shop.RecurrenceFilter{}) {
				want := shop.GroupCount{Failures: r.Failures, AtEntry: r.AtEntry, Carriers: r.Carriers, BoardDays: r.BoardDays, DistanceKM: r.DistanceKM}
				got := sums[r.Key]
				if by != "model" {
					got.Carriers, got.BoardDays, got.DistanceKM = want.Carriers, want.BoardDays, want.DistanceKM
				}
				// A group by board-wide keys lists only what failed, so that a model without such a failure adds no exposure.
				if g == shop.ByComponent || g == shop.ByCause || g == shop.ByFailureMode {
					got.Carriers, got.BoardDays, got.DistanceKM = want.Carriers, want.BoardDays, want.DistanceKM
				}
				if d := cmp.Diff(want, got, near); d != "" {
					t.Errorf("%s by %s, %s (-whole +parts)\n%s", g, by, r.Key, d)
				}
			}
		}
	}
}

// Rows, the failures behind them and the life data count the same under every filter.
func TestRecurrenceFiltersAgree(t *testing.T) {
	t.Parallel()
	f := newNarrowed(t)
	for _, filter := range []shop.RecurrenceFilter{{}, {Model: "Other Two"}, {Component: "motor_connector"}, {Component: "hall_cable"}, {Family: "M3"}, {Family: "X9"},
		{Cause: "motor_connector.open"}, {FailureMode: "leak"}, {Family: "M3", Component: "hall_cable"}} {
		for _, g := range allGroups {
			q := shop.RecurrenceQuery{Group: g, From: days(-100), To: days(0), Now: t0, Filter: filter}
			for _, r := range f.narrow(g, filter) {
				events, err := f.store.RecurrenceEvents(f.ctx, f.shop.ID, q, r.Key)
				f.ok(err)
				d, err := f.store.LifeData(f.ctx, f.shop.ID, q, r.Key, false)
				f.ok(err)
				if len(events) != r.Failures || len(d.Events) != r.Failures {
					t.Errorf("%s %s under %+v: %d failures, %d events, %d of life", g, r.Key, filter, r.Failures, len(events), len(d.Events))
				}
				// Spans of one board overlap where two connectors of a family are fitted; the list joins them.
				if len(d.Units) > 0 && unionDays(d.Units) != r.BoardDays {
					t.Errorf("%s %s under %+v: %g board-days, %g in the list", g, r.Key, filter, unionDays(d.Units), r.BoardDays)
				}
			}
		}
	}
}

// unionDays is the time covered by units, which come by board and then by time.
func unionDays(units []shop.LifeUnit) float64 {
	var sum time.Duration
	var board shop.ID
	var until time.Time
	for _, u := range units {
		from := u.Starts
		if u.BoardID != board {
			board, until = u.BoardID, time.Time{}
		}
		if from.Before(until) {
			from = until
		}
		if u.Ends.After(from) {
			sum += u.Ends.Sub(from)
			until = u.Ends
		}
	}
	return sum.Hours() / 24
}

func TestRecurrenceChoices(t *testing.T) {
	t.Parallel()
	f := newNarrowed(t)
	models, families, err := f.store.RecurrenceChoices(f.ctx, f.shop.ID)
	f.ok(err)
	sameAll(t, models, []string{"Invented One", "Other Two"})
	sameAll(t, families, []string{"M3", "X9"})
	empty := newBench(t, f.store, "second")
	models, families, err = f.store.RecurrenceChoices(f.ctx, empty.shop.ID)
	f.ok(err)
	sameAll(t, models, []string{"Invented One"})
	sameAll(t, families, nil)
	models, _, err = f.store.RecurrenceChoices(f.ctx, newID())
	f.ok(err)
	sameAll(t, models, nil)
}
