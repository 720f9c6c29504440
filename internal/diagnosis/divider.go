package diagnosis

// unstableOdds is where taking a cause out of a product by division begins to
// cost digits (the inverse of (1−p)e + p·g·t is a series in p·g/(1−p)); beyond
// it candidates linked to the cause are computed by fresh runs.
const unstableOdds = 0.5

// divider takes one member out of a transposed product. It works on the member's
// own axes: from[k] lists, for one combination of their states, the higher ones
// and the probability to move there.
type divider struct {
	offset []int
	rest   []int
	from   [][]transition
	stay   []float64
	off    float64
	on     float64
	stable bool
	series bool
	b      *block
	mb     *member
}

// mostTransitions is where listing transitions (3 to the number of bits) gets
// dearer than summing the series of the inverse.
const mostTransitions = 30_000

type transition struct {
	to int
	p  float64
}

func (b *block) newDivider(mb *member, gain float64) *divider {
	dv := &divider{off: 1 - mb.prior, on: mb.prior * gain, b: b, mb: mb}
	dv.stable = dv.on <= unstableOdds*dv.off
	transitions := 1
	for k := range mb.moves {
		r := b.axes[mb.moves[k].axis].radix
		transitions = min(transitions*r*(r+1)/2, 2*mostTransitions)
	}
	dv.series = transitions > mostTransitions
	if !dv.stable || dv.series {
		return dv
	}
	linked := make([]bool, len(b.axes))
	dv.offset = []int{0}
	moves := [][]transition{{{0, 1}}}
	for k := range mb.moves {
		mv := &mb.moves[k]
		ax := b.axes[mv.axis]
		linked[mv.axis] = true
		dv.offset = spread(dv.offset, ax)
		moves = combine(moves, mv, ax.radix)
	}
	dv.rest = []int{0}
	for d, ax := range b.axes {
		if !linked[d] {
			dv.rest = spread(dv.rest, ax)
		}
	}
	dv.from = make([][]transition, len(moves))
	dv.stay = make([]float64, len(moves))
	for a, list := range moves {
		for _, tr := range list {
			if tr.to == a {
				dv.stay[a] = 1 / (dv.off + dv.on*tr.p)
			} else if tr.p > 0 {
				dv.from[a] = append(dv.from[a], transition{tr.to, dv.on * tr.p})
			}
		}
	}
	return dv
}

// spread adds one more axis to the places of its lowest state.
func spread(places []int, ax axis) []int {
	n := len(places)
	for t := 1; t < ax.radix; t++ {
		for _, at := range places[:n] {
			places = append(places, at+t*ax.stride)
		}
	}
	return places
}

// combine extends the transitions between the states of some axes by one more
// axis, whose states are numbered after all states of the others.
func combine(moves [][]transition, mv *move, radix int) [][]transition {
	n := len(moves)
	out := make([][]transition, 0, n*radix)
	for from := range radix {
		for _, list := range moves {
			longer := make([]transition, 0, len(list)*(radix-from))
			for to := from; to < radix; to++ {
				p := mv.mass[to]
				if to == from {
					p = mv.cum[to]
				}
				for _, tr := range list {
					longer = append(longer, transition{tr.to + to*n, tr.p * p})
				}
			}
			out = append(out, longer)
		}
	}
	return out
}

// solve replaces z by the y with (1−p)·y + p·g·T y = z: the lowest states first.
func (dv *divider) solve(z []float64) {
	if dv.series {
		dv.sum(z, raise)
		return
	}
	for a, at := range dv.offset {
		stay := dv.stay[a]
		for _, r := range dv.rest {
			z[at+r] *= stay
		}
		for _, tr := range dv.from[a] {
			to := dv.offset[tr.to]
			for _, r := range dv.rest {
				z[to+r] -= tr.p * z[at+r]
			}
		}
	}
}

// solveT is solve for the transposed operator: the highest states first.
func (dv *divider) solveT(z []float64) {
	if dv.series {
		dv.sum(z, raiseT)
		return
	}
	for a := len(dv.offset) - 1; a >= 0; a-- {
		at := dv.offset[a]
		for _, tr := range dv.from[a] {
			to := dv.offset[tr.to]
			for _, r := range dv.rest {
				z[at+r] -= tr.p * z[to+r]
			}
		}
		stay := dv.stay[a]
		for _, r := range dv.rest {
			z[at+r] *= stay
		}
	}
}

// sum replaces z by Σ_n (−p·g/(1−p))^n T^n z/(1−p), until no entry changes.
func (dv *divider) sum(z []float64, apply func([]float64, axis, *move)) {
	term := make([]float64, len(z))
	for k := range z {
		z[k] /= dv.off
		term[k] = z[k]
	}
	ratio := -dv.on / dv.off
	for changed := true; changed; {
		changed = false
		for k := range dv.mb.moves {
			apply(term, dv.b.axes[dv.mb.moves[k].axis], &dv.mb.moves[k])
		}
		for k := range term {
			term[k] *= ratio
			old := z[k]
			z[k] += term[k]
			changed = changed || z[k] != old
		}
	}
}
