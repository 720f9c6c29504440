package reliability

import (
	"fmt"
	"math"
	"testing"
)

// row is one printed line of a survival table.
type row struct{ time, survival, se float64 }

func checkRows(t *testing.T, c *Curve, rows []row, tolerance float64) {
	t.Helper()
	for _, want := range rows {
		found := false
		for i, at := range c.Time {
			if at != want.time {
				continue
			}
			found = true
			near(t, fmt.Sprintf("S(%v)", at), c.Survival[i], want.survival, tolerance)
			if want.se > 0 {
				near(t, fmt.Sprintf("se at %v", at), c.SE[i], want.se, tolerance)
			}
		}
		if !found {
			t.Errorf("there is no row at %v", want.time)
		}
	}
}

func TestKaplanMeierOfGehansData(t *testing.T) {
	t.Parallel()
	// Gehan 1965; estimates as R's survival package prints them, the same as in
	// Kalbfleisch and Prentice 1980, table 1.1's worked example (from memory).
	treated, err := mustLife(t, gehan6MP).KaplanMeier(.95)
	if err != nil {
		t.Fatal(err)
	}
	checkRows(t, treated, []row{
		{6, .857143, .076360}, {7, .806723, .086935}, {10, .752941, .096350}, {13, .690196, .106815},
		{16, .627451, .114054}, {22, .537815, .128234}, {23, .448179, .134591},
	}, 6e-7)
	if len(treated.Time) != 7 {
		t.Errorf("%d rows, want the 7 times of failure", len(treated.Time))
	}
	if m, _ := treated.Quantile(.5); m.Value != 23 {
		t.Errorf("median %v, want 23", m.Value)
	}
	placebo, err := mustLife(t, gehanPlacebo).KaplanMeier(.95)
	if err != nil {
		t.Fatal(err)
	}
	checkRows(t, placebo, []row{{1, .904762, 0}, {8, .380952, 0}, {23, 0, 0}}, 6e-7)
	if last := len(placebo.Time) - 1; !math.IsNaN(placebo.SE[last]) || !math.IsNaN(placebo.Lower[last]) || !math.IsNaN(placebo.Upper[last]) {
		t.Error("a curve that has come to 0 has neither error nor bounds")
	}
}

func TestKaplanMeierOfTheHandbook(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook of Statistical Methods, section 8.2.1.5: six failures,
	// four units removed early, ten running at 200 h.
	c, err := mustLife(t, plus(10, 32, 56, 98, 122, 181, -50, -100, -125, -150,
		-200, -200, -200, -200, -200, -200, -200, -200, -200, -200)).KaplanMeier(.95)
	if err != nil {
		t.Fatal(err)
	}
	checkRows(t, c, []row{{10, .95, 0}, {32, .90, 0}, {56, .847059, 0}, {98, .794118, 0}, {122, .737395, 0}, {181, .670359, 0}}, 6e-7)
	if m, _ := c.Quantile(.5); !math.IsNaN(m.Value) {
		t.Errorf("median %v of a curve that never comes to one half", m.Value)
	}
}

func TestCurvesAgreeWithR(t *testing.T) {
	t.Parallel()
	ref := readReference(t)
	for name, tc := range map[string]struct {
		c    Columns
		want refCurve
	}{
		"6-MP":    {gehan6MP, ref.KM6MP},
		"placebo": {gehanPlacebo, ref.KMPlacebo},
		"fleet":   {Columns{Time: ref.Fleet.Time, Event: ref.Fleet.Event, Entry: ref.Fleet.Entry}, ref.KMFleet},
	} {
		l := mustLife(t, tc.c)
		c, err := l.KaplanMeier(.95)
		if err != nil {
			t.Fatal(err)
		}
		h, err := l.NelsonAalen(.95)
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Time) != len(tc.want.Time) {
			t.Fatalf("%s: %d rows, want %d", name, len(c.Time), len(tc.want.Time))
		}
		for i, at := range tc.want.Time {
			what := fmt.Sprintf("%s at %v", name, at)
			near(t, what+": time", c.Time[i], at, 0)
			if c.AtRisk[i] != tc.want.AtRisk[i] || c.Failed[i] != tc.want.Failed[i] {
				t.Errorf("%s: %d of %d failed, want %d of %d", what, c.Failed[i], c.AtRisk[i], tc.want.Failed[i], tc.want.AtRisk[i])
			}
			near(t, what+": survival", c.Survival[i], tc.want.Survival[i], 1e-12)
			nearOrMissing(t, what+": se", c.SE[i], tc.want.SE[i], 1e-12)
			nearOrMissing(t, what+": lower", c.Lower[i], tc.want.Lower[i], 1e-12)
			nearOrMissing(t, what+": upper", c.Upper[i], tc.want.Upper[i], 1e-12)
			near(t, what+": hazard", h.Cumulative[i], tc.want.Hazard[i], 1e-12)
			near(t, what+": se of the hazard", h.SE[i], tc.want.HazardSE[i], 1e-12)
		}
		for p, want := range map[float64][3]*float64{.1: tc.want.P10, .5: tc.want.Median} {
			q, err := c.Quantile(p)
			if err != nil {
				t.Fatal(err)
			}
			nearOrMissing(t, name+": quantile", q.Value, want[0], 1e-12)
			nearOrMissing(t, name+": its lower bound", q.Lower, want[1], 1e-12)
			nearOrMissing(t, name+": its upper bound", q.Upper, want[2], 1e-12)
		}
	}
}

