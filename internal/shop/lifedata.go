package shop

import (
	"slices"
	"time"

	"nextprobe/internal/reliability"
)

// LifeData is what the log says of one key of a recurrence report. The definitions
// stand at the head of store/lifedata.go.
type LifeData struct {
	Units    []LifeUnit        // by board, then by time
	Events   []LifeEvent       // by time
	Repairs  []RepairLife      // by time
	Readings []OdometerReading // by board, then by time; for ages in km only
	// Fittings are the connectors or parts of a key that is fitted, by time: those under
	// observation, and every other installation of the same serials.
	Fittings []Fitting
}

// LifeUnit is a board under observation while it carries what the key is about.
type LifeUnit struct {
	BoardID              ID
	BoardSerial          string
	Item                 string    // the connector or installed part; "" for a whole board
	Origin, Starts, Ends time.Time // age 0; observed from, to
}

// LifeEvent is a failure, dated by the opening of its job.
type LifeEvent struct {
	FaultID, JobID ID
	JobNumber      int
	BoardID        ID
	Item           string // the connector or installed part that failed, "" for a whole board
	At             time.Time
}

// RepairLife is the life of a component from its repair to the comeback, or to the
// end of observation.
type RepairLife struct {
	Action, Component string
	BoardID           ID
	BoardSerial       string
	JobID             ID
	JobNumber         int
	At, Starts, Ends  time.Time // repaired; observed from, to
	Comeback          *CameBack // nil where none was seen
}

// CameBack is the job in which a repaired component had failed again.
type CameBack struct {
	JobID     ID
	JobNumber int
	At        time.Time
}

// OdometerReading is what a board's display showed.
type OdometerReading struct {
	BoardID ID
	At      time.Time
	KM      float64
}

// ages turns dates into ages of one board: days, or km between visits.
type ages struct {
	distance bool
	of       map[ID][]OdometerReading
}

// newAges joins the readings of each board to a distance that never falls: where the
// odometer went backwards (another display, a reset) nothing is added.
func newAges(readings []OdometerReading, distance bool) ages {
	a := ages{distance: distance}
	if !distance {
		return a
	}
	a.of = map[ID][]OdometerReading{}
	shown := map[ID]float64{}
	for _, r := range readings {
		km, list := r.KM, a.of[r.BoardID]
		if n := len(list); n > 0 {
			r.KM = list[n-1].KM + max(0, km-shown[r.BoardID])
		}
		shown[r.BoardID] = km
		a.of[r.BoardID] = append(list, r)
	}
	return a
}

// at is the age at a moment, counted from origin: in days, or in km. By distance a
// board is known from its first reading to its last, and outside stays as it was
// there; a board without readings has the age 0 throughout, which is no exposure.
func (a ages) at(board ID, origin, moment time.Time) float64 {
	if !a.distance {
		return moment.Sub(origin).Hours() / 24
	}
	return a.odometer(board, moment) - a.odometer(board, origin)
}

func (a ages) odometer(board ID, moment time.Time) float64 {
	list := a.of[board]
	if len(list) == 0 {
		return 0
	}
	i, _ := slices.BinarySearchFunc(list, moment, func(r OdometerReading, t time.Time) int { return r.At.Compare(t) })
	switch i {
	case 0:
		return list[0].KM
	case len(list):
		return list[i-1].KM
	}
	x, y := list[i-1], list[i]
	return x.KM + (y.KM-x.KM)*moment.Sub(x.At).Hours()/y.At.Sub(x.At).Hours()
}

// observed is life data by unit, with what had no age.
type observed struct {
	units   []reliability.Unit
	boards  int // units' boards with exposure
	events  int
	atEntry int // failures that were there when observation began, or outside it
}

// underObservation puts failures to the units they happened to. boardWide ages by distance are
// the odometer itself; others count from the origin of the unit.
func underObservation(d LifeData, a ages, boardWide bool) observed {
	events := map[ID][]LifeEvent{}
	for _, e := range d.Events {
		events[e.BoardID] = append(events[e.BoardID], e)
	}
	age := func(u LifeUnit, at time.Time) float64 {
		if a.distance && boardWide {
			return a.odometer(u.BoardID, at)
		}
		return a.at(u.BoardID, u.Origin, at)
	}
	var out observed
	boards := map[ID]bool{}
	for _, u := range joined(d.Units) {
		r := reliability.Unit{Start: max(0, age(u, u.Starts)), End: max(0, age(u, u.Ends))}
		if !(r.End > r.Start) {
			continue
		}
		for _, e := range events[u.BoardID] {
			if t := age(u, e.At); e.At.After(u.Starts) && !e.At.After(u.Ends) && t > r.Start && t <= r.End {
				r.Events = append(r.Events, t)
			}
		}
		r.FailureTruncated = slices.Contains(r.Events, r.End)
		out.events += len(r.Events)
		out.units = append(out.units, r)
		boards[u.BoardID] = true
	}
	out.boards, out.atEntry = len(boards), len(d.Events)-out.events
	return out
}

// joined makes one unit of spans of one board that overlap or touch: a connector that
// is replaced by another of its family goes on as the same place.
func joined(units []LifeUnit) []LifeUnit {
	var out []LifeUnit
	for _, u := range units {
		if !u.Ends.After(u.Starts) {
			continue
		}
		if n := len(out); n > 0 && out[n-1].BoardID == u.BoardID && !u.Starts.After(out[n-1].Ends) {
			last := &out[n-1]
			if u.Ends.After(last.Ends) {
				last.Ends = u.Ends
			}
			if u.Origin.Before(last.Origin) {
				last.Origin = u.Origin
			}
			continue
		}
		out = append(out, u)
	}
	return out
}

// repairLives is life data after repairs, one group for each action in the order of
// their names; unseen counts the lives without any exposure.
type repairLives struct {
	actions []string
	rows    [][]RepairLife // with exposure, by action
	columns []reliability.Columns
	unseen  int
}

func livesAfterRepair(d LifeData, a ages) repairLives {
	var out repairLives
	for _, r := range d.Repairs {
		if at, ok := slices.BinarySearch(out.actions, r.Action); !ok {
			out.actions = slices.Insert(out.actions, at, r.Action)
		}
	}
	out.rows = make([][]RepairLife, len(out.actions))
	out.columns = make([]reliability.Columns, len(out.actions))
	for _, r := range d.Repairs {
		entry, end := max(0, a.at(r.BoardID, r.At, r.Starts)), a.at(r.BoardID, r.At, r.Ends)
		if !(end > entry) {
			out.unseen++
			continue
		}
		g, _ := slices.BinarySearch(out.actions, r.Action)
		event := 0
		if r.Comeback != nil {
			event = 1
		}
		c := &out.columns[g]
		c.Time, c.Entry, c.Event = append(c.Time, end), append(c.Entry, entry), append(c.Event, event)
		out.rows[g] = append(out.rows[g], r)
	}
	return out
}

// otherRepairs is what all other actions together are called.
const otherRepairs = "every other repair"

// besideOthers sets the lives after one action beside those after all others.
func besideOthers(lives []RepairLife, action string) []RepairLife {
	out := slices.Clone(lives)
	for i := range out {
		if out[i].Action != action {
			out[i].Action = otherRepairs
		}
	}
	return out
}
