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

// pairing is the operator on two two-state axes as a matrix: a to d are the
// states (0,0), (1,0), (0,1), (1,1), and ab is what a gives to b.
type pairing struct {
	aa, ab, ac, ad, bb, bd, cc, cd, dd float64
}

// pair is off·f + on·(both moves of f).
func pair(x, y *move, on, off float64) pairing {
	u1, k1, v1 := x.cum[0], x.cum[1], x.mass[1]
	u2, k2, v2 := on*y.cum[0], on*y.cum[1], on*y.mass[1]
	return pairing{
		aa: u1*u2 + off, ab: v1 * u2, ac: u1 * v2, ad: v1 * v2,
		bb: k1*u2 + off, bd: k1 * v2,
		cc: u1*k2 + off, cd: v1 * k2,
		dd: k1*k2 + off,
	}
}

// apply writes the operator's result on src to dst, which may be src. low and
// high are the strides of the two axes.
func (m *pairing) apply(dst, src []float64, low, high int) {
	for top := 0; top < len(src); top += 2 * high {
		for at := top; at < top+high; at += 2 * low {
			a, b := src[at:at+low], src[at+low:at+2*low]
			c, d := src[at+high:at+high+low], src[at+high+low:at+high+2*low]
			ya, yb := dst[at:at+low], dst[at+low:at+2*low]
			yc, yd := dst[at+high:at+high+low], dst[at+high+low:at+high+2*low]
			b, c, d = b[:len(a)], c[:len(a)], d[:len(a)]
			ya, yb, yc, yd = ya[:len(a)], yb[:len(a)], yc[:len(a)], yd[:len(a)]
			for k, va := range a {
				vb, vc, vd := b[k], c[k], d[k]
				ya[k] = m.aa * va
				yb[k] = m.ab*va + m.bb*vb
				yc[k] = m.ac*va + m.cc*vc
				yd[k] = (m.ad*va + m.bd*vb) + (m.cd*vc + m.dd*vd)
			}
		}
	}
}

// applyT is apply for the transposed operator.
func (m *pairing) applyT(dst, src []float64, low, high int) {
	for top := 0; top < len(src); top += 2 * high {
		for at := top; at < top+high; at += 2 * low {
			a, b := src[at:at+low], src[at+low:at+2*low]
			c, d := src[at+high:at+high+low], src[at+high+low:at+high+2*low]
			ya, yb := dst[at:at+low], dst[at+low:at+2*low]
			yc, yd := dst[at+high:at+high+low], dst[at+high+low:at+high+2*low]
			b, c, d = b[:len(a)], c[:len(a)], d[:len(a)]
			ya, yb, yc, yd = ya[:len(a)], yb[:len(a)], yc[:len(a)], yd[:len(a)]
			for k, va := range a {
				vb, vc, vd := b[k], c[k], d[k]
				ya[k] = (m.aa*va + m.ab*vb) + (m.ac*vc + m.ad*vd)
				yb[k] = m.bb*vb + m.bd*vd
				yc[k] = m.cc*vc + m.cd*vd
				yd[k] = m.dd * vd
			}
		}
	}
}

// lift writes the cause's moves on src to dst; liftT the transposed ones.
func (o *op) lift(dst, src []float64) {
	k := 0
	for ; k+1 < len(o.axes) && o.axes[k+1].radix == 2; k += 2 {
		m := pair(&o.moves[k], &o.moves[k+1], 1, 0)
		m.apply(dst, src, o.axes[k].stride, o.axes[k+1].stride)
		src = dst
	}
	if k == 0 {
		copy(dst, src)
	}
	for ; k < len(o.axes); k++ {
		raise(dst, o.axes[k], &o.moves[k])
	}
}

func (o *op) liftT(dst, src []float64) {
	k := 0
	for ; k+1 < len(o.axes) && o.axes[k+1].radix == 2; k += 2 {
		m := pair(&o.moves[k], &o.moves[k+1], 1, 0)
		m.applyT(dst, src, o.axes[k].stride, o.axes[k+1].stride)
		src = dst
	}
	if k == 0 {
		copy(dst, src)
	}
	for ; k < len(o.axes); k++ {
		raiseT(dst, o.axes[k], &o.moves[k])
	}
}

// onePair reports whether the cause moves two two-state axes and no other.
func (o *op) onePair() bool { return len(o.axes) == 2 && o.axes[1].radix == 2 }

