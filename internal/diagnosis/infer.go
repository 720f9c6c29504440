package diagnosis

import (
	"math"
	"sort"
	"strings"

	"nextprobe/internal/problem"
)

// Posterior is what the evidence leaves of the causes. All values are
// probabilities in [0,1] but LogEvidence, a natural logarithm.
type Posterior struct {
	// LogEvidence is ln P(E); PEvidence is P(E) and may underflow to 0 where
	// LogEvidence does not. With soft evidence both carry the scale of the
	// likelihoods given.
	LogEvidence float64
	PEvidence   float64
	// Marginals holds P(cause present | E) by cause index.
	Marginals []float64
	// Unmodelled is P(unmodelled cause present | E), NoFault the probability
	// that neither a cause nor the unmodelled one is present.
	Unmodelled float64
	NoFault    float64
	// Truncation bounds how far any probability above may be from that under
	// all evidence, because of the findings in Dropped; 0 when exact.
	Truncation float64
	// Dropped holds the findings left out because a block of findings that
	// share causes outgrew MaxStates; the most surprising are kept.
	Dropped []string
	// absent holds P(cause absent | E): 1 − marginal without its loss of digits.
	absent []float64
}

// solution is what one run yields, everything relative to P(E).
type solution struct {
	logE    float64
	share   [2]float64 // P(unmodelled absent/present | E)
	present []float64
	absent  []float64
}

// errImpossible names the observations that cannot all be true in the model.
func (m *Model) errImpossible(steps []step) error {
	ids := make([]string, len(steps))
	for k := range steps {
		ids[k] = m.findings[steps[k].finding].ID
	}
	e := problem.New(problem.Conflict, "These observations cannot all be true in this model: %s. Take the doubtful one again, or set a floor above 0.", strings.Join(ids, ", "))
	for _, id := range ids {
		e = e.With("observations."+id, "has probability 0 together with the others")
	}
	return e
}

// Infer returns the exact posterior of all sets of causes under the evidence.
// Errors (*problem.Error): invalid for an unknown finding, a level out of
// range, a bad likelihood or a finding that stands twice; conflict where the
// evidence has probability 0.
//
// The method is a dynamic programme over the sets of abnormal findings whose
// observed level has been reached, forward and backward over the causes; it
// adds and multiplies numbers that are not negative only, where
// inclusion–exclusion (Heckerman 1989) cancels.
func (m *Model) Infer(ev []Observation) (*Posterior, error) {
	s, err := m.prepare(ev)
	if err != nil {
		return nil, err
	}
	return s.posterior(s.solve())
}

func (s *session) posterior(sol solution) (*Posterior, error) {
	if math.IsInf(sol.logE, -1) {
		return nil, s.m.errImpossible(s.steps)
	}
	post := &Posterior{
		LogEvidence: sol.logE,
		PEvidence:   math.Exp(sol.logE),
		Marginals:   sol.present,
		Unmodelled:  sol.share[1],
		NoFault:     math.Min(1, math.Exp(s.logNoFault()-sol.logE)),
		absent:      sol.absent,
	}
	for k := range s.dropped {
		st := &s.dropped[k]
		post.Dropped = append(post.Dropped, s.m.findings[st.finding].ID)
		post.Truncation += 1 - s.shareOf(st, sol.logE)
	}
	// |P(X|K) − P(X|K,D)| ≤ P(not D|K) ≤ Σ_j P(not e_j|K) for the dropped D
	// among the kept K.
	post.Truncation = math.Min(1, post.Truncation)
	return post, nil
}

// shareOf is P(e|E) of a further observation, its likelihood scaled to at most 1.
func (s *session) shareOf(st *step, logE float64) float64 {
	top := 0.0
	for _, w := range st.weight {
		top = math.Max(top, w)
	}
	share, below := 0.0, 0.0
	for t, x := range st.top {
		upTo := math.Exp(s.tilt(st.finding, x).logEvidence() - logE)
		share += st.weight[t] / top * math.Max(0, upTo-below)
		below = upTo
	}
	return math.Min(1, share)
}

// tilt returns the session under the further evidence that a finding not
// observed so far is at most at level x. It needs no further axis.
func (s *session) tilt(finding, x int) *session {
	t := *s
	t.gain = append([]float64(nil), s.gain...)
	t.absorb(finding, x)
	return &t
}

// leakStart adds the state vector of the leaks alone, a product over the axes,
// times scale to f.
func (b *block) leakStart(u int, scale float64, f []float64) {
	for k := range f {
		v := scale
		for d, ax := range b.axes {
			v *= b.dims[d].leak[u].mass[k/ax.stride%ax.radix]
		}
		f[k] += v
	}
}

