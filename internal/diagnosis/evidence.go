package diagnosis

import (
	"fmt"
	"math"
	"sort"

	"nextprobe/internal/problem"
)

// MaxStates bounds the state vector of one block: sixteen findings seen with
// certainty that are all in the vector at once. It is the frontier that counts,
// the findings that share causes with both what is done and what is to come, so
// that a block may hold many more findings than sixteen (maxDims at most).
const MaxStates = 1 << 16

// step is one observation in the form that inference uses: the levels fall into
// ranges of equal likelihood, top[t] being the highest level of range t and
// weight[t] its likelihood. Levels above the last range have likelihood 0. One
// range alone needs no axis: its probability is a plain product.
type step struct {
	finding int
	top     []int
	weight  []float64
}

// ranges returns the move of an effect between the step's ranges.
func (st *step) ranges(e effect) (cum, mass []float64) {
	n := len(st.top)
	return st.rangesIn(e, make([]float64, 2*n))
}

// rangesIn is ranges in memory given, twice the number of ranges and zero.
func (st *step) rangesIn(e effect, both []float64) (cum, mass []float64) {
	n := len(st.top)
	cum, mass = both[:n:n], both[n:]
	from := 0
	for t, top := range st.top {
		cum[t] = e.cdf[top]
		for ; from <= top; from++ {
			mass[t] += e.p[from]
		}
	}
	// The lowest range has nothing below it.
	mass[0] = cum[0]
	return cum, mass
}

// read checks the evidence and sorts it by finding, so that the order in which
// it was observed cannot change a digit of the result.
func (m *Model) read(ev []Observation) ([]step, error) {
	var c checker
	steps := make([]step, 0, len(ev))
	first := make(map[int]int, len(ev))
	for k, o := range ev {
		field := fmt.Sprintf("observations[%d]", k)
		j, ok := m.findingIndex[o.Finding]
		if !ok {
			c.failf(field+".finding", "no finding %q in this model", o.Finding)
			continue
		}
		if at, twice := first[j]; twice {
			c.failf(field+".finding", "finding %q stands twice (first at observations[%d]); keep the one that counts", o.Finding, at)
			continue
		}
		first[j] = k
		if like := m.likelihood(&c, field, o, len(m.findings[j].Levels)); like != nil {
			steps = append(steps, newStep(j, like))
		}
	}
	if err := problem.InFields(c.fields); err != nil {
		return nil, err
	}
	sort.Slice(steps, func(a, b int) bool { return steps[a].finding < steps[b].finding })
	return steps, nil
}

// likelihood returns the observation's likelihood by level, or nil after a mistake.
func (m *Model) likelihood(c *checker, field string, o Observation, levels int) []float64 {
	if o.Likelihood == nil {
		if o.Level < 0 || o.Level >= levels {
			c.failf(field+".level", "level %d of finding %q; it has levels 0 to %d", o.Level, o.Finding, levels-1)
			return nil
		}
		like := make([]float64, levels)
		like[o.Level] = 1
		return like
	}
	if len(o.Likelihood) != levels {
		c.failf(field+".likelihood", "%d values for the %d levels of finding %q; give one per level", len(o.Likelihood), levels, o.Finding)
		return nil
	}
	sum := 0.0
	for k, v := range o.Likelihood {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			c.failf(fmt.Sprintf("%s.likelihood[%d]", field, k), "%v; a likelihood is finite and not negative", v)
			return nil
		}
		sum += v
	}
	if !(sum > 0) {
		c.failf(field+".likelihood", "all values are 0; at least one level must be possible")
		return nil
	}
	return o.Likelihood
}

func newStep(finding int, like []float64) step {
	st := step{finding: finding}
	last := len(like) - 1
	for like[last] == 0 {
		last--
	}
	for x := 0; x <= last; x++ {
		if n := len(st.top); n > 0 && st.weight[n-1] == like[x] {
			st.top[n-1] = x
			continue
		}
		st.top = append(st.top, x)
		st.weight = append(st.weight, like[x])
	}
	return st
}

// session is a model under one set of evidence.
type session struct {
	m     *Model
	steps []step
	gain  []float64 // by cause: Π F over the findings without an axis
	// on and off are, by root state and cause, the probabilities of present and
	// absent under these findings alone, logAll the log of what they sum to
	// before, by root state.
	on, off [][]float64
	logAll  []float64
	base    []float64 // by lane: log of its prior and of the leaks without an axis
	blocks  []*block
	blockOf []int // by cause, -1 outside
	place   []int // by cause, its place in the block's causes
	dropped []step
	pool    *pool // nil: memory of its own
}

// pool is memory for runs of which only the last is looked at. What a run leaves
// there is overwritten by the next.
type pool struct {
	floats slab[float64]
	coefs  slab[loneCoef]
}

// reset takes everything back that was handed out.
func (p *pool) reset() { p.floats.used, p.coefs.used = 0, 0 }

// slab hands out pieces of one array, of any value. A larger array takes its place
// when it is used up.
type slab[T any] struct {
	values []T
	used   int
}

func (l *slab[T]) take(n int) []T {
	if l.used+n > len(l.values) {
		l.values, l.used = make([]T, 2*len(l.values)+n), 0
	}
	l.used += n
	return l.values[l.used-n : l.used : l.used]
}

