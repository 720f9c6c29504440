package diagnosis

import (
	"math"
	"slices"
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
	// Roots holds P(root true | E) in the order of Model.Roots; nil without roots.
	Roots []float64
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
	lanes   []float64  // P(lane | E)
	share   [2]float64 // P(unmodelled absent/present | E)
	present []float64
	absent  []float64
	given   [][]float64 // by lane: P(cause present | E, lane)
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
		Roots:       s.rootsGiven(&sol),
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
	t.gain, t.base = slices.Clone(s.gain), slices.Clone(s.base)
	t.absorb(finding, x)
	t.normalise()
	return &t
}

// rootsGiven is P(root true | E) by root.
func (s *session) rootsGiven(sol *solution) []float64 {
	if len(s.m.roots) == 0 {
		return nil
	}
	out := make([]float64, len(s.m.roots))
	for n, la := range s.m.lanes {
		for k := range out {
			if s.m.states[la.state].mask>>k&1 == 1 {
				out[k] = math.Min(1, out[k]+sol.lanes[n])
			}
		}
	}
	return out
}

func (s *session) logEvidence() float64 {
	_, logs := s.runBack(false)
	return logSum(logs)
}

// runBack starts a run through each block and returns, by lane, ln P(E, lane).
func (s *session) runBack(keep bool) (runs []*run, logs []float64) {
	logs = slices.Clone(s.base)
	for n, la := range s.m.lanes {
		logs[n] += s.logAll[la.state]
	}
	for _, b := range s.blocks {
		r := s.newRun(b, keep)
		r.backward()
		runs = append(runs, r)
		for n := range logs {
			logs[n] += r.log[b.laneOf[n]]
		}
	}
	return runs, logs
}

// logSum returns ln Σ e^l.
func logSum(logs []float64) float64 {
	sum := math.Inf(-1)
	for _, l := range logs {
		sum = logAdd(sum, l)
	}
	return sum
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

// solve runs each block backward and forward, in all its lanes at once.
func (s *session) solve() solution {
	sol, _ := s.solveRuns(false)
	return sol
}

// solveRuns is solve that also returns the runs by block; keep says that their
// vectors are wanted.
func (s *session) solveRuns(keep bool) (solution, []*run) {
	n, lanes := len(s.m.causes), len(s.m.lanes)
	values := make([]float64, (2+lanes)*n)
	sol := solution{present: values[:n:n], absent: values[n : 2*n : 2*n], given: make([][]float64, lanes), lanes: make([]float64, lanes)}
	runs, logs := s.runBack(keep)
	if sol.logE = logSum(logs); math.IsInf(sol.logE, -1) || math.IsNaN(sol.logE) {
		sol.logE = math.Inf(-1)
		return sol, runs
	}
	for _, r := range runs {
		r.forward()
	}
	for k, la := range s.m.lanes {
		share := math.Exp(logs[k] - sol.logE)
		sol.lanes[k] = share
		sol.share[la.u] += share
		given := values[(2+k)*n : (3+k)*n : (3+k)*n]
		copy(given, s.on[la.state])
		sol.given[k] = given
		if share == 0 {
			continue
		}
		off := s.off[la.state]
		for i := range given {
			if s.blockOf[i] < 0 {
				sol.present[i] += share * given[i]
				sol.absent[i] += share * off[i]
			}
		}
		for _, r := range runs {
			l := r.b.laneOf[k]
			for at, i := range r.b.causes {
				given[i] = r.present[l][at]
				sol.present[i] += share * r.present[l][at]
				sol.absent[i] += share * r.absent[l][at]
			}
		}
	}
	// Each pair sums to 1 up to rounding, which the division takes away.
	for i, on := range sol.present {
		sum := on + sol.absent[i]
		sol.present[i], sol.absent[i] = on/sum, sol.absent[i]/sum
	}
	return sol, runs
}

// logNoFault is ln P(E, no cause, unmodelled absent).
func (s *session) logNoFault() float64 {
	return logSum(s.logNoFaults())
}

// logNoFaults is logNoFault with each state of the roots.
func (s *session) logNoFaults() []float64 {
	out := make([]float64, len(s.m.states))
	for r := range out {
		out[r] = math.Inf(-1)
	}
	for n, la := range s.m.lanes {
		if la.u == 1 {
			continue
		}
		sum := s.base[n]
		for _, absent := range s.m.states[la.state].absent {
			sum += math.Log(absent)
		}
		for _, b := range s.blocks {
			for _, d := range b.dims {
				sum += math.Log(inner(d.leak[n], d.weight))
			}
		}
		out[la.state] = sum
	}
	return out
}

func sortedKeys(m map[string]float64) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
