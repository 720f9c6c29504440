package reliability

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestBenjaminiHochbergOfThePaper(t *testing.T) {
	t.Parallel()
	// The example of Benjamini and Hochberg (1995), section 3.2: of 15 tests the first
	// four are findings at 5 %. Adjusted values of R 4.2.2, p.adjust(p, "BH").
	p := []float64{.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1}
	want := []float64{.0015, .0030, .0095, .035625, .0603, .0638571428571, .0638571428571, .0645, .0765, .4860, .5811818181818, .714875,
		.7532307692308, .8132142857143, 1}
	adjusted, finding, err := BenjaminiHochberg(p, .05)
	if err != nil {
		t.Fatal(err)
	}
	for i := range p {
		within(t, "adjusted", adjusted[i], want[i], 1e-12)
		if finding[i] != (i < 4) {
			t.Errorf("test %d: finding %v", i, finding[i])
		}
	}
}

func TestBenjaminiHochbergKeepsTheOrder(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(3, 9))
	for range 50 {
		p := make([]float64, 1+r.IntN(30))
		for i := range p {
			p[i] = float64(r.IntN(12)) / 40 // Many are equal.
		}
		kept := slices.Clone(p)
		adjusted, finding, err := BenjaminiHochberg(p, .1)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(p, kept) {
			t.Fatal("the input was changed")
		}
		// The step-up rule as the paper words it.
		sorted := slices.Sorted(slices.Values(p))
		border := -1.0
		for k, v := range sorted {
			if v*float64(len(p)) <= .1*float64(k+1) {
				border = v
			}
		}
		for i := range p {
			if finding[i] != (p[i] <= border) {
				t.Errorf("%v: p %v is a finding: %v", p, p[i], finding[i])
			}
			for j := range p {
				if p[i] == p[j] && adjusted[i] != adjusted[j] || p[i] < p[j] && adjusted[i] > adjusted[j] {
					t.Errorf("%v: adjusted %v", p, adjusted)
				}
			}
			if adjusted[i] < p[i] || adjusted[i] > 1 {
				t.Errorf("p %v adjusted to %v", p[i], adjusted[i])
			}
		}
	}
}

func TestBenjaminiHochbergRefuses(t *testing.T) {
	t.Parallel()
	_, _, err := BenjaminiHochberg([]float64{.1, math.NaN()}, .05)
	refused(t, err, "p[1]")
	_, _, err = BenjaminiHochberg([]float64{1.1}, .05)
	refused(t, err, "p[0]")
	_, _, err = BenjaminiHochberg(nil, 0)
	refused(t, err, "level")
	adjusted, finding, err := BenjaminiHochberg(nil, .05)
	if err != nil || len(adjusted) != 0 || len(finding) != 0 {
		t.Errorf("no tests: %v, %v, %v", adjusted, finding, err)
	}
}
