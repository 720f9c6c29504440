package reliability

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// ClopperPearson returns the share of successes with its exact two-sided bounds
// (Clopper and Pearson, Biometrika 26 (1934) 404-413): with α = 1 − confidence
//
//	lower = Beta(α/2; x, n−x+1), 0 for x = 0
//	upper = Beta(1−α/2; x+1, n−x), 1 for x = n
//
// They cover the true share with at least the confidence. trials is 0 or more,
// successes lies between 0 and trials, confidence between 0 and 1; without trials the
// share is NaN, between 0 and 1. Anything else is an Invalid error naming the argument.
func ClopperPearson(successes, trials int, confidence float64) (Estimate, error) {
	if err := checkBinomial(successes, trials); err != nil {
		return unknown(), err
	}
	if err := checkConfidence(confidence); err != nil {
		return unknown(), err
	}
	tail := (1 - confidence) / 2
	x, n := float64(successes), float64(trials)
	share := Estimate{x / n, 0, 1}
	if successes > 0 {
		share.Lower = betaQuantile(tail, x, n-x+1)
	}
	if successes < trials {
		// The complement keeps the digits of bounds near 1.
		share.Upper = 1 - betaQuantile(tail, n-x, x+1)
	}
	return share, nil
}

func checkBinomial(successes, trials int) error {
	switch {
	case trials < 0:
		return problem.InField("trials", "must be 0 or more, is %d", trials)
	case successes < 0 || successes > trials:
		return problem.InField("successes", "must lie between 0 and %d, is %d", trials, successes)
	}
	return nil
}

// betaQuantile is the quantile of a beta distribution. The one of gonum is good to
// some nine digits; Newton's method adds the rest.
func betaQuantile(p, a, b float64) float64 {
	beta := distuv.Beta{Alpha: a, Beta: b}
	x := beta.Quantile(p)
	for range 3 {
		step := (mathext.RegIncBeta(a, b, x) - p) / beta.Prob(x)
		if next := x - step; next > 0 && next < 1 && math.Abs(step) < .01*min(x, 1-x) {
			x = next
		}
	}
	return x
}

// ExactP holds the p-values of an exact test. The two-sided ones are of two kinds that
// differ, so whoever shows one names its kind.
type ExactP struct {
	// MinLikelihood is two-sided: the chance of all outcomes that are no more likely
	// than the one seen.
	MinLikelihood float64
	// Doubled is two-sided: twice the smaller one-sided value, at most 1. It agrees
	// with the bounds: below α exactly when these leave the tested value out.
	Doubled float64
	Less    float64 // one-sided, of as many or fewer
	Greater float64 // one-sided, of as many or more
}

func noP() ExactP { return ExactP{math.NaN(), math.NaN(), math.NaN(), math.NaN()} }

// BinomialTest returns the exact p-values of a share of successes being p. trials is 0
// or more, successes between 0 and trials, p between 0 and 1; otherwise it is an
// Invalid error naming the argument. Without trials all p-values are 1.
func BinomialTest(successes, trials int, p float64) (ExactP, error) {
	if err := checkBinomial(successes, trials); err != nil {
		return noP(), err
	}
	if !(p >= 0 && p <= 1) {
		return noP(), problem.InField("p", "must lie between 0 and 1, is %v", p)
	}
	return exactBinomial(successes, trials, p), nil
}

func exactBinomial(successes, trials int, p float64) ExactP {
	e := ExactP{Less: atMost(successes, trials, p), Greater: atLeast(successes, trials, p)}
	e.Doubled = min(1, 2*min(e.Less, e.Greater))
	e.MinLikelihood = min(1, minLikelihood(successes, trials, p))
	return e
}

// atMost is the chance of k successes or fewer.
func atMost(k, n int, p float64) float64 {
	switch {
	case k < 0:
		return 0
	case k >= n:
		return 1
	}
	return mathext.RegIncBeta(float64(n-k), float64(k+1), 1-p)
}

// atLeast is the chance of k successes or more.
func atLeast(k, n int, p float64) float64 {
	switch {
	case k <= 0:
		return 1
	case k > n:
		return 0
	}
	return mathext.RegIncBeta(float64(k), float64(n-k+1), p)
}

// asLikely is how much likelier an outcome may be computed to be and still count as
// equally likely; it is the tolerance of R.
const asLikely = 1e-7

// minLikelihood adds to the tail in which k lies the part of the other tail that is no
// likelier. The likelihood falls from the most likely number to both sides, so the
// border is found by halving.
func minLikelihood(k, n int, p float64) float64 {
	if p == 0 || p == 1 {
		if k == 0 && p == 0 || k == n && p == 1 {
			return 1
		}
		return 0
	}
	limit := logBinomial(k, n, p) + math.Log1p(asLikely)
	mode := min(int(float64(n+1)*p), n)
	unlikely := func(x int) bool { return logBinomial(x, n, p) <= limit }
	switch {
	case k == mode:
		return 1
	case k < mode:
		from := mode + sort.Search(n+1-mode, func(i int) bool { return unlikely(mode + i) })
		return atMost(k, n, p) + atLeast(from, n, p)
	}
	upTo := sort.Search(mode+1, func(i int) bool { return !unlikely(i) }) - 1
	return atMost(upTo, n, p) + atLeast(k, n, p)
}

// logBinomial is the logarithm of the chance of k successes.
func logBinomial(k, n int, p float64) float64 {
	return distuv.Binomial{N: float64(n), P: p}.LogProb(float64(k))
}
