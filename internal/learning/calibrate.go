package learning

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// Forecast is a probability, as it stood, and what came of it.
type Forecast struct {
	P        float64 `json:"p"`
	Happened bool    `json:"happened"`
}

// Calibration is how honest forecasts were. Brier is the mean of (p−o)²; Log the
// mean of −ln of the probability given to what happened, in nats; both are best
// at 0. Skill compares with always giving the base rate: 1 perfect, 0 no better.
type Calibration struct {
	N                  int
	BaseRate           float64
	MeanForecast       float64
	Brier, Log         float64
	BrierBase, LogBase float64 // scores of the base rate itself
	Skill, LogSkill    float64 // NaN-free: 0 where the base rate is perfect
	// Murphy's decomposition over Bins: Brier = Reliability − Resolution +
	// Uncertainty + Within, exactly. Within is what the bins hide (0 where all
	// forecasts of a bin are the same).
	Reliability, Resolution, Uncertainty, Within float64
	Bins                                         []Bin // those with forecasts, from the lowest
}

// Bin is the forecasts in [Low, High), the last one closed.
type Bin struct {
	Low, High float64
	N         int
	Happened  int
	Mean      float64 // of the forecasts
	Rate      float64 // Happened/N
	// Lower and Upper are the bounds of the rate at 95 % (Clopper and Pearson 1934).
	Lower, Upper float64
}

// leastForecast bounds a forecast for the log score, which is infinite where
// something happened that was given 0.
const leastForecast = 1e-6

// Calibrate scores forecasts: Brier 1950; the decomposition of Murphy 1973 (J.
// Appl. Meteor. 12, 595–600) with the two within-bin terms of Stephenson, Coelho
// and Jolliffe 2008 (Weather and Forecasting 23, 752–757) as one. The error is
// invalid for a forecast outside [0,1] or without any bin; no forecasts give the
// zero value.
func Calibrate(list []Forecast, bins int) (Calibration, error) {
	var c Calibration
	if bins < 1 {
		return c, problem.InField("bins", "must be 1 or more, is %d", bins)
	}
	for _, f := range list {
		if !(f.P >= 0 && f.P <= 1) {
			return c, problem.InField("p", "%v is no probability; give a number from 0 to 1", f.P)
		}
	}
	if len(list) == 0 {
		return c, nil
	}
	c.N = len(list)
	happened := c.fill(list, bins)
	c.score(list, happened)
	c.decompose(list, bins)
	return c, nil
}

// fill sorts the forecasts into bins and returns how many happened.
func (c *Calibration) fill(list []Forecast, bins int) int {
	all := make([]Bin, bins)
	happened := 0
	for _, f := range list {
		b := &all[place(f.P, bins)]
		b.N++
		b.Mean += f.P
		if f.Happened {
			b.Happened++
			happened++
		}
	}
	for k := range all {
		b := &all[k]
		if b.N == 0 {
			continue
		}
		b.Low, b.High = float64(k)/float64(bins), float64(k+1)/float64(bins)
		b.Mean /= float64(b.N)
		b.Rate = float64(b.Happened) / float64(b.N)
		b.Lower, b.Upper = ClopperPearson(b.Happened, b.N, 0.95)
		c.Bins = append(c.Bins, *b)
	}
	return happened
}

func (c *Calibration) score(list []Forecast, happened int) {
	n := float64(c.N)
	c.BaseRate = float64(happened) / n
	for _, f := range list {
		o := 0.0
		if f.Happened {
			o = 1
		}
		c.MeanForecast += f.P / n
		c.Brier += (f.P - o) * (f.P - o) / n
		c.Log += surprise(f.P, f.Happened) / n
	}
	c.BrierBase = c.BaseRate * (1 - c.BaseRate)
	c.LogBase = entropy(c.BaseRate)
	if c.BrierBase > 0 {
		c.Skill = 1 - c.Brier/c.BrierBase
		c.LogSkill = 1 - c.Log/c.LogBase
	}
}

func (c *Calibration) decompose(list []Forecast, bins int) {
	n := float64(c.N)
	of := make([]*Bin, bins)
	for k := range c.Bins {
		b := &c.Bins[k]
		of[int(math.Round(b.Low*float64(bins)))] = b
		w := float64(b.N) / n
		c.Reliability += w * (b.Mean - b.Rate) * (b.Mean - b.Rate)
		c.Resolution += w * (b.Rate - c.BaseRate) * (b.Rate - c.BaseRate)
	}
	c.Uncertainty = c.BrierBase
	for _, f := range list {
		b := of[place(f.P, bins)]
		o := 0.0
		if f.Happened {
			o = 1
		}
		c.Within += (f.P - b.Mean) * ((f.P - b.Mean) - 2*(o-b.Rate)) / n
	}
}

// place is the bin of a forecast.
func place(p float64, bins int) int { return min(int(p*float64(bins)), bins-1) }

func surprise(p float64, happened bool) float64 {
	p = math.Max(leastForecast, math.Min(1-leastForecast, p))
	if !happened {
		p = 1 - p
	}
	return -math.Log(p)
}

func entropy(p float64) float64 {
	if p <= 0 || p >= 1 {
		return 0
	}
	return -p*math.Log(p) - (1-p)*math.Log(1-p)
}

// ClopperPearson is the exact interval of a share, k of n (n > 0), at a
// two-sided confidence: each bound is the share at which k or a more extreme
// count has half of what is left.
func ClopperPearson(k, n int, confidence float64) (lower, upper float64) {
	tail := (1 - confidence) / 2
	lower, upper = 0, 1
	if k > 0 {
		lower = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(tail)
	}
	if k < n {
		upper = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - tail)
	}
	return lower, upper
}
