package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// Curve is a survival curve by column, one row a distinct time at which something
// failed. It is a step function, 1 before the first row and constant between rows.
type Curve struct {
	Time     []float64 // in the unit of the life data, ascending
	AtRisk   []int     // items under observation just before Time
	Failed   []int     // items that failed at Time
	Survival []float64 // share of items that outlive Time, between 0 and 1
	SE       []float64 // Greenwood's standard error of Survival; NaN where Survival is 0
	Lower    []float64 // log-log bounds of Survival; NaN where Survival is 0
	Upper    []float64
	last     float64 // the longest time seen
}

// KaplanMeier returns the product-limit estimate of the survival function (Kaplan
// and Meier, J. Amer. Statist. Assoc. 53 (1958) 457-481)
//
//	S(t) = Π_{u≤t} (1 − d(u)/n(u))
//
// with Greenwood's standard error, se² = S² Σ d/(n(n−d)), and log-log bounds
//
//	S^exp(±z·σ),  σ² = Σ d/(n(n−d)) / (ln S)²
//
// which stay between 0 and 1 (Kalbfleisch and Prentice, The Statistical Analysis of
// Failure Time Data, 1980, section 1.3). Items count as at risk at t when
// entry < t ≤ time, so left truncation is allowed for and an item censored at t is
// still at risk there. Every failure mode counts as a failure. Bounds are pointwise.
// confidence lies between 0 and 1, two-sided; otherwise the error is Invalid.
func (l *Life) KaplanMeier(confidence float64) (*Curve, error) {
	if err := checkConfidence(confidence); err != nil {
		return nil, err
	}
	n := len(l.steps.time)
	c := &Curve{
		Time: l.steps.time, AtRisk: l.steps.atRisk, Failed: l.steps.failed, last: l.last(),
		Survival: make([]float64, n), SE: make([]float64, n), Lower: make([]float64, n), Upper: make([]float64, n),
	}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	survival, greenwood := 1.0, 0.0
	for i, d := range l.steps.failed {
		failed, atRisk := float64(d), float64(l.steps.atRisk[i])
		survival *= (atRisk - failed) / atRisk
		greenwood += failed / atRisk / (atRisk - failed) // +Inf when nobody is left
		c.Survival[i] = survival
		if survival == 0 {
			c.SE[i], c.Lower[i], c.Upper[i] = math.NaN(), math.NaN(), math.NaN()
			continue
		}
		root := math.Sqrt(greenwood)
		logS := math.Log(survival)
		spread := math.Exp(-z * root / logS)
		c.SE[i] = survival * root
		c.Lower[i] = math.Exp(logS * spread)
		c.Upper[i] = math.Exp(logS / spread)
	}
	return c, nil
}

// Quantile returns the age by which a share p of the items has failed, p between 0
// and 1 (0.5 is the median life), with the ages at which the upper and the lower
// bound of the curve pass 1−p (Brookmeyer and Crowley, Biometrics 38 (1982) 29-41).
// It is the first time at which the curve is below 1−p; where the curve runs flat
// at 1−p exactly it is the middle of that stretch, as for the median of an even
// number of values. What the curve does not reach is NaN. A p outside is Invalid.
func (c *Curve) Quantile(p float64) (Estimate, error) {
	if !(p > 0 && p < 1) {
		return unknown(), problem.InField("p", "must lie between 0 and 1, is %v", p)
	}
	return Estimate{c.passes(c.Survival, 1-p), c.passes(c.Lower, 1-p), c.passes(c.Upper, 1-p)}, nil
}

// levelTolerance is how near a curve must come to a level to lie on it: products of
// many fractions carry rounding errors. It is the one of R's survival package.
const levelTolerance = 1.5e-8

// passes finds where a falling column passes the level.
func (c *Curve) passes(column []float64, level float64) float64 {
	for i, v := range column {
		if math.IsNaN(v) {
			break // The curve has come to 0, where it has no bounds.
		}
		if v > level+levelTolerance {
			continue
		}
		if v < level-levelTolerance {
			return c.Time[i]
		}
		for j := i + 1; j < len(column); j++ {
			if !(column[j] >= level-levelTolerance) {
				return (c.Time[i] + c.Time[j]) / 2
			}
		}
		return (c.Time[i] + c.last) / 2
	}
	return math.NaN()
}

// At returns the survival at an age with its bounds; 1 without bounds before the
// first failure, NaN beyond the longest time seen unless the curve has come to 0.
func (c *Curve) At(age float64) Estimate {
	if len(c.Time) == 0 || age < c.Time[0] {
		if age > c.last {
			return unknown()
		}
		return Estimate{1, math.NaN(), math.NaN()}
	}
	lo, hi := 0, len(c.Time) // Time[lo] ≤ age < Time[hi]
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; c.Time[mid] <= age {
			lo = mid
		} else {
			hi = mid
		}
	}
	if age > c.last && c.Survival[lo] > 0 {
		return unknown()
	}
	return Estimate{c.Survival[lo], c.Lower[lo], c.Upper[lo]}
}

// Zero returns the time at which the curve comes down to 0, NaN if it does not, and
// whether that is early: with late entries all items under observation may fail before
// others have come, and the curve then stays at 0 though those lived on. An early zero
// says little of life; a Weibull fit does not suffer from it.
func (c *Curve) Zero() (time float64, early bool) {
	for i, s := range c.Survival {
		if s == 0 {
			return c.Time[i], c.Time[i] < c.last
		}
	}
	return math.NaN(), false
}

// Hazard is a cumulative hazard by column, one row a distinct time of failure.
type Hazard struct {
	Time         []float64 // in the unit of the life data, ascending
	Cumulative   []float64 // expected failures of an item kept in service by replacement, no unit
	SE           []float64
	Lower, Upper []float64 // log bounds
}

// NelsonAalen returns the estimate H(t) = Σ_{u≤t} d/n of the cumulative hazard with
// Aalen's variance Σ d/n² (Aalen, Ann. Statist. 6 (1978) 701-726) and log bounds
// H·exp(±z·se/H). Left truncation and ties are treated as in KaplanMeier; the bounds
// are pointwise. A confidence outside 0 to 1 is Invalid.
func (l *Life) NelsonAalen(confidence float64) (*Hazard, error) {
	if err := checkConfidence(confidence); err != nil {
		return nil, err
	}
	n := len(l.steps.time)
	h := &Hazard{Time: l.steps.time, Cumulative: make([]float64, n), SE: make([]float64, n), Lower: make([]float64, n), Upper: make([]float64, n)}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	sum, variance := 0.0, 0.0
	for i, d := range l.steps.failed {
		failed, atRisk := float64(d), float64(l.steps.atRisk[i])
		sum += failed / atRisk
		variance += failed / (atRisk * atRisk)
		h.Cumulative[i], h.SE[i] = sum, math.Sqrt(variance)
		spread := math.Exp(z * h.SE[i] / sum)
		h.Lower[i], h.Upper[i] = sum/spread, sum*spread
	}
	return h, nil
}
