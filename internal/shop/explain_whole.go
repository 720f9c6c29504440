package shop

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

const (
	// explanationsSaid is how many explanations a sentence names, and leastExplained
	// the least probable one that is worth it.
	explanationsSaid = 4
	leastExplained   = 0.02
	// outsideSaid is the least probability at which the sentences about what the
	// library does not know, and about no fault, are worth reading.
	outsideSaid = 0.02
	// leastConflict is the least conflict that is said, in bits: it is printed with
	// one decimal.
	leastConflict = 0.05
	// surprise is the probability, led by the others, below which a reading is worth
	// taking again.
	surprise = 0.01
)

// wholeText says how sure the whole is: the explanations with the share they
// cover, what the library does not know, no fault, and what was left out.
func wholeText(d *Diagnosis, causeName func(string) string, dropped []string) []string {
	var out []string
	for _, s := range []string{explanationsText(d, causeName), unmodelledText(d.Unmodelled), noFaultText(d.NoFault)} {
		if s != "" {
			out = append(out, s)
		}
	}
	if len(dropped) > 0 {
		out = append(out, fmt.Sprintf("There are too many abnormal findings for one exact calculation. Left out: %s; a probability may be off by up to %s.", andList(dropped), percent(d.Truncation)))
	}
	return out
}

// explanationsText names the explanations by what is in them beside the confirmed
// causes, which are in all of them.
func explanationsText(d *Diagnosis, causeName func(string) string) string {
	confirmed := func(id string) bool {
		return slices.ContainsFunc(d.Causes, func(c CauseView) bool { return c.Confirmed && c.ID == id })
	}
	none, beside := "no fault", ""
	if slices.ContainsFunc(d.Causes, func(c CauseView) bool { return c.Confirmed }) {
		none, beside = "nothing more", " beside what is confirmed"
	}
	var names []string
	share := 0.0
	for _, e := range d.Explanations {
		if len(names) == explanationsSaid || e.Probability < leastExplained && len(names) > 0 {
			break
		}
		var causes []string
		for _, id := range e.Causes {
			if !confirmed(id) {
				causes = append(causes, causeName(id))
			}
		}
		name := strings.Join(causes, " with ")
		if name == "" {
			name = none
		}
		names = append(names, fmt.Sprintf("%s (%s)", name, percent(e.Probability)))
		share += e.Probability
	}
	switch len(names) {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("One explanation covers %s of what is possible%s: %s.", percent(share), beside, names[0])
	}
	return fmt.Sprintf("These %d explanations cover %s of what is possible%s: %s.", len(names), percent(share), beside, andList(names))
}

func unmodelledText(p float64) string {
	switch {
	case p > diagnosis.EscalateAt:
		return fmt.Sprintf("With %s something is at work that the fault library does not know: ask somebody who knows this board, and write down what it was.", percent(p))
	case p >= outsideSaid:
		return fmt.Sprintf("With %s something else is at work that the fault library does not know.", percent(p))
	}
	return ""
}

func noFaultText(p float64) string {
	switch {
	case p > 0.5:
		return fmt.Sprintf("Most probably (%s) nothing is wrong that the fault library knows: try to reproduce the complaint before you go on.", percent(p))
	case p >= outsideSaid:
		return fmt.Sprintf("With %s nothing is wrong at all.", percent(p))
	}
	return ""
}

// droppedNames words the findings that the engine left out.
func (q *inquiry) droppedNames() []string {
	var out []string
	for _, id := range q.advice.Posterior.Dropped {
		out = append(out, "“"+q.findingTitle(id)+"”")
	}
	return out
}

func (q *inquiry) findingTitle(finding string) string {
	symptom, measurement := faultlib.FindingOf(finding)
	if s := q.lib.Symptom(symptom); s != nil {
		return s.Text
	}
	if m := q.lib.Measurement(measurement); m != nil {
		return m.Title
	}
	return finding
}

