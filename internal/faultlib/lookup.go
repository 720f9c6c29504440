package faultlib

import (
	"slices"

	"nextprobe/internal/measure"
)

// index finds entries by id. It holds places, not pointers, so that the slices
// stay the one home of the data.
type index struct {
	symptoms, measurements, causes, components, openings, links, facts map[string]int
}

func places[T any](list []T, id func(*T) string) map[string]int {
	m := make(map[string]int, len(list))
	for i := range list {
		m[id(&list[i])] = i
	}
	return m
}

func newIndex(l *Library) index {
	return index{
		symptoms:     places(l.Symptoms, func(x *Symptom) string { return x.ID }),
		measurements: places(l.Measurements, func(x *Measurement) string { return x.ID }),
		causes:       places(l.Causes, func(x *Cause) string { return x.ID }),
		components:   places(l.Components, func(x *Component) string { return x.ID }),
		openings:     places(l.Openings, func(x *Opening) string { return x.ID }),
		links:        places(l.Links, func(x *Link) string { return x.Cause }),
		facts:        places(l.Meta.BoardFacts, func(x *BoardFact) string { return x.ID }),
	}
}

func find[T any](list []T, places map[string]int, id string) *T {
	if i, ok := places[id]; ok {
		return &list[i]
	}
	return nil
}

// Symptom returns a symptom, or nil when the id is unknown. What the lookups
// return is the library's own: read it, never write to it.
func (l *Library) Symptom(id string) *Symptom { return find(l.Symptoms, l.index.symptoms, id) }

// Measurement returns a measurement, or nil.
func (l *Library) Measurement(id string) *Measurement {
	return find(l.Measurements, l.index.measurements, id)
}

// Compiled returns what evaluates a measurement's readings, or nil.
func (l *Library) Compiled(measurement string) *measure.Measurement {
	if m := l.Measurement(measurement); m != nil {
		return m.compiled
	}
	return nil
}

// Compiled returns what evaluates the measurement's readings.
func (m *Measurement) Compiled() *measure.Measurement { return m.compiled }

// Outcome returns an outcome of the measurement, or nil.
func (m *Measurement) Outcome(id string) *measure.Outcome {
	if i := m.outcome(id); i >= 0 {
		return &m.Outcomes[i]
	}
	return nil
}

// Cause returns a cause, or nil.
func (l *Library) Cause(id string) *Cause { return find(l.Causes, l.index.causes, id) }

// Component returns a component, or nil.
func (l *Library) Component(id string) *Component {
	return find(l.Components, l.index.components, id)
}

// Opening returns an opening, or nil.
func (l *Library) Opening(id string) *Opening { return find(l.Openings, l.index.openings, id) }

// BoardFact returns a board fact, or nil.
func (l *Library) BoardFact(id string) *BoardFact {
	return find(l.Meta.BoardFacts, l.index.facts, id)
}

// Hazard returns a hazard level, 0 to 4, or nil.
func (l *Library) Hazard(level int) *Hazard {
	if level < 0 || level >= len(l.Hazards) {
		return nil
	}
	return &l.Hazards[level]
}

// LinksOf returns a cause's row of the causal matrix, or nil where it has none.
func (l *Library) LinksOf(cause string) *Link { return find(l.Links, l.index.links, cause) }

// VerifyFor returns the checks that prove a cause's repair.
func (l *Library) VerifyFor(cause string) []Check {
	if c := l.Cause(cause); c != nil {
		return slices.Clone(c.Verify)
	}
	return nil
}

// ConsequencesOf returns what a confirmed cause often brings or was brought by,
// in file order.
func (l *Library) ConsequencesOf(cause string) []Consequence {
	var out []Consequence
	for _, c := range l.Consequences {
		if c.From == cause {
			out = append(out, c)
		}
	}
	return out
}

// InvalidatedBy returns the measurements whose earlier results an event makes
// invalid.
func (l *Library) InvalidatedBy(event string) []string {
	for _, i := range l.Invalidations {
		if i.Event == event {
			return slices.Clone(i.Results)
		}
	}
	return nil
}

// Interlock returns the interlock of an action, or nil.
func (l *Library) Interlock(action string) *Interlock {
	for i := range l.Interlocks {
		if l.Interlocks[i].Action == action {
			return &l.Interlocks[i]
		}
	}
	return nil
}

// CausesOf returns the causes in a component, in file order.
func (l *Library) CausesOf(component string) []*Cause {
	var out []*Cause
	for i := range l.Causes {
		if l.Causes[i].Component == component {
			out = append(out, &l.Causes[i])
		}
	}
	return out
}

// MeasurementsOf returns the measurements of a component, in file order.
func (l *Library) MeasurementsOf(component string) []*Measurement {
	var out []*Measurement
	for i := range l.Measurements {
		if l.Measurements[i].Of == component {
			out = append(out, &l.Measurements[i])
		}
	}
	return out
}

// MeasurementsBehind returns the measurements that need an opening, directly or
// because their access requires it, for a board with these facts.
func (l *Library) MeasurementsBehind(opening string, facts map[string]string) []*Measurement {
	var out []*Measurement
	for i := range l.Measurements {
		m := &l.Measurements[i]
		for _, o := range l.OpeningPath(l.AccessOf(m.ID, facts)) {
			if o.ID == opening {
				out = append(out, m)
			}
		}
	}
	return out
}

// OpeningPath returns an opening with all that it requires, outermost first and
// the opening itself last; nil when the id is unknown.
func (l *Library) OpeningPath(id string) []Opening {
	var out []Opening
	seen := map[string]bool{}
	var visit func(id string)
	visit = func(id string) {
		o := l.Opening(id)
		if o == nil || seen[id] {
			return
		}
		seen[id] = true
		for _, before := range o.Requires {
			visit(before)
		}
		out = append(out, *o)
	}
	visit(id)
	return out
}

// PathHazard is the highest hazard met on the way to a measurement, its own
// included.
func (l *Library) PathHazard(measurement string, facts map[string]string) int {
	m := l.Measurement(measurement)
	if m == nil {
		return 0
	}
	h := m.Hazard
	for _, o := range l.OpeningPath(l.AccessOf(measurement, facts)) {
		h = max(h, o.Hazard)
	}
	return h
}
