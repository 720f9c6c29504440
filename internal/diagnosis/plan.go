package diagnosis

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// A block's programme is a sequence of operations on a state vector over the
// live findings. A finding enters with its leak just before the first cause that
// needs it and leaves, weighted by its likelihood, right after the last: the
// vector spans the frontier between the causes done and those to come, not all
// findings. Causes with one link into the block are part of what enters.

type opKind uint8

const (
	opEnter opKind = iota
	opRaise
	opLeave
)

// op is one operation. from and to are the block's causes it deals with: the
// cause raised, or those folded into the finding that enters.
type op struct {
	kind       opKind
	dim        int // entering or leaving
	from, to   int
	stride     int // of the finding entering or leaving
	size, next int // of the vector before and after, lanes included
	axes       []axis
	moves      []move
}

// dimSet is a set of a block's findings.
type dimSet [maxDims / 64]uint64

// maxDims is how many abnormal findings one block may hold, whatever its
// frontier.
const maxDims = 256

func (s *dimSet) add(d int)    { s[d>>6] |= 1 << (d & 63) }
func (s *dimSet) remove(d int) { s[d>>6] &^= 1 << (d & 63) }

func (s *dimSet) join(o *dimSet) {
	for k := range s {
		s[k] |= o[k]
	}
}

// planner orders the causes of one block.
type planner struct {
	radix []int
	needs []dimSet // by member: its findings
	of    [][]int  // by finding: its members
	order []int    // members in the order of the best plan so far
	cost  float64
	peak  float64
	scratch
}

// scratch is the state of one attempt.
type scratch struct {
	done, gone []bool
	left       []int
	live       dimSet
	tried      []int
}

// smallPlan is the number of states touched below which one attempt is enough.
const smallPlan = 4096

func newPlanner(dims []*dimension, members []member) *planner {
	p := &planner{radix: make([]int, len(dims)), needs: make([]dimSet, len(members)), of: make([][]int, len(dims)), cost: math.Inf(1)}
	for d := range dims {
		p.radix[d] = len(dims[d].top)
	}
	for i := range members {
		for k := range members[i].moves {
			d := members[i].moves[k].axis
			p.needs[i].add(d)
			p.of[d] = append(p.of[d], i)
		}
	}
	p.done, p.gone = make([]bool, len(members)), make([]bool, len(dims))
	p.left = make([]int, len(dims))
	p.attempt(-1)
	for d := range dims {
		if p.cost <= smallPlan || len(p.of[d]) == 0 {
			continue
		}
		p.attempt(d)
	}
	return p
}

// states is the size of the vector over a set of findings; a float cannot
// overflow.
func (p *planner) states(s *dimSet) float64 {
	size := 1.0
	for w, word := range s {
		for ; word != 0; word &= word - 1 {
			size *= float64(p.radix[w<<6+bits.TrailingZeros64(word)])
		}
	}
	return size
}

// attempt makes a plan greedily, by the finding whose remaining causes need the
// smallest vector next (the least frontier; ties by the findings' order),
// starting with the finding given unless it is -1, and keeps the plan where it
// costs less than the best so far.
func (p *planner) attempt(first int) {
	clear(p.done)
	clear(p.gone)
	for d := range p.left {
		p.left[d] = len(p.of[d])
	}
	p.live, p.tried = dimSet{}, p.tried[:0]
	cost, peak := 0.0, 1.0
	for range p.radix {
		d := first
		if first = -1; d < 0 {
			d = p.nextFinding()
		}
		if d < 0 {
			break
		}
		for {
			i := p.nextMember(d)
			if i < 0 {
				break
			}
			p.live.join(&p.needs[i])
			size := p.states(&p.live)
			cost, peak = cost+size, math.Max(peak, size)
			p.finish(i)
		}
		p.gone[d] = true
		p.live.remove(d)
		if cost >= p.cost {
			return
		}
	}
	p.cost, p.peak = cost, peak
	p.order = append(p.order[:0], p.tried...)
}

func (p *planner) nextFinding() int {
	best, least := -1, math.Inf(1)
	for d := range p.radix {
		if p.gone[d] || p.left[d] == 0 {
			continue
		}
		want := p.live
		want.add(d)
		for _, i := range p.of[d] {
			if !p.done[i] {
				want.join(&p.needs[i])
			}
		}
		if size := p.states(&want); size < least {
			best, least = d, size
		}
	}
	return best
}

