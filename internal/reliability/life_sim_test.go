package reliability

import (
	"math"
	"math/rand/v2"
	"testing"
)

// world is a known truth to draw life data from: Weibull lives in units of the scale,
// of mode 1 with a share and of mode 2 else, observed until they are censored or, for
// a fleet, from the age at which the shop first saw them.
type world struct {
	n            int
	shape, share float64
	censored     float64 // observation lasts a time uniform up to this
	late         float64 // entry is uniform up to this; 0 from new
}

func (w world) draw(r *rand.Rand) Columns {
	var c Columns
	for len(c.Time) < w.n {
		life, entry := math.Pow(r.ExpFloat64(), 1/w.shape), w.late*r.Float64()
		if life <= entry {
			continue // Failed before anybody could see it.
		}
		end, event := entry+w.censored*r.Float64(), 1
		if r.Float64() >= w.share {
			event = 2
		}
		if end < life {
			life, event = end, 0
		}
		c.Time, c.Event, c.Entry = append(c.Time, life), append(c.Event, event), append(c.Entry, entry)
	}
	return c
}

// survival is the true share that outlives an age.
func (w world) survival(age float64) float64 { return math.Exp(-math.Pow(age, w.shape)) }

// heldCount counts how often bounds hold the truth.
type heldCount struct{ held, all int }

func (c *heldCount) see(e Estimate, truth float64) {
	c.all++
	if !(truth < e.Lower) && !(truth > e.Upper) { // a missing bound excludes nothing
		c.held++
	}
}

// TestBoundsHoldTheTruth draws from known truths with fixed seeds: 95 % bounds must
// hold in 93 to 97 % of the draws. With 2500 draws chance moves the share by 0.44 %.
func TestBoundsHoldTheTruth(t *testing.T) {
	t.Parallel()
	const draws = 2500
	for name, w := range map[string]world{
		"wear-out from new":  {n: 80, shape: 2, share: .6, censored: 3},
		"early from new":     {n: 80, shape: .8, share: .6, censored: 4},
		"fleet seen late":    {n: 120, shape: 1.5, share: .6, censored: 2.5, late: 1},
		"fleet seen briefly": {n: 160, shape: 1, share: .5, censored: 1, late: 1.5},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(uint64(len(name)), 20261125))
			seen := map[string]*heldCount{}
			see := func(what string, e Estimate, truth float64) {
				if seen[what] == nil {
					seen[what] = &heldCount{}
				}
				seen[what].see(e, truth)
			}
			for range draws {
				w.observe(t, mustLife(t, w.draw(r)), see)
			}
			for what, c := range seen {
				share := float64(c.held) / float64(c.all)
				t.Logf("%-30s %.4f", what, share)
				if c.all != draws || share < .93 || share > .97 {
					t.Errorf("%s: held in %d of %d draws, %.2f %%", what, c.held, c.all, 100*share)
				}
			}
		})
	}
}

func (w world) observe(t *testing.T, l *Life, see func(string, Estimate, float64)) {
	const age = .7
	curve, err := l.KaplanMeier(.95)
	if err != nil {
		t.Fatal(err)
	}
	see("Kaplan-Meier", curve.At(age), w.survival(age))
	median := math.Pow(math.Ln2, 1/w.shape)
	q, err := curve.Quantile(.5)
	if err != nil {
		t.Fatal(err)
	}
	see("median of the curve", q, median)
	hazard, err := l.NelsonAalen(.95)
	if err != nil {
		t.Fatal(err)
	}
	incidence, err := l.AalenJohansen(.95)
	if err != nil {
		t.Fatal(err)
	}
	i := 0
	for i+1 < len(curve.Time) && curve.Time[i+1] <= age {
		i++
	}
	see("Nelson-Aalen", Estimate{hazard.Cumulative[i], hazard.Lower[i], hazard.Upper[i]}, math.Pow(age, w.shape))
	m := incidence.Modes[0]
	see("Aalen-Johansen", Estimate{m.Incidence[i], m.Lower[i], m.Upper[i]}, w.share*(1-w.survival(age)))
	fit, err := l.Weibull(.95)
	if err != nil {
		t.Fatal(err)
	}
	see("shape", fit.Shape, w.shape)
	see("scale", fit.Scale, 1)
	see("B10", fit.B10, math.Pow(-math.Log(.9), 1/w.shape))
	see("median", fit.Median, median)
	see("mean", fit.Mean, math.Gamma(1+1/w.shape))
	fixed, err := l.WeibullFixed(w.shape, .95)
	if err != nil {
		t.Fatal(err)
	}
	see("scale under the true shape", fixed.Scale, 1)
	if w.shape == 1 {
		x, err := l.Exponential(.95)
		if err != nil {
			t.Fatal(err)
		}
		see("exponential mean", x.Mean, 1)
	}
}

// TestComparisonsHoldTheirLevel draws groups that fail alike: a p of 5 % or less must
// come in 3 to 7 % of the draws from χ² with failures enough, and in not more than
// that from arrangements, which are cautious, with few. Left truncated all.
func TestComparisonsHoldTheirLevel(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name         string
		w            world
		sizes        []int
		draws        int
		arrangements int
		from, to     float64
	}{
		{"two groups", world{shape: 1.5, share: 1, censored: 2, late: .5}, []int{40, 60}, 4000, 0, .03, .07},
		{"four groups", world{shape: 1.5, share: 1, censored: 2, late: .5}, []int{30, 40, 50, 30}, 2000, 0, .03, .07},
		{"few, arrangements", world{shape: 1.5, share: 1, censored: 1.2, late: .3}, []int{4, 9}, 2000, 0, .02, .06},
		{"few, drawn", world{shape: 1.5, share: 1, censored: 1, late: .3}, []int{6, 40}, 3000, 399, .035, .065},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(uint64(tc.draws), 5))
			low := 0
			for range tc.draws {
				var groups []*Life
				for _, n := range tc.sizes {
					w := tc.w
					w.n = n
					groups = append(groups, mustLife(t, w.draw(r)))
				}
				result := compare(t, groups, LogRankOptions{Seed: r.Uint64(), Permutations: tc.arrangements})
				p := result.P
				if result.Permutation != nil {
					p = result.Permutation.P
				}
				if p <= .05 {
					low++
				}
			}
			share := float64(low) / float64(tc.draws)
			t.Logf("p ≤ 0.05 in %.4f", share)
			if share < tc.from || share > tc.to {
				t.Errorf("p ≤ 0.05 in %.2f %% of the draws, want %.0f to %.0f %%", 100*share, 100*tc.from, 100*tc.to)
			}
		})
	}
}
