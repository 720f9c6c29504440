package diagnosis

import (
	"math"

	"nextprobe/internal/problem"
)

// thinOutcome is the predictive probability below which an outcome is computed
// by a fresh run with the outcome as evidence: as a difference of two larger
// numbers it would have lost too many digits.
const thinOutcome = 1e-6

// outcome is one level a measurement may show: its probability under the
// evidence and the causes' probabilities once it is seen.
type outcome struct {
	p        float64
	present  []float64
	share    float64 // unmodelled
	possible bool
}

// outlook shares what many candidate measurements have in common: the runs
// through all blocks. A candidate changes the few causes it is linked to; it
// follows the shared run up to the first of them and from the last of them on.
type outlook struct {
	s       *session
	sol     solution
	detour  []*detour // by block
	list    []*detour // those of the candidate at hand
	weight  []float64 // by lane: P(≤ level, lane | E)
	noFault []float64 // by root state: P(no fault, state | E)
	out     []outcome
	sums    [2][]float64
}

// arena hands out zeroed vectors from one piece of memory.
type arena struct {
	chunk []float64
	used  int
}

func (a *arena) take(n int) []float64 {
	if a.used+n > len(a.chunk) {
		// Vectors of the old chunk stay valid; it is merely not used again.
		a.chunk = make([]float64, 2*len(a.chunk)+n)
		a.used = 0
	}
	v := a.chunk[a.used : a.used+n : a.used+n]
	a.used += n
	clear(v)
	return v
}

// newOutlook is the outlook on a solution and the runs that gave it, with their
// vectors kept.
func (s *session) newOutlook(sol solution, runs []*run) *outlook {
	o := &outlook{s: s, sol: sol}
	if math.IsInf(sol.logE, -1) {
		return o
	}
	for _, r := range runs {
		o.detour = append(o.detour, s.newDetour(r))
	}
	o.weight = make([]float64, len(s.m.lanes))
	for _, log := range s.logNoFaults() {
		o.noFault = append(o.noFault, math.Exp(log-sol.logE))
	}
	return o
}

// outcomes returns the outlook on one finding not observed so far, by level.
// The result is good until the next call.
func (o *outlook) outcomes(finding int) []outcome {
	n, levels := len(o.s.m.causes), len(o.s.m.findings[finding].Levels)
	for len(o.out) < levels {
		o.out = append(o.out, outcome{present: make([]float64, n)})
	}
	out := o.out[:levels]
	if o.sums[0] == nil {
		o.sums = [2][]float64{make([]float64, n), make([]float64, n)}
	}
	o.touch(finding)
	// at most level x, as shares of P(E): the difference of two is level x.
	clear(o.sums[0])
	below, upTo := outcome{present: o.sums[0]}, outcome{present: o.sums[1]}
	for x := range levels {
		if x < levels-1 {
			o.upTo(finding, x, &upTo)
		} else {
			upTo.p, upTo.share = 1, o.sol.share[1]
			copy(upTo.present, o.sol.present)
		}
		out[x].difference(&upTo, &below)
		if out[x].p < thinOutcome {
			out[x].set(o.fresh(finding, x))
		}
		below, upTo = upTo, below
	}
	for _, t := range o.list {
		t.reset()
	}
	return out
}

func (o *outlook) joint() []float64 { return append([]float64(nil), o.sol.present...) }

// set copies another outcome into this one's memory.
func (d *outcome) set(o outcome) {
	copy(d.present, o.present)
	d.p, d.share, d.possible = o.p, o.share, o.possible
}

// difference sets d to what lies between two sums over levels.
func (d *outcome) difference(upTo, below *outcome) {
	d.p = clamp(upTo.p - below.p)
	d.possible = d.p > 0
	if !d.possible {
		clear(d.present)
		d.share = 0
		return
	}
	scale := 1 / d.p
	lower := below.present[:len(d.present)]
	for i, v := range upTo.present {
		d.present[i] = clamp((v - lower[i]) * scale)
	}
	d.share = clamp((upTo.share - below.share) * scale)
}

func clamp(p float64) float64 {
	if p < 0 {
		return 0
	}
	if p > 1 {
		return 1
	}
	return p
}

// withLevel returns a session with the level as further evidence, or nil where
// its state space would outgrow MaxStates.
func (s *session) withLevel(finding, x int) *session {
	like := make([]float64, len(s.m.findings[finding].Levels))
	like[x] = 1
	steps := make([]step, 0, len(s.steps)+1)
	for k := range s.steps {
		if !s.isDropped(s.steps[k].finding) {
			steps = append(steps, s.steps[k])
		}
	}
	t := s.m.prepareSteps(append(steps, newStep(finding, like)))
	if len(t.dropped) > 0 {
		return nil
	}
	return t
}