// nextMember is the cause of a finding that makes the vector grow least.
func (p *planner) nextMember(d int) int {
	best, least := -1, math.Inf(1)
	for _, i := range p.of[d] {
		if p.done[i] {
			continue
		}
		want := p.live
		want.join(&p.needs[i])
		if size := p.states(&want); size < least {
			best, least = i, size
		}
	}
	return best
}

// finish marks a cause as done and lets findings go that wait for no other.
func (p *planner) finish(i int) {
	p.done[i] = true
	p.tried = append(p.tried, i)
	for w, word := range p.needs[i] {
		for ; word != 0; word &= word - 1 {
			d := w<<6 + bits.TrailingZeros64(word)
			if p.left[d]--; p.left[d] == 0 {
				p.gone[d] = true
				p.live.remove(d)
			}
		}
	}
}

// A vector holds all lanes of a state side by side: the lanes are an axis of
// their own below all others, and what is the same for all of them is done once.

// compile turns an order of the members into operations and numbers the block's
// causes: members in that order, each finding's folded causes where it enters.
func (b *block) compile(order []int) {
	left := make([]int, len(b.dims))
	for i := range b.members {
		for k := range b.members[i].moves {
			left[b.members[i].moves[k].axis]++
		}
	}
	c := &compiler{b: b, stride: make([]int, len(b.dims)), size: len(b.lanes)}
	for d := range b.dims {
		c.stride[d] = -1
	}
	moves, folded := 0, 0
	for d := range left {
		moves += left[d]
		folded += len(b.folded[d])
	}
	c.axes = make([]axis, 0, moves)
	b.ops = make([]op, 0, 2*len(b.dims)+len(b.members))
	b.causes, b.opOf = make([]int, 0, len(b.members)+folded), make([]int, 0, len(b.members)+folded)
	for _, i := range order {
		c.raise(&b.members[i])
		for k := range b.members[i].moves {
			d := b.members[i].moves[k].axis
			if left[d]--; left[d] == 0 {
				c.leave(d)
			}
		}
	}
	for d := range b.dims {
		if c.stride[d] == -1 {
			// No cause has a second link: the finding stands alone.
			c.enter(d)
			c.leave(d)
		}
	}
	b.total = len(b.lanes)
	for k := range b.ops {
		b.total += b.ops[k].next
	}
}

type compiler struct {
	b      *block
	live   []int // findings by stride
	stride []int // -1 before it enters, -2 after it left
	size   int
	axes   []axis
}

func (c *compiler) enter(d int) {
	r := len(c.b.dims[d].top)
	from := len(c.b.causes)
	for _, lo := range c.b.folded[d] {
		c.b.causes = append(c.b.causes, lo.cause)
		c.b.opOf = append(c.b.opOf, len(c.b.ops))
	}
	c.b.ops = append(c.b.ops, op{kind: opEnter, dim: d, from: from, to: len(c.b.causes), stride: c.size, size: c.size, next: c.size * r})
	c.stride[d] = c.size
	c.live = append(c.live, d)
	c.size *= r
	c.b.peak = max(c.b.peak, c.size)
	c.b.widest = max(c.b.widest, r)
}

func (c *compiler) leave(d int) {
	r, stride := len(c.b.dims[d].top), c.stride[d]
	c.b.ops = append(c.b.ops, op{kind: opLeave, dim: d, stride: stride, size: c.size, next: c.size / r})
	c.size /= r
	c.live = slices.DeleteFunc(c.live, func(x int) bool { return x == d })
	for _, x := range c.live {
		if c.stride[x] > stride {
			c.stride[x] /= r
		}
	}
	c.stride[d] = -2
}

func (c *compiler) raise(mb *member) {
	for k := range mb.moves {
		if d := mb.moves[k].axis; c.stride[d] == -1 {
			c.enter(d)
		}
	}
	at := len(c.b.causes)
	c.b.causes = append(c.b.causes, mb.cause)
	c.b.opOf = append(c.b.opOf, len(c.b.ops))
	o := op{kind: opRaise, from: at, to: at + 1, size: c.size, next: c.size, moves: mb.moves}
	// The kernels take two-state axes in pairs, the lower stride first.
	slices.SortFunc(o.moves, func(x, y move) int {
		return cmp.Or(cmp.Compare(len(x.cum), len(y.cum)), cmp.Compare(c.stride[x.axis], c.stride[y.axis]))
	})
	from := len(c.axes)
	for k := range o.moves {
		c.axes = append(c.axes, axis{stride: c.stride[o.moves[k].axis], radix: len(o.moves[k].cum)})
	}
	o.axes = c.axes[from:len(c.axes):len(c.axes)]
	c.b.ops = append(c.b.ops, o)
}
