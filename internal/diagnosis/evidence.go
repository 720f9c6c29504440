package diagnosis

import (
	"fmt"
	"math"
	"sort"

	"nextprobe/internal/problem"
)

// MaxStates is the size of the largest state space of one block: sixteen
// findings seen with certainty.
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
	cum = make([]float64, len(st.top))
	mass = make([]float64, len(st.top))
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

// dimension is a step that needs an axis, with the leak's masses by range for
// the unmodelled cause absent (0) and present (1).
type dimension struct {
	step
	leak [2]move
}

// member is a cause within a block.
type member struct {
	cause int
	prior float64
	moves []move
}

// block is a set of abnormal findings that share causes, with these causes.
// Given whether the unmodelled cause is present, blocks are independent.
type block struct {
	dims    []*dimension
	axes    []axis
	size    int
	members []member
	end     []float64 // likelihood of each end state
}

// session is a model under one set of evidence.
type session struct {
	m       *Model
	steps   []step
	gain    []float64  // by cause: Π F over the findings without an axis
	base    [2]float64 // by unmodelled absent/present: log of its prior and of the leaks without an axis
	blocks  []*block
	blockOf []int // by cause, -1 outside
	place   []int // by cause, its place in the block's members
	dropped []step
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
	s := &session{m: m, steps: steps, gain: make([]float64, len(m.causes))}
	for i := range s.gain {
		s.gain[i] = 1
	}
	s.base = [2]float64{math.Log1p(-m.unmodelled), math.Log(m.unmodelled)}
	var dims []*dimension
	for k := range steps {
		st := &steps[k]
		if len(st.top) > 1 {
			dims = append(dims, &dimension{step: *st, leak: m.leakMoves(st)})
			continue
		}
		s.absorb(st.finding, st.top[0])
		for u := range s.base {
			s.base[u] += math.Log(st.weight[0])
		}
	}
	s.split(dims)
	for s.shrink() {
		s.split(s.kept())
	}
	return s
}

// absorb multiplies in that a finding is at most at level x.
func (s *session) absorb(finding, x int) {
	for _, l := range s.m.byFinding[finding] {
		if active(s.m.causes[l.cause].Prior) {
			s.gain[l.cause] *= l.cdf[x]
		}
	}
	for u := range s.base {
		s.base[u] += math.Log(s.m.leakUpTo(finding, x, u == 1))
	}
}

// leakUpTo is P(finding ≤ x) without any uncertain cause; unmodelled says
// whether the unmodelled cause is present.
func (m *Model) leakUpTo(finding, x int, unmodelled bool) float64 {
	p := m.leak[finding].cdf[x]
	for _, l := range m.byFinding[finding] {
		if m.causes[l.cause].Prior == 1 {
			p *= l.cdf[x]
		}
	}
	if e := m.byUnmodelled[finding]; unmodelled && e.cdf != nil {
		p *= e.cdf[x]
	}
	return p
}

// leakMoves returns the leak's distribution over the step's ranges without and
// with the unmodelled cause. Causes with prior 1 are part of it.
func (m *Model) leakMoves(st *step) [2]move {
	cum, mass := st.ranges(m.leak[st.finding])
	whole := axis{stride: 1, radix: len(mass)}
	for _, l := range m.byFinding[st.finding] {
		if m.causes[l.cause].Prior == 1 {
			c, p := st.ranges(l.effect)
			raise(mass, whole, &move{cum: c, mass: p})
			multiply(cum, c)
		}
	}
	without := move{cum: cum, mass: mass}
	with := without
	if e := m.byUnmodelled[st.finding]; e.cdf != nil {
		with = move{cum: append([]float64(nil), cum...), mass: append([]float64(nil), mass...)}
		c, p := st.ranges(e)
		raise(with.mass, whole, &move{cum: c, mass: p})
		multiply(with.cum, c)
	}
	return [2]move{without, with}
}

func multiply(a, b []float64) {
	for k := range a {
		a[k] *= b[k]
	}
}

