package diagnosis

import "math"

// run is one pass through a block's operations, backward and then forward, in
// all lanes at once. Position p lies before operation p; the vectors there are
// f, from the front, and b, from the back, and ⟨f,b⟩ is P(block's findings) at
// every position, in the scale of the position: where a vector gets small it is
// multiplied by a power of two.
type run struct {
	s *session
	b *block
	weights
	lead   [][]float64   // by finding: its leak with the folded causes, by state and lane
	back   [][]float64   // b by position
	front  [][]float64   // f by position, where kept
	on     [][]float64   // by operation: on·T f, where kept
	onT    [][]float64   // by operation: on·Tᵀ b, where kept
	fScale []float64     // by operation: the power of two on the way forward
	bScale []float64     // by operation: the power of two on the way back
	z      [][]float64   // by position and lane: ⟨f,b⟩
	log    []float64     // by lane: ln P(block's findings)
	fronts [][]float64   // by finding: its leak with the first 0, 1, 2 … of the folded causes, lane after lane
	lone   [][][]float64 // by lane and state of its finding: what a folded cause adds to it, present
	// present and absent are the causes' probabilities, by lane and place in the block.
	present, absent [][]float64
	keep            bool
	message, state  []float64
	sums            []float64 // by lane
	mem             arena
}

// smallest is where a vector is scaled up.
const smallest = 0x1p-200

// mostKept is how many numbers of one run are kept for the candidates; beyond
// it each candidate runs through the whole block.
const mostKept = 1 << 22

func (s *session) newRun(b *block, keep bool) *run {
	n, lanes := len(b.ops), len(b.lanes)
	r := &run{s: s, b: b, weights: s.newWeights(b), keep: keep && b.total <= mostKept}
	floats := 2*b.total + 2*n + lanes*(n+3) + 2*lanes*len(b.causes) + 3*b.peak
	floats += (lanes+1)*b.widest + b.widest*lanes*(len(b.causes)+2*len(b.dims))
	if r.keep {
		floats += 4*b.total + lanes*b.widest*len(b.causes)
	}
	r.mem.chunk = s.floatsFor(floats)
	r.back = make([][]float64, n+1)
	r.bScale = r.mem.take(n)
	r.message, r.state, r.sums = r.mem.take(lanes*b.widest), r.mem.take(b.widest), r.mem.take(lanes)
	lists := make([][]float64, 2*len(b.dims))
	r.lead, r.fronts = lists[:len(b.dims)], lists[len(b.dims):]
	for k := range b.ops {
		if o := &b.ops[k]; o.kind == opEnter {
			r.fronts[o.dim] = r.mem.take(lanes * o.radix() * (o.to - o.from + 1))
			r.lead[o.dim] = r.mem.take(lanes * o.radix())
			r.forth(b, o, r.fronts[o.dim], r.lead[o.dim])
		}
	}
	return r
}

func (o *op) radix() int { return o.next / o.size }

// raised scales a vector up where it has become small.
func raised(f []float64) float64 {
	top := largest(f)
	if top >= smallest || top == 0 {
		return 1
	}
	_, exp := math.Frexp(top)
	c := math.Ldexp(1, -exp)
	times(f, c)
	return c
}

// shrinks reports whether an operation may make the vector much smaller.
func (r *run) shrinks(o *op, forward bool) bool {
	switch o.kind {
	case opEnter:
		return !forward
	case opLeave:
		return forward
	default:
		return r.onOf[o.from][0] > r.offOf[o.from][0]
	}
}

func (r *run) backward() {
	ops, lanes := r.b.ops, len(r.b.lanes)
	n := len(ops)
	last := r.mem.take(lanes)
	for l := range last {
		last[l] = 1
	}
	r.back[n] = last
	if r.keep {
		r.onT = make([][]float64, n)
	}
	logScale := 0.0
	for p := n - 1; p >= 0; p-- {
		o := &ops[p]
		from, to := r.back[p+1], r.mem.take(o.size)
		switch o.kind {
		case opEnter:
			enterT(to, from, r.lead[o.dim], lanes, 1)
		case opLeave:
			leaveT(to, from, o.stride, r.b.dims[o.dim].end, 1)
		case opRaise:
			if r.keep {
				r.onT[p] = r.mem.take(o.size)
				o.liftT(r.onT[p], from)
				r.split(o, to, r.onT[p], from, 1)
			} else {
				r.stepT(o, to, from, 1, 1)
			}
		}
		r.bScale[p] = 1
		if r.shrinks(o, false) {
			if c := raised(to); c != 1 {
				r.bScale[p] = c
				logScale += math.Log(c)
				if r.onT != nil && r.onT[p] != nil {
					times(r.onT[p], c)
				}
			}
		}
		r.back[p] = to
	}
	r.log = r.mem.take(lanes)
	for l := range r.log {
		r.log[l] = math.Log(r.back[0][l]) - logScale
	}
}

