package diagnosis

import (
	"fmt"
	"math"
)

// MaxRoots is how many roots a model may have: inference runs once for each of
// the states they can be in together.
const MaxRoots = 4

// Root is a circumstance that several causes have in common (water came in, the
// board was reworked, it was dropped): binary, true with probability Prior.
// While it is true the hazard of each cause in Raises is multiplied by its
// factor, so that faults come together. Roots are independent of each other.
//
// With h the hazard of a cause and ρ_k its factor for root k,
//
//	P(cause | roots) = 1 − exp(−h·Π_{k true} ρ_k).
//
// h is chosen so that the cause's marginal probability over the roots' priors is
// Cause.Prior: naming a root changes which causes go together, not how often
// each occurs.
//
// A root is no cause: it stands in no explanation and "no fault" says nothing
// about it. It shows itself in findings as a cause does (Links, where Cause is
// empty or the root's id), on top of what its causes show. WithPriors sets its
// probability, 0 and 1 for what is known; that does not change any h. A cause that
// it makes certain was found, and is evidence for the roots that raise it.
type Root struct {
	ID     string
	Prior  float64
	Raises []Factor
	Links  []Link
}

// Factor multiplies the hazard of one cause, 0 (never while the root is true) or
// more.
type Factor struct {
	Cause  string
	Factor float64
}

// root is an indexed Root.
type root struct {
	id    string
	prior float64 // as it stands now
	given float64 // as the Spec gives it, for which hazards are calibrated
	links []causeLink
}

// rootState is one state of all roots together. Without roots there is one.
type rootState struct {
	mask    uint
	log     float64 // ln P(state)
	present []float64
	absent  []float64 // 1 − present without its loss of digits
	leak    []effect  // by finding, with the roots that are true
}

// lane is one hypothesis that inference carries along: a state of the roots, and
// whether the unmodelled cause is present.
type lane struct {
	state, u int
}

func (m *Model) indexRoots(c *checker, roots []Root) {
	if len(roots) > MaxRoots {
		c.failf("roots", "%d roots; a model may have %d", len(roots), MaxRoots)
		return
	}
	m.factors = make([][]float64, len(roots))
	seen := make(map[string]bool, len(roots))
	for k := range roots {
		r := &roots[k]
		field := fmt.Sprintf("roots[%d]", k)
		_, taken := m.causeIndex[r.ID]
		switch {
		case r.ID == "":
			c.failf(field+".id", "a root needs an id")
		case r.ID == UnmodelledID:
			c.failf(field+".id", "%q is reserved; give the root another id", UnmodelledID)
		case taken:
			c.failf(field+".id", "%q is the id of a cause; give the root another", r.ID)
		case seen[r.ID]:
			c.failf(field+".id", "root %q stands twice", r.ID)
		}
		seen[r.ID] = true
		c.probability(field+".prior", r.Prior)
		rt := root{id: r.ID, prior: r.Prior, given: r.Prior}
		m.indexFactors(c, field, k, r.Raises)
		linked := make(map[int]bool, len(r.Links))
		for n, l := range r.Links {
			at := fmt.Sprintf("%s.links[%d]", field, n)
			if l.Cause != "" && l.Cause != r.ID {
				c.failf(at+".cause", "%q; leave it empty or give %q", l.Cause, r.ID)
			}
			j, ok := m.linkFinding(c, at, l)
			if ok && linked[j] {
				c.failf(at, "the link to finding %q stands twice", l.Finding)
			} else if ok {
				linked[j] = true
				rt.links = append(rt.links, causeLink{j, newEffect(l.P)})
			}
		}
		m.roots = append(m.roots, rt)
	}
}

func (m *Model) indexFactors(c *checker, field string, k int, raises []Factor) {
	m.factors[k] = make([]float64, len(m.causes))
	for i := range m.factors[k] {
		m.factors[k][i] = 1
	}
	seen := make(map[int]bool, len(raises))
	for n, f := range raises {
		at := fmt.Sprintf("%s.raises[%d]", field, n)
		i, ok := m.causeIndex[f.Cause]
		switch {
		case !ok:
			c.failf(at+".cause", "no cause %q; give the id of a cause", f.Cause)
		case seen[i]:
			c.failf(at+".cause", "cause %q stands twice", f.Cause)
		case math.IsNaN(f.Factor) || math.IsInf(f.Factor, 0) || f.Factor < 0:
			c.failf(at+".factor", "%v; give a finite factor, 0 or more", f.Factor)
		default:
			seen[i] = true
			m.factors[k][i] = f.Factor
		}
	}
}

// stateWeight is P(state) and the product of a cause's factors in it; i < 0 asks
// for the weight alone.
func (m *Model) stateWeight(mask uint, i int, given bool) (p, factor float64) {
	p, factor = 1, 1
	for k := range m.roots {
		q := m.roots[k].prior
		if given {
			q = m.roots[k].given
		}
		if mask>>k&1 == 0 {
			p *= 1 - q
			continue
		}
		p *= q
		if i >= 0 {
			factor *= m.factors[k][i]
		}
	}
	return p, factor
}

// varies reports whether a cause depends on a root.
func (m *Model) varies(i int) bool {
	for k := range m.factors {
		if m.factors[k][i] != 1 {
			return true
		}
	}
	return false
}

