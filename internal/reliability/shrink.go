package reliability

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// ShrunkRates are the rates of many groups, drawn towards what is usual among them.
type ShrunkRates struct {
	Groups []ShrunkRate // in the order given
	// Order ranks the groups by the lower bound of their rate, the worst first: a
	// group stands high when it is certain to be bad, not when it had bad luck once.
	Order []int
	// Shrunk says that the spread between the groups could be estimated. Otherwise
	// rates and bounds are those of each group alone, and Note says why.
	Shrunk bool
	// Shape and Mean are those of the gamma distribution of the true rates of the
	// groups: mean in events per unit of exposure, coefficient of variation
	// 1/√Shape. NaN when the spread could not be estimated.
	Shape, Mean float64
	Note        string
}

// ShrunkRate is one group.
type ShrunkRate struct {
	Raw  float64  // events per unit of exposure; NaN without exposure
	Rate Estimate // shrunk, with bounds
}

// minSpreadGroups is the number of groups from which on a spread between them may be
// estimated.
const minSpreadGroups = 3

const (
	noteFewGroups = "Fewer than three groups have been under observation: each is judged alone."
	noteNoSpread  = "The groups differ no more than chance explains: each is judged alone."
	noteNoCounts  = "There are no events: each group is judged alone."
)

// ShrinkRates estimates the rates of many groups at once by empirical Bayes. The true
// rates of the groups are taken for draws from a gamma distribution with a shape a and
// a mean m; the counts are then negative binomial, and a and m are those of the
// largest likelihood of all counts. The rate of a group with n events in T has, given
// its count, a gamma distribution with shape a+n and mean (a+n)/(a/m+T): Rate is that
// mean with the quantiles that leave (1−confidence)/2 out on either side (Robbins
// 1956; DuMouchel, Amer. Statistician 53 (1999) 177-190, with a single gamma).
//
// The bounds hold on average over the groups. They take a and m as known, so with few
// groups they are somewhat too narrow. Where the spread cannot be estimated (fewer than
// three groups, no events, or counts that differ no more than Poisson counts of one
// rate do) every group keeps its own rate with Garwood's bounds. A group without
// exposure is given the usual rate, or bounds of 0 and +Inf.
//
// confidence lies between 0 and 1, two-sided. An Invalid error names a count below 0,
// an exposure that is negative or not finite, or events without exposure
// (`groups[2].exposure`).
func ShrinkRates(groups []Count, confidence float64) (*ShrunkRates, error) {
	if err := checkConfidence(confidence); err != nil {
		return nil, err
	}
	var fields []problem.Field
	for i, c := range groups {
		if e := problem.As(c.check(fmt.Sprintf("groups[%d]", i))); e != nil && len(fields) < maxNamed {
			fields = append(fields, e.Fields...)
		}
	}
	if len(fields) > 0 {
		return nil, problem.InFields(fields)
	}
	s := &ShrunkRates{Groups: make([]ShrunkRate, len(groups)), Order: make([]int, len(groups))}
	s.Shape, s.Mean, s.Note = fitSpread(groups)
	s.Shrunk = s.Note == ""
	for i, c := range groups {
		rate, err := s.rate(c, confidence)
		if err != nil {
			return nil, err
		}
		s.Groups[i] = ShrunkRate{Raw: float64(c.Events) / c.Exposure, Rate: rate}
		s.Order[i] = i
	}
	slices.SortStableFunc(s.Order, func(a, b int) int {
		x, y := s.Groups[a].Rate, s.Groups[b].Rate
		return cmp.Or(cmp.Compare(y.Lower, x.Lower), cmp.Compare(y.Value, x.Value))
	})
	return s, nil
}

func (s *ShrunkRates) rate(c Count, confidence float64) (Estimate, error) {
	if s.Shrunk {
		g := distuv.Gamma{Alpha: s.Shape + float64(c.Events), Beta: s.Shape/s.Mean + c.Exposure}
		return Estimate{g.Mean(), g.Quantile((1 - confidence) / 2), g.Quantile((1 + confidence) / 2)}, nil
	}
	if c.Exposure == 0 {
		return Estimate{math.NaN(), 0, math.Inf(1)}, nil
	}
	rate, lower, upper, err := Garwood(c.Events, c.Exposure, confidence)
	return Estimate{rate, lower, upper}, err
}

// fitSpread returns shape and mean of the gamma distribution, or a note that says why
// there is none.
func fitSpread(groups []Count) (shape, mean float64, note string) {
	var f spread
	for _, c := range groups {
		if c.Exposure > 0 {
			f.counts = append(f.counts, float64(c.Events))
			f.exposures = append(f.exposures, c.Exposure)
			f.events += float64(c.Events)
			f.exposure += c.Exposure
		}
	}
	nan := math.NaN()
	switch {
	case len(f.counts) < minSpreadGroups:
		return nan, nan, noteFewGroups
	case f.events == 0:
		return nan, nan, noteNoCounts
	case f.excess() <= 0:
		return nan, nan, noteNoSpread
	}
	f.mean = f.events / f.exposure
	lo, fLo, hi, fHi, found := bracket(f.slope, math.Log(f.momentShape()), .5)
	if !found {
		return nan, nan, noteNoSpread
	}
	shape = math.Exp(root(f.slope, lo, fLo, hi, fHi))
	return shape, f.likeliestMean(shape), ""
}

// spread is the likelihood of negative binomial counts.
type spread struct {
	counts, exposures []float64
	events, exposure  float64
	mean              float64 // likeliest mean for the shape last looked at
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

// digammaStep is ψ(a+n) − ψ(a).
func digammaStep(a, n float64) float64 {
	if n > 50 {
		return mathext.Digamma(a+n) - mathext.Digamma(a)
	}
	sum := 0.0
	for j := range int(n) {
		sum += 1 / (a + float64(j))
	}
	return sum
}
