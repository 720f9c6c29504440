package reliability

import (
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/problem"
)

// Unit is one repairable item under observation: a board, a connector position. Ages
// are in any one unit of exposure (days in service, kilometres).
type Unit struct {
	// Start is the age at which observation began, 0 or more: 0 where the item was
	// followed from new.
	Start float64
	// End is the age at which observation ended, at Start or above. An item with
	// both equal has no exposure: it is counted, and says nothing.
	End float64
	// Events are the ages of the failures, above Start and up to End, in any order;
	// the same age may stand several times.
	Events []float64
	// FailureTruncated says that it was the last event that ended the observation,
	// as when an item was last seen at its last repair. That event's age is then no
	// chance, and tests for a trend leave it out. It asks for an event at End.
	FailureTruncated bool
}

// Events is recurrent-event data that has been checked and put in order. It does not
// change, so several computations may share it.
type Events struct {
	units    []Unit // events ascending
	count    int
	exposure float64
}

// NewEvents checks and copies the data of all units. It returns an Invalid error that
// names the values at fault, counted from 0 (`units[2].events[0]`), when an age is
// negative or not finite, an end lies before its start, an event lies outside its
// unit's observation, or a unit is said to be failure-truncated without an event at
// its end. No units at all are allowed: nothing is then estimable.
func NewEvents(units []Unit) (*Events, error) {
	e := &Events{units: make([]Unit, len(units))}
	var fields []problem.Field
	for i, u := range units {
		if len(fields) < maxNamed {
			fields = append(fields, u.check(fmt.Sprintf("units[%d]", i))...)
		}
		u.Events = slices.Clone(u.Events)
		slices.Sort(u.Events)
		e.units[i] = u
		e.count += len(u.Events)
		e.exposure += u.End - u.Start
	}
	if len(fields) > 0 {
		return nil, problem.InFields(fields[:min(len(fields), maxNamed)])
	}
	return e, nil
}

func (u Unit) check(name string) []problem.Field {
	if !(u.Start >= 0) || math.IsInf(u.Start, 0) {
		return []problem.Field{{Field: name + ".start", Message: fmt.Sprintf("must be 0 or more and finite, is %v", u.Start)}}
	}
	if !(u.End >= u.Start) || math.IsInf(u.End, 0) {
		return []problem.Field{{Field: name + ".end", Message: fmt.Sprintf("must be finite and not before the start %v, is %v", u.Start, u.End)}}
	}
	var fields []problem.Field
	for j, t := range u.Events {
		if !(t > u.Start && t <= u.End) {
			fields = append(fields, problem.Field{Field: fmt.Sprintf("%s.events[%d]", name, j),
				Message: fmt.Sprintf("must be above the start %v and at most the end %v, is %v", u.Start, u.End, t)})
		}
	}
	if u.FailureTruncated && !slices.Contains(u.Events, u.End) {
		fields = append(fields, problem.Field{Field: name + ".failure_truncated", Message: fmt.Sprintf("needs an event at the end %v", u.End)})
	}
	return fields
}

// Units is the number of units, those without exposure included.
func (e *Events) Units() int { return len(e.units) }

// Count is the number of events of all units.
func (e *Events) Count() int { return e.count }

// Exposure is the time under observation of all units together, Σ (End − Start), in
// the unit of the ages.
func (e *Events) Exposure() float64 { return e.exposure }

// WithoutExposure is the number of units that were never under observation.
func (e *Events) WithoutExposure() int {
	n := 0
	for _, u := range e.units {
		if u.End == u.Start {
			n++
		}
	}
	return n
}

// Only returns the data of one unit, by its place in what NewEvents was given, for
// the statistics of that unit alone. It panics when there is no such unit.
func (e *Events) Only(unit int) *Events {
	u := e.units[unit]
	return &Events{units: []Unit{u}, count: len(u.Events), exposure: u.End - u.Start}
}

// Rate returns the events per unit of exposure with Garwood's bounds; see Garwood.
// Without exposure it is an Invalid error.
func (e *Events) Rate(confidence float64) (Estimate, error) {
	rate, lower, upper, err := Garwood(e.count, e.exposure, confidence)
	if err != nil {
		return unknown(), err
	}
	return Estimate{rate, lower, upper}, nil
}

// free returns the events of a unit whose ages are chance: all, or all but the one
// that ended its observation.
func (u Unit) free() []float64 {
	if u.FailureTruncated {
		return u.Events[:len(u.Events)-1]
	}
	return u.Events
}
