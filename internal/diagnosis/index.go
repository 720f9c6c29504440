package diagnosis

import (
	"fmt"
	"math"

	"nextprobe/internal/problem"
)

// UnmodelledID is the id under which the cause for what the model does not
// know appears in explanations and in WithPriors.
const UnmodelledID = "unmodelled"

// sumTolerance is how far a distribution's sum may be from 1: mixing with the
// floor and decimal input leave a few units in the last place.
const sumTolerance = 1e-9

// Model is a checked and indexed Spec. It is immutable and safe for
// concurrent use.
type Model struct {
	causes       []Cause
	findings     []Finding
	causeIndex   map[string]int
	findingIndex map[string]int
	byCause      [][]causeLink
	byFinding    [][]findingLink
	leak         []effect
	unmodelled   float64
	byUnmodelled []effect // by finding; a nil cdf is no link
	roots        []root
	factors      [][]float64 // by root and cause
	vary         []bool      // by cause: depends on a root
	given        []float64   // by cause: the prior that the Spec gives it
	states       []rootState
	lanes        []lane
}

// effect is a distribution over a finding's levels with its running sum.
type effect struct {
	p, cdf []float64
}

type causeLink struct {
	finding int
	effect
}

type findingLink struct {
	cause int
	effect
}

// checker collects every mistake of a Spec, so that the maker of a library
// mends them in one go.
type checker struct {
	fields []problem.Field
}

func (c *checker) failf(field, format string, args ...any) {
	c.fields = append(c.fields, problem.Field{Field: field, Message: fmt.Sprintf(format, args...)})
}

func (c *checker) probability(field string, p float64) {
	if math.IsNaN(p) || p < 0 || p > 1 {
		c.failf(field, "%v is no probability; give a number from 0 to 1", p)
	}
}

func (c *checker) distribution(field string, p []float64, levels int) {
	if len(p) != levels {
		c.failf(field, "%d probabilities for %d levels; give one per level", len(p), levels)
		return
	}
	sum := 0.0
	for k, v := range p {
		c.probability(fmt.Sprintf("%s[%d]", field, k), v)
		sum += v
	}
	if !(math.Abs(sum-1) <= sumTolerance) {
		c.failf(field, "probabilities sum to %v; they must sum to 1", sum)
	}
}

// New checks spec and indexes it. The error is a *problem.Error (invalid) that
// lists every mistake by its place in spec (`links[3].p`). A model without
// causes or findings is allowed: nothing then explains anything but the leaks.
func New(spec Spec) (*Model, error) {
	m := &Model{
		causes:       append([]Cause(nil), spec.Causes...),
		findings:     append([]Finding(nil), spec.Findings...),
		causeIndex:   make(map[string]int, len(spec.Causes)),
		findingIndex: make(map[string]int, len(spec.Findings)),
		byCause:      make([][]causeLink, len(spec.Causes)),
		byFinding:    make([][]findingLink, len(spec.Findings)),
		leak:         make([]effect, len(spec.Findings)),
		unmodelled:   spec.Unmodelled,
		byUnmodelled: make([]effect, len(spec.Findings)),
	}
	var c checker
	m.indexCauses(&c)
	m.indexFindings(&c)
	m.indexLinks(&c, spec.Links)
	c.probability("unmodelled", spec.Unmodelled)
	m.indexUnmodelled(&c, spec.UnmodelledLinks)
	m.indexRoots(&c, spec.Roots)
	for _, cause := range spec.Causes {
		m.given = append(m.given, cause.Prior)
	}
	if len(c.fields) == 0 {
		m.layStates(&c, func(i int) string { return fmt.Sprintf("causes[%d].prior", i) })
	}
	if err := problem.InFields(c.fields); err != nil {
		return nil, err
	}
	return m, nil
}

func (m *Model) indexCauses(c *checker) {
	for i, cause := range m.causes {
		field := fmt.Sprintf("causes[%d]", i)
		switch _, twice := m.causeIndex[cause.ID]; {
		case cause.ID == "":
			c.failf(field+".id", "a cause needs an id")
		case cause.ID == UnmodelledID:
			c.failf(field+".id", "%q is reserved; give the cause another id", UnmodelledID)
		case twice:
			c.failf(field+".id", "cause %q stands twice", cause.ID)
		default:
			m.causeIndex[cause.ID] = i
		}
		c.probability(field+".prior", cause.Prior)
	}
}

func (m *Model) indexFindings(c *checker) {
	for j, f := range m.findings {
		field := fmt.Sprintf("findings[%d]", j)
		if f.ID == "" {
			c.failf(field+".id", "a finding needs an id")
		} else if _, twice := m.findingIndex[f.ID]; twice {
			c.failf(field+".id", "finding %q stands twice", f.ID)
		} else {
			m.findingIndex[f.ID] = j
		}
		if len(f.Levels) < 2 {
			c.failf(field+".levels", "finding %q has %d levels; it needs a normal and at least one other", f.ID, len(f.Levels))
		}
		seen := make(map[string]bool, len(f.Levels))
		for k, level := range f.Levels {
			if seen[level] {
				c.failf(fmt.Sprintf("%s.levels[%d]", field, k), "level %q stands twice in finding %q", level, f.ID)
			}
			seen[level] = true
		}
		c.distribution(field+".leak", f.Leak, len(f.Levels))
		m.leak[j] = newEffect(f.Leak)
	}
}

