package reliability

import (
	"math"
	"testing"

	"nextprobe/internal/problem"
)

func TestGarwoodAgreesWithPublishedBounds(t *testing.T) {
	t.Parallel()
	// Exact 95 % Poisson limits, as R's stats::poisson.test(x) prints them; the
	// limits are those tabulated by F. Garwood, Biometrika 28 (1936) 437-442.
	for _, tc := range []struct {
		events       int
		lower, upper float64
	}{
		{0, 0, 3.688879},
		{1, .025318, 5.571643},
		{2, .242209, 7.224688},
		{5, 1.623486, 11.668332},
		{10, 4.795389, 18.390356},
		{20, 12.216520, 30.888378},
		{100, 81.363991, 121.626794},
	} {
		rate, lower, upper, err := Garwood(tc.events, 1, .95)
		if err != nil {
			t.Fatal(err)
		}
		if rate != float64(tc.events) || math.Abs(lower-tc.lower) > 6e-7 || math.Abs(upper-tc.upper) > 6e-7 {
			t.Errorf("%d events: %v [%.7f, %.7f], want [%v, %v]", tc.events, rate, lower, upper, tc.lower, tc.upper)
		}
	}
}

func TestGarwoodScalesWithExposure(t *testing.T) {
	t.Parallel()
	// R, poisson.test(137, 24.19893): 5.661407, 95 % limits 4.753125 to 6.692709
	// (the worked example of that function's help page).
	rate, lower, upper, err := Garwood(137, 24.19893, .95)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range [][2]float64{{rate, 5.661407}, {lower, 4.753125}, {upper, 6.692709}} {
		if math.Abs(v[0]-v[1]) > 6e-7 {
			t.Errorf("got %.7f, want %v", v[0], v[1])
		}
	}
}

func TestGarwoodRefuses(t *testing.T) {
	t.Parallel()
	for field, call := range map[string]struct {
		events               int
		exposure, confidence float64
	}{
		"events":     {-1, 1, .95},
		"exposure":   {1, 0, .95},
		"confidence": {1, 1, 1},
	} {
		_, _, _, err := Garwood(call.events, call.exposure, call.confidence)
		e := problem.As(err)
		if e == nil || e.Code != problem.Invalid || e.Fields[0].Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	if _, _, _, err := Garwood(1, math.NaN(), .95); err == nil {
		t.Error("an exposure that is no number was taken")
	}
}