// odd is an observation that does not go well with the others.
type odd struct {
	id                         ID
	name, measurement, symptom string
	// bits is log2[P(e)/P(e | the others)], support is P(e | the others).
	bits, support float64
}

// conflictArgument says which observations do not go together, and which of them
// are worth taking again; nil where they do go together.
func (q *inquiry) conflictArgument() (*ConflictArgument, error) {
	before := q.beforeRepair()
	bits, err := q.conflict()
	if err != nil || bits < leastConflict {
		return nil, err
	}
	ev := observationsOf(before)
	support, err := q.ed.model.Support(ev)
	if err != nil {
		return nil, err
	}
	var list []odd
	for j, x := range before {
		free, err := q.ed.model.Predict(nil, x.ev.Finding)
		if err != nil {
			return nil, err
		}
		symptom, measurement := faultlib.FindingOf(x.ev.Finding)
		o := odd{x.record, q.name(x), measurement, symptom, math.Log2(expected(x.ev, free) / support[j]), support[j]}
		// A twentieth of a bit is nothing: as the conflict itself.
		if o.bits >= leastConflict {
			list = append(list, o)
		}
	}
	slices.SortStableFunc(list, func(x, y odd) int {
		switch {
		case x.bits > y.bits:
			return -1
		case x.bits < y.bits:
			return 1
		}
		return 0
	})
	return conflictOf(bits, list[:min(mostSaid, len(list))], q.findingTitle), nil
}

// expected is the probability of an observation under a prediction, the largest
// likelihood of a shared one taken as 1, as diagnosis.Model.Support has it.
func expected(o diagnosis.Observation, p []float64) float64 {
	if o.Likelihood == nil {
		return p[o.Level]
	}
	sum, largest := 0.0, slices.Max(o.Likelihood)
	for l, like := range o.Likelihood {
		sum += p[l] * like / largest
	}
	return sum
}

// conflictOf words a conflict and offers what is worth taking again.
func conflictOf(bits float64, list []odd, title func(string) string) *ConflictArgument {
	c := &ConflictArgument{Bits: bits, Strong: bits > strongConflict}
	var names []string
	for _, o := range list {
		names = append(names, o.name)
		c.Observations = append(c.Observations, o.id)
		if o.support < surprise {
			a := TakeAgain{ObservationID: o.id, Measurement: o.measurement, Symptom: o.symptom, Support: o.support}
			if o.measurement != "" {
				a.Title = title(faultlib.MeasurementFinding(o.measurement))
			} else {
				a.Title = title(faultlib.SymptomFinding(o.symptom))
			}
			c.Again = append(c.Again, a)
		}
	}
	c.Text = conflictText(c.Strong, bits, names)
	if len(c.Again) > 0 {
		titles := make([]string, len(c.Again))
		for i, a := range c.Again {
			titles[i] = "“" + a.Title + "”"
		}
		c.Text += fmt.Sprintf(" Take again: %s; the other observations leave %s less than 1 in 100.", andList(titles), oneOrMany(len(titles), "it", "each"))
	}
	return c
}

func conflictText(strong bool, bits float64, names []string) string {
	either := "Either one of them is wrong, or the board has more than one fault."
	switch {
	case len(names) == 0:
		return fmt.Sprintf("The observations go together less well than if they had nothing to do with each other (%.1f bits), no single one more than the others.", bits)
	case len(names) == 1 && strong:
		return fmt.Sprintf("%s contradicts the other observations (%.1f bits). Either it is wrong, or the board has more than one fault.", names[0], bits)
	case len(names) == 1:
		return fmt.Sprintf("%s does not go well with the other observations (%.1f bits).", names[0], bits)
	case strong:
		return fmt.Sprintf("%s contradict each other (%.1f bits). %s", andList(names), bits, either)
	}
	return fmt.Sprintf("%s do not go well together (%.1f bits). %s", andList(names), bits, either)
}