func (m *Model) indexLinks(c *checker, links []Link) {
	type pair struct{ cause, finding int }
	seen := make(map[pair]bool, len(links))
	for k, l := range links {
		field := fmt.Sprintf("links[%d]", k)
		i, okCause := m.causeIndex[l.Cause]
		if !okCause {
			c.failf(field+".cause", "no cause %q; give the id of a cause", l.Cause)
		}
		j, ok := m.linkFinding(c, field, l)
		if !okCause || !ok {
			continue
		}
		if seen[pair{i, j}] {
			c.failf(field, "the link of cause %q to finding %q stands twice", l.Cause, l.Finding)
			continue
		}
		seen[pair{i, j}] = true
		e := newEffect(l.P)
		m.byCause[i] = append(m.byCause[i], causeLink{j, e})
		m.byFinding[j] = append(m.byFinding[j], findingLink{i, e})
	}
}

func (m *Model) indexUnmodelled(c *checker, links []Link) {
	for k, l := range links {
		field := fmt.Sprintf("unmodelled_links[%d]", k)
		if l.Cause != "" && l.Cause != UnmodelledID {
			c.failf(field+".cause", "%q; leave it empty or give %q", l.Cause, UnmodelledID)
		}
		j, ok := m.linkFinding(c, field, l)
		if !ok {
			continue
		}
		if m.byUnmodelled[j].cdf != nil {
			c.failf(field, "the link to finding %q stands twice", l.Finding)
			continue
		}
		m.byUnmodelled[j] = newEffect(l.P)
	}
}

func (m *Model) linkFinding(c *checker, field string, l Link) (int, bool) {
	j, ok := m.findingIndex[l.Finding]
	if !ok {
		c.failf(field+".finding", "no finding %q; give the id of a finding", l.Finding)
		return 0, false
	}
	before := len(c.fields)
	c.distribution(field+".p", l.P, len(m.findings[j].Levels))
	return j, len(c.fields) == before
}

// newEffect sums p up. The last value is set to 1 so that the highest level
// leaves a probability exactly as it was.
func newEffect(p []float64) effect {
	e := effect{p: append([]float64(nil), p...), cdf: make([]float64, len(p))}
	sum := 0.0
	for k, v := range p {
		sum += v
		e.cdf[k] = math.Min(sum, 1)
	}
	if n := len(p); n > 0 {
		e.cdf[n-1] = 1
	}
	return e
}

// Causes returns the causes in the Spec's order. The slice is a copy.
func (m *Model) Causes() []Cause { return append([]Cause(nil), m.causes...) }

// CauseIndex returns the place of a cause in Causes and in
// Posterior.Marginals, or -1 where there is none with this id.
func (m *Model) CauseIndex(id string) int {
	if i, ok := m.causeIndex[id]; ok {
		return i
	}
	return -1
}

// WithPriors returns a model that shares everything with m but the priors
// given by cause or root id (UnmodelledID sets that of the unmodelled cause):
// after a repair the prior of the repaired cause is the repair's failure rate;
// a root that is known has 0 or 1. The prior of a cause that roots raise is its
// marginal over the roots as the Spec gives them, see Root. A cause that is certain,
// with 1, was found: that speaks for the roots that raise it, and so for others.
func (m *Model) WithPriors(priors map[string]float64) (*Model, error) {
	changed := *m
	changed.causes = append([]Cause(nil), m.causes...)
	changed.roots = append([]root(nil), m.roots...)
	var c checker
	known := 0
	set := func(id string, to *float64) {
		p, ok := priors[id]
		if !ok {
			return
		}
		known++
		c.probability("priors."+id, p)
		*to = p
	}
	// The causes are walked rather than the map, so that the mistakes come in
	// the same order every time.
	for i := range changed.causes {
		set(changed.causes[i].ID, &changed.causes[i].Prior)
	}
	set(UnmodelledID, &changed.unmodelled)
	for k := range changed.roots {
		set(changed.roots[k].id, &changed.roots[k].prior)
	}
	if known < len(priors) {
		for _, id := range sortedKeys(priors) {
			if m.CauseIndex(id) < 0 && id != UnmodelledID && !m.isRoot(id) {
				c.failf("priors."+id, "no cause %q", id)
			}
		}
	}
	if len(c.fields) == 0 {
		changed.layStates(&c, func(i int) string { return "priors." + changed.causes[i].ID })
	}
	if err := problem.InFields(c.fields); err != nil {
		return nil, err
	}
	return &changed, nil
}

func (m *Model) isRoot(id string) bool {
	for k := range m.roots {
		if m.roots[k].id == id {
			return true
		}
	}
	return false
}