// enter writes the vector with one more axis on top to dst; enterT the
// transposed: the sum over that axis. lead holds a number by state and lane.
func enter(dst, src, lead []float64, lanes int, scale float64) {
	for t := 0; t*lanes < len(lead); t++ {
		w := lead[t*lanes : (t+1)*lanes]
		to := dst[t*len(src) : (t+1)*len(src)]
		if lanes == 1 {
			c := scale * w[0]
			for k, v := range src {
				to[k] = c * v
			}
			continue
		}
		if lanes == 2 {
			w0, w1 := scale*w[0], scale*w[1]
			for k := 0; k+1 < len(src) && k+1 < len(to); k += 2 {
				to[k], to[k+1] = w0*src[k], w1*src[k+1]
			}
			continue
		}
		for k := 0; k < len(src); k += lanes {
			f, g := src[k:k+lanes], to[k:k+lanes]
			for l, c := range w {
				g[l] = scale * c * f[l]
			}
		}
	}
}

func enterT(dst, src, lead []float64, lanes int, scale float64) {
	clear(dst)
	for t := 0; t*lanes < len(lead); t++ {
		w := lead[t*lanes : (t+1)*lanes]
		from := src[t*len(dst) : (t+1)*len(dst)]
		if lanes == 2 {
			w0, w1 := scale*w[0], scale*w[1]
			for k := 0; k+1 < len(dst) && k+1 < len(from); k += 2 {
				dst[k] += w0 * from[k]
				dst[k+1] += w1 * from[k+1]
			}
			continue
		}
		for k := 0; k < len(dst); k += lanes {
			f, g := from[k:k+lanes], dst[k:k+lanes]
			for l, c := range w {
				g[l] += scale * c * f[l]
			}
		}
	}
}

// leave writes the weighted sum over one axis to dst; leaveT the transposed.
func leave(dst, src []float64, stride int, weight []float64, scale float64) {
	span := stride * len(weight)
	for from, to := 0, 0; from < len(src); from, to = from+span, to+stride {
		out := dst[to : to+stride]
		clear(out)
		for t, w := range weight {
			if w == 0 {
				continue
			}
			w *= scale
			for k, v := range src[from+t*stride : from+(t+1)*stride] {
				out[k] += w * v
			}
		}
	}
}

func leaveT(dst, src []float64, stride int, weight []float64, scale float64) {
	span := stride * len(weight)
	for to, from := 0, 0; to < len(dst); to, from = to+span, from+stride {
		in := src[from : from+stride]
		for t, w := range weight {
			w *= scale
			out := dst[to+t*stride : to+(t+1)*stride]
			for k, v := range in {
				out[k] = w * v
			}
		}
	}
}

// mix sets t to on·t + off·f, mixLanes the same with numbers by lane.
func mix(t, f []float64, on, off float64) {
	f = f[:len(t)]
	for k, v := range t {
		t[k] = on*v + off*f[k]
	}
}

func mixLanes(t, f, on, off []float64) {
	lanes := len(on)
	off = off[:lanes]
	for k := 0; k < len(t); k += lanes {
		a, b := t[k:k+lanes], f[k:k+lanes]
		for l, c := range on {
			a[l] = c*a[l] + off[l]*b[l]
		}
	}
}

// times multiplies a vector by a number.
func times(f []float64, c float64) {
	for k := range f {
		f[k] *= c
	}
}

// largest is the largest entry.
func largest(f []float64) float64 {
	top := 0.0
	for _, v := range f {
		top = max(top, v)
	}
	return top
}

// dots sets out to ⟨a,b⟩ by lane.
func dots(out, a, b []float64) {
	b = b[:len(a)]
	switch lanes := len(out); lanes {
	case 1:
		out[0] = dot(a, b)
	case 2:
		var s0, s1, s2, s3 float64
		k := 0
		for ; k+4 <= len(a); k += 4 {
			x, y := a[k:k+4:k+4], b[k:k+4:k+4]
			s0 += x[0] * y[0]
			s1 += x[1] * y[1]
			s2 += x[2] * y[2]
			s3 += x[3] * y[3]
		}
		if k < len(a) {
			s0 += a[k] * b[k]
			s1 += a[k+1] * b[k+1]
		}
		out[0], out[1] = s0+s2, s1+s3
	default:
		clear(out)
		for k := 0; k < len(a); k += lanes {
			x, y := a[k:k+lanes], b[k:k+lanes]
			for l, v := range x {
				out[l] += v * y[l]
			}
		}
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
