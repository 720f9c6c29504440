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
	given   [2][]float64 // P(cause present | E, unmodelled absent/present)
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
// inclusion–exclusion (Heckerman 1989) cancels. The causes are ordered so that
// few findings are in the state at once (see plan.go).
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
	t.normalise()
	return &t
}

func (s *session) logEvidence() float64 {
	logs := s.base
	for _, b := range s.blocks {
		coef := s.foldedCoef(b)
		for u := range logs {
			if !math.IsInf(logs[u], -1) {
				r := s.newRun(b, u, coef, false)
				r.backward()
				logs[u] += r.log
			}
		}
	}
	return s.logAll + logAdd(logs[0], logs[1])
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

// solve runs each block backward and forward, without and with the unmodelled
// cause.
func (s *session) solve() solution {
	sol, _ := s.solveRuns(false)
	return sol
}

// solveRuns is solve that also returns the runs by block; keep says that their
// vectors are wanted.
func (s *session) solveRuns(keep bool) (solution, [][2]*run) {
	n := len(s.m.causes)
	values := make([]float64, 4*n)
	sol := solution{present: values[:n:n], absent: values[n : 2*n : 2*n]}
	sol.given = [2][]float64{values[2*n : 3*n : 3*n], values[3*n:]}
	runs := make([][2]*run, len(s.blocks))
	logs := s.base
	for k, b := range s.blocks {
		coef := s.foldedCoef(b)
		for u := range logs {
			if math.IsInf(logs[u], -1) {
				continue
			}
			runs[k][u] = s.newRun(b, u, coef, keep)
			runs[k][u].backward()
			logs[u] += runs[k][u].log
		}
	}
	total := logAdd(logs[0], logs[1])
	sol.logE = s.logAll + total
	if math.IsInf(sol.logE, -1) || math.IsNaN(sol.logE) {
		sol.logE = math.Inf(-1)
		return sol, runs
	}
	copy(sol.present, s.on)
	copy(sol.absent, s.off)
	for u := range logs {
		copy(sol.given[u], s.on)
		sol.share[u] = math.Exp(logs[u] - total)
	}
	for k, b := range s.blocks {
		for _, i := range b.causes {
			sol.present[i], sol.absent[i] = 0, 0
		}
		for u := range logs {
			if sol.share[u] == 0 {
				continue
			}
			r := runs[k][u]
			r.forward()
			for at, i := range b.causes {
				sol.given[u][i] = r.present[at]
				sol.present[i] += sol.share[u] * r.present[at]
				sol.absent[i] += sol.share[u] * r.absent[at]
			}
		}
	}
	return sol, runs
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
