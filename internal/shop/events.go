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

// reportedBy lists the library's events that hearing of a symptom fires.
func reportedBy(lib *faultlib.Library, symptom string) []faultlib.Invalidation {
	var out []faultlib.Invalidation
	for _, inv := range lib.Invalidations {
		if slices.Contains(inv.Symptoms, symptom) {
			out = append(out, inv)
		}
	}
	return out
}

// disturb marks what the events make invalid: the results of their measurements
// that stand in the file, all of which were taken before now. opened is the
// opening that fired them, "" for a repair or a symptom.
//
// A result that was taken while that same opening was open is spared: it shows
// the thing as it lies open, and opening it again does not change that. Else
// looking at a parted connector could never be proven for good, because every
// further look parts it again. What was measured with it closed is not spared.
func (ch *JobChange) disturb(b bench, events []faultlib.Invalidation, opened string) {
	if len(events) == 0 {
		return
	}
	if ch.Invalidate == nil {
		ch.Invalidate = map[ID]string{}
	}
	mark := func(id ID, measurement string, taken stamp) {
		if opened != "" && openAt(b.file, opened, taken) {
			return
		}
		for _, ev := range events {
			if _, done := ch.Invalidate[id]; !done && slices.Contains(ev.Results, measurement) {
				ch.Invalidate[id] = ev.Event
			}
		}
	}
	for i := range b.file.Observations {
		if o := &b.file.Observations[i]; o.Kind == ObservedMeasurement && (o.Active() || standing(b.lib, b.file, o)) {
			mark(o.ID, o.Measurement, o.stamp())
		}
	}
	for i := range b.file.Verifications {
		if v := &b.file.Verifications[i]; v.InvalidatedAt == nil {
			mark(v.ID, v.Measurement, v.stamp())
		}
	}
}

// openAt reports whether an opening was open at a moment.
func openAt(f JobFile, id string, when stamp) bool {
	open := false
	for i := range f.Access {
		if e := &f.Access[i]; e.Opening == id && when.after(e.stamp()) {
			open = e.State == Open
		}
	}
	return open
}