// forward completes the run after backward, where the findings are possible.
func (r *run) forward() {
	ops, lanes := r.b.ops, len(r.b.lanes)
	n := len(ops)
	r.present, r.absent = make([][]float64, lanes), make([][]float64, lanes)
	for l := range lanes {
		r.present[l], r.absent[l] = r.mem.take(len(r.b.causes)), r.mem.take(len(r.b.causes))
	}
	r.fScale, r.z = r.mem.take(n), make([][]float64, n+1)
	var spare [3][]float64
	if r.keep {
		r.front, r.on = make([][]float64, n+1), make([][]float64, n)
		r.lone = make([][][]float64, lanes)
		for l := range r.lone {
			r.lone[l] = make([][]float64, r.b.widest)
			for t := range r.lone[l] {
				r.lone[l][t] = r.mem.take(len(r.b.causes))
			}
		}
	} else {
		spare = [3][]float64{r.mem.take(r.b.peak), r.mem.take(r.b.peak), r.mem.take(r.b.peak)}
	}
	f := r.mem.take(lanes)
	for l := range f {
		f[l] = 1
	}
	r.z[0] = r.back[0]
	for p := range ops {
		o := &ops[p]
		to, lift := spare[p%2], spare[2]
		if r.keep {
			r.front[p] = f
			to, lift = r.mem.take(o.next), nil
			if o.kind == opRaise {
				lift = r.mem.take(o.next)
				r.on[p] = lift
			}
		}
		to = to[:o.next]
		r.advance(p, to, f, lift)
		f = to
		r.z[p+1] = r.mem.take(lanes)
		dots(r.z[p+1], f, r.back[p+1])
	}
	if r.keep {
		r.front[n] = f
	}
}

// advance takes the vector f over operation p to the next, with the
// probabilities of the causes that the operation deals with.
func (r *run) advance(p int, to, f, lift []float64) {
	o := &r.b.ops[p]
	back := r.back[p+1]
	switch o.kind {
	case opEnter:
		r.meet(o, f, back)
		enter(to, f, r.lead[o.dim], len(r.b.lanes), 1)
	case opLeave:
		leave(to, f, o.stride, r.b.dims[o.dim].end, 1)
	case opRaise:
		lift = lift[:o.size]
		o.lift(lift, f)
		r.split(o, to, lift, f, 1)
		present, absent := r.message[:len(r.sums)], r.sums
		dots(present, lift, back)
		dots(absent, f, back)
		for l, off := range r.offOf[o.from] {
			on, no := present[l], off*absent[l]
			r.present[l][o.from], r.absent[l][o.from] = on/(on+no), no/(on+no)
		}
	}
	r.fScale[p] = 1
	if r.shrinks(o, true) {
		if c := raised(to); c != 1 {
			r.fScale[p] = c
			if o.kind == opRaise {
				times(lift, c)
			}
		}
	}
}

// meet works out the causes folded into a finding where it enters.
func (r *run) meet(o *op, f, back []float64) {
	if o.from == o.to {
		return
	}
	lanes, radix := len(r.b.lanes), o.radix()
	message := r.message[:radix*lanes]
	gather(message, f, back, lanes)
	width := radix * (o.to - o.from + 1)
	for l := range lanes {
		fronts := r.fronts[o.dim][l*width : (l+1)*width]
		state := r.state[:radix]
		for t := range state {
			state[t] = message[t*lanes+l]
		}
		present, absent := r.present[l], r.absent[l]
		r.foldedBack(l, o.from, o.to, state, fronts, 1, present, absent)
		for at := o.from; at < o.to; at++ {
			sum := present[at] + absent[at]
			present[at] /= sum
			absent[at] /= sum
		}
		if !r.keep {
			continue
		}
		// For the candidates: the same for each state of the finding alone.
		for t := range radix {
			clear(state)
			state[t] = 1
			r.foldedBack(l, o.from, o.to, state, fronts, 1, r.lone[l][t], nil)
		}
	}
}

// gather sets message to ⟨f, the part of back at state t of the finding that
// enters⟩, by t and lane.
func gather(message, f, back []float64, lanes int) {
	for t := 0; t*lanes < len(message); t++ {
		dots(message[t*lanes:(t+1)*lanes], f, back[t*len(f):(t+1)*len(f)])
	}
}
