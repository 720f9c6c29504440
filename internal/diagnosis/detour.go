package diagnosis

// detour is how one candidate at one level departs from the shared run through
// a block: the causes it is linked to weigh less while they are present, by the
// probability that they leave the candidate at most at that level.
type detour struct {
	b *block
	r *run
	weights
	links []link
	// first and last are the operations between which the state differs from
	// the shared run by more than what lies before and after.
	first, last int
	factor      []float64 // by place in the block: F of the candidate, else 1
	moved       []bool    // by finding: a cause folded into it is linked
	enterAt     []int     // by finding: the operation where it enters
	lead        [][]float64
	ownLead     [][]float64
	fronts      [][]float64
	ratio       []float64   // by lane: P(≤ level | E, lane)
	joint       [][]float64 // by lane and place: P(≤ level, cause | E, lane)
	path        [][]float64 // f by position, within the detour
	spare       [3][]float64
	message     []float64
	state, sums []float64
	lastCause   int // the last operation that deals with causes
	bases       []*basis
}

// basis is what all detours of one operation are made of, for they change one
// thing only: for a cause raised, what is left with it absent; for a finding
// that enters, what each of its states gives. By that, lane and place.
type basis struct {
	ratio [][]float64
	joint [][][]float64
}

type link struct {
	at  int // place in the block
	cdf []float64
}

func (s *session) newDetour(r *run) *detour {
	b := r.b
	n, dims, lanes := len(b.causes), len(b.dims), len(b.lanes)
	t := &detour{b: b, r: r, weights: s.newWeights(b), first: len(b.ops), last: -1, factor: make([]float64, n), moved: make([]bool, dims),
		enterAt: make([]int, dims), lead: make([][]float64, dims), ownLead: make([][]float64, dims), fronts: make([][]float64, dims),
		joint: make([][]float64, lanes), path: make([][]float64, len(b.ops)+1)}
	for k := range t.factor {
		t.factor[k] = 1
	}
	room := make([]float64, b.total+3*b.peak+lanes*n)
	cut := func(size int) []float64 {
		v := room[:size:size]
		room = room[size:]
		return v
	}
	for l := range t.joint {
		t.joint[l] = cut(n)
	}
	for p := range b.ops {
		o := &b.ops[p]
		t.path[p+1] = cut(o.next)
		if o.from < o.to {
			t.lastCause = p
		}
		if o.kind == opEnter {
			t.enterAt[o.dim] = p
			t.fronts[o.dim] = make([]float64, lanes*o.radix()*(o.to-o.from+1))
			t.ownLead[o.dim] = make([]float64, lanes*o.radix())
		}
	}
	for k := range t.spare {
		t.spare[k] = cut(b.peak)
	}
	t.message, t.state = make([]float64, lanes*b.widest), make([]float64, b.widest)
	t.bases = make([]*basis, len(b.ops))
	t.sums, t.ratio = make([]float64, lanes), make([]float64, lanes)
	return t
}

func (t *detour) add(at int, cdf []float64) {
	t.links = append(t.links, link{at, cdf})
	p := t.b.opOf[at]
	t.first, t.last = min(t.first, p), max(t.last, p)
	if o := &t.b.ops[p]; o.kind == opEnter {
		t.moved[o.dim] = true
	}
}

func (t *detour) reset() {
	for _, l := range t.links {
		t.weigh(l.at, 1)
		if o := &t.b.ops[t.b.opOf[l.at]]; o.kind == opEnter {
			t.moved[o.dim] = false
		}
	}
	t.links = t.links[:0]
	t.first, t.last = len(t.b.ops), -1
}

// weigh sets the factor of a cause. Folded causes take it into their
// coefficients.
func (t *detour) weigh(at int, factor float64) {
	t.factor[at] = factor
	if t.move[at] == nil {
		return
	}
	for l := range t.onOf[at] {
		t.onOf[at][l] = t.r.onOf[at][l] * factor
	}
	t.refold(at)
}

