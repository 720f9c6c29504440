// Package reliability is the statistics of lives and of recurrent failures. It is
// pure: lives, events, counts and exposures in, estimates with bounds out.
package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// Garwood returns the rate of a Poisson process, events per unit of exposure,
// with its exact two-sided bounds (Garwood 1936): with α = 1 − confidence and n
// events in exposure T
//
//	lower = χ²(α/2; 2n) / 2T, 0 for n = 0
//	upper = χ²(1−α/2; 2n+2) / 2T
//
// The bounds are exact in that they cover the true rate with at least the
// confidence, also for few events. events is 0 or more; exposure, in any unit,
// is above 0 and finite; confidence lies between 0 and 1. Anything else is an
// Invalid error naming the argument.
func Garwood(events int, exposure, confidence float64) (rate, lower, upper float64, err error) {
	switch {
	case events < 0:
		return 0, 0, 0, problem.InField("events", "must be 0 or more, is %d", events)
	case !(exposure > 0) || math.IsInf(exposure, 0):
		return 0, 0, 0, problem.InField("exposure", "must be above 0 and finite, is %v", exposure)
	case !(confidence > 0 && confidence < 1):
		return 0, 0, 0, problem.InField("confidence", "must lie between 0 and 1, is %v", confidence)
	}
	n := float64(events)
	tail := (1 - confidence) / 2
	if events > 0 {
		lower = distuv.ChiSquared{K: 2 * n}.Quantile(tail) / 2 / exposure
	}
	upper = distuv.ChiSquared{K: 2*n + 2}.Quantile(1-tail) / 2 / exposure
	return n / exposure, lower, upper, nil
}
