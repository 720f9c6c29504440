package shop

import (
	"math"
	"slices"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// A cause is refuted when somebody looked at it and found it sound, in a way for
// which the library has no inspection. It is evidence on the cause itself: the
// odds of the cause are multiplied by refutedFactor.

// refutedFactor is P(looks sound | the cause is there) / P(looks sound | it is
// not): one look in twenty misses what is there (common practice, no source).
const refutedFactor = 0.05

// refutedDecibans is its weight of evidence.
var refutedDecibans = 10 * math.Log10(refutedFactor)

// refuted is what a cause's probability becomes when it is looked at and found sound.
func refuted(p float64) float64 { return refutedFactor * p / (refutedFactor*p + 1 - p) }

// refutations lists, by cause, the looks that found it sound and still count: those
// not taken back and not followed by an inspection of the library that would show
// the cause, which says the same with numbers of its own.
func refutations(lib *faultlib.Library, f JobFile, found []finding) map[string][]ID {
	out := map[string][]ID{}
	for i := range f.Observations {
		o := &f.Observations[i]
		if o.Kind != ObservedCause || !o.Active() || lib.Cause(o.Cause) == nil {
			continue
		}
		inspection := InspectionOf(lib, o.Cause)
		later := slices.ContainsFunc(found, func(x finding) bool {
			return x.id == inspection && x.at.after(o.stamp())
		})
		if !later {
			out[o.Cause] = append(out[o.Cause], o.ID)
		}
	}
	return out
}

// lookShows is how surely an inspection must show a cause to be the look at it.
const lookShows = 0.7

// InspectionOf is the library's inspection for a look at a cause, "" where it has
// none: one of its own component before others, then the one that says least about
// other causes, then the surest. Of another system only those count that need
// nothing powered: a spin on the stand shows much and looks at nothing.
func InspectionOf(lib *faultlib.Library, cause string) string {
	c := lib.Cause(cause)
	if c == nil {
		return ""
	}
	best, own, links := "", false, 0
	for _, s := range shownBy(lib, cause) {
		m := lib.Measurement(s.id)
		inspection := m.Kind == measure.Inspection || len(m.Inputs) == 0
		if s.p < lookShows || !inspection || m.Hazard > 1 && systemOf(lib, m.Of) != systemOf(lib, c.Component) {
			continue
		}
		mine, n := m.Of == c.Component, linkedTo(lib, m.ID)
		if best == "" || mine && !own || mine == own && n < links {
			best, own, links = m.ID, mine, n
		}
	}
	return best
}

func systemOf(lib *faultlib.Library, component string) string {
	if c := lib.Component(component); c != nil {
		return c.System
	}
	return ""
}

// linkedTo counts the causes that a measurement can show.
func linkedTo(lib *faultlib.Library, measurement string) int {
	n := 0
	for i := range lib.Links {
		if len(lib.Links[i].Outcomes[measurement]) > 0 {
			n++
		}
	}
	return n
}

// observeCause records that a cause was looked at and found sound.
func observeCause(b bench, in ObservationInput, p pen) (JobChange, error) {
	var c checker
	cause := b.lib.Cause(in.Cause)
	if cause == nil {
		c.failf("cause", "%q is no cause of the fault library", in.Cause)
	}
	if in.Present == nil || *in.Present {
		c.failf("present", "must be false: it was looked at and is sound; a cause that is there is confirmed as a fault")
	}
	if in.Readings != nil || in.Outcome != "" || in.Unavailable || in.Instrument != nil {
		c.failf("cause", "stands alone: readings, outcome, unavailable and instrument belong to a measurement")
	}
	note := c.note("note", in.Note, maxShort)
	if err := firstOf(c.err(), observable(b, in)); err != nil {
		return JobChange{}, err
	}
	for i := range b.file.Observations {
		if o := &b.file.Observations[i]; o.Cause == cause.ID && o.Active() {
			return JobChange{}, problem.New(problem.Conflict, "%s is recorded as sound already.", cause.Name).
				With("cause", "is recorded as sound already; retract that first")
		}
	}
	if slices.ContainsFunc(b.file.Faults, func(f Fault) bool { return f.Cause == cause.ID && f.WaivedAt == nil }) {
		return JobChange{}, problem.New(problem.Conflict, "%s is confirmed in this job.", cause.Name).
			With("cause", "is confirmed as a fault; it cannot be sound as well")
	}
	ch := p.start(b.file, "observation.create")
	ch.Add = []Observation{{ID: p.newID(), Kind: ObservedCause, Cause: cause.ID, Note: note, At: p.at, By: p.actor.Name}}
	ch.Audit.Detail["cause"], ch.Audit.Detail["sound"] = cause.ID, true
	if note != "" {
		ch.Audit.Detail["note"] = note
	}
	return ch, nil
}
