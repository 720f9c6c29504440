package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// crowBounds returns the bounds of φ·S, where φ is the intensity at the end of
// observation times its length, and S = Σ ln(T/t), with a chance of tail left out on
// either side (Crow, Technometrics 24 (1982) 67-72; the tables of MIL-HDBK-189 for the
// MTBF are n²/upper and n²/lower).
//
// Time-truncated: given S = s, the number of events has the distribution
//
//	P(n) = (φs)^n / (n!·(n−1)!) / Σ_j (φs)^j / (j!·(j−1)!), n ≥ 1
//
// free of the shape, so the bounds are those x = φs at which P(N ≥ n) and P(N ≤ n) are
// the tail. They cover with at least the confidence, since n is a whole number. With
// one event the lower bound is 0.
//
// Failure-truncated: φ·S is the product of two independent gamma variables with shapes
// n and n−1, and the bounds are its quantiles. One event then says nothing: NaN.
func crowBounds(n, tail float64, failureTruncated bool) (lower, upper float64) {
	if failureTruncated {
		if n < 2 {
			return math.NaN(), math.NaN()
		}
		cdf := gammaProduct(n)
		return positiveRoot(func(x float64) float64 { return tail - cdf(x) }, n*(n-1)),
			positiveRoot(func(x float64) float64 { return 1 - tail - cdf(x) }, n*(n-1))
	}
	if n > 1 {
		lower = positiveRoot(func(x float64) float64 {
			_, above := countTails(n, x)
			return tail - above
		}, n*n)
	}
	upper = positiveRoot(func(x float64) float64 {
		below, _ := countTails(n, x)
		return below - tail
	}, n*n)
	return lower, upper
}

// positiveRoot finds where a falling function passes 0 at an argument above 0.
func positiveRoot(f func(float64) float64, start float64) float64 {
	inLog := func(v float64) float64 { return f(math.Exp(v)) }
	lo, fLo, hi, fHi, found := bracket(inLog, math.Log(start), .25)
	if !found {
		return math.NaN()
	}
	return math.Exp(root(inLog, lo, fLo, hi, fHi))
}

// countTails are P(N ≤ n) and P(N ≥ n) of the distribution of crowBounds. The terms
// are summed outward from n, each from the one before: j+1 over j is x/((j+1)·j).
func countTails(n, x float64) (below, above float64) {
	down, up := 0.0, 0.0
	for j, term := n, 1.0; j > 1; j-- {
		term *= j * (j - 1) / x
		down += term
		if term < eps*down {
			break
		}
	}
	for j, term := n, 1.0; ; j++ {
		ratio := x / ((j + 1) * j)
		term *= ratio
		up += term
		if ratio < .5 && term < eps*up || term == 0 {
			break
		}
		if math.IsInf(up, 0) {
			return 0, 1
		}
	}
	total := down + 1 + up
	if math.IsInf(down, 0) {
		return 1, 0
	}
	return (down + 1) / total, (1 + up) / total
}

// gammaProduct returns the distribution function of the product of two independent
// gamma variables with shapes n and n−1 and scale 1: the first stays below x/y for each
// y that the second may take. The integral over ln y is taken by the trapezoidal rule,
// which converges faster than any power for such smooth, vanishing integrands.
func gammaProduct(n float64) func(float64) float64 {
	const nodes = 64
	first, second := distuv.Gamma{Alpha: n, Beta: 1}, distuv.Gamma{Alpha: n - 1, Beta: 1}
	from, to := math.Log(second.Quantile(1e-14)), math.Log(second.Quantile(1-1e-14))
	step := (to - from) / nodes
	var y, weight [nodes + 1]float64
	total := 0.0
	for i := range y {
		v := from + float64(i)*step
		y[i] = math.Exp(v)
		weight[i] = math.Exp(second.LogProb(y[i]) + v)
		total += weight[i]
	}
	return func(x float64) float64 {
		sum := 0.0
		for i := range y {
			sum += weight[i] * first.CDF(x/y[i])
		}
		return sum / total
	}
}
