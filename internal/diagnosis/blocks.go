package diagnosis

import (
	"math"
	"slices"
	"sort"
)

// dimension is a step that needs an axis, with the leak's masses by range and
// lane.
type dimension struct {
	step
	leak [][]float64
	// scaled and end are the leak and the likelihood in the block's scale, see
	// balance.
	scaled [][]float64
	end    []float64
}

// member is a cause within a block.
type member struct {
	cause int
	moves []move // axis is the finding's place in the block
}

// loner is a cause with one link into a block.
type loner struct {
	cause int
	move  move
}

// block is a set of abnormal findings that share causes, with these causes.
// Given the lane, blocks are independent. A block that no root touches has lanes
// for the unmodelled cause only.
type block struct {
	lanes   []int // the model's lanes that differ here
	laneOf  []int // by lane of the model: its place in lanes
	uniform bool  // no cause of the block depends on a root
	dims    []*dimension
	members []member
	folded  [][]loner // by finding
	ops     []op
	causes  []int // the block's causes in the order of the operations
	opOf    []int // likewise: the operation that deals with each
	peak    int   // size of the largest vector
	total   int   // of all vectors between the operations together
	widest  int   // most states of one finding
}

func multiply(a, b []float64) {
	for k := range a {
		a[k] *= b[k]
	}
}

// split sorts the dimensions into blocks that share no uncertain cause.
func (s *session) split(dims []*dimension) {
	m, n := s.m, len(s.m.causes)
	ints := make([]int, 4*n)
	first, start := ints[:n:n], ints[n:2*n:2*n] // by cause: its first dimension, its place among all moves
	s.blockOf, s.place = ints[2*n:3*n:3*n], ints[3*n:]
	for i := range first {
		first[i] = -1
	}
	parent := make([]int, len(dims))
	find := func(d int) int {
		for parent[d] != d {
			parent[d] = parent[parent[d]]
			d = parent[d]
		}
		return d
	}
	states := 0
	for d, dim := range dims {
		parent[d] = d
		links := m.byFinding[dim.finding]
		for k := range links {
			if !m.acts(&links[k], dim) {
				continue
			}
			i := links[k].cause
			start[i]++
			states += 2 * len(dim.top)
			if first[i] < 0 {
				first[i] = d
			} else if a, b := find(first[i]), find(d); a != b {
				parent[max(a, b)] = min(a, b)
			}
		}
	}
	s.blocks = nil
	blockAt := make([]int, len(dims))
	within := make([]int, len(dims)) // place in its block
	for d, dim := range dims {
		root := find(d)
		if root == d {
			blockAt[d] = len(s.blocks)
			s.blocks = append(s.blocks, &block{})
		}
		b := s.blocks[blockAt[root]]
		within[d] = len(b.dims)
		b.dims = append(b.dims, dim)
		b.folded = append(b.folded, nil)
	}
	moves := s.movesOf(dims, within, start, states)
	for i, from := range start {
		s.blockOf[i] = -1
		if first[i] >= 0 {
			s.blockOf[i] = blockAt[find(first[i])]
			to := len(moves)
			if i+1 < n {
				to = start[i+1]
			}
			s.enrol(i, moves[from:to:to])
		}
	}
}

// acts reports whether a link has an effect on an observed finding: its cause is
// uncertain and does not always leave it in the lowest range.
func (m *Model) acts(l *findingLink, dim *dimension) bool {
	return active(m.causes[l.cause].Prior) && l.cdf[dim.top[0]] < 1
}

// movesOf lists the moves of all causes, those of one together; count holds how
// many each has and becomes where they begin.
func (s *session) movesOf(dims []*dimension, within, count []int, states int) []move {
	total := 0
	for i, c := range count {
		count[i] = total
		total += c
	}
	moves, floats := make([]move, total), arena{chunk: make([]float64, states)}
	next := slices.Clone(count)
	for d, dim := range dims {
		links := s.m.byFinding[dim.finding]
		for k := range links {
			if l := &links[k]; s.m.acts(l, dim) {
				cum, mass := dim.rangesIn(l.effect, floats.take(2*len(dim.top)))
				moves[next[l.cause]] = move{axis: within[d], cum: cum, mass: mass}
				next[l.cause]++
			}
		}
	}
	return moves
}

