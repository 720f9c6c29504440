package diagnosis

// weights are how probable a block's causes are before its findings are looked
// at, in the forms that the operations need.
type weights struct {
	// onOf and offOf are the probabilities of present and absent by place in the
	// block and lane, same where all lanes have the same.
	onOf, offOf [][]float64
	same        []bool
	folded      [][]loneCoef // by lane and place; lanes that are the same share
	move        []*move      // of the folded causes, by place
	pairs       []pairing    // of causes that move one pair, by place
}

// loneCoef is off + on·T on one finding, and on·T alone, for two states (most
// findings have two); on and off are for more.
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

func (s *session) newWeights(b *block) weights {
	n, lanes := len(b.causes), len(b.lanes)
	flat := s.floatsFor(2 * n * lanes)
	lists := make([][]float64, 2*n)
	w := weights{onOf: lists[:n:n], offOf: lists[n:], same: make([]bool, n), move: make([]*move, n), folded: make([][]loneCoef, lanes), pairs: make([]pairing, n)}
	for at, i := range b.causes {
		w.onOf[at], w.offOf[at] = flat[2*at*lanes:(2*at+1)*lanes], flat[(2*at+1)*lanes:(2*at+2)*lanes]
		w.same[at] = !s.m.vary[i]
		for l, k := range b.lanes {
			state := s.m.lanes[k].state
			w.onOf[at][l], w.offOf[at][l] = s.on[state][i], s.off[state][i]
		}
	}
	for l := range lanes {
		if l > 0 && (b.uniform || s.m.lanes[b.lanes[l]].state == s.m.lanes[b.lanes[l-1]].state) {
			w.folded[l] = w.folded[l-1]
			continue
		}
		w.folded[l] = s.coefsFor(n)
	}
	for k := range b.ops {
		if o := &b.ops[k]; o.kind == opEnter {
			for at := o.from; at < o.to; at++ {
				w.move[at] = &b.folded[o.dim][at-o.from].move
				w.refold(at)
			}
		} else if o.kind == opRaise && o.onePair() {
			w.pairs[o.from] = pair(&o.moves[0], &o.moves[1], w.onOf[o.from][0], w.offOf[o.from][0])
		}
	}
	return w
}

// refold makes the coefficients of a folded cause anew.
func (w *weights) refold(at int) {
	for l := range w.folded {
		if l > 0 && &w.folded[l][0] == &w.folded[l-1][0] {
			continue
		}
		w.folded[l][at] = newLoneCoef(w.move[at], w.onOf[at][l], w.offOf[at][l])
	}
}

// split sets lift, the cause's moves on f, to on·lift and to to on·lift +
// off·f·scale.
func (w *weights) split(o *op, to, lift, f []float64, scale float64) {
	if w.same[o.from] {
		on, off := w.onOf[o.from][0], w.offOf[o.from][0]*scale
		f, lift = f[:len(to)], lift[:len(to)]
		for k := range to {
			v := on * lift[k]
			lift[k] = v
			to[k] = v + off*f[k]
		}
		return
	}
	on, off := w.onOf[o.from], w.offOf[o.from]
	for k := 0; k < len(to); k += len(on) {
		for l, c := range on {
			v := c * lift[k+l]
			lift[k+l] = v
			to[k+l] = v + off[l]*scale*f[k+l]
		}
	}
}

// step writes off·src + on·(the cause's moves on src), times scale, to dst;
// stepT the transposed operator. factor is on top of on. The two stand side by
// side, as lift and liftT do: with the direction passed in as functions each pair of
// moves escapes to the heap, and a step took up to half as long again.
func (w *weights) step(o *op, dst, src []float64, factor, scale float64) {
	on, off := w.onOf[o.from], w.offOf[o.from]
	switch {
	case w.same[o.from] && o.onePair():
		m := w.pairs[o.from]
		if factor != 1 || scale != 1 {
			m = pair(&o.moves[0], &o.moves[1], on[0]*factor*scale, off[0]*scale)
		}
		m.apply(dst, src, o.axes[0].stride, o.axes[1].stride)
	case w.same[o.from]:
		o.lift(dst, src)
		mix(dst, src, on[0]*factor*scale, off[0]*scale)
	default:
		o.lift(dst, src)
		if factor != 1 {
			times(dst, factor)
		}
		mixLanes(dst, src, on, off)
		if scale != 1 {
			times(dst, scale)
		}
	}
}

func (w *weights) stepT(o *op, dst, src []float64, factor, scale float64) {
	on, off := w.onOf[o.from], w.offOf[o.from]
	switch {
	case w.same[o.from] && o.onePair():
		m := w.pairs[o.from]
		if factor != 1 || scale != 1 {
			m = pair(&o.moves[0], &o.moves[1], on[0]*factor*scale, off[0]*scale)
		}
		m.applyT(dst, src, o.axes[0].stride, o.axes[1].stride)
	case w.same[o.from]:
		o.liftT(dst, src)
		mix(dst, src, on[0]*factor*scale, off[0]*scale)
	default:
		o.liftT(dst, src)
		if factor != 1 {
			times(dst, factor)
		}
		mixLanes(dst, src, on, off)
		if scale != 1 {
			times(dst, scale)
		}
	}
}

// forth fills fronts with a finding's leak and the states after each further
// folded cause, lane after lane, and lead with the last of them, by state and
// lane.
func (w *weights) forth(b *block, o *op, fronts, lead []float64) {
	radix, lanes := o.radix(), len(b.lanes)
	width := radix * (o.to - o.from + 1)
	for l, k := range b.lanes {
		f := fronts[l*width : (l+1)*width]
		copy(f, b.dims[o.dim].scaled[k])
		for t, v := range w.foldedForth(l, o.from, o.to, radix, f) {
			lead[t*lanes+l] = v
		}
	}
}

// foldedForth is forth in one lane and returns the last state.
func (w *weights) foldedForth(l, from, to, radix int, fronts []float64) []float64 {
	n := to - from
	if radix == 2 {
		f0, f1 := fronts[0], fronts[1]
		fronts = fronts[:2*n+2]
		list := w.folded[l][from:to]
		for k := range list {
			c := &list[k]
			f1 = c.keep*f1 + c.reach*f0
			f0 *= c.stay
			fronts[2*k+2], fronts[2*k+3] = f0, f1
		}
		return fronts[2*n:]
	}
	for k := range n {
		c, mv := &w.folded[l][from+k], w.move[from+k]
		f, g := fronts[k*radix:(k+1)*radix], fronts[(k+1)*radix:(k+2)*radix]
		below := 0.0
		for t, old := range f {
			g[t] = (c.off+c.on*mv.cum[t])*old + c.on*mv.mass[t]*below
			below += old
		}
	}
	return fronts[n*radix : (n+1)*radix]
}

// foldedBack takes the message b that reaches a finding in one lane through its
// folded causes and writes, for each, what ⟨f,b⟩ is with the cause present,
// times scale, and absent where that is wanted. It spoils b.
func (w *weights) foldedBack(l, from, to int, b, fronts []float64, scale float64, present, absent []float64) {
	radix := len(b)
	if radix == 2 {
		b0, b1 := b[0], b[1]
		for at := to - 1; at >= from; at-- {
			c := &w.folded[l][at]
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
		c, mv := &w.folded[l][at], w.move[at]
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
