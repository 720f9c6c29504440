package faultlib

import (
	"maps"
	"regexp"
	"slices"

	"nextprobe/internal/measure"
)

// OwnMeasurement is a measurement that a shop adds to the library: what its form
// holds. Kind is numeric or inspection; an algorithm is no shop's own.
type OwnMeasurement struct {
	ID, Title                      string
	Kind                           measure.Kind
	Of, Points, Instrument, Access string
	Minutes                        float64 // without reaching the access state
	Hazard                         int     // 0 to 4
	Caution, Note                  string
	Inputs                         []measure.Input
	Params                         []OwnParam
	Compute                        []measure.Step
	Outcomes                       []measure.Outcome // from the worst to the normal one, which is last
	Examples                       []measure.Example
	Links                          []OwnLink
}

// OwnParam is a named limit.
type OwnParam struct {
	ID    string
	Value float64
}

// OwnLink says how probable an abnormal outcome is when only this cause is present.
type OwnLink struct {
	Cause, Outcome string
	P              float64
}

// ExampleRun is what an example came to.
type ExampleRun struct {
	// Outcome is empty where the readings could not be evaluated; Problem says why.
	Outcome, Meaning, Detail, Text string
	Normal, Agrees                 bool
	Values                         []measure.NamedValue
	Problem                        string
}

// ownID is narrower than the ids of a file, so that an own measurement's id can
// stand in an address and in a path of an issue without a doubt.
var ownID = regexp.MustCompile(`^[a-z][a-z0-9_]{1,59}$`)

// Own returns a measurement that the shop added itself, as its form held it; ok
// is false for every other id.
func (l *Library) Own(id string) (own OwnMeasurement, ok bool) {
	m := l.Measurement(id)
	if m == nil || !m.Own {
		return OwnMeasurement{}, false
	}
	own = OwnMeasurement{ID: m.ID, Title: m.Title, Kind: m.Kind, Of: m.Of, Points: m.Points, Instrument: m.Instrument, Access: m.Access,
		Minutes: m.Minutes, Hazard: m.Hazard, Caution: m.Caution, Note: m.Note, Inputs: slices.Clone(m.Inputs), Compute: slices.Clone(m.Compute),
		Outcomes: slices.Clone(m.Outcomes), Examples: slices.Clone(m.Examples)}
	for _, k := range slices.Sorted(maps.Keys(m.Params)) {
		own.Params = append(own.Params, OwnParam{k, m.Params[k]})
	}
	for i := range l.Links {
		row := l.Links[i].Outcomes[id]
		for _, o := range m.Outcomes {
			if p, stated := row[o.ID]; stated {
				own.Links = append(own.Links, OwnLink{l.Links[i].Cause, o.ID, p})
			}
		}
	}
	return own, true
}