// hazard solves Σ P(state)·(1 − exp(−h·factor)) = prior for h. The left side is
// concave and grows with h, so that Newton's steps from the left (h = prior over
// the mean factor) never pass the solution. ok is false where no h reaches the
// prior.
func (m *Model) hazard(i int, prior float64) (h float64, ok bool) {
	states := uint(1) << len(m.roots)
	mean, reach := 0.0, 0.0
	for mask := range states {
		p, f := m.stateWeight(mask, i, true)
		mean += p * f
		if f > 0 {
			reach += p
		}
	}
	if prior >= reach || mean == 0 {
		return 0, false
	}
	h = prior / mean
	for range 200 {
		value, slope := 0.0, 0.0
		for mask := range states {
			p, f := m.stateWeight(mask, i, true)
			value -= p * math.Expm1(-h*f)
			slope += p * f * math.Exp(-h*f)
		}
		next := h + (prior-value)/slope
		if !(next > h*(1+1e-16)) {
			break
		}
		h = next
	}
	return h, true
}

// layStates works out the states of the roots that can be, and the lanes; where
// a prior cannot be reached it says so under field(i).
func (m *Model) layStates(c *checker, field func(i int) string) {
	m.states, m.lanes = nil, nil
	m.vary = make([]bool, len(m.causes))
	hazards := make([]float64, len(m.causes))
	found := make(map[int]float64) // hazards of causes that are certain now
	for i := range m.causes {
		p := m.causes[i].Prior
		if p == 1 && active(m.given[i]) && m.varies(i) {
			found[i], _ = m.hazard(i, m.given[i])
		}
		if !active(p) || !m.varies(i) {
			continue
		}
		h, ok := m.hazard(i, p)
		if !ok {
			c.failf(field(i), "%v cannot be reached: a root with factor 0 rules cause %q out more often than that", p, m.causes[i].ID)
			continue
		}
		hazards[i], m.vary[i] = h, true
	}
	for mask, p := range m.stateShares(found) {
		if p > 0 {
			m.states = append(m.states, m.newState(uint(mask), p, hazards))
		}
	}
	for s := range m.states {
		if m.unmodelled < 1 {
			m.lanes = append(m.lanes, lane{s, 0})
		}
		if m.unmodelled > 0 {
			m.lanes = append(m.lanes, lane{s, 1})
		}
	}
}

// stateShares is P(state) by the state's mask, given the causes that were found,
// by their hazards: P(state | found) ∝ P(state)·Π P(cause | state). What was found
// where no state allows it says nothing.
func (m *Model) stateShares(found map[int]float64) []float64 {
	prior := make([]float64, 1<<len(m.roots))
	given, sum := make([]float64, len(prior)), 0.0
	for mask := range prior {
		prior[mask], _ = m.stateWeight(uint(mask), -1, false)
		given[mask] = prior[mask]
		for i := range m.causes {
			if h, ok := found[i]; ok {
				_, f := m.stateWeight(uint(mask), i, false)
				given[mask] *= -math.Expm1(-h * f)
			}
		}
		sum += given[mask]
	}
	if len(found) == 0 || !(sum > 0) {
		return prior
	}
	for mask := range given {
		given[mask] /= sum
	}
	return given
}

// leastAbsent keeps a cause from being certain in a state where its marginal is
// not.
const leastAbsent = 1e-300

func (m *Model) newState(mask uint, p float64, hazards []float64) rootState {
	st := rootState{mask: mask, log: math.Log(p), leak: m.leak,
		present: make([]float64, len(m.causes)), absent: make([]float64, len(m.causes))}
	for i := range m.causes {
		st.present[i], st.absent[i] = m.causes[i].Prior, 1-m.causes[i].Prior
		if m.vary[i] {
			_, f := m.stateWeight(mask, i, false)
			st.present[i] = -math.Expm1(-hazards[i] * f)
			st.absent[i] = math.Max(leastAbsent, math.Exp(-hazards[i]*f))
		}
	}
	if mask == 0 {
		return st
	}
	st.leak = append([]effect(nil), m.leak...)
	for k := range m.roots {
		if mask>>k&1 == 0 {
			continue
		}
		for _, l := range m.roots[k].links {
			st.leak[l.finding] = both(st.leak[l.finding], l.effect)
		}
	}
	return st
}

// both is the effect of two that act together: the maximum of what they draw.
func both(a, b effect) effect {
	e := effect{p: append([]float64(nil), a.p...), cdf: append([]float64(nil), a.cdf...)}
	below := 0.0
	for x, old := range a.p {
		e.p[x] = b.cdf[x]*old + b.p[x]*below
		e.cdf[x] *= b.cdf[x]
		below += old
	}
	return e
}

// Roots returns the roots' ids and priors in the Spec's order, as they stand.
func (m *Model) Roots() []Root {
	out := make([]Root, len(m.roots))
	for k := range m.roots {
		out[k] = Root{ID: m.roots[k].id, Prior: m.roots[k].prior}
	}
	return out
}

// LargerOf is the distribution of the larger of two independent levels, of which p
// and q are the distributions; they are equally long.
func LargerOf(p, q []float64) []float64 {
	out := make([]float64, len(p))
	fp, fq, before := 0.0, 0.0, 0.0
	for x := range p {
		fp += p[x]
		fq += q[x]
		out[x] = math.Max(0, fp*fq-before)
		before = fp * fq
	}
	return out
}
