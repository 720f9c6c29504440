package reliability

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// Bounds of 95 % must cover the truth in 93 to 97 % of simulated data sets. Seeds are
// fixed, so a run gives the same counts every time. Bounds that are conservative by
// construction are tried where counts are large enough for that to fade.

const simulations = 3000

// coverage counts how often bounds hold the truth.
type coverage struct {
	truth         float64
	n, below, out int
}

func (c *coverage) add(e Estimate) {
	c.n++
	switch {
	case !(e.Lower <= c.truth):
		c.out++
	case !(e.Upper >= c.truth):
		c.out++
		c.below++
	}
}

func (c *coverage) check(t *testing.T, name string) {
	t.Helper()
	share := 1 - float64(c.out)/float64(c.n)
	t.Logf("%s: %.2f %% of %d, %d misses below and %d above the truth", name, 100*share, c.n, c.below, c.out-c.below)
	if share < .93 || share > .97 {
		t.Errorf("%s: 95 %% bounds cover %.2f %% of %d", name, 100*share, c.n)
	}
}

// powerLawUnit is one unit with events at the intensity of a power law, observed from
// start to end.
func powerLawUnit(r *rand.Rand, shape, scale, start, end float64) Unit {
	u := Unit{Start: start, End: end}
	for m := scale * math.Pow(start, shape); ; {
		m += r.ExpFloat64()
		t := math.Pow(m/scale, 1/shape)
		if t > end {
			return u
		}
		if t > start {
			u.Events = append(u.Events, t)
		}
	}
}

func TestPowerLawBoundsCover(t *testing.T) {
	t.Parallel()
	for i, tc := range []struct {
		name         string
		shape, scale float64
		exact        bool
		unit         func(r *rand.Rand, i int) (start, end float64)
		units        int
	}{
		{"one unit", 1.4, .1, true, func(*rand.Rand, int) (float64, float64) { return 0, 40 }, 1},
		{"equal ages", .7, .2, true, func(*rand.Rand, int) (float64, float64) { return 0, 30 }, 12},
		{"unequal ages", 1.3, .02, false, func(r *rand.Rand, _ int) (float64, float64) { return 0, 5 + 25*r.Float64() }, 30},
		{"late entry", .8, .2, false, func(r *rand.Rand, _ int) (float64, float64) { s := 10 * r.Float64(); return s, s + 20*r.Float64() }, 30},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(uint64(i), 101))
			shape, mtbf := &coverage{truth: tc.shape}, &coverage{}
			n := simulations
			if !tc.exact {
				n /= 3 // The full likelihood takes its time under the race detector.
			}
			for range n {
				units := make([]Unit, tc.units)
				for j := range units {
					start, end := tc.unit(r, j)
					units[j] = powerLawUnit(r, tc.shape, tc.scale, start, end)
				}
				e := mustEvents(t, units...)
				p, err := e.PowerLaw(.95)
				if err != nil {
					t.Fatal(err)
				}
				if p.Exact != tc.exact {
					t.Fatalf("exact bounds: %v", p.Exact)
				}
				if p.Note != "" {
					continue
				}
				shape.add(p.Shape)
				mtbf.truth = 1 / (tc.scale * tc.shape * math.Pow(p.Age, tc.shape-1))
				mtbf.add(p.MTBF)
			}
			shape.check(t, "shape")
			mtbf.check(t, "MTBF")
		})
	}
}

func TestFailureTruncatedBoundsCover(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(5, 102))
	shape, mtbf := &coverage{truth: .6}, &coverage{}
	for range simulations {
		u := Unit{FailureTruncated: true}
		m := 0.0
		for range 6 {
			m += r.ExpFloat64()
			u.Events = append(u.Events, math.Pow(m/.3, 1/.6))
		}
		u.End = u.Events[5]
		p, err := mustEvents(t, u).PowerLaw(.95)
		if err != nil {
			t.Fatal(err)
		}
		shape.add(p.Shape)
		mtbf.truth = 1 / (.3 * .6 * math.Pow(u.End, -.4))
		mtbf.add(p.MTBF)
	}
	shape.check(t, "shape")
	mtbf.check(t, "MTBF")
}

func TestMeanCumulativeBoundsCover(t *testing.T) {
	t.Parallel()
	for i, spread := range []float64{math.Inf(1), 1.5} {
		t.Run(fmt.Sprintf("gamma shape %v", spread), func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(uint64(i), 103))
			covers := [2]*coverage{{truth: .05 * 8}, {truth: .05 * 25}}
			for range simulations / 2 {
				units := make([]Unit, 80)
				for j := range units {
					rate := .05
					if !math.IsInf(spread, 1) {
						rate *= distuv.Gamma{Alpha: spread, Beta: spread, Src: r}.Rand()
					}
					start := 0.0
					if j%4 == 0 {
						start = 6 * r.Float64()
					}
					units[j] = powerLawUnit(r, 1, rate, start, 15+20*r.Float64())
				}
				m, err := mustEvents(t, units...).MeanCumulative(.95)
				if err != nil {
					t.Fatal(err)
				}
				covers[0].add(m.At(8))
				covers[1].add(m.At(25))
			}
			covers[0].check(t, "at 8")
			covers[1].check(t, "at 25")
		})
	}
}

