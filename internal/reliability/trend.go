package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Trend is the answer of a test against events at a constant rate. Every p-value is
// NaN when there are too few events for the test.
type Trend struct {
	// Statistic is the test's own figure: a normal deviate, above 0 when events get
	// more frequent, or for MILHDBK189 a chi-square, large when they get rarer.
	Statistic float64
	DF        int     // degrees of freedom of a chi-square, 0 for a normal deviate
	Events    int     // events that the test looks at
	P         float64 // two-sided: twice the smaller of the next two, at most 1
	Worsening float64 // one-sided, small when events get more frequent with age
	Improving float64 // one-sided, small when events get rarer with age
}

func noTrend(df, events int) Trend {
	nan := math.NaN()
	return Trend{Statistic: nan, DF: df, Events: events, P: nan, Worsening: nan, Improving: nan}
}

func normalTrend(z float64, events int) Trend {
	if math.IsNaN(z) || math.IsInf(z, 0) {
		return noTrend(0, events)
	}
	return Trend{Statistic: z, Events: events, P: math.Erfc(math.Abs(z) / math.Sqrt2), Worsening: upperNormal(z), Improving: upperNormal(-z)}
}

func upperNormal(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// Laplace tests all units together for a trend (Cox and Lewis, The Statistical
// Analysis of Series of Events, 1966, section 3.3; pooled as in Ascher and Feingold,
// Repairable Systems Reliability, 1984): with events t_ij of unit i, observed from a_i
// to b_i,
//
//	U = Σ (t_ij − (a_i+b_i)/2) / √(Σ n_i (b_i−a_i)²/12)
//
// is a normal deviate when each unit has a constant rate, which need not be the same
// for all. For a failure-truncated unit b_i is its last event, which is not counted.
// The approximation is good from some four events on. When the events of a unit are
// not independent a trend may be seen where there is none: see LewisRobinson.
func (e *Events) Laplace() Trend {
	above, variance, n := 0.0, 0.0, 0
	for _, u := range e.units {
		events, width := u.free(), u.End-u.Start
		for _, t := range events {
			// The distance from the middle of the observation, written so that
			// large ages do not cost digits.
			above += ((t - u.Start) - (u.End - t)) / 2
		}
		variance += float64(len(events)) * width * width / 12
		n += len(events)
	}
	return normalTrend(above/math.Sqrt(variance), n)
}

// MILHDBK189 is the test of MIL-HDBK-189 (1981, 189C 2011) for all units together
//
//	χ² = 2 Σ ln((b_i−a_i)/(t_ij−a_i)), with 2N degrees of freedom
//
// over the N events that are chance: of a failure-truncated unit the last is left
// out, so that a single such unit has 2(N−1). The distribution is exact when each unit
// has a constant rate, which need not be the same for all. It is the conditional test
// of a power law for the shape 1: large values say that events get rarer with age,
// small ones that they get more frequent. A unit that came under observation at the
// age a_i is judged by its time under observation.
func (e *Events) MILHDBK189() Trend {
	chi2, n := 0.0, 0
	for _, u := range e.units {
		for _, t := range u.free() {
			chi2 -= 2 * math.Log((t-u.Start)/(u.End-u.Start))
			n++
		}
	}
	if n == 0 {
		return noTrend(0, 0)
	}
	chi := distuv.ChiSquared{K: float64(2 * n)}
	t := Trend{Statistic: chi2, DF: 2 * n, Events: n, Worsening: chi.CDF(chi2), Improving: chi.Survival(chi2)}
	t.P = min(1, 2*min(t.Worsening, t.Improving))
	return t
}

// LewisRobinson is Laplace's test for events that come at no constant chance but as a
// renewal process, as when each repair makes the item new (Lewis and Robinson, in
// Reliability and Biometry, 1974): U divided by the coefficient of variation of the
// times between events, s/mean with n−1, all units together. A unit's first interval
// counts only where it was followed from new. It is an approximation for many events:
// intervals still open at the end of observation are not counted, so that units with
// one or two events each make the spread look small.
func (e *Events) LewisRobinson() Trend {
	var gaps []float64
	for _, u := range e.units {
		own := u.gaps()
		if u.Start > 0 && len(own) > 0 {
			own = own[1:]
		}
		gaps = append(gaps, own...)
	}
	laplace := e.Laplace()
	if len(gaps) < 2 {
		return noTrend(0, laplace.Events)
	}
	mean, square := 0.0, 0.0
	for _, g := range gaps {
		mean += g
	}
	mean /= float64(len(gaps))
	for _, g := range gaps {
		square += (g - mean) * (g - mean)
	}
	variation := math.Sqrt(square/float64(len(gaps)-1)) / mean
	return normalTrend(laplace.Statistic/variation, laplace.Events)
}

// gaps are the times between events, the first from the start of observation.
func (u Unit) gaps() []float64 {
	gaps := make([]float64, len(u.Events))
	before := u.Start
	for i, t := range u.Events {
		gaps[i], before = t-before, t
	}
	return gaps
}