// run works the block off at level x: ratio and joint.
func (t *detour) run(x int) {
	for _, l := range t.links {
		t.weigh(l.at, l.cdf[x])
	}
	r, first, last := t.r, t.first, t.last
	if !r.keep {
		first, last = 0, len(t.b.ops)-1
	}
	if first == last && r.keep {
		t.single(first)
		return
	}
	t.relead()
	t.walk(first, last)
}

// walk takes the detour from its first to its last operation and on to both
// ends of the block.
func (t *detour) walk(first, last int) {
	r := t.r
	f := t.at(first, first)
	for p := first; p <= last; p++ {
		t.advance(p, t.path[p+1], f)
		f = t.path[p+1]
	}
	dots(t.ratio, f, r.back[last+1])
	for l, z := range r.z[last+1] {
		if z > 0 {
			t.ratio[l] /= z
		}
	}
	t.onwards(last+1, f)
	t.backwards(first, last)
}

// single is a detour of one operation, from its basis.
func (t *detour) single(p int) {
	o, lanes := &t.b.ops[p], len(t.b.lanes)
	if t.bases[p] == nil {
		t.bases[p] = t.newBasis(p)
	}
	base := t.bases[p]
	if o.kind == opRaise {
		factor := t.factor[o.from]
		for l, joint := range t.joint {
			if t.r.z[p][l] == 0 {
				t.ratio[l] = 0
				clear(joint)
				continue
			}
			t.ratio[l] = factor + (1-factor)*base.ratio[0][l]
			present, without := t.r.present[l], base.joint[0][l]
			for at := range joint {
				joint[at] = factor*present[at] + (1-factor)*without[at]
			}
		}
		return
	}
	t.relead()
	radix := o.radix()
	width := radix * (o.to - o.from + 1)
	for l, joint := range t.joint {
		t.ratio[l] = 0
		clear(joint)
		state := t.state[:radix]
		for s := range radix {
			w := t.lead[o.dim][s*lanes+l]
			state[s] = base.ratio[s][l]
			t.ratio[l] += w * state[s]
			given := base.joint[s][l][:len(joint)]
			for at := range joint {
				joint[at] += w * given[at]
			}
		}
		t.foldedBack(l, o.from, o.to, state, t.fronts[o.dim][l*width:(l+1)*width], 1, joint, nil)
	}
}

func (t *detour) newBasis(p int) *basis {
	o, base, lanes := &t.b.ops[p], &basis{}, len(t.b.lanes)
	take := func() {
		t.walk(p, p)
		ratio := append([]float64(nil), t.ratio...)
		joint := make([][]float64, lanes)
		for l := range joint {
			joint[l] = append([]float64(nil), t.joint[l]...)
		}
		base.ratio, base.joint = append(base.ratio, ratio), append(base.joint, joint)
	}
	t.relead()
	if o.kind == opRaise {
		factor := t.factor[o.from]
		t.factor[o.from] = 0
		take()
		t.factor[o.from] = factor
		return base
	}
	for s := range o.radix() {
		unit := make([]float64, o.radix()*lanes)
		for l := range lanes {
			unit[s*lanes+l] = 1
		}
		t.lead[o.dim] = unit
		take()
	}
	return base
}

// at is f at a position up to the detour's end.
func (t *detour) at(p, first int) []float64 {
	switch {
	case p > first:
		return t.path[p]
	case p == 0:
		// All lanes begin with 1, as the shared run's b ends.
		return t.r.back[len(t.b.ops)]
	default:
		return t.r.front[p]
	}
}

// relead makes the leads of the findings into which linked causes are folded.
func (t *detour) relead() {
	for d, moved := range t.moved {
		if !moved && t.r.keep {
			t.lead[d] = t.r.lead[d]
			continue
		}
		t.lead[d] = t.ownLead[d]
		t.forth(t.b, &t.b.ops[t.enterAt[d]], t.fronts[d], t.lead[d])
	}
}

// advance takes f over an operation.
func (t *detour) advance(p int, to, f []float64) {
	o := &t.b.ops[p]
	switch c := t.r.fScale[p]; o.kind {
	case opEnter:
		enter(to, f, t.lead[o.dim], len(t.b.lanes), c)
	case opLeave:
		leave(to, f, o.stride, t.b.dims[o.dim].end, c)
	case opRaise:
		t.step(o, to, f, t.factor[o.from], c)
	}
}

