package reliability

import "math"

// profile is the likelihood of the shape with the scale at its best, times in units
// of the longest one.
type profile struct {
	sum      *powerSum
	failures float64
	logs     float64 // Σ ln(time/longest) over the failures
	longest  float64
	allLate  bool // every entry is above 0, so the likelihood stays finite towards shape 0
}

func newProfile(l *Life) *profile {
	p := &profile{sum: newPowerSum(l), failures: float64(l.failures), longest: l.last()}
	p.allLate = len(p.sum.x) == 0
	for i, t := range l.steps.time {
		p.logs += float64(l.steps.failed[i]) * logRatio(t, p.longest)
	}
	return p
}

// at is the profile log likelihood at a shape, given ln S there.
func (p *profile) at(b, logSum float64) float64 {
	r := p.failures
	return r*math.Log(b) - r*(logSum-math.Log(r)) + (b-1)*p.logs - r
}

func (p *profile) value(b float64) float64 {
	logSum, _ := p.sum.near(b)
	return p.at(b, logSum)
}

// slope is the derivative of the profile by the shape, given that of ln S.
func (p *profile) slope(b, sumSlope float64) float64 {
	return p.failures/b + p.logs - p.failures*sumSlope
}

// maximum finds the most likely shape; false when the likelihood is highest at 0.
func (p *profile) maximum() (float64, bool) {
	start := p.start()
	if len(p.sum.late) == 0 {
		return p.climb(start), true
	}
	brackets := p.turns(start)
	for i := 0; i < 8 && len(brackets) == 0 && !p.allLate; i++ {
		// With an item seen from new the likelihood vanishes at 0, so it turns somewhere.
		start /= 4096
		brackets = p.turns(start)
	}
	best, bestValue := 0.0, math.Inf(-1)
	for _, around := range brackets {
		peak := p.between(around[0], around[1])
		if v := p.value(peak); v > bestValue {
			best, bestValue = peak, v
		}
	}
	if p.allLate && p.value(start*nearNothing) > bestValue {
		return 0, false
	}
	return best, best > 0
}

// turns looks through the shapes from 1/4096 of start to 4096 times it, doubling, and
// returns the brackets in which the profile turns from rising to falling. With very
// many items it looks at some of them; between then asks all.
func (p *profile) turns(start float64) [][2]float64 {
	sum := p.sum
	if n := sum.size() / 8192; n > 1 {
		sum = sum.thin(n)
	}
	const doublings = 12
	var out [][2]float64
	previous, rising := 0.0, false
	for i := -doublings; i <= doublings; i++ {
		b := math.Ldexp(start, i)
		up := p.slope(b, sum.at(b).slope) > 0
		if rising && !up {
			out = append(out, [2]float64{previous, b})
		}
		previous, rising = b, up
	}
	return out
}

// between finds the peak in a bracket, which it widens first where all items move
// the peak out of the bracket that some of them gave.
func (p *profile) between(lo, hi float64) float64 {
	f := func(b float64) float64 { return p.slope(b, p.sum.at(b).slope) }
	fLo, fHi := f(lo), f(hi)
	for range 30 {
		if fLo > 0 && fHi < 0 {
			return root(f, lo, fLo, hi, fHi)
		}
		if fLo <= 0 {
			lo /= 1.2
			fLo = f(lo)
		}
		if fHi >= 0 {
			hi *= 1.2
			fHi = f(hi)
		}
	}
	return lo
}

// start guesses the shape from the spread of the log times: for a Weibull life their
// standard deviation is π/(√6·shape).
func (p *profile) start() float64 {
	var n, mean, squares float64
	for _, xs := range [][]float64{p.sum.x, p.sum.late} {
		for _, x := range xs {
			n++
			d := x - mean
			mean += d / n
			squares += d * (x - mean)
		}
	}
	sd := math.Sqrt(squares / n)
	if !(sd > 0) {
		return 1
	}
	return math.Pi / math.Sqrt(6) / sd
}

// climb is Newton's method in ln b on a profile with one maximum. The bracket that
// it tightens on the way catches steps that would leave it.
func (p *profile) climb(b float64) float64 {
	lo, hi := 0.0, math.Inf(1)
	for range 100 {
		s := p.sum.at(b)
		slope := p.slope(b, s.slope)
		if slope > 0 {
			lo = b
		} else {
			hi = b
		}
		curve := -p.failures/(b*b) - p.failures*s.curve
		// In θ = ln b: l' = b·slope, l” = b²·curve + b·slope.
		step := -slope / (b*curve + slope)
		if !(b*curve+slope < 0) {
			step = math.Copysign(.7, slope)
		}
		next := b * math.Exp(min(max(step, -2), 2))
		if !(next > lo && next < hi) {
			if math.IsInf(hi, 1) {
				next = b * 2
			} else {
				next = (lo + hi) / 2
			}
		}
		// So close by, the step just made doubles the digits that are right.
		if math.Abs(next-b) < 1e-9*b {
			return next
		}
		b = next
	}
	return b
}
