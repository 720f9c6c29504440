package shop

import (
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// finding is one piece of evidence with the record it came from.
type finding struct {
	id     string // of the symptom or measurement
	record ID     // observation or verification
	at     stamp
	ev     diagnosis.Observation
}

// evidenceOf collects what is known of a board now: of each symptom and each
// measurement the latest record that stands. A verification is a result of its
// measurement like any other. The order is that of time.
func evidenceOf(lib *faultlib.Library, f JobFile) []finding {
	latest := map[string]finding{}
	keep := func(x finding) {
		if old, ok := latest[x.ev.Finding]; !ok || x.at.after(old.at) {
			latest[x.ev.Finding] = x
		}
	}
	for i := range f.Observations {
		o := &f.Observations[i]
		if !standing(lib, f, o) {
			continue
		}
		if o.Kind == ObservedSymptom {
			if ev, err := lib.ObserveSymptom(o.Symptom, o.Present); err == nil {
				keep(finding{o.Symptom, o.ID, o.stamp(), ev})
			}
		} else if ev, ok := measured(lib, o.Measurement, o.Result); ok {
			keep(finding{o.Measurement, o.ID, o.stamp(), ev})
		}
	}
	for i := range f.Verifications {
		v := &f.Verifications[i]
		if v.InvalidatedAt != nil {
			continue
		}
		if ev, ok := measured(lib, v.Measurement, &v.Result); ok {
			keep(finding{v.Measurement, v.ID, v.stamp(), ev})
		}
	}
	out := make([]finding, 0, len(latest))
	for _, x := range latest {
		out = append(out, x)
	}
	slices.SortFunc(out, func(x, y finding) int {
		if y.at.after(x.at) {
			return -1
		}
		return 1
	})
	return out
}

// measured turns a result into evidence on its measurement's levels: the share
// of the reading's uncertainty that falls in each, or the outcome as certain.
// A result whose measurement or outcome the library does not have is none, and
// neither is one of no use.
func measured(lib *faultlib.Library, id string, r *Result) (diagnosis.Observation, bool) {
	said, ok := saidBy(lib, id, r)
	return said.Observation, ok && !said.Inconclusive
}

// saidBy is what the library makes of a result; false where it does not know it.
func saidBy(lib *faultlib.Library, id string, r *Result) (faultlib.ResultEvidence, bool) {
	if r == nil {
		return faultlib.ResultEvidence{}, false
	}
	likelihood := r.Likelihood
	if len(likelihood) == 1 {
		likelihood = nil // all of it on the outcome
	}
	said, err := lib.ObserveResult(id, r.Outcome, likelihood)
	return said, err == nil
}

func observationsOf(list []finding) []diagnosis.Observation {
	out := make([]diagnosis.Observation, len(list))
	for i, x := range list {
		out[i] = x.ev
	}
	return out
}

// unavailable lists, as findings of the model, the measurements that cannot be taken in this job.
func unavailable(lib *faultlib.Library, f JobFile) []string {
	var out []string
	for i := range f.Observations {
		o := &f.Observations[i]
		if o.Unavailable && o.RetractedAt == nil && o.SupersededBy == nil && lib.Measurement(o.Measurement) != nil && !slices.Contains(out, faultlib.MeasurementFinding(o.Measurement)) {
			out = append(out, faultlib.MeasurementFinding(o.Measurement))
		}
	}
	return out
}

// confirmed lists the causes confirmed in the job and not waived, the ones still
// to be repaired first. The engine takes them as present: what was seen before
// the repair is explained by them, so that other causes of the same symptoms
// fall back to where they were without the symptom (explaining away). They stay
// so after the repair too, because the symptoms recorded at intake were seen
// while they were present; a measurement repeated after the repair replaces the
// earlier one and, being normal, speaks about the other causes only.
func confirmed(lib *faultlib.Library, f JobFile) (list []string, toRepair int) {
	var repaired []string
	for i := range f.Faults {
		fault := &f.Faults[i]
		if fault.WaivedAt != nil || lib.Cause(fault.Cause) == nil {
			continue
		}
		if lastRepair(f, fault.ID) != nil {
			repaired = append(repaired, fault.Cause)
		} else {
			list = append(list, fault.Cause)
		}
	}
	return append(list, repaired...), len(list)
}
