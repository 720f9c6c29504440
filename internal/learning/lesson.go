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
	// Priors replace priors of Spec by cause id; the confirmed causes have 1.
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
// a fully observed job that this one was worth.
type CauseCount struct {
	Cause    string  `json:"cause"`
	Present  float64 `json:"present"`
	Resolved float64 `json:"resolved"`
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
// both states of the board are in one posterior.
//
// Errors: those of diagnosis.New and Infer, and invalid for a finding in
// NormalAfter that the model does not have.
func Learn(c Case) (Lesson, error) {
	t, err := newTeacher(c)
	if err != nil {
		return Lesson{}, err
	}
	ev := slices.Clone(c.Evidence)
	for _, id := range c.NormalAfter {
		ev = append(ev, diagnosis.Observation{Finding: after(id)})
	}
	post, err := t.model.Infer(ev)
	if err != nil {
		return Lesson{}, err
	}
	var out Lesson
	for i, cause := range c.Spec.Causes {
		e := post.Marginals[i]
		out.Causes = append(out.Causes, CauseCount{cause.ID, e, resolved(e, t.prior[i])})
	}
	for k := range c.Evidence {
		list, err := t.links(ev, k, post)
		if err != nil {
			return Lesson{}, err
		}
		out.Links = append(out.Links, list...)
	}
	return out, nil
}

// teacher is one case while it is worked out.
type teacher struct {
	spec     diagnosis.Spec
	model    *diagnosis.Model
	place    map[string]int // finding by id
	byTarget map[string][]*diagnosis.Link
	prior    []float64 // P(cause present) before this job, by cause
}

func newTeacher(c Case) (*teacher, error) {
	t := &teacher{spec: c.Spec, place: map[string]int{}, byTarget: map[string][]*diagnosis.Link{}}
	for j, f := range c.Spec.Findings {
		t.place[f.ID] = j
	}
	for k := range c.Spec.Links {
		l := &c.Spec.Links[k]
		t.byTarget[l.Finding] = append(t.byTarget[l.Finding], l)
	}
	if err := t.addRepaired(c); err != nil {
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
// after the repair, linked to the causes that were not repaired.
func (t *teacher) addRepaired(c Case) error {
	spec := &t.spec
	spec.Findings = slices.Clone(spec.Findings)
	spec.Links = slices.Clone(spec.Links)
	spec.UnmodelledLinks = slices.Clone(spec.UnmodelledLinks)
	for k, id := range c.NormalAfter {
		j, ok := t.place[id]
		if !ok {
			return problem.InField(fmt.Sprintf("normal_after[%d]", k), "no finding %q in this model", id)
		}
		f := spec.Findings[j]
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
func (t *teacher) links(ev []diagnosis.Observation, k int, post *diagnosis.Posterior) ([]LinkCount, error) {
	finding := &t.spec.Findings[t.place[ev[k].Finding]]
	for _, id := range post.Dropped {
		if id == finding.ID {
			return nil, nil // It took no part in the posterior.
		}
	}
	var out []LinkCount
	like := likelihood(ev[k], len(finding.Levels))
	below, err := t.upTo(ev, k, like, post.LogEvidence)
	if err != nil {
		return nil, err
	}
	for _, l := range t.byTarget[finding.ID] {
		i := t.model.CauseIndex(l.Cause)
		if post.Marginals[i] < leastPresence {
			continue
		}
		counts := triggered(l.P, like, below, i)
		c := LinkCount{Cause: l.Cause, Finding: finding.ID}
		total, left, before := 0.0, 0.0, 0.0
		for _, n := range counts {
			total += n
		}
		for z, n := range counts {
			c.Levels = append(c.Levels, LevelCount{finding.Levels[z], n})
			w := n / total
			left += w * (1 - w)
			before += l.P[z] * (1 - l.P[z])
		}
		if total > 0 {
			c.Resolved = total * unresolved(left, before)
			out = append(out, c)
		}
	}
	return out, nil
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
func (t *teacher) upTo(ev []diagnosis.Observation, k int, like []float64, logE float64) ([][]float64, error) {
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
		scale := math.Exp(post.LogEvidence - logE)
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