func (s *session) floatsFor(n int) []float64 {
	if s.pool == nil {
		return make([]float64, n)
	}
	return s.pool.floats.take(n)
}

func (s *session) coefsFor(n int) []loneCoef {
	if s.pool == nil {
		return make([]loneCoef, n)
	}
	return s.pool.coefs.take(n)
}

// active reports whether a cause is uncertain before the evidence. A cause with
// prior 1 acts as a part of the leaks, one with prior 0 does not act.
func active(prior float64) bool { return prior > 0 && prior < 1 }

func (m *Model) prepare(ev []Observation) (*session, error) {
	steps, err := m.read(ev)
	if err != nil {
		return nil, err
	}
	return m.prepareSteps(steps), nil
}

func (m *Model) prepareSteps(steps []step) *session {
	s := &session{m: m, steps: steps}
	s.weigh()
	var dims []*dimension
	for k := range steps {
		if st := &steps[k]; len(st.top) > 1 {
			dims = append(dims, &dimension{step: *st, leak: m.leakMasses(st)})
		}
	}
	s.split(dims)
	for s.shrink() {
		s.split(s.kept())
	}
	return s
}

// weigh works in the findings that need no axis, in closed form.
func (s *session) weigh() {
	s.gain = make([]float64, len(s.m.causes))
	for i := range s.gain {
		s.gain[i] = 1
	}
	s.base = make([]float64, len(s.m.lanes))
	for n, la := range s.m.lanes {
		s.base[n] = math.Log1p(-s.m.unmodelled)
		if la.u == 1 {
			s.base[n] = math.Log(s.m.unmodelled)
		}
		s.base[n] += s.m.states[la.state].log
	}
	for k := range s.steps {
		if st := &s.steps[k]; len(st.top) == 1 {
			s.absorb(st.finding, st.top[0])
			for n := range s.base {
				s.base[n] += math.Log(st.weight[0])
			}
		}
	}
	s.normalise()
}

// normalise turns priors and gains into on and off.
func (s *session) normalise() {
	n, states := len(s.m.causes), len(s.m.states)
	s.on, s.off, s.logAll = make([][]float64, states), make([][]float64, states), make([]float64, states)
	flat := make([]float64, 2*n*states)
	for r := range s.m.states {
		st := &s.m.states[r]
		s.on[r], s.off[r] = flat[2*r*n:(2*r+1)*n:(2*r+1)*n], flat[(2*r+1)*n:(2*r+2)*n:(2*r+2)*n]
		copy(s.on[r], st.present)
		copy(s.off[r], st.absent)
		for i, g := range s.gain {
			if g == 1 || !active(s.m.causes[i].Prior) {
				continue
			}
			on, off := st.present[i]*g, st.absent[i]
			s.logAll[r] += math.Log(on + off)
			s.on[r][i], s.off[r][i] = on/(on+off), off/(on+off)
		}
	}
}

// without is the session without its k-th step. Where that step needed no axis
// the blocks stay as they are.
func (s *session) without(k int) *session {
	rest := append(append(make([]step, 0, len(s.steps)), s.steps[:k]...), s.steps[k+1:]...)
	if len(s.steps[k].top) > 1 {
		return s.m.prepareSteps(rest)
	}
	t := *s
	t.steps = rest
	t.weigh()
	return &t
}

// absorb multiplies in that a finding is at most at level x.
func (s *session) absorb(finding, x int) {
	for _, l := range s.m.byFinding[finding] {
		if active(s.m.causes[l.cause].Prior) {
			s.gain[l.cause] *= l.cdf[x]
		}
	}
	for n, la := range s.m.lanes {
		s.base[n] += math.Log(s.m.leakAt(finding, x, la))
	}
}

// leakAt is P(finding ≤ x) without any uncertain cause, in one lane.
func (m *Model) leakAt(finding, x int, la lane) float64 {
	p := m.states[la.state].leak[finding].cdf[x]
	for k := range m.byFinding[finding] {
		if l := &m.byFinding[finding][k]; m.causes[l.cause].Prior == 1 {
			p *= l.cdf[x]
		}
	}
	if e := m.byUnmodelled[finding]; la.u == 1 && e.cdf != nil {
		p *= e.cdf[x]
	}
	return p
}

// leakMasses returns the leak's distribution over the step's ranges by lane.
// Causes with prior 1 are part of it.
func (m *Model) leakMasses(st *step) [][]float64 {
	whole := axis{stride: 1, radix: len(st.top)}
	out := make([][]float64, len(m.lanes))
	for n, la := range m.lanes {
		_, mass := st.ranges(m.states[la.state].leak[st.finding])
		act := func(e effect) {
			c, p := st.ranges(e)
			raise(mass, whole, &move{cum: c, mass: p})
		}
		for _, l := range m.byFinding[st.finding] {
			if m.causes[l.cause].Prior == 1 {
				act(l.effect)
			}
		}
		if e := m.byUnmodelled[st.finding]; la.u == 1 && e.cdf != nil {
			act(e)
		}
		out[n] = mass
	}
	return out
}
