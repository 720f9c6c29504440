package reliability

import (
	"math"
	"slices"
	"testing"
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
	// R 4.2.2: dnbinom maximised by optim, quantiles by qgamma; testdata/reference/events.R.
	within(t, "shape", s.Shape, .822965, 5e-6)
	within(t, "mean", s.Mean, .652291, 5e-6)
	for i, want := range [][3]float64{
		{.060934, .026128, .107520}, {.107476, .016908, .262586}, {.090755, .038915, .160139}, {.116476, .071563, .170290},
		{.587999, .194497, 1.153626}, {.606919, .401401, .847151}, {.788598, .124062, 1.926714}, {.788598, .124062, 1.926714},
		{1.434700, .553316, 2.650187}, {1.940456, 1.324051, 2.653300},
	} {
		within(t, "rate", s.Groups[i].Rate.Value, want[0], 5e-6)
		within(t, "lower", s.Groups[i].Rate.Lower, want[1], 5e-6)
		within(t, "upper", s.Groups[i].Rate.Upper, want[2], 5e-6)
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
	if got := s.Groups[0]; !(got.Rate.Value < got.Raw/10) {
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
	within(t, "the usual rate", got.Rate.Value, s.Mean, 1e-12)
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