// enrol adds a cause to its block: as a member, or folded into its only finding.
func (s *session) enrol(i int, moves []move) {
	b := s.blocks[s.blockOf[i]]
	if len(moves) == 1 {
		d := moves[0].axis
		b.folded[d] = append(b.folded[d], loner{cause: i, move: moves[0]})
		return
	}
	b.members = append(b.members, member{cause: i, moves: moves})
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

// shrink lays the blocks out. Where one does not fit it drops the least
// surprising finding of it and reports that the rest is to be split again.
func (s *session) shrink() bool {
	any := false
	for k, b := range s.blocks {
		if len(b.dims) <= maxDims {
			if p := newPlanner(b.dims, b.members); p.peak <= MaxStates {
				s.layLanes(b)
				b.compile(p.order)
				s.balance(b)
				for at, i := range b.causes {
					s.blockOf[i], s.place[i] = k, at
				}
				continue
			}
		}
		any = true
		s.dropped = append(s.dropped, s.dropLeast(b))
	}
	if !any {
		sort.Slice(s.dropped, func(x, y int) bool { return s.dropped[x].finding < s.dropped[y].finding })
	}
	return any
}

func (s *session) dropLeast(b *block) step {
	at, most := 0, math.Inf(-1)
	for d, dim := range b.dims {
		if log := s.m.logAlone(dim.step); log >= most {
			at, most = d, log
		}
	}
	st := b.dims[at].step
	b.dims = slices.Delete(b.dims, at, at+1)
	return st
}

// layLanes finds the lanes that differ in a block.
func (s *session) layLanes(b *block) {
	b.uniform = true
	for i := range b.members {
		b.uniform = b.uniform && !s.m.vary[b.members[i].cause]
	}
	for d := range b.folded {
		for k := range b.folded[d] {
			b.uniform = b.uniform && !s.m.vary[b.folded[d][k].cause]
		}
	}
	b.laneOf = make([]int, len(s.m.lanes))
	for n, la := range s.m.lanes {
		b.laneOf[n] = len(b.lanes)
		for at, other := range b.lanes {
			if b.uniform && s.m.lanes[other].u == la.u && b.sameLeaks(n, other) {
				b.laneOf[n] = at
			}
		}
		if b.laneOf[n] == len(b.lanes) {
			b.lanes = append(b.lanes, n)
		}
	}
}

func (b *block) sameLeaks(n, other int) bool {
	for _, dim := range b.dims {
		if !slices.Equal(dim.leak[n], dim.leak[other]) {
			return false
		}
	}
	return true
}

// logAlone is log P(e) of one observation without the others, in closed form:
// its causes one after the other on the one axis.
func (m *Model) logAlone(st step) float64 {
	sum := 0.0
	leak := m.leakMasses(&st)
	for n, la := range m.lanes {
		f, state := leak[n], &m.states[la.state]
		both := make([]float64, 2*len(st.top))
		for k := range m.byFinding[st.finding] {
			l := &m.byFinding[st.finding][k]
			if active(m.causes[l.cause].Prior) {
				on, off := state.present[l.cause], state.absent[l.cause]
				clear(both)
				cum, mass := st.rangesIn(l.effect, both)
				below := 0.0
				for t, old := range f {
					f[t] = off*old + on*(cum[t]*old+mass[t]*below)
					below += old
				}
			}
		}
		p := math.Exp(state.log) * (1 - m.unmodelled)
		if la.u == 1 {
			p = math.Exp(state.log) * m.unmodelled
		}
		sum += p * inner(f, st.weight)
	}
	return math.Log(sum)
}

// balance scales the upper state of each two-state axis by a power of two, half
// the way (in logarithms) from the probability of reaching it to 1, and its end
// weight back. Sixteen states that are reached with 1e-24 each and one that
// reaches all of them at once then both keep within the range of a float64.
func (s *session) balance(b *block) {
	reach := make([]float64, len(b.dims))
	most := func(i int) float64 {
		on := 0.0
		for r := range s.on {
			on = max(on, s.on[r][i])
		}
		return on
	}
	for i := range b.members {
		mb := &b.members[i]
		for k := range mb.moves {
			d := mb.moves[k].axis
			reach[d] = max(reach[d], most(mb.cause)*mb.moves[k].mass[1])
		}
	}
	for d, dim := range b.dims {
		dim.scaled = make([][]float64, len(dim.leak))
		for n := range dim.scaled {
			dim.scaled[n] = slices.Clone(dim.leak[n])
			reach[d] = max(reach[d], dim.leak[n][1])
		}
		dim.end = slices.Clone(dim.weight)
		for k := range b.folded[d] {
			lo := &b.folded[d][k]
			reach[d] = max(reach[d], most(lo.cause)*lo.move.mass[1])
		}
		if len(dim.top) != 2 || reach[d] == 0 {
			reach[d] = 1
			continue
		}
		_, exp := math.Frexp(reach[d])
		reach[d] = math.Ldexp(1, -exp/2)
		for n := range dim.scaled {
			dim.scaled[n][1] *= reach[d]
		}
		dim.end[1] /= reach[d]
		for k := range b.folded[d] {
			b.folded[d][k].move.mass[1] *= reach[d]
		}
	}
	for i := range b.members {
		for k := range b.members[i].moves {
			mv := &b.members[i].moves[k]
			mv.mass[1] *= reach[mv.axis]
		}
	}
}
