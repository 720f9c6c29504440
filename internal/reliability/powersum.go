package reliability

import "math"

// powerSum is S(b) = Σ (time^b − entry^b) over all items, in units of the longest
// time so that no power overflows. The Weibull likelihood depends on the data only
// through it, the failures and the sum of their log times.
type powerSum struct {
	x      []float64 // ln(time / longest), at most 0
	gap    []float64 // ln(entry / time) of the first rows of late; below 0
	late   []float64 // ln(time / longest) of the items with an entry above 0
	smooth *interpolant
}

func newPowerSum(l *Life) *powerSum {
	p := &powerSum{x: make([]float64, 0, len(l.time))}
	longest := l.last()
	for i, t := range l.time {
		x := logRatio(t, longest)
		if entry := l.entered(i); entry > 0 {
			p.late = append(p.late, x)
			p.gap = append(p.gap, logRatio(entry, t))
			continue
		}
		p.x = append(p.x, x)
	}
	return p
}

// logRatio is ln(a/b) also where the ratio itself is too small for a float64.
func logRatio(a, b float64) float64 {
	if ratio := a / b; ratio > 1e-300 {
		return math.Log(ratio)
	}
	return math.Log(a) - math.Log(b)
}

// sums are ln S at a shape and its first two derivatives by the shape.
type sums struct{ log, slope, curve float64 }

// block is how many terms are added up before they join the total, so that the
// rounding errors of a million terms stay those of a thousand.
const block = 1024

// at goes through the data once.
func (p *powerSum) at(b float64) sums {
	var s0, s1, s2 float64
	for from := 0; from < len(p.x); from += block {
		var t0, t1, t2 float64
		for _, x := range p.x[from:min(from+block, len(p.x))] {
			e := math.Exp(b * x)
			t0 += e
			t1 += e * x
			t2 += e * x * x
		}
		s0, s1, s2 = s0+t0, s1+t1, s2+t2
	}
	for from := 0; from < len(p.late); from += block {
		var t0, t1, t2 float64
		for i := from; i < min(from+block, len(p.late)); i++ {
			// The difference of two powers by expm1: an item that is seen for a
			// short while has powers that are nearly the same.
			x, gap := p.late[i], p.gap[i]
			e, lost := math.Exp(b*x), math.Expm1(b*gap)
			kept := 1 + lost
			t0 -= e * lost
			t1 -= e * (x*lost + gap*kept)
			t2 -= e * (x*x*lost + (2*x+gap)*gap*kept)
		}
		s0, s1, s2 = s0+t0, s1+t1, s2+t2
	}
	slope := s1 / s0
	return sums{math.Log(s0), slope, s2/s0 - slope*slope}
}

// near is at without the second derivative, read from the interpolant where there is one.
func (p *powerSum) near(b float64) (log, slope float64) {
	if p.smooth != nil && p.smooth.holds(b) {
		return p.smooth.at(b)
	}
	s := p.at(b)
	return s.log, s.slope
}

// size is the number of items.
func (p *powerSum) size() int { return len(p.x) + len(p.late) }

// thin returns the sum over every n-th item, for looking around.
func (p *powerSum) thin(n int) *powerSum {
	t := &powerSum{}
	for i := 0; i < len(p.x); i += n {
		t.x = append(t.x, p.x[i])
	}
	for i := 0; i < len(p.late); i += n {
		t.late, t.gap = append(t.late, p.late[i]), append(t.gap, p.gap[i])
	}
	return t
}

// manyItems is where an interpolant pays: a search for bounds asks for some sixty
// values of S, the interpolant for fifteen.
const manyItems = 4096

// prepare lays an interpolant over the shapes from lo to hi when there are many
// items. One that is not good to twelve digits is dropped, and S computed anew for
// each shape.
func (p *powerSum) prepare(lo, hi float64) {
	if p.size() < manyItems {
		return
	}
	f := newInterpolant(p, lo, hi)
	for _, share := range []float64{.0213, .487} {
		b := lo + share*(hi-lo)
		exact := p.at(b)
		log, slope := f.at(b)
		if !(math.Abs(log-exact.log) <= 1e-12*(1+math.Abs(exact.log)) && math.Abs(slope-exact.slope) <= 1e-10*(1+math.Abs(exact.slope))) {
			return
		}
	}
	p.smooth = f
}

// interpolant holds ln S and its slope at Chebyshev points, read in between by the
// barycentric formula (Berrut and Trefethen, SIAM Review 46 (2004) 501-517). ln S is
// analytic in the shape, so a dozen points give nearly all digits over a narrow span.
type interpolant struct {
	lo, hi             float64
	at0, weight        []float64
	logValue, slopeVal []float64
}

const chebyshevPoints = 13

func newInterpolant(p *powerSum, lo, hi float64) *interpolant {
	f := &interpolant{lo: lo, hi: hi}
	for j := range chebyshevPoints {
		angle := math.Pi * float64(j) / (chebyshevPoints - 1)
		b := (lo+hi)/2 + (hi-lo)/2*math.Cos(angle)
		weight := 1.0
		if j%2 == 1 {
			weight = -1
		}
		if j == 0 || j == chebyshevPoints-1 {
			weight /= 2
		}
		s := p.at(b)
		f.at0, f.weight = append(f.at0, b), append(f.weight, weight)
		f.logValue, f.slopeVal = append(f.logValue, s.log), append(f.slopeVal, s.slope)
	}
	return f
}

func (f *interpolant) holds(b float64) bool { return b >= f.lo && b <= f.hi }

func (f *interpolant) at(b float64) (log, slope float64) {
	var above0, above1, below float64
	for j, node := range f.at0 {
		if b == node {
			return f.logValue[j], f.slopeVal[j]
		}
		w := f.weight[j] / (b - node)
		above0 += w * f.logValue[j]
		above1 += w * f.slopeVal[j]
		below += w
	}
	return above0 / below, above1 / below
}
