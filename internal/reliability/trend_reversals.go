package reliability

import (
	"math"
	"slices"
)

// Reversals is the answer of the reversal-count test.
type Reversals struct {
	Count     int     // pairs of intervals of one unit of which the later is the longer
	Ties      int     // pairs of equal intervals
	Pairs     int     // all pairs
	Exact     bool    // p-values from the exact distribution; otherwise from the normal approximation
	P         float64 // two-sided: twice the smaller of the next two, at most 1
	Worsening float64 // one-sided, small when intervals get shorter: P(count or fewer), ties counted
	Improving float64 // one-sided, small when intervals get longer: P(count or more), ties not counted
}

// reversalWork bounds the steps of the exact distribution: some tens of milliseconds.
const reversalWork = 2e7

// Reversals counts, within each unit, the pairs of times between events of which the
// later is the longer, and gives the chance of such a count when the order of the
// intervals means nothing (H. B. Mann, Econometrica 13 (1945) 245-259; NIST/SEMATECH
// e-Handbook of Statistical Methods, section 8.2.3.4). Nothing is assumed about the
// length of the intervals. The distribution is that of intervals that all differ; pairs
// of equal ones count, for each one-sided p-value, as what makes it larger, so that
// ties never feign a trend. The p-values are exact up to some hundreds of events, above
// which the normal approximation with continuity correction stands in. Without a pair
// they are 1. Failure-truncated units count in full: the test does not ask how
// observation ended.
func (e *Events) Reversals() Reversals {
	r := Reversals{}
	var sizes []int
	work, variance := 0.0, 0.0
	for _, u := range e.units {
		n := len(u.Events)
		if n < 2 {
			continue
		}
		sizes = append(sizes, n)
		gaps := u.gaps()
		r.Ties += ties(gaps)
		r.Count += ascents(gaps, make([]float64, n))
		r.Pairs += n * (n - 1) / 2
		work += float64(n)
		variance += float64(n) * float64(n-1) * float64(2*n+5) / 72
	}
	if r.Exact = work*float64(r.Pairs) <= reversalWork; r.Exact {
		p := inversions(sizes, r.Pairs)
		r.Worsening, r.Improving = upTo(p, r.Count+r.Ties), upTo(p, r.Pairs-r.Count)
	} else {
		mean, sd := float64(r.Pairs)/2, math.Sqrt(variance)
		r.Worsening = upperNormal((mean - .5 - float64(r.Count+r.Ties)) / sd)
		r.Improving = upperNormal((float64(r.Count) - .5 - mean) / sd)
	}
	r.P = min(1, 2*min(r.Worsening, r.Improving))
	return r
}

// ties counts the pairs of equal values.
func ties(x []float64) int {
	sorted := slices.Sorted(slices.Values(x))
	count, run := 0, 0
	for i := 1; i < len(sorted); i++ {
		if run++; sorted[i] != sorted[i-1] {
			run = 0
		}
		count += run
	}
	return count
}

// ascents counts the pairs i < j with x[i] < x[j] by merging; it sorts x.
func ascents(x, spare []float64) int {
	if len(x) < 2 {
		return 0
	}
	half := len(x) / 2
	left, right := x[:half], x[half:]
	count := ascents(left, spare) + ascents(right, spare)
	merged := spare[:0]
	i := 0
	for _, v := range right {
		for i < len(left) && left[i] < v {
			merged = append(merged, left[i])
			i++
		}
		count += i
		merged = append(merged, v)
	}
	merged = append(merged, left[i:]...)
	copy(x, merged)
	return count
}

// inversions is the chance of each count when the orders within all units are by
// chance. Its generating function is the product of (1 + q + … + q^(k−1))/k for
// k = 2…n over the units (Mann 1945): each factor takes the mean of the k counts below.
func inversions(sizes []int, pairs int) []float64 {
	p, next := make([]float64, pairs+1), make([]float64, pairs+1)
	p[0] = 1
	degree := 0
	for _, n := range sizes {
		for k := 2; k <= n; k++ {
			degree += k - 1
			sum := 0.0
			// The counts read the same from both ends. In the first half they only
			// grow, so that what leaves the sum is small and costs no digits.
			for c := 0; c <= degree/2; c++ {
				sum += p[c]
				if c >= k {
					sum -= p[c-k]
				}
				next[c], next[degree-c] = sum/float64(k), sum/float64(k)
			}
			p, next = next, p
		}
	}
	return p
}

// upTo is the chance of at most the count.
func upTo(p []float64, count int) float64 {
	sum := 0.0
	for _, v := range p[:min(count+1, len(p))] {
		sum += v
	}
	return min(sum, 1)
}
