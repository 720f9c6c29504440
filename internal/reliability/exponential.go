package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Exponential is an exponential life distribution: a constant failure rate.
type Exponential struct {
	Mean          Estimate // mean life in the unit of the life data; without a failure only Lower is known
	OneSidedLower float64  // the mean life is above this with the confidence
	LogLik        float64  // natural logarithm of the likelihood; NaN without a failure
	Note          string
}

// Exponential returns the mean life T/r for r failures in T = Σ (time − entry) under
// observation, with right censoring and left truncation. The bounds are Garwood's of
// the rate, turned over: exact when observation ends by time, cautious otherwise
//
//	2T/χ²(1−α/2; 2r+2) and 2T/χ²(α/2; 2r), one-sided 2T/χ²(1−α; 2r+2)
//
// (NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1). Without a failure the
// one-sided bound is T/−ln α. A confidence outside 0 to 1 is an Invalid error.
func (l *Life) Exponential(confidence float64) (Exponential, error) {
	if err := checkConfidence(confidence); err != nil {
		return Exponential{}, err
	}
	x := Exponential{Mean: unknown(), OneSidedLower: math.NaN(), LogLik: math.NaN()}
	if l.N() == 0 {
		x.Note = noteNoRows
		return x, nil
	}
	exposure := l.Exposure()
	rate, lower, upper, err := Garwood(l.failures, exposure, confidence)
	if err != nil {
		return Exponential{}, err
	}
	oneSided := distuv.ChiSquared{K: 2*float64(l.failures) + 2}.Quantile(confidence)
	x.Mean.Lower, x.OneSidedLower = 1/upper, 2*exposure/oneSided
	if l.failures == 0 {
		x.Note = noteNoFailures
		return x, nil
	}
	x.Mean.Value, x.Mean.Upper = 1/rate, 1/lower
	x.LogLik = float64(l.failures) * (math.Log(rate) - 1)
	return x, nil
}