func TestNelsonAalenOfGehansData(t *testing.T) {
	t.Parallel()
	// R, survfit(...)$cumhaz.
	h, err := mustLife(t, gehan6MP).NelsonAalen(.95)
	if err != nil {
		t.Fatal(err)
	}
	last := len(h.Time) - 1
	near(t, "H(23)", h.Cumulative[last], .752114, 6e-7)
	if !(h.Lower[last] < h.Cumulative[last] && h.Cumulative[last] < h.Upper[last]) {
		t.Errorf("bounds %v to %v do not hold %v", h.Lower[last], h.Upper[last], h.Cumulative[last])
	}
}

func TestQuantileConvention(t *testing.T) {
	t.Parallel()
	// Without censoring the median is that of the values, also of an even number.
	for _, tc := range []struct {
		c    Columns
		p    float64
		want float64
	}{
		{plus(1, 2, 3, 4), .5, 2.5},
		{plus(1, 2, 3), .5, 2},
		{plus(1, 2, -3, -7), .5, 4.5}, // flat at one half to the longest time: the middle, as R
		{plus(1, -2, -3), .5, math.NaN()},
		{plus(10, 20, 30, 40, 50, 60, 70, 80, 90, 100), .1, 15}, // .9 = 9/10 is met exactly
		{plus(10, 20, 30, 40, 50, 60, 70, 80, 90, 100), .11, 20},
	} {
		c, _ := mustLife(t, tc.c).KaplanMeier(.95)
		q, err := c.Quantile(tc.p)
		if err != nil || !(q.Value == tc.want || math.IsNaN(q.Value) && math.IsNaN(tc.want)) {
			t.Errorf("%v: quantile %v is %v (%v), want %v", tc.c, tc.p, q.Value, err, tc.want)
		}
		if _, err := c.Quantile(1); err == nil {
			t.Error("a quantile of 1 was taken")
		}
	}
}

func TestCurveAt(t *testing.T) {
	t.Parallel()
	c, _ := mustLife(t, gehan6MP).KaplanMeier(.95)
	for at, want := range map[float64]float64{1: 1, 6: .857143, 6.5: .857143, 22: .537815, 34: .448179, 36: math.NaN()} {
		got := c.At(at).Value
		if math.IsNaN(want) != math.IsNaN(got) || math.Abs(got-want) > 6e-7 {
			t.Errorf("S(%v) is %v, want %v", at, got, want)
		}
	}
	none, _ := mustLife(t, plus(-3, -4)).KaplanMeier(.95)
	if len(none.Time) != 0 || none.At(3.5).Value != 1 || !math.IsNaN(none.At(5).Value) {
		t.Errorf("a curve without failures is %+v", none)
	}
}

// TestCurveThatComesToZeroEarly by hand: the only item seen from new fails at 2; the
// others come at 3.
func TestCurveThatComesToZeroEarly(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		c     Columns
		at    float64
		early bool
	}{
		{Columns{Time: []float64{2, 5, 9}, Event: []int{1, 1, 0}, Entry: []float64{0, 3, 3}}, 2, true},
		{plus(2, 5, 9), 9, false},
		{plus(2, -9), math.NaN(), false},
	} {
		c, _ := mustLife(t, tc.c).KaplanMeier(.95)
		at, early := c.Zero()
		if early != tc.early || !(at == tc.at || math.IsNaN(at) && math.IsNaN(tc.at)) {
			t.Errorf("%+v: zero at %v, early %v", tc.c, at, early)
		}
	}
}

func TestCurvesOfNothing(t *testing.T) {
	t.Parallel()
	l := mustLife(t, Columns{})
	c, err := l.KaplanMeier(.9)
	if err != nil || len(c.Time) != 0 {
		t.Errorf("%+v, %v", c, err)
	}
	if _, err := l.KaplanMeier(1); err == nil {
		t.Error("a confidence of 1 was taken")
	}
	if _, err := l.NelsonAalen(0); err == nil {
		t.Error("a confidence of 0 was taken")
	}
	if _, err := l.AalenJohansen(math.NaN()); err == nil {
		t.Error("a confidence that is no number was taken")
	}
}
