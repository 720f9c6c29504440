package reliability

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// region is the set of shapes and scales that the likelihood ratio does not reject:
// those with l ≥ best − drop. Every quantity has its bounds on the edge of it.
type region struct {
	best   float64 // the profile at its maximum
	drop   float64 // half the quantile of χ²
	lo, hi float64 // the shapes at its ends; lo is 0 when no shape is too small
}

// region finds the ends of the region around the most likely shape. One that cannot
// be found is NaN.
func (p *profile) region(shape, drop float64) region {
	g := region{best: p.value(shape), drop: drop}
	// The curvature of the profile in ln(shape) gives the ends in the limit of many
	// failures, where the interpolant is wanted.
	s := p.sum.at(shape)
	curve := -p.failures - shape*shape*p.failures*s.curve
	reach := .5
	if curve < 0 {
		reach = min(1.2*math.Sqrt(-2*drop/curve), 2)
	}
	p.sum.prepare(shape*math.Exp(-reach), shape*math.Exp(reach))
	g.lo = p.end(g, shape, -reach)
	g.hi = p.end(g, shape, reach)
	return g
}

// end walks from the most likely shape, in steps of ln b that start with reach and
// grow, until the profile has dropped too far, and finds where it passes.
func (p *profile) end(g region, shape, reach float64) float64 {
	over := func(b float64) float64 { return p.value(b) - g.best + g.drop }
	from, fFrom := shape, g.drop
	for range 60 {
		to := from * math.Exp(reach)
		if p.allLate && to < shape*nearNothing {
			return 0
		}
		fTo := over(to)
		if math.IsNaN(fTo) || to == 0 || math.IsInf(to, 0) {
			break
		}
		if fTo < 0 {
			return root(over, from, fFrom, to, fTo)
		}
		from, fFrom = to, fTo
		reach *= 1.5
	}
	return math.NaN()
}

// functional is a quantity of a Weibull life, ln q = ln(scale) + shift(shape): its
// shift, and the derivative of the shift by the shape.
type functional func(b float64) (shift, slope float64)

// quantile is the life by which a share p has failed: scale·(−ln(1−p))^(1/shape).
func quantile(p float64) functional {
	k := math.Log(-math.Log1p(-p))
	return func(b float64) (float64, float64) { return k / b, -k / (b * b) }
}

// meanLife is scale·Γ(1 + 1/shape).
func meanLife(b float64) (shift, slope float64) {
	shift, _ = math.Lgamma(1 + 1/b)
	return shift, -mathext.Digamma(1+1/b) / (b * b)
}

// quantity returns a quantity at the most likely shape with its bounds over the
// region. At a shape b inside it, the likelihood falls to the edge at two scales,
//
//	scale^b = S(b)/(r·w),  r·(w − 1 − ln w) = l(b) − best + drop
//
// with one w below 1 and one above. Along either branch the quantity is extreme where
// its derivative by b vanishes; there is one such place, for at the ends of the
// region w = 1 and the derivative, times w − 1, has the sign of −l'(b).
func (g region) quantity(p *profile, shape float64, q functional) Estimate {
	logSum, _ := p.sum.near(shape)
	shift, _ := q(shape)
	out := Estimate{p.longest * math.Exp((logSum-math.Log(p.failures))/shape+shift), math.NaN(), math.NaN()}
	if !(g.lo > 0) || math.IsNaN(g.hi) {
		return out
	}
	out.Lower, out.Upper = g.extreme(p, q, true), g.extreme(p, q, false)
	return out
}

// extreme is the lower bound of a quantity on the branch w above 1, the upper on the other.
func (g region) extreme(p *profile, q functional, above bool) float64 {
	r := p.failures
	edge := func(b float64) (logScale, w, slope float64) {
		logSum, slope := p.sum.near(b)
		w = excess((p.at(b, logSum)-g.best+g.drop)/r, above)
		return (logSum - math.Log(r) - math.Log(w)) / b, w, slope
	}
	stationary := func(b float64) float64 {
		logScale, w, slope := edge(b)
		_, shiftSlope := q(b)
		return (w-1)*(b*shiftSlope-logScale+slope) - p.slope(b, slope)/r
	}
	// At the very ends rounding may leave the profile a hair below the edge.
	b := root(stationary, g.lo, stationary(g.lo), g.hi, stationary(g.hi))
	logScale, _, _ := edge(b)
	shift, _ := q(b)
	return p.longest * math.Exp(logScale+shift)
}
