package diagnosis

// detour is how one candidate at one level departs from the shared runs through
// a block: the causes it is linked to weigh less while they are present, by the
// probability that they leave the candidate at most at that level.
type detour struct {
	s     *session
	b     *block
	runs  [2]*run
	links []link
	// first and last are the operations between which the state differs from
	// the shared run by more than what lies before and after.
	first, last int
	factor      []float64 // by place in the block: F of the candidate, else 1
	moved       []bool    // by finding: a cause folded into it is linked
	coef        foldedCoef
	enter       []int // by finding: the operation where it enters
	lead        [][]float64
	fronts      [][]float64
	ratio       [2]float64   // P(≤ level | E, u)
	joint       [2][]float64 // P(≤ level, cause | E, u), by place in the block
	path        [][]float64  // f by position, within the detour
	spare       [3][]float64
	message     []float64
	lastCause   int // the last operation that deals with causes
}

type link struct {
	at  int // place in the block
	cdf []float64
}

func newDetour(s *session, b *block, runs [2]*run) *detour {
	n := len(b.causes)
	t := &detour{s: s, b: b, runs: runs, first: len(b.ops), last: -1, factor: make([]float64, n), moved: make([]bool, len(b.dims)),

		lead: make([][]float64, len(b.dims)), fronts: make([][]float64, len(b.dims)), enter: make([]int, len(b.dims)), coef: s.foldedCoef(b), path: make([][]float64, len(b.ops)+1)}
	for k := range t.factor {
		t.factor[k] = 1
	}
	room := make([]float64, b.total+3*b.peak+2*n)
	cut := func(size int) []float64 {
		v := room[:size:size]
		room = room[size:]
		return v
	}
	for u := range t.joint {
		t.joint[u] = cut(n)
	}
	for p := range b.ops {
		t.path[p+1] = cut(b.ops[p].next)
		if b.ops[p].from < b.ops[p].to {
			t.lastCause = p
		}
	}
	for k := range t.spare {
		t.spare[k] = cut(b.peak)
	}
	for p := range b.ops {
		if o := &b.ops[p]; o.kind == opEnter {
			t.enter[o.dim] = p
			t.fronts[o.dim] = make([]float64, o.next/o.size*(o.to-o.from+1))
		}
	}
	t.message = make([]float64, b.widest)
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

// weigh sets the factor of a cause.
func (t *detour) weigh(at int, factor float64) {
	t.factor[at] = factor
	if mv := t.coef.move[at]; mv != nil {
		t.coef.list[at] = newLoneCoef(mv, t.on(at), t.off(at))
	}
}

// on is the weight of a cause that is present.
func (t *detour) on(at int) float64  { return t.s.on[t.b.causes[at]] * t.factor[at] }
func (t *detour) off(at int) float64 { return t.s.off[t.b.causes[at]] }

// run works the block off at level x and returns P(≤ x | E, u) as far as this
// block goes.
func (t *detour) run(u, x int) float64 {
	for _, l := range t.links {
		t.weigh(l.at, l.cdf[x])
	}
	r := t.runs[u]
	first, last := t.first, t.last
	if !r.keep {
		first, last = 0, len(t.b.ops)-1
	}
	t.relead(u)
	f := r.frontAt(first)
	for p := first; p <= last; p++ {
		t.advance(r, p, t.path[p+1], f)
		f = t.path[p+1]
	}
	t.ratio[u] = dot(f, r.back[last+1]) / r.z[last+1]
	if t.ratio[u] == 0 {
		clear(t.joint[u])
		return 0
	}
	t.onwards(r, last+1, f, t.joint[u])
	t.backwards(r, first, last, t.joint[u])
	return t.ratio[u]
}

// frontAt is f at a position of the shared run; position 0 needs no keeping.
func (r *run) frontAt(p int) []float64 {
	if p == 0 {
		return one
	}
	return r.front[p]
}

var one = []float64{1}

// relead makes the leads of the findings into which linked causes are folded.
func (t *detour) relead(u int) {
	for d, moved := range t.moved {
		if !moved && t.runs[u].keep {
			t.lead[d] = t.runs[u].lead[d]
			continue
		}
		o, fronts := &t.b.ops[t.enter[d]], t.fronts[d]
		radix := o.next / o.size
		copy(fronts[:radix], t.b.dims[d].scaled[u])
		t.lead[d] = t.coef.forth(o.from, o.to, radix, fronts)
	}
}

// advance takes f over an operation.
func (t *detour) advance(r *run, p int, to, f []float64) {
	o := &t.b.ops[p]
	switch c := r.fScale[p]; o.kind {
	case opEnter:
		enter(to, f, t.lead[o.dim], c)
	case opLeave:
		leave(to, f, o.stride, t.b.dims[o.dim].end, c)
	case opRaise:
		o.step(to, f, t.on(o.from)*c, t.off(o.from)*c)
	}
}

// onwards follows f behind the detour, where the shared run's b still holds.
func (t *detour) onwards(r *run, p int, f, joint []float64) {
	for ; p <= t.lastCause; p++ {
		switch o := &t.b.ops[p]; o.kind {
		case opRaise:
			joint[o.from] = dot(f, r.onT[p]) / r.z[p]
		case opEnter:
			if o.from < o.to {
				message := t.message[:o.next/o.size]
				gather(message, f, r.back[p+1])
				r.hear(o, message, r.fScale[p]/r.z[p+1], joint)
			}
		}
		if p < t.lastCause {
			to := t.spare[p%2][:t.b.ops[p].next]
			t.advance(r, p, to, f)
			f = to
		}
	}
}

// hear gives the folded causes their joint probability from the message that
// reaches their finding.
func (r *run) hear(o *op, message []float64, scale float64, joint []float64) {
	for t, w := range message {
		w *= scale
		lone := r.lone[t]
		if t == 0 {
			for at := o.from; at < o.to; at++ {
				joint[at] = w * lone[at]
			}
			continue
		}
		for at := o.from; at < o.to; at++ {
			joint[at] += w * lone[at]
		}
	}
}

// backwards follows b through the detour to the front of the block.
func (t *detour) backwards(r *run, first, last int, joint []float64) {
	b := r.back[last+1]
	for p := last; p >= 0; p-- {
		o := &t.b.ops[p]
		to, c := t.spare[p%2][:o.size], r.bScale[p]
		switch o.kind {
		case opLeave:
			leaveT(to, b, o.stride, t.b.dims[o.dim].end, c)
		case opEnter:
			t.enterBack(r, p, first, to, b, joint)
		case opRaise:
			if p < first {
				joint[o.from] = dot(r.on[p], b) / r.z[p+1]
				o.stepT(to, b, t.on(o.from)*c, t.off(o.from)*c)
				break
			}
			lift := t.spare[2][:o.size]
			o.liftT(lift, b)
			on := t.on(o.from) * c
			joint[o.from] = on * dot(lift, t.at(r, p, first)) / r.z[p]
			mixTo(to, lift, b, on, t.off(o.from)*c)
		}
		b = to
	}
}

// at is f at a position up to the detour's end.
func (t *detour) at(r *run, p, first int) []float64 {
	if p > first {
		return t.path[p]
	}
	return r.frontAt(p)
}

func (t *detour) enterBack(r *run, p, first int, to, b, joint []float64) {
	o := &t.b.ops[p]
	if o.from < o.to {
		message := t.message[:o.next/o.size]
		gather(message, t.at(r, p, first), b)
		scale := r.fScale[p] / r.z[p+1]
		if !t.moved[o.dim] && r.keep {
			r.hear(o, message, scale, joint)
		} else {
			t.coef.back(o.from, o.to, message, t.fronts[o.dim], scale, joint, nil)
		}
	}
	if p > 0 {
		enterT(to, b, t.lead[o.dim], r.bScale[p])
	}
}

// write adds up the joint probabilities of the block's causes, weight being
// P(≤ level, u | E).
func (t *detour) write(weight [2]float64, present []float64) {
	for _, i := range t.b.causes {
		present[i] = 0
	}
	for u, w := range weight {
		if w == 0 {
			continue
		}
		w /= t.ratio[u]
		for at, i := range t.b.causes {
			present[i] += w * t.joint[u][at]
		}
	}
}
