package reliability

import (
	"math"
	"testing"
)

func TestClopperPearsonOfR(t *testing.T) {
	t.Parallel()
	// R 4.2.2, stats::binom.test, 95 %.
	for _, tc := range []struct {
		x, n         int
		lower, upper float64
	}{{0, 10, 0, .308497}, {1, 10, .002529, .445016}, {5, 10, .187086, .812914}, {2, 15, .016576, .404603}, {10, 10, 1 - .308497, 1}} {
		share, err := ClopperPearson(tc.x, tc.n, .95)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "share", share.Value, float64(tc.x)/float64(tc.n), 0)
		within(t, "lower", share.Lower, tc.lower, 6e-7)
		within(t, "upper", share.Upper, tc.upper, 6e-7)
	}
}

func TestClopperPearsonByItsDefinition(t *testing.T) {
	t.Parallel()
	// At each bound the chance of so extreme a number is what is left out on its side.
	for _, n := range []int{1, 2, 7, 40, 1000, 200000} {
		for _, x := range []int{0, 1, n / 3, n / 2, n - 1, n} {
			share, err := ClopperPearson(x, n, .9)
			if err != nil {
				t.Fatal(err)
			}
			if x > 0 {
				within(t, "at the lower bound", atLeast(x, n, share.Lower), .05, 1e-11)
			}
			if x < n {
				within(t, "at the upper bound", atMost(x, n, share.Upper), .05, 1e-11)
			}
		}
	}
}

func TestBinomialTestOfR(t *testing.T) {
	t.Parallel()
	// R 4.2.2, stats::binom.test(x, n, p)$p.value; testdata/reference/events.R.
	for _, tc := range []struct {
		x, n int
		p    float64
		want float64
	}{{3, 20, .35, .0639549587813}, {14, 20, .35, .00170190724437}, {2, 1000, .01, .00596779178152}, {10, 10, .5, .001953125}} {
		p, err := BinomialTest(tc.x, tc.n, tc.p)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "p", p.MinLikelihood, tc.want, 1e-13)
	}
	p, err := BinomialTest(3, 20, .35)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "pbinom(3, 20, .35)", p.Less, .0443756034465, 1e-12)
}

func TestMinLikelihoodBySumming(t *testing.T) {
	t.Parallel()
	for _, n := range []int{1, 2, 9, 30} {
		for _, p := range []float64{0, .01, .2, .5, .77, 1} {
			for k := range n + 1 {
				sum := 0.0
				chance := func(j int) float64 {
					return math.Exp(logBinomial(j, n, .5)+float64(n)*math.Ln2) * math.Pow(p, float64(j)) * math.Pow(1-p, float64(n-j))
				}
				for j := range n + 1 {
					if chance(j) <= chance(k)*(1+asLikely) {
						sum += chance(j)
					}
				}
				within(t, "p", exactBinomial(k, n, p).MinLikelihood, min(1, sum), 1e-12)
			}
		}
	}
}

func TestBinomialRefuses(t *testing.T) {
	t.Parallel()
	_, err := ClopperPearson(3, 2, .95)
	refused(t, err, "successes")
	_, err = ClopperPearson(0, -1, .95)
	refused(t, err, "trials")
	_, err = ClopperPearson(0, 1, 0)
	refused(t, err, "confidence")
	_, err = BinomialTest(-1, 2, .5)
	refused(t, err, "successes")
	_, err = BinomialTest(1, 2, math.NaN())
	refused(t, err, "p")
	share, err := ClopperPearson(0, 0, .95)
	if err != nil || !math.IsNaN(share.Value) || share.Lower != 0 || share.Upper != 1 {
		t.Errorf("no trials: %+v, %v", share, err)
	}
	p, err := BinomialTest(0, 0, .5)
	if err != nil || p != (ExactP{1, 1, 1, 1}) {
		t.Errorf("no trials: %+v, %v", p, err)
	}
}
