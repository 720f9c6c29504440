package reliability

import (
	"math"
	"testing"
)

func TestMTBFOfNIST(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook, section 8.4.5.1: 2 failures in 800 h, 90 % interval. The
	// example is from memory, its factors .3177 and 5.6281 computed with scipy 1.10.
	m, err := MTBF(2, 800, .9, false)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "MTBF", m.Value, 400, 1e-12)
	within(t, "lower", m.Lower, 127.07, .006)
	within(t, "upper", m.Upper, 2251.23, .006)
	// Factors of the same section, 90 %.
	for _, row := range [][3]float64{{1, .2108, 19.4957}, {2, .3177, 5.6281}, {3, .3869, 3.6689}, {5, .4756, 2.5379}, {10, .5895, 1.8432}} {
		m, err := MTBF(int(row[0]), row[0], .9, false)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "lower factor", m.Lower, row[1], 6e-5)
		within(t, "upper factor", m.Upper, row[2], 6e-5)
	}
	// Without failures the section gives one-sided bounds at 80, 90 and 95 %: the lower
	// ones of two-sided bounds at 60, 80 and 90 %.
	for _, row := range [][2]float64{{.6, .6213}, {.8, .4343}, {.9, .3338}} {
		m, err := MTBF(0, 1, row[0], false)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "no failures", m.Lower, row[1], 6e-5)
		if !math.IsInf(m.Value, 1) || !math.IsInf(m.Upper, 1) {
			t.Errorf("no failures: %+v", m)
		}
	}
}

func TestMTBFOfFailureTruncation(t *testing.T) {
	t.Parallel()
	// A trap: with the last failure at the end both bounds have 2n degrees of freedom.
	// χ² on 4: .710723 and 9.48773 at 5 and 95 %, from any table.
	m, err := MTBF(2, 800, .9, true)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "lower", m.Lower, 1600/9.48773, 1e-3)
	within(t, "upper", m.Upper, 1600/.710723, 2e-3)
	_, err = MTBF(0, 800, .9, true)
	refused(t, err, "events")
	_, err = MTBF(1, 0, .9, false)
	refused(t, err, "exposure")
}

func TestRateRatioOfR(t *testing.T) {
	t.Parallel()
	// R 4.2.2, example of stats::poisson.test: 11 in 800 against 21 in 3011.
	c, err := RateRatio(Count{11, 800}, Count{21, 3011}, .95)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "ratio", c.Ratio.Value, 1.971488, 6e-7)
	within(t, "lower", c.Ratio.Lower, .8584264, 6e-8)
	within(t, "upper", c.Ratio.Upper, 4.2772659, 6e-8)
	within(t, "p, min-likelihood", c.P.MinLikelihood, .0796686330333, 1e-12)
	// A trap: the doubled p is another number.
	within(t, "p, doubled", c.P.Doubled, 2*c.P.Greater, 0)
	if math.Abs(c.P.Doubled-c.P.MinLikelihood) < .01 {
		t.Errorf("doubled %v is taken for min-likelihood %v", c.P.Doubled, c.P.MinLikelihood)
	}
	// The other way round is the inverse.
	d, err := RateRatio(Count{21, 3011}, Count{11, 800}, .95)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "inverse", d.Ratio.Value*c.Ratio.Value, 1, 1e-12)
	within(t, "inverse lower", d.Ratio.Lower*c.Ratio.Upper, 1, 1e-9)
	within(t, "inverse p", d.P.MinLikelihood, c.P.MinLikelihood, 1e-12)
	within(t, "inverse one-sided", d.P.Less, c.P.Greater, 1e-12)
}

func TestRateRatioOfFewEvents(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name          string
		first, second Count
		ratio, lo, hi float64
	}{
		{"none", Count{0, 10}, Count{0, 20}, math.NaN(), 0, math.Inf(1)},
		{"none of the first", Count{0, 10}, Count{3, 10}, 0, 0, 2.41995},                     // Share up to .7076: 1 − .025^(1/3).
		{"none of the second", Count{3, 10}, Count{0, 10}, math.Inf(1), .41323, math.Inf(1)}, // Share from .2924.
	} {
		c, err := RateRatio(tc.first, tc.second, .95)
		if err != nil {
			t.Fatal(err)
		}
		within(t, tc.name+", ratio", c.Ratio.Value, tc.ratio, 0)
		within(t, tc.name+", lower", c.Ratio.Lower, tc.lo, 6e-6)
		within(t, tc.name+", upper", c.Ratio.Upper, tc.hi, 6e-6)
		if !(c.P.Doubled > 0 && c.P.Doubled <= 1 && c.P.MinLikelihood > 0 && c.P.MinLikelihood <= 1) {
			t.Errorf("%s: %+v", tc.name, c.P)
		}
	}
	for field, pair := range map[string][2]Count{
		"first.events":    {{-1, 2}, {1, 2}},
		"first.exposure":  {{1, 0}, {1, 2}},
		"second.exposure": {{1, 2}, {0, 0}},
	} {
		_, err := RateRatio(pair[0], pair[1], .95)
		refused(t, err, field)
	}
	_, err := RateRatio(Count{1, math.NaN()}, Count{1, 1}, .95)
	refused(t, err, "first.exposure")
	_, err = RateRatio(Count{1, 1}, Count{1, 1}, 1)
	refused(t, err, "confidence")
}

func TestDoubledPAgreesWithTheBounds(t *testing.T) {
	t.Parallel()
	for a := range 25 {
		for b := range 25 {
			if a+b == 0 {
				continue
			}
			c, err := RateRatio(Count{a, 3}, Count{b, 7}, .95)
			if err != nil {
				t.Fatal(err)
			}
			outside := c.Ratio.Lower > 1 || c.Ratio.Upper < 1
			if significant := c.P.Doubled < .05; significant != outside {
				t.Errorf("%d and %d: p %v with the bounds %v to %v", a, b, c.P.Doubled, c.Ratio.Lower, c.Ratio.Upper)
			}
		}
	}
}
