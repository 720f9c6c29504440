package diagnosis

import "math"

// run is one pass through a block's operations, backward and then forward,
// without (u = 0) or with the unmodelled cause. Position p lies before operation
// p; the vectors there are f, from the front, and b, from the back, and ⟨f,b⟩
// is P(block's findings) at every position, in the scale of the position: where
// a vector gets small it is multiplied by a power of two.
type run struct {
	s      *session
	b      *block
	u      int
	lead   [][]float64 // by finding: its leak with the folded causes
	back   [][]float64 // b by position
	front  [][]float64 // f by position, where kept
	on     [][]float64 // by operation: on·T f, where kept
	onT    [][]float64 // by operation: on·Tᵀ b, where kept
	fScale []float64   // by operation: the power of two on the way forward
	bScale []float64   // by operation: the power of two on the way back
	z      []float64   // by position: ⟨f,b⟩
	log    float64     // ln P(block's findings)
	coef   foldedCoef
	fronts [][]float64 // by finding: its leak with the first 0, 1, 2 … of the folded causes, end to end
	lone   [][]float64 // by state of its finding: what a folded cause adds to it, present
	// present and absent are the causes' probabilities, by place in the block.
	present, absent []float64
	keep            bool
	message         []float64
	mem             arena
}

// smallest is where a vector is scaled up.
const smallest = 0x1p-200

// mostKept is how many numbers of one run are kept for the candidates; beyond
// it each candidate runs through the whole block.
const mostKept = 1 << 22

func (s *session) newRun(b *block, u int, coef foldedCoef, keep bool) *run {
	n := len(b.ops)
	r := &run{s: s, b: b, u: u, coef: coef, keep: keep && b.total <= mostKept}
	floats := 2*b.total + 3*n + 1 + 2*len(b.causes) + 3*b.peak
	floats += b.widest + b.widest*(len(b.causes)+len(b.dims))
	if r.keep {
		floats += 4*b.total + b.widest*len(b.causes)
	}
	r.mem.chunk = make([]float64, floats)
	r.back = make([][]float64, n+1)
	r.bScale = r.mem.take(n)
	r.message = r.mem.take(b.widest)
	lists := make([][]float64, 2*len(b.dims))
	r.lead, r.fronts = lists[:len(b.dims)], lists[len(b.dims):]
	for k := range b.ops {
		if o := &b.ops[k]; o.kind == opEnter {
			radix := o.next / o.size
			f := r.mem.take(radix * (o.to - o.from + 1))
			copy(f, b.dims[o.dim].scaled[u])
			r.fronts[o.dim] = f
			r.lead[o.dim] = r.coef.forth(o.from, o.to, radix, f)
		}
	}
	return r
}

// foldedCoef are the operators of the causes folded into findings, by place in
// the block. Two states have a form of their own: most findings have two.
type foldedCoef struct {
	list []loneCoef
	move []*move
}

// loneCoef is off + on·T on one finding, and on·T alone, for two states; on and
// off are for more.
type loneCoef struct {
	stay, keep, reach       float64
	onStay, onKeep, onReach float64
	on, off                 float64
}

func newLoneCoef(mv *move, on, off float64) loneCoef {
	c := loneCoef{on: on, off: off, onStay: on * mv.cum[0], onKeep: on * mv.cum[1], onReach: on * mv.mass[1]}
	c.stay, c.keep, c.reach = c.onStay+off, c.onKeep+off, c.onReach
	return c
}

func (s *session) foldedCoef(b *block) foldedCoef {
	fc := foldedCoef{make([]loneCoef, len(b.causes)), make([]*move, len(b.causes))}
	for k := range b.ops {
		o := &b.ops[k]
		if o.kind != opEnter {
			continue
		}
		for at := o.from; at < o.to; at++ {
			i := b.causes[at]
			fc.move[at] = &b.folded[o.dim][at-o.from].move
			fc.list[at] = newLoneCoef(fc.move[at], s.on[i], s.off[i])
		}
	}
	return fc
}

// forth fills fronts, which begins with a finding's leak, with the states after
// each further cause, and returns the last.
func (fc *foldedCoef) forth(from, to, radix int, fronts []float64) []float64 {
	n := to - from
	if radix == 2 {
		f0, f1 := fronts[0], fronts[1]
		fronts = fronts[:2*n+2]
		list := fc.list[from:to]
		for k := range list {
			c := &list[k]
			f1 = c.keep*f1 + c.reach*f0
			f0 *= c.stay
			fronts[2*k+2], fronts[2*k+3] = f0, f1
		}
		return fronts[2*n:]
	}
	for k := range n {
		c, mv := &fc.list[from+k], fc.move[from+k]
		f, g := fronts[k*radix:(k+1)*radix], fronts[(k+1)*radix:(k+2)*radix]
		below := 0.0
		for t, old := range f {
			g[t] = (c.off+c.on*mv.cum[t])*old + c.on*mv.mass[t]*below
			below += old
		}
	}
	return fronts[n*radix : (n+1)*radix]
}