// put writes sums over z as the joint probability of the cause of an operation.
func (t *detour) put(at int, z []float64) {
	for l, v := range t.sums {
		t.joint[l][at] = 0
		if v > 0 {
			t.joint[l][at] = v / z[l]
		}
	}
}

// onwards follows f behind the detour, where the shared run's b still holds.
func (t *detour) onwards(p int, f []float64) {
	r := t.r
	for ; p <= t.lastCause; p++ {
		switch o := &t.b.ops[p]; o.kind {
		case opRaise:
			dots(t.sums, f, r.onT[p])
			t.put(o.from, r.z[p])
		case opEnter:
			if o.from < o.to {
				message := t.message[:o.radix()*len(t.sums)]
				gather(message, f, r.back[p+1], len(t.sums))
				t.hear(o, message, p)
			}
		}
		if p < t.lastCause {
			to := t.spare[p%2][:t.b.ops[p].next]
			t.advance(p, to, f)
			f = to
		}
	}
}

// hear gives the causes folded into a finding their joint probability from the
// message that reaches it.
func (t *detour) hear(o *op, message []float64, p int) {
	r, lanes, radix := t.r, len(t.sums), o.radix()
	width := radix * (o.to - o.from + 1)
	for l, joint := range t.joint {
		joint = joint[o.from:o.to]
		z := r.z[p+1][l]
		if z == 0 {
			clear(joint)
			continue
		}
		scale := r.fScale[p] / z
		if t.moved[o.dim] || !r.keep {
			state := t.state[:radix]
			for s := range state {
				state[s] = message[s*lanes+l]
			}
			t.foldedBack(l, o.from, o.to, state, t.fronts[o.dim][l*width:(l+1)*width], scale, t.joint[l], nil)
			continue
		}
		for s := range radix {
			w := scale * message[s*lanes+l]
			lone := r.lone[l][s][o.from:o.to]
			if s == 0 {
				for k, v := range lone {
					joint[k] = w * v
				}
				continue
			}
			for k, v := range lone {
				joint[k] += w * v
			}
		}
	}
}

// backwards follows b through the detour to the front of the block.
func (t *detour) backwards(first, last int) {
	r := t.r
	b := r.back[last+1]
	for p := last; p >= 0; p-- {
		o := &t.b.ops[p]
		to, c := t.spare[p%2][:o.size], r.bScale[p]
		switch o.kind {
		case opLeave:
			leaveT(to, b, o.stride, t.b.dims[o.dim].end, c)
		case opEnter:
			if o.from < o.to {
				message := t.message[:o.radix()*len(t.sums)]
				gather(message, t.at(p, first), b, len(t.sums))
				t.hear(o, message, p)
			}
			if p > 0 {
				enterT(to, b, t.lead[o.dim], len(t.sums), c)
			}
		case opRaise:
			t.raiseBack(o, p, first, to, b)
		}
		b = to
	}
}

func (t *detour) raiseBack(o *op, p, first int, to, b []float64) {
	r, c := t.r, t.r.bScale[p]
	if p < first {
		dots(t.sums, r.on[p], b)
		t.put(o.from, r.z[p+1])
		t.stepT(o, to, b, 1, c)
		return
	}
	lift := t.spare[2][:o.size]
	o.liftT(lift, b)
	if w := t.factor[o.from] * c; w != 1 {
		times(lift, w)
	}
	t.split(o, to, lift, b, c)
	dots(t.sums, lift, t.at(p, first))
	t.put(o.from, r.z[p])
}

// write adds up the joint probabilities of the block's causes, weight being
// P(≤ level, lane | E).
func (t *detour) write(weight, present []float64) {
	for _, i := range t.b.causes {
		present[i] = 0
	}
	for n, w := range weight {
		if w == 0 {
			continue
		}
		l := t.b.laneOf[n]
		w /= t.ratio[l]
		joint := t.joint[l]
		for at, i := range t.b.causes {
			present[i] += w * joint[at]
		}
	}
}
