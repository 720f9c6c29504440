package store_test

import (
	"slices"
	"testing"

	"nextprobe/internal/shop"
)

// The example at the head of lifedata.go, as it is read from the log. What follows
// from it is computed in internal/shop (TestLifeExample).
func lifeExample(t *testing.T) *fleet {
	t.Helper()
	f := &fleet{bench: setup(t)}
	one, two, three := f.addBoard("NP-0101", days(-80)), f.addBoard("NP-0102", days(-100)), f.addBoard("NP-0103", days(-50))
	f.visit(one, -80, 1000, "motor_connector", "cleaned", nil)
	f.visit(one, -50, 1300, "motor_connector", "replaced", nil)
	f.visit(one, -20, 1900, "motor_connector", "replaced", nil)
	f.visit(two, -60, 500, "motor_connector", "cleaned", nil)
	f.visit(two, -40, 700, "motor_connector", "replaced", nil)
	f.visit(three, -50, 2000, "motor_connector", "cleaned", nil)
	f.visit(three, -10, 2400, "saddle", "", nil)
	return f
}

func (f *fleet) life(q shop.RecurrenceQuery, key string, distance bool) shop.LifeData {
	f.t.Helper()
	q.From, q.To, q.Now = days(-100), days(10), t0
	d, err := f.store.LifeData(f.ctx, f.shop.ID, q, key, distance)
	f.ok(err)
	return d
}

func TestLifeDataOfTheExample(t *testing.T) {
	t.Parallel()
	f := lifeExample(t)
	d := f.life(shop.RecurrenceQuery{Group: shop.ByComponent}, "motor_connector", true)
	type unit struct {
		serial               string
		origin, starts, ends float64
	}
	var units []unit
	for _, u := range d.Units {
		units = append(units, unit{u.BoardSerial, dayOf(u.Origin), dayOf(u.Starts), dayOf(u.Ends)})
	}
	// The bench's own board, NP-0001, has been known since day -300 and comes in at the
	// age of 200 days.
	sameAll(t, units, []unit{{"NP-0001", -300, -100, 0}, {"NP-0101", -80, -80, 0}, {"NP-0102", -100, -100, 0}, {"NP-0103", -50, -50, 0}})
	var events []float64
	for _, e := range d.Events {
		events = append(events, dayOf(e.At))
	}
	sameAll(t, events, []float64{-80, -60, -50, -50, -40, -20})
	type life struct {
		serial, action   string
		at, starts, ends float64
		comeback         int
	}
	lives := func(d shop.LifeData) (out []life) {
		for _, r := range d.Repairs {
			n := 0
			if r.Comeback != nil {
				n = r.Comeback.JobNumber
			}
			out = append(out, life{r.BoardSerial, r.Action, dayOf(r.At), dayOf(r.Starts), dayOf(r.Ends), n})
		}
		return out
	}
	sameAll(t, lives(d), []life{
		{"NP-0101", "cleaned", -80, -80, -50, f.jobs[1].Number}, {"NP-0102", "cleaned", -60, -60, -40, f.jobs[4].Number},
		{"NP-0101", "replaced", -50, -50, -20, f.jobs[2].Number}, {"NP-0103", "cleaned", -50, -50, 0, 0},
		{"NP-0102", "replaced", -40, -40, 0, 0}, {"NP-0101", "replaced", -20, -20, 0, 0},
	})
	if len(d.Readings) != 7 || d.Readings[0].KM != 1000 {
		t.Errorf("readings %+v", d.Readings)
	}
	// To the last contact: NP-0103 was last seen on day -10, NP-0102 on day -40.
	d = f.life(shop.RecurrenceQuery{Group: shop.ByComponent, ToLastContact: true}, "motor_connector", false)
	sameAll(t, lives(d)[3:], []life{{"NP-0103", "cleaned", -50, -50, -10, 0}, {"NP-0102", "replaced", -40, -40, -40, 0}, {"NP-0101", "replaced", -20, -20, -20, 0}})
	if d.Readings != nil || dayOf(d.Units[2].Ends) != -40 {
		t.Errorf("to the last contact: %+v, readings %v", d.Units[2], d.Readings)
	}
	// By action every action's lives are read; a board has no age of its own there.
	d = f.life(shop.RecurrenceQuery{Group: shop.ByAction}, "cleaned", false)
	if len(d.Repairs) != 6 || d.Units != nil {
		t.Errorf("by action: %d lives, units %v", len(d.Repairs), d.Units)
	}
}

func sameAll[T comparable](t *testing.T, got, want []T) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

// dayOf is a moment in days from t0.
func dayOf(at interface{ Unix() int64 }) float64 { return float64(at.Unix()-t0.Unix()) / 86400 }

// A repair from before the window enters at the age it had when the window began, and
// only the last repair of a component in a job begins a life.
func TestLifeDataEntersLate(t *testing.T) {
	t.Parallel()
	f := &fleet{bench: setup(t)}
	at := days(-150)
	j := f.openJob(f.board.ID, at, nil)
	x := f.confirm(&j, "motor_connector", at, nil)
	f.mend(&j, x.ID, "cleaned", at.Add(1))
	f.mend(&j, x.ID, "replaced", days(-149))
	f.move(&j, shop.Returned, days(-148))
	f.visit(f.board, -70, 100, "motor_connector", "cleaned", nil)
	d := f.life(shop.RecurrenceQuery{Group: shop.ByComponent}, "motor_connector", false)
	if len(d.Repairs) != 2 {
		t.Fatalf("lives %+v", d.Repairs)
	}
	if r := d.Repairs[0]; r.Action != "replaced" || dayOf(r.At) != -149 || dayOf(r.Starts) != -100 || dayOf(r.Ends) != -70 || r.Comeback == nil {
		t.Errorf("life %+v", r)
	}
	if len(d.Events) != 1 {
		t.Errorf("events %+v, want that of the window only", d.Events)
	}
}

// Connectors and parts are followed from the day they were fitted.
func TestLifeDataOfConnectors(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	for _, tt := range []struct {
		group        shop.RecurrenceGroup
		key          string
		origin, ends []float64
		events       int
	}{
		{shop.ByConnectorFamily, "M3", []float64{-200, -50}, []float64{0, 0}, 3},
		{shop.ByConnectorFamily, "X9", []float64{-60}, []float64{-30}, 1},
		{shop.ByLot, "L1", []float64{-40}, []float64{0}, 1},
	} {
		d := f.life(shop.RecurrenceQuery{Group: tt.group}, tt.key, false)
		var origin, ends []float64
		for _, u := range d.Units {
			origin, ends = append(origin, dayOf(u.Origin)), append(ends, dayOf(u.Ends))
		}
		sameAll(t, origin, tt.origin)
		sameAll(t, ends, tt.ends)
		if len(d.Events) != tt.events {
			t.Errorf("%s: %d events", tt.key, len(d.Events))
		}
	}
}
