package diagnosis

// The states of the programme are vectors over a lattice: one axis per
// abnormal finding, on it the highest level reached so far (two states for a
// level seen with certainty: not yet reached, reached). A cause that is present
// moves a state up: the new level on an axis is the maximum of the old one and
// the level the cause draws. All such operators commute.

// axis is one finding's place in the vector: entries of its states are stride apart.
type axis struct {
	stride, radix int
}

// move is the effect of one cause on one axis: cum[t] is the probability that
// it draws at most state t, mass[t] that it draws exactly t.
type move struct {
	axis      int
	cum, mass []float64
}

// raise applies a move in place: f'[t] = cum[t]·f[t] + mass[t]·Σ_{s<t} f[s].
func raise(f []float64, ax axis, mv *move) {
	if ax.radix == 2 {
		raiseBit(f, ax.stride, mv.cum[0], mv.cum[1], mv.mass[1])
		return
	}
	span := ax.stride * ax.radix
	for base := 0; base < len(f); base += span {
		for k := base; k < base+ax.stride; k++ {
			below := 0.0
			for t, at := 0, k; t < ax.radix; t, at = t+1, at+ax.stride {
				old := f[at]
				f[at] = mv.cum[t]*old + mv.mass[t]*below
				below += old
			}
		}
	}
}

func raiseBit(f []float64, stride int, stay, keep, reach float64) {
	if stride == 1 {
		for k := 0; k+1 < len(f); k += 2 {
			lo := f[k]
			f[k+1] = keep*f[k+1] + reach*lo
			f[k] = stay * lo
		}
		return
	}
	for base := 0; base < len(f); base += 2 * stride {
		lo := f[base : base+stride]
		hi := f[base+stride : base+2*stride]
		hi = hi[:len(lo)]
		for k, v := range lo {
			hi[k] = keep*hi[k] + reach*v
			lo[k] = stay * v
		}
	}
}

// raiseT applies the transposed move: b'[s] = cum[s]·b[s] + Σ_{t>s} mass[t]·b[t].
func raiseT(b []float64, ax axis, mv *move) {
	if ax.radix == 2 {
		raiseBitT(b, ax.stride, mv.cum[0], mv.cum[1], mv.mass[1])
		return
	}
	span := ax.stride * ax.radix
	for base := 0; base < len(b); base += span {
		for k := base; k < base+ax.stride; k++ {
			above := 0.0
			for t := ax.radix - 1; t >= 0; t-- {
				at := k + t*ax.stride
				old := b[at]
				b[at] = mv.cum[t]*old + above
				above += mv.mass[t] * old
			}
		}
	}
}

func raiseBitT(b []float64, stride int, stay, keep, reach float64) {
	if stride == 1 {
		for k := 0; k+1 < len(b); k += 2 {
			hi := b[k+1]
			b[k] = stay*b[k] + reach*hi
			b[k+1] = keep * hi
		}
		return
	}
	for base := 0; base < len(b); base += 2 * stride {
		lo := b[base : base+stride]
		hi := b[base+stride : base+2*stride]
		hi = hi[:len(lo)]
		for k, v := range hi {
			lo[k] = stay*lo[k] + reach*v
			hi[k] = keep * v
		}
	}
}

// mix sets f to a·f + b·t.
func mix(f, t []float64, a, b float64) {
	t = t[:len(f)]
	for k, v := range f {
		f[k] = a*v + b*t[k]
	}
}

// dot returns ⟨a,b⟩. Four sums keep the processor's adders busy; their order is
// fixed, so equal vectors give equal results.
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float64
	k := 0
	for ; k+4 <= len(a); k += 4 {
		x, y := a[k:k+4:k+4], b[k:k+4:k+4]
		s0 += x[0] * y[0]
		s1 += x[1] * y[1]
		s2 += x[2] * y[2]
		s3 += x[3] * y[3]
	}
	for ; k < len(a); k++ {
		s0 += a[k] * b[k]
	}
	return (s0 + s1) + (s2 + s3)
}
