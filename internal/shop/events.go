package shop

import (
	"slices"

	"nextprobe/internal/faultlib"
)

// openedBy lists the library's events that opening fires.
func openedBy(lib *faultlib.Library, id string) []faultlib.Invalidation {
	var out []faultlib.Invalidation
	for _, inv := range lib.Invalidations {
		if slices.Contains(inv.Openings, id) {
			out = append(out, inv)
		}
	}
	return out
}

// repairedBy lists the library's events that repairing a component fires.
func repairedBy(lib *faultlib.Library, component string) []faultlib.Invalidation {
	var out []faultlib.Invalidation
	for _, inv := range lib.Invalidations {
		if slices.Contains(inv.Components, component) {
			out = append(out, inv)
		}
	}
	return out
}

// disturb marks what the events make invalid: the results of their measurements
// that stand in the file, all of which were taken before now. What is recorded
// by this very change is not in the file yet and stays valid, and so does a
// result taken behind an opening that was open already, because then there is
// no event.
func (ch *JobChange) disturb(b bench, events []faultlib.Invalidation) {
	if ch.Invalidate == nil && len(events) > 0 {
		ch.Invalidate = map[ID]string{}
	}
	mark := func(id ID, measurement string) {
		for _, ev := range events {
			if _, done := ch.Invalidate[id]; !done && slices.Contains(ev.Results, measurement) {
				ch.Invalidate[id] = ev.Event
			}
		}
	}
	for i := range b.file.Observations {
		if o := &b.file.Observations[i]; o.Kind == ObservedMeasurement && o.Active() {
			mark(o.ID, o.Measurement)
		}
	}
	for i := range b.file.Verifications {
		if v := &b.file.Verifications[i]; v.InvalidatedAt == nil {
			mark(v.ID, v.Measurement)
		}
	}
}
