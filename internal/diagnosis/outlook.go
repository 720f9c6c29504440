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

// outlook shares what many candidate measurements have in common: per block the
// product over all causes, and for each cause the same product with the cause
// held present. A candidate then replaces the few causes it is linked to.
type outlook struct {
	s      *session
	sol    solution
	given  [2][]float64 // by unmodelled absent/present: P(cause present | E, unmodelled)
	blocks []*sharedBlock
	arena  arena
	out    []outcome
	sums   [2][]float64
}

// arena hands out zeroed vectors that live until it is reset, so that some
// hundred candidates share the memory of one.
type arena struct {
	chunk []float64
	used  int
}

func (a *arena) reset() { a.used = 0 }

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

type sharedBlock struct {
	*block
	z      [2]float64
	all    []float64   // Π over the members, leaks left out
	with   [][]float64 // by member: the same with the member held present
	trunk  [2][]float64
	divide []*divider
}

func (s *session) newOutlook(sol solution) *outlook {
	o := &outlook{s: s, sol: sol}
	for u := range o.given {
		o.given[u] = append([]float64(nil), sol.present...)
	}
	for _, b := range s.blocks {
		o.blocks = append(o.blocks, o.share(b))
	}
	return o
}

func (o *outlook) share(b *block) *sharedBlock {
	sb := &sharedBlock{block: b}
	sb.all = o.product(b, -1)
	for u := range sb.trunk {
		sb.trunk[u] = append([]float64(nil), b.end...)
		b.leakT(u, sb.trunk[u])
		sb.z[u] = dot(sb.all, sb.trunk[u])
	}
	for i := range b.members {
		mb := &b.members[i]
		g := o.s.gain[mb.cause]
		dv := b.newDivider(mb, g)
		sb.divide = append(sb.divide, dv)
		var with []float64
		if dv.stable {
			with = append([]float64(nil), sb.all...)
			dv.solve(with)
		} else {
			with = o.product(b, i)
		}
		b.lift(with, mb)
		for k := range with {
			with[k] *= mb.prior * g
		}
		sb.with = append(sb.with, with)
		for u := range o.given {
			o.given[u][mb.cause] = 0
			if sb.z[u] > 0 {
				o.given[u][mb.cause] = dot(with, sb.trunk[u]) / sb.z[u]
			}
		}
	}
	return sb
}

// product is the state vector of all members but one, leaks left out.
func (o *outlook) product(b *block, but int) []float64 {
	f := make([]float64, b.size)
	tmp := make([]float64, b.size)
	f[0] = 1
	for i := range b.members {
		if i != but {
			b.step(f, tmp, &b.members[i], o.s.gain[b.members[i].cause])
		}
	}
	return f
}

func (b *block) lift(f []float64, mb *member) {
	for k := range mb.moves {
		raise(f, b.axes[mb.moves[k].axis], &mb.moves[k])
	}
}

// step applies a member that may be present or absent; stepT its transpose.
func (b *block) step(f, tmp []float64, mb *member, gain float64) {
	copy(tmp, f)
	b.lift(tmp, mb)
	mix(f, tmp, 1-mb.prior, mb.prior*gain)
}

func (b *block) stepT(f, tmp []float64, mb *member, gain float64) {
	copy(tmp, f)
	for k := range mb.moves {
		raiseT(tmp, b.axes[mb.moves[k].axis], &mb.moves[k])
	}
	mix(f, tmp, 1-mb.prior, mb.prior*gain)
}

// leakT applies the transposed leaks of all axes.
func (b *block) leakT(u int, f []float64) {
	for d, ax := range b.axes {
		raiseT(f, ax, &b.dims[d].leak[u])
	}
}

// touched is what one candidate changes in one block: the members it is linked
// to (with their effects) and the transposed product without them.
type touched struct {
	sb      *sharedBlock
	members []int
	effects []effect
	rest    []float64
	leaked  [2][]float64
	chain   [][]float64
	tmp     []float64
	col     []float64
	own     []bool
	z       [2]float64
}

