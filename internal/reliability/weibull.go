package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// Weibull is a Weibull life distribution fitted by maximum likelihood, survival
// exp(−(t/scale)^shape). Times are in the unit of the life data. What cannot be
// estimated is NaN, and Note says why in a sentence; Note is "" when all can.
type Weibull struct {
	Shape  Estimate // no unit: below 1 failures get rarer with age, above 1 more frequent
	Scale  Estimate // the characteristic life, by which 63.2 % have failed
	B10    Estimate // the life by which 10 % have failed
	Median Estimate // the life by which half have failed
	Mean   Estimate // the mean life, scale·Γ(1 + 1/shape)
	LogLik float64  // natural logarithm of the likelihood, density per unit of time
	Note   string
}

// Notes of fits; each says what is missing.
const (
	noteNoRows     = "There are no rows."
	noteNoFailures = "Nothing has failed yet: only a lower bound of life can be given."
	noteOneFailure = "One failure says nothing about the shape: at least two are needed."
	noteSameTime   = "All failures came at the same, longest time: the shape has no upper limit."
	noteNoShape    = "All items came under observation late and the likelihood still rises as the shape nears 0: no shape above 0 is the most likely."
	noteOpenShape  = "Items came under observation late and the data do not exclude a shape near 0: the lives have no bounds."
	noteFew        = "Fewer than five failures: the bounds are wide; see the scale under a fixed shape."
	noteBeyond     = "A life or a bound lies beyond the numbers that can be computed with."
)

// FewFailures is the number of failures below which a shape from elsewhere says more
// than the data do.
const FewFailures = 5

// nearNothing, times the shape at which a search starts, is taken for a shape of 0.
const nearNothing = 1e-6

// Weibull fits shape and scale by maximum likelihood with right censoring and left
// truncation. With r failures and S(b) = Σ (time^b − entry^b) the likelihood is
// largest, for each shape b, at scale^b = S(b)/r, so that only the profile
//
//	l(b) = r·ln b − r·ln(S(b)/r) + (b−1)·Σ_failed ln t − r
//
// remains; its maximum is found by Newton's method in ln b (Lawless, Statistical
// Models and Methods for Lifetime Data, 2nd ed. 2003, section 5.2; the entries by
// conditioning on survival to entry, section 2.4 there). Without entries l has one
// maximum. With entries it may have several or rise towards b = 0, so the shapes are
// looked through first.
//
// Bounds are those of the likelihood ratio: all values of a quantity q for which
// some shape and scale with that q have 2(l_max − l) ≤ χ²(confidence; 1) (Meeker and
// Escobar, Statistical Methods for Reliability Data, 1998, section 8.3). Two-sided.
//
// Fewer than two failures, or all failures at the longest time, leave no shape: see
// WeibullFixed. A confidence outside 0 to 1 is an Invalid error.
func (l *Life) Weibull(confidence float64) (Weibull, error) {
	if err := checkConfidence(confidence); err != nil {
		return Weibull{}, err
	}
	w := Weibull{Shape: unknown(), Scale: unknown(), B10: unknown(), Median: unknown(), Mean: unknown(), LogLik: math.NaN()}
	switch {
	case l.N() == 0:
		w.Note = noteNoRows
	case l.failures == 0:
		w.Note = noteNoFailures
	case l.failures == 1:
		w.Note = noteOneFailure
	case l.steps.time[0] == l.last():
		w.Note = noteSameTime
	}
	if w.Note != "" {
		return w, nil
	}
	p := newProfile(l)
	shape, ok := p.maximum()
	if !ok {
		w.Note = noteNoShape
		return w, nil
	}
	region := p.region(shape, distuv.ChiSquared{K: 1}.Quantile(confidence)/2)
	w.Shape = Estimate{shape, region.lo, region.hi}
	w.LogLik = region.best - p.failures*math.Log(p.longest)
	w.Scale = region.quantity(p, shape, quantile(1-math.Exp(-1)))
	w.B10 = region.quantity(p, shape, quantile(.1))
	w.Median = region.quantity(p, shape, quantile(.5))
	w.Mean = region.quantity(p, shape, meanLife)
	beyond := math.IsNaN(region.lo) || math.IsNaN(region.hi)
	for _, e := range []*Estimate{&w.Scale, &w.B10, &w.Median, &w.Mean} {
		for _, v := range []*float64{&e.Value, &e.Lower, &e.Upper} {
			if *v == 0 || math.IsInf(*v, 0) {
				*v, beyond = math.NaN(), true
			}
		}
	}
	switch {
	case region.lo == 0:
		w.Note = noteOpenShape
	case beyond:
		w.Note = noteBeyond
	case l.failures < FewFailures:
		w.Note = noteFew
	}
	return w, nil
}

// WeibullScale is the characteristic life under a shape that is taken from
// elsewhere, not from the data.
type WeibullScale struct {
	Shape         float64  // as given
	Scale         Estimate // two-sided bounds; NaN without a failure, but for the lower bound
	OneSidedLower float64  // the scale is above this with the confidence
	LogLik        float64  // NaN without a failure
}

// WeibullFixed fits the scale for a given shape, which is how few failures or none
// are judged (Abernethy, The New Weibull Handbook, 5th ed. 2006, chapter 6; Nelson,
// J. Qual. Technol. 17 (1985) 140-146). Under the shape b, time^b is exponential, so
// with S = Σ (time^b − entry^b) and r failures
//
//	scale = (S/r)^(1/b),  bounds (2S/χ²(1−α/2; 2r+2))^(1/b) and (2S/χ²(α/2; 2r))^(1/b)
//
// and one-sided (2S/χ²(1−α; 2r+2))^(1/b), for r = 0 (S/−ln α)^(1/b). The degrees of
// freedom 2r+2 are those of observation that ended by time rather than at a failure,
// the cautious choice. shape is above 0 and finite; there must be rows.
func (l *Life) WeibullFixed(shape, confidence float64) (WeibullScale, error) {
	if err := checkConfidence(confidence); err != nil {
		return WeibullScale{}, err
	}
	switch {
	case !(shape > 0) || math.IsInf(shape, 0):
		return WeibullScale{}, problem.InField("shape", "must be above 0 and finite, is %v", shape)
	case l.N() == 0:
		return WeibullScale{}, problem.InField("time", "must have at least one row")
	}
	p := newProfile(l)
	alpha, r := 1-confidence, p.failures
	logSum := p.sum.at(shape).log
	life := func(share float64) float64 { // of S, in the unit of the data
		return p.longest * math.Exp((logSum+math.Log(share))/shape)
	}
	most := distuv.ChiSquared{K: 2*r + 2}
	w := WeibullScale{
		Shape: shape, LogLik: math.NaN(),
		Scale:         Estimate{math.NaN(), life(2 / most.Quantile(1-alpha/2)), math.NaN()},
		OneSidedLower: life(2 / most.Quantile(1-alpha)),
	}
	if r > 0 {
		w.Scale.Value = life(1 / r)
		w.Scale.Upper = life(2 / distuv.ChiSquared{K: 2 * r}.Quantile(alpha/2))
		w.LogLik = p.at(shape, logSum) - r*math.Log(p.longest)
	}
	return w, nil
}
