package web

import (
	"cmp"
	"slices"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

// lookup finds the library's entries by id, for the names a page shows. An id
// that an edition no longer has is shown as it stands.
type lookup struct {
	lib          *faultlib.Library
	symptoms     map[string]*faultlib.Symptom
	measurements map[string]*faultlib.Measurement
	causes       map[string]*faultlib.Cause
	components   map[string]string
	openings     map[string]*faultlib.Opening
}

func newLookup(lib *faultlib.Library) *lookup {
	l := &lookup{lib: lib, symptoms: map[string]*faultlib.Symptom{}, measurements: map[string]*faultlib.Measurement{},
		causes: map[string]*faultlib.Cause{}, components: map[string]string{}, openings: map[string]*faultlib.Opening{}}
	for i := range lib.Symptoms {
		l.symptoms[lib.Symptoms[i].ID] = &lib.Symptoms[i]
	}
	for i := range lib.Measurements {
		l.measurements[lib.Measurements[i].ID] = &lib.Measurements[i]
	}
	for i := range lib.Causes {
		l.causes[lib.Causes[i].ID] = &lib.Causes[i]
	}
	for i := range lib.Components {
		l.components[lib.Components[i].ID] = lib.Components[i].Name
	}
	for i := range lib.Openings {
		l.openings[lib.Openings[i].ID] = &lib.Openings[i]
	}
	return l
}

func (l *lookup) symptom(id string) string {
	if s := l.symptoms[id]; s != nil {
		return s.Text
	}
	return words(id)
}

func (l *lookup) measurement(id string) string {
	if m := l.measurements[id]; m != nil {
		return m.Title
	}
	return words(id)
}

func (l *lookup) cause(id string) string {
	if c := l.causes[id]; c != nil {
		return c.Name
	}
	return words(id)
}

func (l *lookup) component(id string) string {
	if n, ok := l.components[id]; ok {
		return n
	}
	return words(id)
}

func (l *lookup) meaning(measurement, outcome string) (text string, normal bool) {
	if m := l.measurements[measurement]; m != nil {
		for _, o := range m.Outcomes {
			if o.ID == outcome {
				return o.Meaning, o.Normal
			}
		}
	}
	return l.outcome(measurement, outcome), false
}

// outcome is how a page names an outcome.
func (l *lookup) outcome(measurement, outcome string) string {
	return l.lib.OutcomeWords(measurement, outcome)
}

// outcomeWords is how a page names an outcome of a measurement.
func outcomeWords(m *faultlib.Measurement, outcome string) string {
	if o := m.Outcome(outcome); o != nil {
		return o.Words()
	}
	return words(outcome)
}

// proof says what a verification came to.
func (l *lookup) proof(v shop.Verification) string {
	word := "failed"
	switch {
	case v.Passed:
		word = "passed"
	case l.lib.Inconclusive(v.Measurement, v.Result.Outcome):
		word = "of no use"
	}
	return word + ": " + l.outcome(v.Measurement, v.Result.Outcome)
}

func (l *lookup) rule(level int) string {
	if level >= 0 && level < len(l.lib.Hazards) {
		return l.lib.Hazards[level].Rule
	}
	return ""
}

func (l *lookup) componentOptions(empty string) []Option {
	opts := []Option{{Label: empty}}
	for _, c := range l.lib.Components {
		opts = append(opts, Option{Value: c.ID, Label: c.Name})
	}
	return opts
}

// stillToOpen lists the openings a measurement needs that are not open,
// outermost first; board facts may replace the access.
func (l *lookup) stillToOpen(m *faultlib.Measurement, facts map[string]string, open map[string]bool) []faultlib.Opening {
	var out []faultlib.Opening
	for _, o := range l.lib.OpeningPath(l.lib.AccessOf(m.ID, facts)) {
		// What costs nothing to reach (the board complete and off) is no step.
		if !open[o.ID] && o.OpenMin+o.CloseMin > 0 {
			out = append(out, o)
		}
	}
	return out
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	keys := make([]K, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