// outcomes returns the outlook on one finding not observed so far, by level.
// The result is good until the next call.
func (o *outlook) outcomes(finding int) []outcome {
	n, levels := len(o.s.m.causes), len(o.s.m.findings[finding].Levels)
	for len(o.out) < levels {
		o.out = append(o.out, outcome{present: make([]float64, n)})
	}
	out := o.out[:levels]
	o.arena.reset()
	blocks, stable := o.touch(finding)
	if !stable {
		for x := range out {
			out[x].set(o.fresh(finding, x))
		}
		return out
	}
	if o.sums[0] == nil {
		o.sums = [2][]float64{make([]float64, n), make([]float64, n)}
	}
	// at most level x, as shares of P(E): the difference of two is level x.
	clear(o.sums[0])
	below, upTo := outcome{present: o.sums[0]}, outcome{present: o.sums[1]}
	for x := range levels {
		if x < levels-1 {
			o.upTo(finding, x, blocks, &upTo)
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

// touch finds the blocks a candidate reaches and takes its causes out of each.
func (o *outlook) touch(finding int) ([]*touched, bool) {
	by := make([]*touched, len(o.blocks))
	var list []*touched
	for _, l := range o.s.m.byFinding[finding] {
		b := o.s.blockOf[l.cause]
		if b < 0 {
			continue
		}
		if by[b] == nil {
			by[b] = &touched{sb: o.blocks[b]}
			list = append(list, by[b])
		}
		p := o.s.place[l.cause]
		if !o.blocks[b].divide[p].stable {
			return nil, false
		}
		by[b].members = append(by[b].members, p)
		by[b].effects = append(by[b].effects, l.effect)
	}
	for _, t := range list {
		t.own = make([]bool, len(t.sb.members))
		for _, p := range t.members {
			t.own[p] = true
		}
		t.rest = o.arena.take(t.sb.size)
		copy(t.rest, t.sb.end)
		for _, p := range t.members {
			t.sb.divide[p].solveT(t.rest)
		}
		for u := range t.leaked {
			t.leaked[u] = o.arena.take(t.sb.size)
			copy(t.leaked[u], t.rest)
			t.sb.leakT(u, t.leaked[u])
		}
		for range len(t.members) + 1 {
			t.chain = append(t.chain, o.arena.take(t.sb.size))
		}
		t.tmp, t.col = o.arena.take(t.sb.size), o.arena.take(t.sb.size)
	}
	return list, true
}

// upTo sets out to P(finding ≤ x | E) and the joint probabilities with each cause.
func (o *outlook) upTo(finding, x int, blocks []*touched, out *outcome) {
	m, s := o.s.m, o.s
	weight := o.sol.share
	for u := range weight {
		weight[u] *= m.leakUpTo(finding, x, u == 1)
	}
	for _, l := range m.byFinding[finding] {
		if c := l.cause; s.blockOf[c] < 0 && active(m.causes[c].Prior) {
			f := o.sol.absent[c] + o.sol.present[c]*l.cdf[x]
			weight[0], weight[1] = weight[0]*f, weight[1]*f
		}
	}
	for _, t := range blocks {
		t.forward(s, x)
		for u := range weight {
			if weight[u] > 0 {
				weight[u] *= t.z[u] / t.sb.z[u]
			}
		}
	}
	out.p, out.share = weight[0]+weight[1], weight[1]
	for i := range out.present {
		// Untouched causes depend on the candidate through the unmodelled cause only.
		out.present[i] = weight[0]*o.given[0][i] + weight[1]*o.given[1][i]
	}
	for _, l := range m.byFinding[finding] {
		if c := l.cause; s.blockOf[c] < 0 && active(m.causes[c].Prior) {
			on := o.sol.present[c] * l.cdf[x]
			out.present[c] = out.p * on / (o.sol.absent[c] + on)
		}
	}
	for _, t := range blocks {
		t.backward(s, x, weight, out.present)
	}
}

// forward brings the candidate's causes back in, tilted by level ≤ x, one by
// one onto the product of all; the untilted ones are gone from t.leaked.
func (t *touched) forward(s *session, x int) {
	b := t.sb.block
	tmp := t.tmp
	copy(t.chain[0], t.sb.all)
	for k, p := range t.members {
		copy(t.chain[k+1], t.chain[k])
		mb := &b.members[p]
		b.step(t.chain[k+1], tmp, mb, s.gain[mb.cause]*t.effects[k].cdf[x])
	}
	for u := range t.z {
		t.z[u] = math.Max(0, dot(t.chain[len(t.members)], t.leaked[u]))
	}
}

// backward writes the joint probability of each of the block's causes.
func (t *touched) backward(s *session, x int, weight [2]float64, present []float64) {
	b := t.sb.block
	col, tmp := t.col, t.tmp
	clear(col)
	for u := range weight {
		if t.z[u] > 0 {
			c := weight[u] / t.z[u]
			for k, v := range t.leaked[u] {
				col[k] += c * v
			}
		}
	}
	for k := len(t.members) - 1; k >= 0; k-- {
		mb := &b.members[t.members[k]]
		on := mb.prior * s.gain[mb.cause] * t.effects[k].cdf[x]
		copy(tmp, t.chain[k])
		b.lift(tmp, mb)
		present[mb.cause] = on * dot(tmp, col)
		b.stepT(col, tmp, mb, s.gain[mb.cause]*t.effects[k].cdf[x])
	}
	for p, with := range t.sb.with {
		if !t.own[p] {
			present[b.members[p].cause] = dot(with, col)
		}
	}
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
