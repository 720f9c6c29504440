package learning

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nextprobe/internal/problem"
)

// repeat gives n forecasts of p, k of which happened.
func repeat(list []Forecast, p float64, k, n int) []Forecast {
	for i := range n {
		list = append(list, Forecast{p, i < k})
	}
	return list
}

// Brier = Reliability − Resolution + Uncertainty + Within for any forecasts.
func TestMurphysIdentity(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 200).Draw(t, "n")
		bins := rapid.IntRange(1, 20).Draw(t, "bins")
		list := make([]Forecast, n)
		for k := range list {
			list[k] = Forecast{rapid.Float64Range(0, 1).Draw(t, "p"), rapid.Bool().Draw(t, "o")}
		}
		c, err := Calibrate(list, bins)
		if err != nil {
			t.Fatal(err)
		}
		if d := c.Brier - (c.Reliability - c.Resolution + c.Uncertainty + c.Within); math.Abs(d) > 1e-12 {
			t.Errorf("off by %g: %+v", d, c)
		}
		count := 0
		for _, b := range c.Bins {
			count += b.N
			if b.Lower > b.Rate || b.Rate > b.Upper || b.Mean < b.Low-1e-12 || b.Mean > b.High+1e-12 {
				t.Errorf("bin %+v", b)
			}
		}
		if count != n {
			t.Errorf("%d of %d forecasts in bins", count, n)
		}
	})
}

// Precipitation forecasts, Wilks, Statistical Methods in the Atmospheric
// Sciences, 2nd ed. 2006, table 7.3 (the example data of the R package
// "verification", whose last two misprinted frequencies sum above 1; here as in
// that package's source, .0245 and .0203): relative frequencies per 10 000 of
// the forecast values, and how often it rained after each. The reference values
// are worked out from the table by the two textbook formulas, independently of
// the code: BS = Σ w·[o(1−y)² + (1−o)y²], REL = Σ w(y−o)², RES = Σ w(o−ō)².
func TestWilksTable(t *testing.T) {
	t.Parallel()
	y := []float64{0, .05, .1, .2, .3, .4, .5, .6, .7, .8, .9, 1}
	w := []int{4112, 671, 1833, 986, 616, 366, 303, 275, 245, 220, 170, 203}
	rate := []float64{.006, .019, .059, .150, .277, .377, .511, .587, .723, .779, .934, .933}
	var list []Forecast
	n, rained, bs := 0.0, 0.0, 0.0
	for i := range y {
		k := int(math.Round(rate[i] * float64(w[i])))
		list = repeat(list, y[i], k, w[i])
		n += float64(w[i])
		rained += float64(k)
		bs += float64(k)*(1-y[i])*(1-y[i]) + float64(w[i]-k)*y[i]*y[i]
	}
	c, err := Calibrate(list, 20)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Brier", c.Brier, bs/n)
	near(t, "base rate", c.BaseRate, rained/n)
	near(t, "within", c.Within, 0) // 20 bins part all twelve values.
	// The book gives the base rate as 0.162.
	if math.Abs(c.BaseRate-0.162) > 0.0006 || len(c.Bins) != 12 {
		t.Errorf("base rate %.4f, %d bins", c.BaseRate, len(c.Bins))
	}
	rel, res := 0.0, 0.0
	for i, b := range c.Bins {
		o := math.Round(rate[i]*float64(w[i])) / float64(w[i])
		rel += float64(w[i]) / n * (y[i] - o) * (y[i] - o)
		res += float64(w[i]) / n * (o - rained/n) * (o - rained/n)
		near(t, "rate", b.Rate, o)
	}
	near(t, "reliability", c.Reliability, rel)
	near(t, "resolution", c.Resolution, res)
	near(t, "skill", c.Skill, 1-(bs/n)/(rained/n*(1-rained/n)))
}

func TestScoresByHand(t *testing.T) {
	t.Parallel()
	// 0.8 four times, three right; 0.2 once, wrong: Brier (3·0.04 + 0.64 + 0.04)/5.
	list := repeat(repeat(nil, 0.8, 3, 4), 0.2, 0, 1)
	c, err := Calibrate(list, 10)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Brier", c.Brier, 0.8/5)
	near(t, "log", c.Log, -(4*math.Log(0.8)+math.Log(0.2))/5)
	near(t, "base", c.BaseRate, 0.6)
	near(t, "base Brier", c.BrierBase, 0.24)
	near(t, "skill", c.Skill, 1-0.16/0.24)
	near(t, "forecast", c.MeanForecast, (4*0.8+0.2)/5)
	near(t, "log of the base", c.LogBase, -(0.6*math.Log(0.6) + 0.4*math.Log(0.4)))

	perfect, err := Calibrate(repeat(repeat(nil, 1, 3, 3), 0, 0, 2), 10)
	if err != nil || perfect.Brier != 0 || perfect.Skill != 1 || perfect.Log > 1e-5 {
		t.Errorf("perfect: %+v, %v", perfect, err)
	}
	always, err := Calibrate(repeat(nil, 0.9, 4, 4), 10)
	if err != nil || always.Skill != 0 || always.LogSkill != 0 {
		t.Errorf("nothing to tell apart: %+v, %v", always, err)
	}
	wrong, err := Calibrate(repeat(nil, 0, 1, 1), 10)
	if err != nil || math.IsInf(wrong.Log, 0) || wrong.Log < 13 {
		t.Errorf("impossible, and it happened: %+v, %v", wrong, err)
	}
	none, err := Calibrate(nil, 10)
	if err != nil || none.N != 0 || len(none.Bins) != 0 {
		t.Errorf("none: %+v, %v", none, err)
	}
}

// Newcombe 1998, Statistics in Medicine 17, 857–872, table I, method 5
// (Clopper–Pearson), from memory; and 0 of n, whose upper bound is
// 1 − (α/2)^(1/n) in closed form.
func TestClopperPearson(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		k, n         int
		lower, upper float64
	}{{81, 263, 0.2527, 0.3676}, {15, 148, 0.0578, 0.1617}, {0, 20, 0, 0.1684}, {1, 29, 0.0009, 0.1776}} {
		lower, upper := ClopperPearson(tc.k, tc.n, 0.95)
		if math.Abs(lower-tc.lower) > 5e-5 || math.Abs(upper-tc.upper) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", tc.k, tc.n, lower, upper, tc.lower, tc.upper)
		}
	}
	_, upper := ClopperPearson(0, 12, 0.95)
	near(t, "0 of 12", upper, 1-math.Pow(0.025, 1.0/12))
	lower, _ := ClopperPearson(12, 12, 0.95)
	near(t, "12 of 12", lower, math.Pow(0.025, 1.0/12))
}

func TestCalibrateRefuses(t *testing.T) {
	t.Parallel()
	for _, p := range []float64{-0.1, 1.1, math.NaN()} {
		if _, err := Calibrate([]Forecast{{p, true}}, 10); !problem.Is(err, problem.Invalid) {
			t.Errorf("%v: %v", p, err)
		}
	}
	if _, err := Calibrate(nil, 0); !problem.Is(err, problem.Invalid) {
		t.Error(err)
	}
}
