package measure

import (
	"math"
	"slices"
	"sync"
)

// The median of many short lists is most of the work of judging a pack by its
// groups. A sorting network (Batcher's odd-even merge sort, Knuth, The Art of
// Computer Programming, vol. 3, 5.3.4) compares the same places whatever the
// values are, so it needs no branch and runs along a whole column; what does not
// lead to the middle is left out of it.

// exchange is a comparator: the lesser goes to lo. A byte holds every place of a
// list, because MaxList is 256.
type exchange struct{ lo, hi uint8 }

var medianNets [MaxList + 1]struct {
	once sync.Once
	net  []exchange
}

// medianNet returns the comparators that bring the middle of n values to its place.
func medianNet(n int) []exchange {
	m := &medianNets[n]
	m.once.Do(func() {
		all := batcher(n)
		needed := make([]bool, n)
		needed[n/2], needed[(n-1)/2] = true, true
		for i := len(all) - 1; i >= 0; i-- {
			if e := all[i]; needed[e.lo] || needed[e.hi] {
				needed[e.lo], needed[e.hi] = true, true
				m.net = append(m.net, e)
			}
		}
		slices.Reverse(m.net)
	})
	return m.net
}

// batcher is the odd-even merge sort of n values, for any n.
func batcher(n int) (out []exchange) {
	for p := 1; p < n; p *= 2 {
		for k := p; k >= 1; k /= 2 {
			for j := k % p; j+k < n; j += 2 * k {
				for i := range min(k, n-j-k) {
					if (i+j)/(2*p) == (i+j+k)/(2*p) {
						out = append(out, exchange{uint8(i + j), uint8(i + j + k)})
					}
				}
			}
		}
	}
	return out
}

// orderKey maps a number to an integer of the same order, so that comparing needs
// no branch; numberOf maps it back.
func orderKey(x float64) int64 {
	b := int64(math.Float64bits(x))
	return b ^ int64(uint64(b>>63)>>1)
}

func numberOf(k int64) float64 { return math.Float64frombits(uint64(k ^ int64(uint64(k>>63)>>1))) }

// middle is the median of sorted values; adding zero makes one of the two zeros,
// whose order among each other is open.
func middle(a, b float64, n int) float64 {
	if n%2 == 1 {
		return a + 0
	}
	return (a+b)/2 + 0
}

// medianRows writes the median of each row of n columns to out; keys is memory to
// work in. It reports false where a NaN keeps the order from meaning anything.
func medianRows(out, num []float64, n int, keys []int64) bool {
	rows := len(out)
	for i, x := range num[:n*rows] {
		if x != x { //nolint:gocritic // x != x is the test for NaN.
			return false
		}
		keys[i] = orderKey(x)
	}
	for _, e := range medianNet(n) {
		lo, hi := keys[int(e.lo)*rows:][:rows], keys[int(e.hi)*rows:][:rows]
		for i, a := range lo {
			b := hi[i]
			lo[i], hi[i] = min(a, b), max(a, b)
		}
	}
	low, high := keys[(n-1)/2*rows:], keys[n/2*rows:]
	for i := range out {
		out[i] = middle(numberOf(low[i]), numberOf(high[i]), n)
	}
	return true
}

// medianOf is median without a copy; keys is memory to work in, as long as the
// list. It is medianRows for a single row, where a loop over rows would cost more than the exchanges.
func medianOf(x []float64, keys []int64) float64 {
	keys = keys[:len(x)]
	for i, f := range x {
		if f != f { //nolint:gocritic // f != f is the test for NaN.
			return medianInPlace(slices.Clone(x))
		}
		keys[i] = orderKey(f)
	}
	for _, e := range medianNet(len(x)) {
		a, b := keys[e.lo], keys[e.hi]
		keys[e.lo], keys[e.hi] = min(a, b), max(a, b)
	}
	return middle(numberOf(keys[(len(x)-1)/2]), numberOf(keys[len(x)/2]), len(x))
}

// medianInPlace is median on a list it may sort; NaN sorts first.
func medianInPlace(s []float64) float64 {
	slices.Sort(s)
	return middle(s[(len(s)-1)/2], s[len(s)/2], len(s))
}