func TestExactBoundsCover(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(9, 104))
	poisson := func(mean float64) int { return int(distuv.Poisson{Lambda: mean, Src: r}.Rand()) }
	rate, mtbf, ratio, share := &coverage{truth: 1.5}, &coverage{truth: 1 / 1.5}, &coverage{truth: 2.5}, &coverage{truth: .3}
	for range 2 * simulations {
		n := poisson(1.5 * 60)
		value, lower, upper, err := Garwood(n, 60, .95)
		if err != nil {
			t.Fatal(err)
		}
		rate.add(Estimate{value, lower, upper})
		m, err := MTBF(n, 60, .95, false)
		if err != nil {
			t.Fatal(err)
		}
		mtbf.add(m)
		c, err := RateRatio(Count{poisson(2.5 * 40), 40}, Count{poisson(90), 90}, .95)
		if err != nil {
			t.Fatal(err)
		}
		ratio.add(c.Ratio)
		s, err := ClopperPearson(int(distuv.Binomial{N: 400, P: .3, Src: r}.Rand()), 400, .95)
		if err != nil {
			t.Fatal(err)
		}
		share.add(s)
	}
	rate.check(t, "Garwood")
	mtbf.check(t, "MTBF")
	ratio.check(t, "rate ratio")
	share.check(t, "Clopper-Pearson")
}

func TestShrunkBoundsCoverOnAverage(t *testing.T) {
	t.Parallel()
	for _, n := range []int{12, 30, 120} {
		t.Run(fmt.Sprintf("%d groups", n), func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(uint64(n), 105))
			covers := &coverage{}
			for range 3600 / n {
				truth := make([]float64, n)
				groups := make([]Count, n)
				for i := range groups {
					truth[i] = distuv.Gamma{Alpha: 1.5, Beta: 1.5 / .8, Src: r}.Rand()
					exposure := .2 + 4*r.Float64()
					groups[i] = Count{int(distuv.Poisson{Lambda: truth[i] * exposure, Src: r}.Rand()), exposure}
				}
				s, err := ShrinkRates(groups, .95)
				if err != nil {
					t.Fatal(err)
				}
				for i, g := range s.Groups {
					covers.truth = truth[i]
					covers.add(g.Rate)
				}
			}
			covers.check(t, "shrunk rates")
		})
	}
}

func TestTrendTestsHoldTheirLevel(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 106))
	// Units with rates of their own, none with a trend; the last two tests also where
	// intervals are more even than chance makes them, as they are where parts wear out
	// and are renewed.
	var poisson [5]int
	var renewal [2]int
	for range simulations {
		units := make([]Unit, 8)
		for j := range units {
			start := 3 * r.Float64()
			units[j] = powerLawUnit(r, 1, .2+.4*r.Float64(), start, start+8+20*r.Float64())
		}
		e := mustEvents(t, units...)
		for i, p := range []float64{e.Laplace().P, e.MILHDBK189().P, e.Reversals().P, e.MILHDBK189().Worsening, e.Laplace().Improving} {
			if p < .05 {
				poisson[i]++
			}
		}
		worn, life := Unit{End: 60}, distuv.Gamma{Alpha: 3, Beta: 3, Src: r}
		for at := life.Rand(); at <= 60; at += life.Rand() {
			worn.Events = append(worn.Events, at)
		}
		e = mustEvents(t, worn)
		for i, p := range []float64{e.LewisRobinson().P, e.Reversals().P} {
			if p < .05 {
				renewal[i]++
			}
		}
	}
	for name, c := range map[string]int{"Laplace": poisson[0], "MIL-HDBK-189": poisson[1], "MIL-HDBK-189, worsening": poisson[3],
		"Laplace, improving": poisson[4], "Lewis-Robinson of renewals": renewal[0]} {
		if share := float64(c) / simulations; share < .03 || share > .07 {
			t.Errorf("%s: p below 5 %% in %.2f %%", name, 100*share)
		}
	}
	for name, c := range map[string]int{"reversals": poisson[2], "reversals of renewals": renewal[1]} {
		if share := float64(c) / simulations; share > .065 {
			t.Errorf("%s: p below 5 %% in %.2f %%", name, 100*share)
		}
	}
}
