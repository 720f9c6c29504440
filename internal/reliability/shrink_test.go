package reliability

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// pumps are the failures of ten pumps of a power plant in thousands of hours (Gaver
// and O'Muircheartaigh, Technometrics 29 (1987) 1-15).
var pumps = []Count{{5, 94.3}, {1, 15.7}, {5, 62.9}, {14, 126}, {3, 5.24}, {19, 31.4}, {1, 1.05}, {1, 1.05}, {4, 2.1}, {22, 10.5}}

func TestShrunkRatesOfThePumps(t *testing.T) {
	t.Parallel()
	s, err := ShrinkRates(pumps, .9)
	if err != nil {
		t.Fatal(err)
	}
	// R 4.2.2: dnbinom maximised by optim; testdata/reference/events.R.
	within(t, "shape", s.Shape, .822965, 5e-6)
	within(t, "mean", s.Mean, .652291, 5e-6)
	// R 4.2.2: mean and quantiles with shape and mean integrated over a fine grid. The
	// three points over the mean are good to some hundredths with so few groups.
	for i, want := range [][3]float64{
		{.0618735, .0264251, .109210}, {.111523, .0166382, .271859}, {.0920186, .0393387, .162330}, {.117076, .0719165, .171141},
		{.585697, .193699, 1.15363}, {.605603, .400475, .845643}, {.800979, .121831, 2.02713}, {.800979, .121831, 2.02713},
		{1.42220, .519278, 2.75138}, {1.91630, 1.28586, 2.65326},
	} {
		rate := s.Groups[i].Rate
		within(t, "rate", rate.Value, want[0], .03*want[0])
		within(t, "lower", rate.Lower, want[1], .03*want[1])
		within(t, "upper", rate.Upper, want[2], .03*want[2])
		within(t, "raw", s.Groups[i].Raw, float64(pumps[i].Events)/pumps[i].Exposure, 0)
	}
	if want := []int{9, 8, 5, 4, 6, 7, 3, 2, 0, 1}; !slices.Equal(s.Order, want) || !s.Shrunk || s.Note != "" {
		t.Errorf("order %v, want %v; %q", s.Order, want, s.Note)
	}
}

func TestShrunkRatesOfValveSeats(t *testing.T) {
	t.Parallel()
	counts := make([]Count, len(valveSeats))
	for i, u := range valveSeats {
		counts[i] = Count{len(u.Events), u.End}
	}
	s, err := ShrinkRates(counts, .9)
	if err != nil {
		t.Fatal(err)
	}
	// R 4.2.2, as above.
	within(t, "shape", s.Shape, 2.442328, 5e-5)
	within(t, "mean", s.Mean, .001905338, 5e-9)
}

func TestOneUnluckyBoardDoesNotTopTheList(t *testing.T) {
	t.Parallel()
	// Invented: exposures in board-years. The board with two failures in its first
	// fortnight has by far the largest raw rate.
	groups := []Count{{2, .04}, {14, 6.7}, {3, 5}, {1, 4}, {0, 6}, {2, 9}, {1, 3}, {2, 7}, {0, 5}, {1, 6}}
	s, err := ShrinkRates(groups, .9)
	if err != nil {
		t.Fatal(err)
	}
	raw := 0
	for i, g := range s.Groups {
		if g.Raw > s.Groups[raw].Raw {
			raw = i
		}
	}
	if raw != 0 || !s.Shrunk || s.Order[0] != 1 {
		t.Errorf("raw rates put %d first, shrunk ones %v (%q)", raw, s.Order, s.Note)
	}
	if got := s.Groups[0]; !(got.Rate.Value < got.Raw/5) {
		t.Errorf("the unlucky board keeps the rate %v of %v", got.Rate.Value, got.Raw)
	}
}