// fresh computes one outcome by runs of its own: with the outcome as evidence,
// or, where that has no room, as the difference of two tilted runs.
func (o *outlook) fresh(finding, x int) outcome {
	s := o.s.withLevel(finding, x)
	if s == nil {
		below := outcome{present: make([]float64, len(o.s.m.causes))}
		if x > 0 {
			below = o.tilted(finding, x-1)
		}
		upTo, d := o.tilted(finding, x), outcome{present: make([]float64, len(o.s.m.causes))}
		d.difference(&upTo, &below)
		return d
	}
	sol := s.solve()
	if math.IsInf(sol.logE, -1) {
		return outcome{present: o.joint(), share: o.sol.share[1]}
	}
	return outcome{p: math.Min(1, math.Exp(sol.logE-o.sol.logE)), present: sol.present, share: sol.share[1], possible: true}
}

func (o *outlook) tilted(finding, x int) outcome {
	sol := o.s.tilt(finding, x).solve()
	p := math.Exp(sol.logE - o.sol.logE)
	for i := range sol.present {
		sol.present[i] *= p
	}
	return outcome{p: p, present: sol.present, share: p * sol.share[1], possible: p > 0}
}

// predict is the probability of one level relative to ln P(E).
func (s *session) predict(finding, x int, logE float64) float64 {
	if t := s.withLevel(finding, x); t != nil {
		return math.Min(1, math.Exp(t.logEvidence()-logE))
	}
	p := math.Exp(s.tilt(finding, x).logEvidence() - logE)
	if x > 0 {
		p -= math.Exp(s.tilt(finding, x-1).logEvidence() - logE)
	}
	return clamp(p)
}

func (s *session) isDropped(finding int) bool {
	for k := range s.dropped {
		if s.dropped[k].finding == finding {
			return true
		}
	}
	return false
}

// touch finds the blocks a candidate reaches and its causes in each.
func (o *outlook) touch(finding int) {
	o.list = o.list[:0]
	for k := range o.s.m.byFinding[finding] {
		l := &o.s.m.byFinding[finding][k]
		b := o.s.blockOf[l.cause]
		if b < 0 {
			continue
		}
		t := o.detour[b]
		if len(t.links) == 0 {
			o.list = append(o.list, t)
		}
		t.add(o.s.place[l.cause], l.cdf)
	}
}

// upTo sets out to P(finding ≤ x | E) and the joint probabilities with each cause.
func (o *outlook) upTo(finding, x int, out *outcome) {
	m, s := o.s.m, o.s
	weight := o.weight
	for n, la := range m.lanes {
		weight[n] = o.sol.lanes[n]
		if weight[n] > 0 {
			weight[n] *= m.leakAt(finding, x, la)
		}
	}
	links := m.byFinding[finding]
	for k := range links {
		if c := links[k].cause; s.blockOf[c] < 0 && active(m.causes[c].Prior) {
			for n, la := range m.lanes {
				weight[n] *= s.off[la.state][c] + s.on[la.state][c]*links[k].cdf[x]
			}
		}
	}
	for _, t := range o.list {
		t.run(x)
		for n := range weight {
			weight[n] *= t.ratio[t.b.laneOf[n]]
		}
	}
	out.p, out.share = 0, 0
	clear(out.present)
	for n, w := range weight {
		out.p += w
		if m.lanes[n].u == 1 {
			out.share += w
		}
		if w == 0 {
			continue
		}
		// Untouched causes depend on the candidate through the lane only.
		given := o.sol.given[n][:len(out.present)]
		for i := range out.present {
			out.present[i] += w * given[i]
		}
	}
	for k := range links {
		if c := links[k].cause; s.blockOf[c] < 0 && active(m.causes[c].Prior) {
			out.present[c] = 0
			for n, la := range m.lanes {
				on := s.on[la.state][c] * links[k].cdf[x]
				if weight[n] > 0 {
					out.present[c] += weight[n] * on / (s.off[la.state][c] + on)
				}
			}
		}
	}
	for _, t := range o.list {
		t.write(weight, out.present)
	}
}

// noFaultAfter is P(no fault | E, level x), p being P(level x | E): the leaks
// alone must give the level.
func (o *outlook) noFaultAfter(finding, x int, p float64) float64 {
	sum := 0.0
	for r, nf := range o.noFault {
		la := lane{state: r}
		mass := o.s.m.leakAt(finding, x, la)
		if x > 0 {
			mass -= o.s.m.leakAt(finding, x-1, la)
		}
		sum += nf * mass
	}
	return clamp(sum / p)
}

// Predict returns P(level | E) of a finding that is not among the evidence, by
// level. Errors as Infer, and invalid for a finding that is unknown or observed.
func (m *Model) Predict(ev []Observation, finding string) ([]float64, error) {
	j, ok := m.findingIndex[finding]
	if !ok {
		return nil, problem.InField("finding", "no finding %q in this model", finding)
	}
	s, err := m.prepare(ev)
	if err != nil {
		return nil, err
	}
	for k := range s.steps {
		if s.steps[k].finding == j {
			return nil, problem.InField("finding", "finding %q is among the evidence; leave its observation out to predict it", finding)
		}
	}
	logE := s.logEvidence()
	if math.IsInf(logE, -1) {
		return nil, m.errImpossible(s.steps)
	}
	out := make([]float64, len(m.findings[j].Levels))
	for x := range out {
		out[x] = s.predict(j, x, logE)
	}
	return out, nil
}
