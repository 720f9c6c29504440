package shop

import (
	"fmt"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// once lists, as findings of the model, the measurements with exactly one usable
// result since the last event that overtook them: those that a second look may
// settle. What was measured before a repair is not among them, for the board is
// another since, and a new result would not tell whether the old one was misread.
func once(lib *faultlib.Library, f JobFile) []string {
	repaired := stamp{}
	for i := range f.Repairs {
		repaired = later(repaired, f.Repairs[i].stamp())
	}
	var out []string
	for i := range lib.Measurements {
		id := lib.Measurements[i].ID
		n := 0
		for _, r := range resultsOf(f, id) {
			_, usable := measured(lib, id, r.result)
			switch {
			case r.invalid || !r.at.after(repaired):
				n = 0
			case usable:
				n++
			}
		}
		if n == 1 {
			out = append(out, faultlib.MeasurementFinding(id))
		}
	}
	return out
}

// againText words the advice to take a reading once more.
func (q *inquiry) againText() string {
	r := q.advice.Reason
	m := q.lib.Measurement(measurementOf(q.advice.Finding))
	waits, waste := "handing the board over", "handing over for nothing"
	if r.Instead != "" {
		waits, waste = "repairing "+q.causeName(r.Instead), "a needless repair"
	}
	one := "Its one result"
	if said := q.readingOf(m); said != "" {
		one += ", “" + said + "”,"
	}
	return fmt.Sprintf("Take “%s” again before %s. %s is not what the other findings let one expect: with a probability of about %s it was misread, and a second look (%s) costs less than the risk of %s.",
		m.Title, waits, one, percent(r.Probability), q.money(r.Cost), waste)
}

// readingOf is the outcome of a measurement that is evidence now, in words.
func (q *inquiry) readingOf(m *faultlib.Measurement) string {
	id := faultlib.MeasurementFinding(m.ID)
	if !slices.ContainsFunc(q.found, func(x finding) bool { return x.ev.Finding == id }) {
		return ""
	}
	said := ""
	for _, r := range resultsOf(q.file, m.ID) {
		if _, usable := measured(q.lib, m.ID, r.result); usable && !r.invalid {
			said = outcomeName(m, r.result.Outcome)
		}
	}
	return said
}

// whyAgain says why a measurement that was taken before is asked for again.
func (q *inquiry) whyAgain(m *faultlib.Measurement) string {
	r := q.advice.Reason
	switch {
	case q.proofDue() == m.ID:
		return "It was measured before; the closing gate asks for it again."
	case measurementOf(q.advice.Finding) != m.ID:
		return "It was measured before; what is now to be done asks for it again."
	case r.Code == diagnosis.ReasonTakeAgain:
		return fmt.Sprintf("It came out as “%s”, which the other findings make improbable. The same result again settles it; another one replaces it.", q.readingOf(m))
	}
	return "It was measured before; an interlock asks for it again, because what it showed may have changed since."
}
