package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// Count is a number of events in an exposure (board-years, kilometres).
type Count struct {
	Events   int     // 0 or more
	Exposure float64 // 0 or more and finite; events need an exposure above 0
}

func (c Count) check(name string) error {
	switch {
	case c.Events < 0:
		return problem.InField(name+".events", "must be 0 or more, is %d", c.Events)
	case !(c.Exposure >= 0) || math.IsInf(c.Exposure, 0):
		return problem.InField(name+".exposure", "must be 0 or more and finite, is %v", c.Exposure)
	case c.Exposure == 0 && c.Events > 0:
		return problem.InField(name+".exposure", "must be above 0 where there are events (%d)", c.Events)
	}
	return nil
}

// MTBF returns the mean time between failures of a constant rate with exact two-sided
// bounds (Epstein 1960; NIST/SEMATECH e-Handbook, section 8.4.5.1): with α = 1 −
// confidence and n events in the exposure T
//
//	lower = 2T/χ²(1−α/2; 2n+2), upper = 2T/χ²(α/2; 2n)
//
// when the exposure was fixed beforehand, and with 2n degrees of freedom in both when
// the last event ended it (failureTruncated). It has the unit of the exposure. Without
// events the estimate and the upper bound are +Inf, and the lower bound is the
// one-sided one of confidence 1 − α/2. The arguments are those of Garwood; a
// failure-truncated exposure needs an event. Anything else is an Invalid error.
func MTBF(events int, exposure, confidence float64, failureTruncated bool) (Estimate, error) {
	rate, lower, upper, err := Garwood(events, exposure, confidence)
	if err != nil {
		return unknown(), err
	}
	if failureTruncated {
		if events == 0 {
			return unknown(), problem.InField("events", "must be 1 or more when the last event ended the exposure, is 0")
		}
		upper = distuv.ChiSquared{K: 2 * float64(events)}.Quantile((1+confidence)/2) / 2 / exposure
	}
	return inverse(Estimate{rate, lower, upper}), nil
}

// RateComparison is the answer of RateRatio.
type RateComparison struct {
	// Ratio is the first rate over the second. It is +Inf when only the second has no
	// events, NaN when neither has; an upper bound may be +Inf.
	Ratio Estimate
	P     ExactP // of the two rates being equal; Greater speaks for the first being higher
}

// RateRatio compares two constant rates exactly (Przyborowski and Wilenski,
// Biometrika 31 (1940) 313-323): given n events in all, those of the first are
// binomial with π = T1/(T1+T2) when the rates are equal, and π = ρT1/(ρT1+T2) for a
// ratio ρ, so that Clopper-Pearson's bounds of π give those of ρ. confidence lies
// between 0 and 1, two-sided. An Invalid error names a count below 0, an exposure that
// is not above 0 and finite (`first.exposure`), or a confidence outside.
func RateRatio(first, second Count, confidence float64) (RateComparison, error) {
	none := RateComparison{Ratio: unknown(), P: noP()}
	for _, c := range []struct {
		name string
		Count
	}{{"first", first}, {"second", second}} {
		if err := c.check(c.name); err != nil {
			return none, err
		}
		if c.Exposure == 0 {
			return none, problem.InField(c.name+".exposure", "must be above 0")
		}
	}
	n := first.Events + second.Events
	share, err := ClopperPearson(first.Events, n, confidence)
	if err != nil {
		return none, err
	}
	odds := second.Exposure / first.Exposure
	ratio := func(p float64) float64 { return p / (1 - p) * odds }
	if share.Upper == 1 {
		none.Ratio.Upper = math.Inf(1)
	} else {
		none.Ratio.Upper = ratio(share.Upper)
	}
	answer := RateComparison{Ratio: Estimate{float64(first.Events) / float64(second.Events) * odds, ratio(share.Lower), none.Ratio.Upper}}
	answer.P = exactBinomial(first.Events, n, first.Exposure/(first.Exposure+second.Exposure))
	return answer, nil
}
