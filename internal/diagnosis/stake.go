package diagnosis

import (
	"math"
	"slices"
)

const (
	// leastDeciding is the least probability of an outcome that counts as
	// changing what is done.
	leastDeciding = 0.01
	// leastWeighed is the least excess probability of a cause that is weighed
	// against the others, leastSuspected that of one worth measuring for.
	leastWeighed   = 0.002
	leastSuspected = 0.01
	// leastKnown keeps the probabilities under "the model knows the cause" from
	// blowing up where it hardly can.
	leastKnown = 0.02
)

// stake is what is at stake under the evidence: the suspects, which are the
// causes that the evidence raised, and how much of each probability is due to it.
//
// A cause counts by its excess, 1 − prior/P: the share of its probability that
// the evidence added (the attributable fraction of epidemiology). A board
// without any complaint carries the priors as well; looking for those is a
// service, not the job. Where nothing abnormal was seen the service is the job,
// and every cause counts whole. The weights are fixed by the evidence at hand, so that
// the loss stays concave in what a measurement may bring.
//
// Suspects are weighed on the condition that the model knows the cause: while
// something else is probable, the way to find out is still to go through what is
// known. Whether to hand over is decided last, see decide.
type stake struct {
	l       *ledger
	causes  []int
	weight  []float64          // by place in causes
	cost    []float64          // likewise: money of a needless repair
	x       []float64          // likewise, scratch: excess probability
	suspect []bool             // by cause: worth measuring for
	behind  map[string]float64 // by opening: probability that the repair needs it
}

func (a *adviser) newStake() *stake {
	s := &stake{l: a.l, suspect: make([]bool, len(a.m.causes)), behind: make(map[string]float64)}
	known := math.Max(leastKnown, 1-a.post.Unmodelled)
	complaint := slices.ContainsFunc(a.o.s.steps, func(st step) bool { return st.top[0] > 0 || len(st.top) > 1 })
	for i, p := range a.post.Marginals {
		excess := p
		if complaint {
			excess -= a.m.causes[i].Prior
		}
		if a.skip[i] || excess < leastWeighed {
			continue
		}
		s.causes = append(s.causes, i)
		s.weight = append(s.weight, excess/p)
		s.cost = append(s.cost, math.Max(a.l.wrong[i], 1e-9))
		s.suspect[i] = excess/known >= leastSuspected
		for _, id := range a.l.needs[i] {
			s.behind[id] = math.Min(1, s.behind[id]+excess)
		}
	}
	s.x = make([]float64, len(s.causes))
	return s
}

func (s *stake) set(present []float64, unmodelled float64) {
	known := math.Max(leastKnown, 1-unmodelled)
	for k, i := range s.causes {
		s.x[k] = math.Min(1, s.weight[k]*present[i]/known)
	}
}

// loss is the expected money lost by acting now, up to a factor between a half
// and one:
//
// Ψ + Σ w_i·φ_i, Ψ = Σ_{i<j} h(c_i·P(j, not i), c_j·P(i, not j)), h(a,b) = ab/(a+b).
//
// With one fault among the suspects, repaired in the order of probability over
// cost until the complaint is gone, the expected cost of repair is
// Σ p_i·c_i + Σ_{i<j} min(c_i·p_j, c_j·p_i): the first sum is what the right
// repair costs, and no measurement changes it; the second is what is repaired
// needlessly before it (of two causes the one with the larger p/c goes first:
// Heckerman, Breese and Rommelse 1995). Ψ has h in place of min: it lies between
// half of it and the whole, and has no plateau, so that a measurement which
// narrows the suspects without yet changing the first repair still gains.
// P(i, not j) is bounded by min(p_i, 1 − p_j), which is exact for causes that
// exclude each other and 0 where both are certain; h and min are concave and do
// not fall, so Ψ is concave and information never hurts.
//
// φ_i is the loss of leaving the cause in the board or repairing it needlessly.
func (s *stake) loss(present []float64, unmodelled float64) float64 {
	s.set(present, unmodelled)
	sum := 0.0
	for k, xi := range s.x {
		sum += s.weight[k] * s.l.loss(s.causes[k], present[s.causes[k]])
		if xi < 1e-4 {
			continue
		}
		ci, notI := s.cost[k], 1-xi
		for n, xj := range s.x[:k] {
			a, b := ci*min(xj, notI), s.cost[n]*min(xi, 1-xj)
			if a > 0 && b > 0 {
				sum += a * b / (a + b)
			}
		}
	}
	return sum
}

// repair is the cause to repair first if nothing more is measured, or -1 where
// handing over costs less: a cause as good as certain, else that of the largest
// excess probability over cost among those whose repair, with handing over after
// it where it fails, costs less than handing over now.
func (s *stake) repair(present []float64, unmodelled float64) int {
	s.set(present, unmodelled)
	best, at, sure := -1, 0.0, false
	for k, i := range s.causes {
		certain := present[i] > ConfidentAt
		chance := s.x[k]
		if unmodelled > ConfidentAt {
			// Handing over is what helps where the model does not know the cause.
			chance = s.weight[k] * present[i]
		}
		if !certain && (sure || chance < leastDeciding || chance*s.l.escalate <= s.cost[k]) {
			continue
		}
		if score := s.x[k] / s.cost[k]; score > at || certain && !sure {
			best, at, sure = i, score, certain
		}
	}
	return best
}

// anyway is how many of the minutes to open and close these openings the repair
// will take in any case: each opening by the probability that a suspect behind
// it is repaired. Only the rest is the price of looking (cost clusters: Langseth
// and Jensen 2001).
func (s *stake) anyway(openings []string) float64 {
	minutes := 0.0
	for _, id := range openings {
		minutes += s.l.minutesOf(s.l.openings[id]) * s.behind[id]
	}
	return minutes
}

// concerns reports whether a finding is linked to a suspect. Where it is not, a
// reading moves the suspects only by way of the unmodelled cause, which is
// linked to everything; that is no reason to take it.
func (s *stake) concerns(links []findingLink) bool {
	return slices.ContainsFunc(links, func(f findingLink) bool { return s.suspect[f.cause] })
}
