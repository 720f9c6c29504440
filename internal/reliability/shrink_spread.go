package reliability

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// spread is the likelihood of the counts of groups whose rates are gamma distributed:
// negative binomial counts.
type spread struct {
	counts, exposures []float64 // of the groups with exposure
	events, exposure  float64   // of all together
	mean              float64   // likeliest mean for the shape last looked at
}

func newSpread(groups []Count) *spread {
	f := &spread{}
	for _, c := range groups {
		if c.Exposure > 0 {
			f.counts = append(f.counts, float64(c.Events))
			f.exposures = append(f.exposures, c.Exposure)
			f.events += float64(c.Events)
			f.exposure += c.Exposure
		}
	}
	f.mean = f.events / f.exposure
	return f
}

// fit returns the likeliest shape and mean, or a note that says why there are none.
func (f *spread) fit() (shape, mean float64, note string) {
	nan := math.NaN()
	switch {
	case len(f.counts) < minSpreadGroups:
		return nan, nan, noteFewGroups
	case f.events == 0:
		return nan, nan, noteNoCounts
	case f.excess() <= 0:
		return nan, nan, noteNoSpread
	}
	lo, fLo, hi, fHi, found := bracket(f.slope, math.Log(f.momentShape()), .5)
	if !found {
		return nan, nan, noteNoSpread
	}
	shape = math.Exp(root(f.slope, lo, fLo, hi, fHi))
	return shape, f.likeliestMean(shape), ""
}

// excess is how much the squared deviations exceed those of Poisson counts. The
// likelihood rises as the shape comes down from infinity exactly when it is above 0.
func (f *spread) excess() float64 {
	mean, sum := f.events/f.exposure, -f.events
	for i, x := range f.counts {
		d := x - mean*f.exposures[i]
		sum += d * d
	}
	return sum
}

// momentShape is the shape at which the squared deviations are what they should be,
// Σ(mT)²/excess: where the search starts.
func (f *spread) momentShape() float64 {
	squares := 0.0
	for _, t := range f.exposures {
		squares += f.mean * f.mean * t * t
	}
	return squares / f.excess()
}

// likeliestMean solves Σ (x − mT)/(a + mT) = 0 for m by Newton's method in ln m, from
// the last solution.
func (f *spread) likeliestMean(shape float64) float64 {
	for range 100 {
		value, slope := 0.0, 0.0
		for i, x := range f.counts {
			expected := f.mean * f.exposures[i]
			below := shape + expected
			value += (x - expected) / below
			slope += expected * (shape + x) / (below * below)
		}
		step := max(-1, min(1, value/slope))
		f.mean *= math.Exp(step)
		if math.Abs(step) < 1e-14 {
			break
		}
	}
	return f.mean
}

// slope is the derivative of the likelihood by the shape, at the likeliest mean.
func (f *spread) slope(logShape float64) float64 {
	a := math.Exp(logShape)
	mean := f.likeliestMean(a)
	sum := 0.0
	for i, x := range f.counts {
		sum += digammaStep(a, x) - math.Log1p(mean*f.exposures[i]/a)
	}
	return sum
}

// usualRates is one gamma distribution of the groups' rates, with its weight.
type usualRates struct{ shape, mean, weight float64 }

const (
	weightSpan  = 9   // weights below e^−weightSpan of the largest are left out
	weightNodes = 150 // at most, on either side of the likeliest shape
)

// allowed returns gamma distributions with weights that sum to 1: a and m by what the
// counts say of them, when before any count ln m is flat and a/(a+z) uniform, where z
// is the mean number of events of a group (the prior of Christiansen and Morris). The
// integral over ln a is a sum at even steps; over ln m, which is nearly normal given
// a, it is the Gauss-Hermite rule with three points.
func (f *spread) allowed(likeliest float64) []usualRates {
	typical := f.events / float64(len(f.counts))
	type node struct{ shape, mean, sd, logWeight float64 }
	at := func(logShape float64) node {
		a := math.Exp(logShape)
		mean := f.likeliestMean(a)
		logLik, information := 0.0, 0.0
		for i, x := range f.counts {
			expected := mean * f.exposures[i]
			below := a + expected
			logLik += logRising(a, x) - a*math.Log1p(expected/a) - x*math.Log(below/mean)
			information += a * expected * (a + x) / (below * below)
		}
		return node{a, mean, 1 / math.Sqrt(information), logLik - math.Log(information)/2 + logShape - 2*math.Log(a+typical)}
	}
	start := math.Log(likeliest)
	nodes := []node{at(start)}
	const apart = .05
	curve := (2*nodes[0].logWeight - at(start-apart).logWeight - at(start+apart).logWeight) / (apart * apart)
	step := .6 / math.Sqrt(max(curve, 1))
	top := nodes[0].logWeight
	for _, direction := range []float64{-1, 1} {
		f.mean = nodes[0].mean
		for k := 1; k <= weightNodes; k++ {
			n := at(start + direction*float64(k)*step)
			nodes = append(nodes, n)
			if top = max(top, n.logWeight); n.logWeight < top-weightSpan {
				break
			}
		}
	}
	total := 0.0
	for _, n := range nodes {
		total += math.Exp(n.logWeight - top)
	}
	usual := make([]usualRates, 0, 3*len(nodes))
	for _, n := range nodes {
		weight := math.Exp(n.logWeight-top) / total
		aside := math.Exp(math.Sqrt(3) * n.sd)
		usual = append(usual, usualRates{n.shape, n.mean, weight * 2 / 3}, usualRates{n.shape, n.mean * aside, weight / 6}, usualRates{n.shape, n.mean / aside, weight / 6})
	}
	return usual
}

// fewSteps is up to where a sum is quicker and better than a difference of functions.
const fewSteps = 50

// digammaStep is ψ(a+n) − ψ(a).
func digammaStep(a, n float64) float64 {
	if n > fewSteps {
		return mathext.Digamma(a+n) - mathext.Digamma(a)
	}
	sum := 0.0
	for j := range int(n) {
		sum += 1 / (a + float64(j))
	}
	return sum
}

// logRising is ln Γ(a+n) − ln Γ(a).
func logRising(a, n float64) float64 {
	if n > fewSteps {
		above, _ := math.Lgamma(a + n)
		below, _ := math.Lgamma(a)
		return above - below
	}
	sum := 0.0
	for j := range int(n) {
		sum += math.Log(a + float64(j))
	}
	return sum
}
