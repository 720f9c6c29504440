package learning

import (
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// leastPresence is below which posterior probability a cause teaches nothing
// about its links: a thousand such jobs would make one count.
const leastPresence = 1e-3

// Case is a job that teaches.
type Case struct {
	// Spec is the model the job was diagnosed with.
	Spec diagnosis.Spec
	// Priors replace priors of Spec by cause id; the confirmed causes have 1. By
	// root id they say how probable a root was at intake.
	Priors map[string]float64
	// Evidence is what was found before the first repair.
	Evidence []diagnosis.Observation
	// NormalAfter are findings that were normal after the last repair. They speak
	// about the causes that were not repaired.
	NormalAfter []string
}

// Lesson is what one job teaches: expected counts under its posterior.
type Lesson struct {
	Causes []CauseCount `json:"causes"`
	Links  []LinkCount  `json:"links"`
}

// CauseCount is one cause in one job. Present is P(cause present | all that was
// found and confirmed), 1 for a confirmed one. Resolved, 0 to 1, is the share of
// a fully observed job that this one was worth. Extra, above −1, is by how much
// the job counts for more than one job (below 0: for less) against Present,
// because of the roots that raise the cause; see roots.go. It is 0 where none do.
type CauseCount struct {
	Cause    string  `json:"cause"`
	Present  float64 `json:"present"`
	Resolved float64 `json:"resolved"`
	Extra    float64 `json:"extra,omitempty"`
}

// LinkCount is one link in one job: the expected count that the cause was there
// and itself put the finding at each level (level 0: that it triggered nothing).
type LinkCount struct {
	Cause    string       `json:"cause"`
	Finding  string       `json:"finding"`
	Levels   []LevelCount `json:"levels"`
	Resolved float64      `json:"resolved"`
}

// LevelCount is the expected count of one level, by its name.
type LevelCount struct {
	Level string  `json:"level"`
	Count float64 `json:"count"`
}

// Learn works out what a job teaches.
//
// The counts are those of the expectation step (Dempster, Laird and Rubin 1977)
// for a leaky noisy-MAX, as in Spiegelhalter and Lauritzen 1990 for incomplete
// cases: a cause that nobody looked at adds its posterior probability, not zero.
// Results after the repair are of a board without the repaired causes: they enter
// as findings of their own that only the causes left can make abnormal, so that
// both states of the board are in one posterior. In a model with roots all of
// this is done in each state of the roots and weighted by the states' posterior.
//
// Errors: those of diagnosis.New and Infer, and invalid for a finding in
// NormalAfter that the model does not have.
func Learn(c Case) (Lesson, error) {
	states, err := statesOf(c)
	if err != nil {
		return Lesson{}, err
	}
	l := &learner{c: c}
	if len(states) > 0 {
		l.c.Evidence = states[0].c.Evidence
	}
	l.ev = slices.Clone(l.c.Evidence)
	for _, id := range c.NormalAfter {
		l.ev = append(l.ev, diagnosis.Observation{Finding: after(id)})
	}
	if err := l.weigh(states); err != nil {
		return Lesson{}, err
	}
	var out Lesson
	for i := range c.Spec.Causes {
		out.Causes = append(out.Causes, l.cause(i))
	}
	for k := range l.c.Evidence {
		list, err := l.links(k)
		if err != nil {
			return Lesson{}, err
		}
		out.Links = append(out.Links, list...)
	}
	return out, nil
}

// learner is one case while it is worked out.
type learner struct {
	c      Case
	ev     []diagnosis.Observation
	states []state
}

// teacher is one case in one state of the roots, in which causes are independent.
type teacher struct {
	spec     diagnosis.Spec
	model    *diagnosis.Model
	post     *diagnosis.Posterior
	place    map[string]int // finding by id
	byTarget map[string][]*diagnosis.Link
	prior    []float64 // P(cause present) before this job, by cause
}

func newTeacher(c Case, clean []diagnosis.Finding) (*teacher, error) {
	t := &teacher{spec: c.Spec, place: map[string]int{}, byTarget: map[string][]*diagnosis.Link{}}
	for j, f := range c.Spec.Findings {
		t.place[f.ID] = j
	}
	for k := range c.Spec.Links {
		l := &c.Spec.Links[k]
		t.byTarget[l.Finding] = append(t.byTarget[l.Finding], l)
	}
	if err := t.addRepaired(c, clean); err != nil {
		return nil, err
	}
	model, err := diagnosis.New(t.spec)
	if err != nil {
		return nil, err
	}
	before, err := model.Infer(nil)
	if err != nil {
		return nil, err
	}
	t.prior = before.Marginals
	t.model, err = model.WithPriors(c.Priors)
	return t, err
}

// after names the finding of the repaired board.
func after(finding string) string { return "after:" + finding }

// addRepaired gives the model a second copy of each finding that was normal
// after the repair, linked to the causes that were not repaired. They are as clean
// has them, without what a root showed: that may have been cleaned away and says
// nothing against the root.
func (t *teacher) addRepaired(c Case, clean []diagnosis.Finding) error {
	spec := &t.spec
	spec.Findings = slices.Clone(spec.Findings)
	spec.Links = slices.Clone(spec.Links)
	spec.UnmodelledLinks = slices.Clone(spec.UnmodelledLinks)
	for k, id := range c.NormalAfter {
		j, ok := t.place[id]
		if !ok {
			return problem.InField(fmt.Sprintf("normal_after[%d]", k), "no finding %q in this model", id)
		}
		f := clean[j]
		f.ID = after(id)
		spec.Findings = append(spec.Findings, f)
		for _, l := range t.byTarget[id] {
			if c.Priors[l.Cause] < 1 {
				spec.Links = append(spec.Links, diagnosis.Link{Cause: l.Cause, Finding: f.ID, P: l.P})
			}
		}
		for _, l := range c.Spec.UnmodelledLinks {
			if l.Finding == id {
				spec.UnmodelledLinks = append(spec.UnmodelledLinks, diagnosis.Link{Finding: f.ID, P: l.P})
			}
		}
	}
	return nil
}

// links counts, for one observed finding, what each linked cause itself did.
//
// Given that cause i is present, X_j = max(Z_ij, W) where W is the level that the
// leak and the other causes reach. P(X_i=1, W ≤ x, rest of E) is
// P(X_i=1, X_j ≤ x, rest of E) / F_ij(x), and the right-hand side is one inference
// with the finding seen as "at most x". With H(x) that quantity over P(E) and
// l(x) the likelihood of level x,
//
//	E[X_i=1, Z_ij=z | E] = f_ij(z)·[ l(z)·H(z) + Σ_{x>z} l(x)·(H(x) − H(x−1)) ].
//
// For an observed level x* that is f(x*)·H(x*) at x*, f(z)·(H(x*) − H(x*−1)) below
// and 0 above.
func (l *learner) links(k int) ([]LinkCount, error) {
	first := l.states[0].t
	finding := &first.spec.Findings[first.place[l.ev[k].Finding]]
	for _, s := range l.states {
		if slices.Contains(s.t.post.Dropped, finding.ID) {
			return nil, nil // It took no part in the posterior.
		}
	}
	like := likelihood(l.ev[k], len(finding.Levels))
	below := make([][][]float64, len(l.states))
	for s := range l.states {
		var err error
		if below[s], err = l.states[s].t.upTo(l.ev, k, like); err != nil {
			return nil, err
		}
	}
	var out []LinkCount
	for _, link := range first.byTarget[finding.ID] {
		i := first.model.CauseIndex(link.Cause)
		if l.present(i) < leastPresence {
			continue
		}
		counts := make([]float64, len(link.P))
		for s := range l.states {
			for z, n := range triggered(link.P, like, below[s], i) {
				counts[z] += l.states[s].weight * n
			}
		}
		if c, ok := linkCount(link, finding, counts); ok {
			out = append(out, c)
		}
	}
	return out, nil
}

func linkCount(link *diagnosis.Link, finding *diagnosis.Finding, counts []float64) (LinkCount, bool) {
	c := LinkCount{Cause: link.Cause, Finding: finding.ID}
	total, left, before := 0.0, 0.0, 0.0
	for _, n := range counts {
		total += n
	}
	for z, n := range counts {
		c.Levels = append(c.Levels, LevelCount{finding.Levels[z], n})
		w := n / total
		left += w * (1 - w)
		before += link.P[z] * (1 - link.P[z])
	}
	if !(total > 0) {
		return c, false
	}
	c.Resolved = total * unresolved(left, before)
	return c, true
}

// likelihood is the observation's as one value per level.
func likelihood(o diagnosis.Observation, levels int) []float64 {
	if o.Likelihood != nil {
		return o.Likelihood
	}
	like := make([]float64, levels)
	like[o.Level] = 1
	return like
}

// upTo returns, by level x, P(X_i=1, finding ≤ x, rest of E)/P(E) by cause; nil
// where no level at or next above x has a likelihood.
func (t *teacher) upTo(ev []diagnosis.Observation, k int, like []float64) ([][]float64, error) {
	out := make([][]float64, len(like))
	rest := append([]diagnosis.Observation(nil), ev...)
	for x := range like {
		if !needed(like, x) {
			continue
		}
		most := make([]float64, len(like))
		for z := 0; z <= x; z++ {
			most[z] = 1
		}
		rest[k] = diagnosis.Observation{Finding: ev[k].Finding, Likelihood: most}
		post, err := t.model.Infer(rest)
		if problem.Is(err, problem.Conflict) {
			out[x] = make([]float64, len(t.spec.Causes)) // Impossible: probability 0.
			continue
		}
		if err != nil {
			return nil, err
		}
		scale := math.Exp(post.LogEvidence - t.post.LogEvidence)
		out[x] = post.Marginals
		for i := range out[x] {
			out[x][i] *= scale
		}
	}
	return out, nil
}

func needed(like []float64, x int) bool {
	return like[x] > 0 || x+1 < len(like) && like[x+1] > 0
}

// triggered is the expected count by level for the link with distribution p.
func triggered(p, like []float64, upTo [][]float64, cause int) []float64 {
	others := make([]float64, len(p)) // H(x)
	cum := 0.0
	for x := range p {
		cum += p[x]
		if upTo[x] != nil && cum > 0 {
			others[x] = upTo[x][cause] / math.Min(1, cum)
		}
	}
	counts := make([]float64, len(p))
	for z := range p {
		sum := like[z] * others[z]
		for x := z + 1; x < len(p); x++ {
			if like[x] > 0 {
				// The difference is a probability; rounding may leave it below 0.
				sum += like[x] * math.Max(0, others[x]-others[x-1])
			}
		}
		counts[z] = p[z] * sum
	}
	return counts
}
