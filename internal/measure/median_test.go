package measure

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestBatcherSorts by the zero-one principle (Knuth, vol. 3, 5.3.4, theorem Z): a
// network that sorts every list of zeros and ones sorts every list.
func TestBatcherSorts(t *testing.T) {
	t.Parallel()
	for n := 1; n <= 13; n++ {
		net := batcher(n)
		for bits := range 1 << n {
			x := make([]int, n)
			for i := range x {
				x[i] = bits >> i & 1
			}
			for _, e := range net {
				x[e.lo], x[e.hi] = min(x[e.lo], x[e.hi]), max(x[e.lo], x[e.hi])
			}
			if !slices.IsSorted(x) {
				t.Fatalf("%d values, pattern %b: %v", n, bits, x)
			}
		}
	}
}

// TestMedianRows: the network's median is the sorted list's, bit by bit.
func TestMedianRows(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n, rows := rapid.IntRange(1, 40).Draw(t, "n"), rapid.IntRange(1, 5).Draw(t, "rows")
		num := rapid.SliceOfN(rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, math.Copysign(0, -1), 1, -1, math.Inf(1), math.Inf(-1)})), n*rows, n*rows).Draw(t, "num")
		out := make([]float64, rows)
		if !medianRows(out, num, n, make([]int64, n*rows)) {
			t.Fatal("refused without a NaN")
		}
		for i := range rows {
			list := make([]float64, n)
			for j := range list {
				list[j] = num[j*rows+i]
			}
			if want := median(list); math.Float64bits(want) != math.Float64bits(out[i]) && !(math.IsNaN(want) && math.IsNaN(out[i])) {
				t.Fatalf("%v: %v, want %v", list, out[i], want)
			}
			if one := medianOf(list, make([]int64, n)); math.Float64bits(one) != math.Float64bits(out[i]) && !(math.IsNaN(one) && math.IsNaN(out[i])) {
				t.Fatalf("%v: row by row %v, in columns %v", list, one, out[i])
			}
		}
	})
	if medianRows(make([]float64, 1), []float64{1, math.NaN(), 2}, 3, make([]int64, 3)) {
		t.Error("a NaN has no place in the order")
	}
	if got := medianOf([]float64{1, math.NaN(), 2}, make([]int64, 3)); got != 1 {
		t.Errorf("NaN sorts first, so that 1 is in the middle: %v", got)
	}
}
