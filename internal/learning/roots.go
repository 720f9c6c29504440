package learning

import (
	"math"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// What a job teaches about the prior of a cause that roots raise.
//
// The number that is learned is the cause's marginal μ, over boards whose roots
// have the library's priors; factors, links and priors of the roots stay as the
// library has them. The share of jobs with the cause is the wrong statistic for
// it where the shop's boards are wet more or less often than the library says: it
// would put down to the cause what is the weather's, and since μ is shared out
// over the states of the roots again, a shop by the sea would hold the cause more
// probable on its wet boards than it is there.
//
// So a job counts by the state s of its roots. With p_s = P(cause | s), as the
// library has it, and the odds ratio
//
//	r_s = [p_s/(1−p_s)] / [μ/(1−μ)],
//
// a job with the cause counts 1 for it, and one without counts r_s against it:
// less on a dry board, where its absence says little, more on a wet one. In any
// state the expected counts are p_s for and r_s·(1−p_s) = p_s·(1−μ)/μ against,
// whose share is μ: whatever part of the shop's boards is in each state, the
// library's μ is confirmed by boards that are as the library says, and where all
// odds are higher by one factor in this shop, so are those that are learned. The
// prior stays Beta and the mean in (0,1). Without roots r = 1, and it is the count
// of jobs.
//
// The state is not seen but inferred, together with the cause, so what counts is
// the expectation Σ_s P(s, no cause | E)·r_s (as everywhere here, the expectation
// step of Dempster, Laird and Rubin 1977).

// state is one state of the roots while a case is worked out.
type state struct {
	t      *teacher
	c      Case
	log    float64 // ln of P(state and what is known of causes)
	weight float64 // P(state | all that was found and confirmed)
	ratio  []float64
}

// statesOf are the cases that a case is in each state of its roots; the case
// itself where it has none.
func statesOf(c Case) ([]state, error) {
	if len(c.Spec.Roots) == 0 {
		return []state{{c: c}}, nil
	}
	model, err := diagnosis.New(c.Spec)
	if err != nil {
		return nil, err
	}
	if c.Evidence, err = taken(model, c.Evidence); err != nil {
		return nil, err
	}
	var out []state
	for mask := range 1 << len(c.Spec.Roots) {
		known, logP := map[string]float64{}, 0.0
		var on []*diagnosis.Root
		for k := range c.Spec.Roots {
			r := &c.Spec.Roots[k]
			p := r.Prior
			if told, ok := c.Priors[r.ID]; ok {
				p = told
			}
			if known[r.ID] = float64(mask >> k & 1); known[r.ID] == 1 {
				on = append(on, r)
			} else {
				p = 1 - p
			}
			logP += math.Log(p)
		}
		if math.IsInf(logP, -1) {
			continue
		}
		in, err := model.WithPriors(known)
		if err != nil {
			return nil, err
		}
		post, err := in.Infer(nil)
		if err != nil {
			return nil, err
		}
		out = append(out, inState(c, on, logP, post.Marginals))
	}
	return out, nil
}

// taken leaves out the findings that the engine would leave out of so much
// evidence, so that all states are judged by the same.
func taken(model *diagnosis.Model, ev []diagnosis.Observation) ([]diagnosis.Observation, error) {
	post, err := model.Infer(ev)
	if problem.Is(err, problem.Conflict) {
		return ev, nil // It is found again in every state.
	}
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(slices.Clone(ev), func(o diagnosis.Observation) bool { return slices.Contains(post.Dropped, o.Finding) }), nil
}

// inState is the case where these roots are true and the causes have these
// probabilities: one without roots.
func inState(c Case, on []*diagnosis.Root, logP float64, p []float64) state {
	s := state{log: logP, ratio: make([]float64, len(p)), c: Case{Spec: c.Spec, Priors: map[string]float64{}, Evidence: c.Evidence, NormalAfter: c.NormalAfter}}
	for id, q := range c.Priors {
		if !slices.ContainsFunc(c.Spec.Roots, func(r diagnosis.Root) bool { return r.ID == id }) {
			s.c.Priors[id] = q
		}
	}
	spec := &s.c.Spec
	spec.Roots = nil
	spec.Causes = slices.Clone(spec.Causes)
	for i := range spec.Causes {
		cause, mu := &spec.Causes[i], c.Spec.Causes[i].Prior
		cause.Prior = p[i]
		s.ratio[i] = 1
		if !raised(c.Spec.Roots, cause.ID) || mu <= 0 || mu >= 1 {
			continue
		}
		s.ratio[i] = p[i] / math.Max(1-p[i], 1e-300) * (1 - mu) / mu
		if q, ok := c.Priors[cause.ID]; ok {
			known, weight := knownIn(q, mu, p[i])
			s.c.Priors[cause.ID] = known
			s.log += math.Log(weight)
		}
	}
	spec.Findings = slices.Clone(spec.Findings)
	for j := range spec.Findings {
		for _, r := range on {
			for _, l := range r.Links {
				if l.Finding == spec.Findings[j].ID {
					spec.Findings[j].Leak = diagnosis.LargerOf(spec.Findings[j].Leak, l.P)
				}
			}
		}
	}
	return s
}

func raised(roots []diagnosis.Root, cause string) bool {
	return slices.ContainsFunc(roots, func(r diagnosis.Root) bool {
		return slices.ContainsFunc(r.Raises, func(f diagnosis.Factor) bool { return f.Cause == cause && f.Factor != 1 })
	})
}

// knownIn is what a cause's probability q in place of its marginal mu means in a
// state where it would have p, and how probable that makes the state. A cause
// that is certain, or held less probable than before, was looked at: that is
// evidence, and speaks about the state too. One that is held more probable has
// something else that brings it along, whatever the state.
func knownIn(q, mu, p float64) (known, weight float64) {
	switch {
	case q == 1:
		return 1, p
	case q > mu:
		return 1 - (1-p)*(1-q)/(1-mu), 1
	}
	ratio := q / (1 - q) * (1 - mu) / mu
	weight = ratio*p + 1 - p
	return ratio * p / weight, weight
}

// weigh infers in each state and keeps those that the case can be in.
func (l *learner) weigh(states []state) error {
	var impossible error
	top := math.Inf(-1)
	for _, s := range states {
		if math.IsInf(s.log, -1) {
			continue
		}
		var err error
		if s.t, err = newTeacher(s.c, l.c.Spec.Findings); err != nil {
			return err
		}
		s.t.post, err = s.t.model.Infer(l.ev)
		if problem.Is(err, problem.Conflict) {
			impossible = err
			continue
		}
		if err != nil {
			return err
		}
		s.log += s.t.post.LogEvidence
		top = math.Max(top, s.log)
		l.states = append(l.states, s)
	}
	if len(l.states) == 0 {
		if impossible == nil {
			impossible = problem.New(problem.Conflict, "What was confirmed cannot be there in any state of the library's roots.")
		}
		return impossible
	}
	sum := 0.0
	for k := range l.states {
		l.states[k].weight = math.Exp(l.states[k].log - top)
		sum += l.states[k].weight
	}
	for k := range l.states {
		l.states[k].weight /= sum
	}
	return nil
}

// present is P(cause present | all that was found and confirmed).
func (l *learner) present(i int) float64 {
	// About the first state, so that what is certain in all of them stays so.
	first := l.states[0].t.post.Marginals[i]
	e := first
	for _, s := range l.states[1:] {
		e += s.weight * (s.t.post.Marginals[i] - first)
	}
	return e
}

// cause counts one cause.
func (l *learner) cause(i int) CauseCount {
	c := CauseCount{Cause: l.c.Spec.Causes[i].ID, Present: l.present(i)}
	expected, against := 0.0, 0.0
	for _, s := range l.states {
		expected += s.weight * s.t.prior[i]
		if s.ratio != nil {
			against += s.weight * s.ratio[i] * (1 - s.t.post.Marginals[i])
		}
	}
	c.Resolved = resolved(c.Present, expected)
	if raised(l.c.Spec.Roots, c.Cause) {
		// What the roots say of the cause is no news of its prior, hence resolved by
		// what was expected in these states; a job that counts little is worth little.
		c.Extra = c.Present + against - 1
		c.Resolved *= math.Min(1, c.Present+against)
	}
	return c
}
