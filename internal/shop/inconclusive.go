package shop

import (
	"fmt"
	"slices"

	"nextprobe/internal/faultlib"
)

// A result of no use is kept in the log and is no evidence: it neither replaces
// the evidence of an earlier result nor counts as the measurement having been
// taken. As a proof it is the newest result and does not pass, so that a bus found
// dead and then found still falling is not taken for dead.

// uselessBefore is how often a measurement may come out of no use in a job before
// it is no longer advised.
const uselessBefore = 2

// useless reports whether an observation is a result of no use.
func useless(lib *faultlib.Library, o *Observation) bool {
	if o.Result == nil {
		return false
	}
	said, ok := saidBy(lib, o.Measurement, o.Result)
	return ok && said.Inconclusive
}

// replaced reports whether a later record took an observation's place: one of no
// use does not.
func replaced(lib *faultlib.Library, f JobFile, o *Observation) bool {
	for o.SupersededBy != nil {
		by := slices.IndexFunc(f.Observations, func(x Observation) bool { return x.ID == *o.SupersededBy })
		if by < 0 || !useless(lib, &f.Observations[by]) {
			return true
		}
		o = &f.Observations[by]
	}
	return false
}

// standing reports whether an observation is evidence now.
func standing(lib *faultlib.Library, f JobFile, o *Observation) bool {
	return o.RetractedAt == nil && o.InvalidatedAt == nil && !o.Unavailable && !useless(lib, o) && !replaced(lib, f, o)
}

// vain lists, in library order, the measurements that came out of no use too
// often since they last gave a result, with the outcome of the last time. What an
// event made invalid is not counted: it may be different now.
func vain(lib *faultlib.Library, f JobFile) (ids, outcomes []string) {
	for i := range lib.Measurements {
		id := lib.Measurements[i].ID
		n, last := 0, ""
		for _, r := range resultsOf(f, id) {
			said, ok := saidBy(lib, id, r.result)
			switch {
			case !ok:
			case !said.Inconclusive:
				n = 0
			case !r.invalid:
				n, last = n+1, r.result.Outcome
			}
		}
		if n >= uselessBefore {
			ids, outcomes = append(ids, id), append(outcomes, last)
		}
	}
	return ids, outcomes
}

// taken is a result of a measurement as it was recorded.
type taken struct {
	at      stamp
	result  *Result
	invalid bool
}

// resultsOf lists the results of a measurement in order of time, those replaced
// and those made invalid with them, without what was retracted.
func resultsOf(f JobFile, measurement string) []taken {
	var out []taken
	for i := range f.Observations {
		if o := &f.Observations[i]; o.Measurement == measurement && o.RetractedAt == nil && o.Result != nil {
			out = append(out, taken{o.stamp(), o.Result, o.InvalidatedAt != nil})
		}
	}
	for i := range f.Verifications {
		if v := &f.Verifications[i]; v.Measurement == measurement {
			out = append(out, taken{v.stamp(), &v.Result, v.InvalidatedAt != nil})
		}
	}
	slices.SortFunc(out, func(x, y taken) int {
		if y.at.after(x.at) {
			return -1
		}
		return 1
	})
	return out
}

// vainText says which measurements are no longer advised, and why.
func vainText(lib *faultlib.Library, f JobFile) []string {
	ids, outcomes := vain(lib, f)
	var out []string
	for i, id := range ids {
		out = append(out, fmt.Sprintf("%s was of no use %d times in this job, at last because: %s. It is no longer advised; mend that and take it again, or go on without it.",
			lib.Measurement(id).Title, uselessBefore, lib.OutcomeWords(id, outcomes[i])))
	}
	return out
}

// outcomeNames words outcomes of a measurement for a sentence: “tight” or “dry”.
func outcomeNames(m *faultlib.Measurement, ids []string) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = "“" + outcomeName(m, id) + "”"
	}
	return orList(names)
}

func outcomeName(m *faultlib.Measurement, id string) string {
	if o := m.Outcome(id); o != nil {
		return o.Words()
	}
	return words(id)
}
