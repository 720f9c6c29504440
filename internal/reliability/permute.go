package reliability

import (
	"math"
	"math/bits"
	"sort"

	"gonum.org/v1/gonum/mathext/prng"
)

// Permutation is the log-rank comparison judged against arrangements of the same
// items into groups of the same sizes.
type Permutation struct {
	P     float64 // share of arrangements at least as uneven as the one observed
	Count int     // arrangements looked at; with Exact all there are
	Exact bool    // every arrangement was looked at, none drawn
	Seed  uint64  // of the draw; 0 when Exact
}

// How many arrangements are looked at. Up to exactLimit all are; otherwise mostDrawn,
// or fewer with very many rows, down to leastDrawn.
const (
	exactLimit = 50000
	mostDrawn  = 9999
	leastDrawn = 999
	drawBudget = 40_000_000 // rows moved altogether
)

// permute compares U_g = O_g − E_g, the sum over group g of the log-rank scores
//
//	score = failed − (H(time) − H(entry))
//
// with H the Nelson-Aalen hazard of all groups together, under arrangements of the
// items into the groups (Peto and Peto 1972, as for CompareLives; Hothorn and others,
// Amer. Statist. 60 (2006) 257-263, for the conditional view). The measure of
// unevenness is Σ U_g²/n_g; for two groups it orders arrangements as |U| does, so p is
// two-sided. It holds when items enter and are censored alike in all groups. A drawn
// p counts the arrangement observed too, (1 + those as uneven)/(1 + drawn), so that it
// is never 0.
func permute(groups []*Life, o LogRankOptions) Permutation {
	scores, sizes := scores(groups)
	if n, few := arrangements(sizes); few && o.Permutations == 0 {
		return exact(scores, sizes, n)
	}
	return drawn(scores, sizes, o)
}

// scores are the log-rank scores of all items, group after group.
func scores(groups []*Life) (scores []float64, sizes []int) {
	var at, hazard []float64
	sum := 0.0
	for risk := newRiskSet(groups); risk.next(); {
		sum += float64(risk.failedTotal) / float64(risk.total)
		at, hazard = append(at, risk.time), append(hazard, sum)
	}
	upTo := func(t float64) float64 { // H(t)
		i := sort.Search(len(at), func(i int) bool { return at[i] > t })
		if i == 0 {
			return 0
		}
		return hazard[i-1]
	}
	for _, l := range groups {
		sizes = append(sizes, l.N())
		for i, t := range l.time {
			s := -upTo(t)
			if entry := l.entered(i); entry > 0 {
				s += upTo(entry)
			}
			if l.event[i] > 0 {
				s++
			}
			scores = append(scores, s)
		}
	}
	return scores, sizes
}

// arrangements counts the ways to put the items into groups of these sizes; false
// when they are more than exactLimit, or of more rows in all than drawBudget.
func arrangements(sizes []int) (int, bool) {
	count, n := 1.0, 0
	for _, size := range sizes {
		// Item by item, so that no factor grows large before it is divided.
		for i := 1; i <= size; i++ {
			n++
			count = count * float64(n) / float64(i)
		}
		if count > exactLimit+.5 {
			return 0, false
		}
	}
	if count*float64(n) > drawBudget {
		return 0, false
	}
	return int(math.Round(count)), true
}

// uneven is the measure that arrangements are ordered by.
func uneven(sums []float64, sizes []int) float64 {
	total := 0.0
	for g, u := range sums {
		if sizes[g] > 0 {
			total += u * u / float64(sizes[g])
		}
	}
	return total
}

// groupSums adds up the scores of each group.
func groupSums(scores []float64, sizes []int) []float64 {
	sums := make([]float64, len(sizes))
	from := 0
	for g, size := range sizes {
		for _, s := range scores[from : from+size] {
			sums[g] += s
		}
		from += size
	}
	return sums
}

// asUneven is the threshold for an arrangement to count: the observed one less what
// adding in another order can make of it.
func asUneven(scores []float64, sizes []int) float64 {
	return uneven(groupSums(scores, sizes), sizes) * (1 - 1e-9)
}

// exact looks at every arrangement.
func exact(scores []float64, sizes []int, count int) Permutation {
	threshold := asUneven(scores, sizes)
	sums, left := make([]float64, len(sizes)), append([]int(nil), sizes...)
	hits := 0
	var place func(i int)
	place = func(i int) {
		if i == len(scores) {
			if uneven(sums, sizes) >= threshold {
				hits++
			}
			return
		}
		for g := range left {
			if left[g] == 0 {
				continue
			}
			left[g]--
			before := sums[g]
			sums[g] += scores[i]
			place(i + 1)
			sums[g] = before
			left[g]++
		}
	}
	place(0)
	return Permutation{P: float64(hits) / float64(count), Count: count, Exact: true}
}

// drawn looks at random arrangements. Only the items of the smaller groups are drawn,
// by a Fisher-Yates shuffle that stops when they are placed; the largest group gets
// the rest.
func drawn(scores []float64, sizes []int, o LogRankOptions) Permutation {
	threshold := asUneven(scores, sizes)
	largest := 0
	for g, size := range sizes {
		if size > sizes[largest] {
			largest = g
		}
	}
	total := 0.0
	for _, s := range scores {
		total += s
	}
	count := o.Permutations
	if count == 0 {
		count = min(max(drawBudget/max(len(scores)-sizes[largest], 1), leastDrawn), mostDrawn)
	}
	source := prng.NewXoshiro256starstar(o.Seed)
	sums, hits := make([]float64, len(sizes)), 0
	for range count {
		from, rest := 0, total
		for g, size := range sizes {
			if g == largest {
				continue
			}
			sums[g] = 0
			for end := from + size; from < end; from++ {
				other := from + int(below(source.Uint64, uint64(len(scores)-from)))
				scores[from], scores[other] = scores[other], scores[from]
				sums[g] += scores[from]
			}
			rest -= sums[g]
		}
		sums[largest] = rest
		if uneven(sums, sizes) >= threshold {
			hits++
		}
	}
	return Permutation{P: float64(1+hits) / float64(1+count), Count: count, Seed: o.Seed}
}

// below draws a number from 0 to n−1, each as likely as the other, by multiplication
// and rejection (Lemire, ACM Trans. Model. Comput. Simul. 29 (2019) 3).
func below(draw func() uint64, n uint64) uint64 {
	high, low := bits.Mul64(draw(), n)
	if low < n {
		for floor := -n % n; low < floor; {
			high, low = bits.Mul64(draw(), n)
		}
	}
	return high
}