// backward runs the transposed programme from the end states and returns the
// vector before each member (and after the last).
func (s *session) backward(b *block, keep bool) [][]float64 {
	n := len(b.members)
	all := make([][]float64, 1, n+1)
	cur := append([]float64(nil), b.end...)
	all[0] = cur
	tmp := make([]float64, b.size)
	for i := n - 1; i >= 0; i-- {
		mb := &b.members[i]
		copy(tmp, cur)
		for k := range mb.moves {
			raiseT(tmp, b.axes[mb.moves[k].axis], &mb.moves[k])
		}
		if keep {
			cur = append([]float64(nil), cur...)
			all = append(all, cur)
		}
		mix(cur, tmp, 1-mb.prior, mb.prior*s.gain[mb.cause])
	}
	for i, j := 0, len(all)-1; i < j; i, j = i+1, j-1 {
		all[i], all[j] = all[j], all[i]
	}
	return all
}

// logOutside is the log of the factor of the causes outside every block.
func (s *session) logOutside() float64 {
	sum := 0.0
	for i, c := range s.m.causes {
		if s.blockOf[i] < 0 && active(c.Prior) {
			sum += math.Log(1 - c.Prior + c.Prior*s.gain[i])
		}
	}
	return sum
}

func (s *session) logEvidence() float64 {
	logs := s.base
	for _, b := range s.blocks {
		back := s.backward(b, false)
		for u := range logs {
			f := make([]float64, b.size)
			b.leakStart(u, 1, f)
			logs[u] += math.Log(dot(f, back[0]))
		}
	}
	return s.logOutside() + logAdd(logs[0], logs[1])
}

// logAdd returns ln(e^a + e^b).
func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(a, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// solve runs backward, then forward from a mixture of the leaks without and
// with the unmodelled cause, weighted so that all sums come out relative to P(E).
func (s *session) solve() solution {
	sol := solution{present: make([]float64, len(s.m.causes)), absent: make([]float64, len(s.m.causes))}
	backs := make([][][]float64, len(s.blocks))
	z := make([][2]float64, len(s.blocks))
	logs := s.base
	for k, b := range s.blocks {
		backs[k] = s.backward(b, true)
		for u := range logs {
			f := make([]float64, b.size)
			b.leakStart(u, 1, f)
			z[k][u] = dot(f, backs[k][0])
			logs[u] += math.Log(z[k][u])
		}
	}
	total := logAdd(logs[0], logs[1])
	sol.logE = s.logOutside() + total
	if math.IsInf(sol.logE, -1) || math.IsNaN(sol.logE) {
		sol.logE = math.Inf(-1)
		return sol
	}
	for u := range logs {
		sol.share[u] = math.Exp(logs[u] - total)
	}
	s.closedForm(&sol)
	for k, b := range s.blocks {
		f := make([]float64, b.size)
		for u := range logs {
			if sol.share[u] > 0 {
				b.leakStart(u, sol.share[u]/z[k][u], f)
			}
		}
		s.forward(b, backs[k], f, &sol)
	}
	return sol
}

func (s *session) closedForm(sol *solution) {
	for i, c := range s.m.causes {
		if s.blockOf[i] < 0 {
			on, off := c.Prior*s.gain[i], 1-c.Prior
			if !active(c.Prior) {
				on = c.Prior
			}
			sol.present[i], sol.absent[i] = on/(on+off), off/(on+off)
		}
	}
}

func (s *session) forward(b *block, back [][]float64, f []float64, sol *solution) {
	tmp := make([]float64, b.size)
	for i := range b.members {
		mb := &b.members[i]
		copy(tmp, f)
		for k := range mb.moves {
			raise(tmp, b.axes[mb.moves[k].axis], &mb.moves[k])
		}
		on, off := mb.prior*s.gain[mb.cause], 1-mb.prior
		present, absent := on*dot(tmp, back[i+1]), off*dot(f, back[i+1])
		// Both are relative to P(E) already; the division takes away the last
		// rounding, so that they sum to 1.
		sol.present[mb.cause] = present / (present + absent)
		sol.absent[mb.cause] = absent / (present + absent)
		mix(f, tmp, off, on)
	}
}

// logNoFault is ln P(E, no cause, unmodelled absent).
func (s *session) logNoFault() float64 {
	sum := s.base[0]
	for _, c := range s.m.causes {
		sum += math.Log1p(-c.Prior)
	}
	for _, b := range s.blocks {
		for _, d := range b.dims {
			like := 0.0
			for t, w := range d.weight {
				like += w * d.leak[0].mass[t]
			}
			sum += math.Log(like)
		}
	}
	return sum
}

func sortedKeys(m map[string]float64) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