func TestRatesWithoutSpreadKeepTheirOwnBounds(t *testing.T) {
	t.Parallel()
	for name, groups := range map[string][]Count{
		"two groups":   {{9, 1}, {0, 1}},
		"no events":    {{0, 1}, {0, 2}, {0, 3}, {0, 0}},
		"all alike":    {{2, 1}, {2, 1}, {2, 1}, {2, 1}},
		"no groups":    nil,
		"no exposures": {{0, 0}, {0, 0}, {0, 0}, {0, 0}},
	} {
		s, err := ShrinkRates(groups, .95)
		if err != nil {
			t.Fatal(err)
		}
		if s.Shrunk || s.Note == "" || !math.IsNaN(s.Shape) || !math.IsNaN(s.Mean) || len(s.Order) != len(groups) {
			t.Errorf("%s: %+v", name, s)
		}
		for i, c := range groups {
			if c.Exposure == 0 {
				if r := s.Groups[i].Rate; r.Lower != 0 || !math.IsInf(r.Upper, 1) {
					t.Errorf("%s: without exposure %+v", name, r)
				}
				continue
			}
			_, lower, upper, err := Garwood(c.Events, c.Exposure, .95)
			if err != nil {
				t.Fatal(err)
			}
			within(t, name+", lower", s.Groups[i].Rate.Lower, lower, 0)
			within(t, name+", upper", s.Groups[i].Rate.Upper, upper, 0)
		}
	}
}

func TestShrinkRatesOfAGroupWithoutExposure(t *testing.T) {
	t.Parallel()
	s, err := ShrinkRates(append(slices.Clone(pumps), Count{}), .9)
	if err != nil {
		t.Fatal(err)
	}
	got := s.Groups[10]
	within(t, "the usual rate", got.Rate.Value, s.Mean, .15*s.Mean)
	if !math.IsNaN(got.Raw) {
		t.Errorf("a raw rate of %v without exposure", got.Raw)
	}
	_, err = ShrinkRates([]Count{{1, 1}, {1, 0}}, .9)
	refused(t, err, "groups[1].exposure")
	_, err = ShrinkRates([]Count{{-1, 1}}, .9)
	refused(t, err, "groups[0].events")
	_, err = ShrinkRates(nil, 1)
	refused(t, err, "confidence")
}

func TestManyGroupsAreAllButPlugIn(t *testing.T) {
	t.Parallel()
	// The pumps fifty times over are 500 groups, and one more changes the way the bounds
	// are taken; both must be near the gamma distribution with Shape and Mean.
	many := slices.Repeat(pumps, manyGroups/len(pumps))
	a, err := ShrinkRates(many, .9)
	if err != nil {
		t.Fatal(err)
	}
	b, err := ShrinkRates(append(many, Count{1, 2}), .9)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range pumps {
		g := distuv.Gamma{Alpha: a.Shape + float64(c.Events), Beta: a.Shape/a.Mean + c.Exposure}
		for _, got := range []Estimate{a.Groups[i].Rate, b.Groups[i].Rate} {
			within(t, "rate", got.Value, g.Mean(), .01*g.Mean())
			within(t, "lower", got.Lower, g.Quantile(.05), .02*g.Quantile(.05))
			within(t, "upper", got.Upper, g.Quantile(.95), .02*g.Quantile(.95))
		}
	}
}

func TestMixtureQuantile(t *testing.T) {
	t.Parallel()
	mix := []gammaPart{{distuv.Gamma{Alpha: .3, Beta: 2}, .5}, {distuv.Gamma{Alpha: 40, Beta: 9}, .5}}
	for _, tail := range []float64{.001, .025, .2, .45} {
		below, above := mixtureQuantile(mix, tail, false, .1), mixtureQuantile(mix, tail, true, 5)
		within(t, "below", .5*mix[0].CDF(below)+.5*mix[1].CDF(below), tail, 1e-9)
		within(t, "above", .5*mix[0].Survival(above)+.5*mix[1].Survival(above), tail, 1e-9)
	}
}