// split sorts the dimensions into blocks that share no uncertain cause.
func (s *session) split(dims []*dimension) {
	at := make(map[int]int, len(dims))
	parent := make([]int, len(dims))
	for d, dim := range dims {
		at[dim.finding] = d
		parent[d] = d
	}
	find := func(d int) int {
		for parent[d] != d {
			parent[d] = parent[parent[d]]
			d = parent[d]
		}
		return d
	}
	first := make([]int, len(s.m.causes))
	for i := range s.m.causes {
		first[i] = -1
		if !active(s.m.causes[i].Prior) {
			continue
		}
		for _, l := range s.m.byCause[i] {
			d, ok := at[l.finding]
			if !ok || l.cdf[dims[d].top[0]] == 1 {
				// The link never leaves the lowest range: it has no effect here.
				continue
			}
			if first[i] < 0 {
				first[i] = d
			} else if a, b := find(first[i]), find(d); a != b {
				parent[max(a, b)] = min(a, b)
			}
		}
	}
	s.blocks = nil
	blockAt := make(map[int]int)
	for d, dim := range dims {
		root := find(d)
		b, ok := blockAt[root]
		if !ok {
			b = len(s.blocks)
			blockAt[root] = b
			s.blocks = append(s.blocks, &block{})
		}
		s.blocks[b].dims = append(s.blocks[b].dims, dim)
	}
	s.blockOf = make([]int, len(s.m.causes))
	s.place = make([]int, len(s.m.causes))
	for i := range s.blockOf {
		s.blockOf[i] = -1
		if first[i] >= 0 {
			s.blockOf[i] = blockAt[find(first[i])]
		}
	}
}

// kept returns the dimensions of all blocks in the order of their findings.
func (s *session) kept() []*dimension {
	var dims []*dimension
	for _, b := range s.blocks {
		dims = append(dims, b.dims...)
	}
	sort.Slice(dims, func(x, y int) bool { return dims[x].finding < dims[y].finding })
	return dims
}

// shrink drops from each block that is too large all but the most surprising
// findings that fit, and reports whether it dropped any. When none is left to
// drop it lays the blocks out.
func (s *session) shrink() bool {
	any := false
	for _, b := range s.blocks {
		if b.states() <= MaxStates {
			continue
		}
		any = true
		ranked := append([]*dimension(nil), b.dims...)
		surprise := make(map[int]float64, len(ranked))
		for _, d := range ranked {
			surprise[d.finding] = s.m.logAlone(d.step)
		}
		sort.SliceStable(ranked, func(x, y int) bool {
			return surprise[ranked[x].finding] < surprise[ranked[y].finding]
		})
		b.dims = nil
		size := 1
		for _, d := range ranked {
			if size*len(d.top) > MaxStates {
				s.dropped = append(s.dropped, d.step)
				continue
			}
			size *= len(d.top)
			b.dims = append(b.dims, d)
		}
	}
	if any {
		return true
	}
	sort.Slice(s.dropped, func(x, y int) bool { return s.dropped[x].finding < s.dropped[y].finding })
	for k, b := range s.blocks {
		s.layOut(b)
		for p, mb := range b.members {
			s.blockOf[mb.cause], s.place[mb.cause] = k, p
		}
	}
	return false
}

// states is the size of the block's state space, held at twice MaxStates so
// that it cannot overflow.
func (b *block) states() int {
	size := 1
	for _, d := range b.dims {
		size = min(size*len(d.top), 2*MaxStates)
	}
	return size
}

// logAlone is log P(e) of one observation without the others.
func (m *Model) logAlone(st step) float64 {
	return m.prepareSteps([]step{st}).logEvidence()
}

func (s *session) layOut(b *block) {
	b.size = 1
	at := make(map[int]int, len(b.dims))
	for d, dim := range b.dims {
		b.axes = append(b.axes, axis{stride: b.size, radix: len(dim.top)})
		b.size *= len(dim.top)
		at[dim.finding] = d
	}
	b.end = make([]float64, b.size)
	for k := range b.end {
		b.end[k] = 1
		for d, ax := range b.axes {
			b.end[k] *= b.dims[d].weight[k/ax.stride%ax.radix]
		}
	}
	for i, cause := range s.m.causes {
		if s.blockOf[i] < 0 {
			continue
		}
		var moves []move
		for _, l := range s.m.byCause[i] {
			d, ok := at[l.finding]
			if !ok {
				continue
			}
			cum, mass := b.dims[d].ranges(l.effect)
			if cum[0] == 1 {
				continue
			}
			moves = append(moves, move{axis: d, cum: cum, mass: mass})
		}
		if len(moves) > 0 {
			b.members = append(b.members, member{cause: i, prior: cause.Prior, moves: moves})
		}
	}
}