// back takes the message b that reaches a finding through its folded causes and
// writes, for each, what ⟨f,b⟩ is with the cause present, times scale, and
// absent where that is wanted. It spoils b.
func (fc *foldedCoef) back(from, to int, b, fronts []float64, scale float64, present, absent []float64) {
	radix := len(b)
	if radix == 2 {
		b0, b1 := b[0], b[1]
		for at := to - 1; at >= from; at-- {
			c := &fc.list[at]
			f := fronts[2*(at-from) : 2*(at-from)+2 : 2*(at-from)+2]
			present[at] = scale * ((c.onStay*b0+c.onReach*b1)*f[0] + c.onKeep*b1*f[1])
			if absent != nil {
				absent[at] = scale * c.off * (b0*f[0] + b1*f[1])
			}
			b0 = c.stay*b0 + c.reach*b1
			b1 *= c.keep
		}
		return
	}
	for at := to - 1; at >= from; at-- {
		c, mv := &fc.list[at], fc.move[at]
		f := fronts[(at-from)*radix:]
		above, on, off := 0.0, 0.0, 0.0
		for t := radix - 1; t >= 0; t-- {
			old := b[t]
			lifted := c.on * (mv.cum[t]*old + above)
			above += mv.mass[t] * old
			on += lifted * f[t]
			off += c.off * old * f[t]
			b[t] = c.off*old + lifted
		}
		present[at] = scale * on
		if absent != nil {
			absent[at] = scale * off
		}
	}
}

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
		i := r.b.causes[o.from]
		return r.s.on[i] > r.s.off[i]
	}
}

func (r *run) backward() {
	ops := r.b.ops
	n := len(ops)
	last := r.mem.take(1)
	last[0] = 1
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
			enterT(to, from, r.lead[o.dim], 1)
		case opLeave:
			leaveT(to, from, o.stride, r.b.dims[o.dim].end, 1)
		case opRaise:
			i := r.b.causes[o.from]
			if r.keep {
				r.onT[p] = r.mem.take(o.size)
				o.liftT(r.onT[p], from)
				times(r.onT[p], r.s.on[i])
				sum(to, r.onT[p], from, r.s.off[i])
			} else {
				o.stepT(to, from, r.s.on[i], r.s.off[i])
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
	r.log = math.Log(r.back[0][0]) - logScale
}

// forward completes the run after backward, where the findings are possible.
func (r *run) forward() {
	ops := r.b.ops
	n := len(ops)
	r.present, r.absent = r.mem.take(len(r.b.causes)), r.mem.take(len(r.b.causes))
	r.fScale, r.z = r.mem.take(n), r.mem.take(n+1)
	var spare [3][]float64
	if r.keep {
		r.front, r.on = make([][]float64, n+1), make([][]float64, n)
		r.lone = make([][]float64, r.b.widest)
		for t := range r.lone {
			r.lone[t] = r.mem.take(len(r.b.causes))
		}
	} else {
		spare = [3][]float64{r.mem.take(r.b.peak), r.mem.take(r.b.peak), r.mem.take(r.b.peak)}
	}
	f := r.mem.take(1)
	f[0] = 1
	r.z[0] = r.back[0][0]
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
		r.z[p+1] = dot(f, r.back[p+1])
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
		enter(to, f, r.lead[o.dim], 1)
	case opLeave:
		leave(to, f, o.stride, r.b.dims[o.dim].end, 1)
	case opRaise:
		i := r.b.causes[o.from]
		lift = lift[:o.size]
		o.lift(lift, f)
		times(lift, r.s.on[i])
		present, absent := dot(lift, back), r.s.off[i]*dot(f, back)
		r.present[o.from], r.absent[o.from] = present/(present+absent), absent/(present+absent)
		sum(to, lift, f, r.s.off[i])
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
	radix := o.next / o.size
	message := r.message[:radix]
	gather(message, f, back)
	r.coef.back(o.from, o.to, message, r.fronts[o.dim], 1, r.present, r.absent)
	for at := o.from; at < o.to; at++ {
		sum := r.present[at] + r.absent[at]
		r.present[at] /= sum
		r.absent[at] /= sum
	}
	if !r.keep {
		return
	}
	// For the candidates: the same for each state of the finding alone.
	for t := range radix {
		clear(message)
		message[t] = 1
		r.coef.back(o.from, o.to, message, r.fronts[o.dim], 1, r.lone[t], nil)
	}
}

// gather sets message[t] to ⟨f, the part of back at state t of the finding that
// enters⟩.
func gather(message, f, back []float64) {
	for t := range message {
		message[t] = dot(f, back[t*len(f):(t+1)*len(f)])
	}
}

// sum sets to to a + c·b.
func sum(to, a, b []float64, c float64) {
	a, b = a[:len(to)], b[:len(to)]
	for k := range to {
		to[k] = a[k] + c*b[k]
	}
}
