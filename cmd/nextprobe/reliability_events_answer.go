package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"nextprobe/internal/reliability"
)

// eventsJSON is the answer of `reliability events` (contract). A figure that cannot be
// estimated is null, and a note beside it says why. Every p is two-sided; p_worsening
// is small when events get more frequent with age, p_improving when they get rarer.
type eventsJSON struct {
	Units           int           `json:"units"`
	WithoutExposure int           `json:"units_without_exposure,omitempty"`
	Events          int           `json:"events"`
	Exposure        float64       `json:"exposure"`
	Confidence      float64       `json:"confidence"`
	Rate            rateJSON      `json:"rate"`
	MCF             []mcfJSON     `json:"mcf"`
	Laplace         normalJSON    `json:"laplace"`
	LewisRobinson   normalJSON    `json:"lewis_robinson"`
	Reversals       reversalsJSON `json:"reversals"`
	PowerLaw        powerLawJSON  `json:"power_law"`
	ByUnit          []unitJSON    `json:"by_unit,omitempty"`
}

type rateJSON struct {
	Estimate figure `json:"estimate"`
	Lower    figure `json:"lower"`
	Upper    figure `json:"upper"`
	Note     string `json:"note,omitempty"`
}

type mcfJSON struct {
	Time   float64 `json:"time"`
	MCF    figure  `json:"mcf"`
	SE     figure  `json:"se"`
	Lower  figure  `json:"lower"`
	Upper  figure  `json:"upper"`
	AtRisk int     `json:"at_risk"`
	Events int     `json:"events"`
}

type normalJSON struct {
	Z         figure `json:"z"`
	P         figure `json:"p"`
	Worsening figure `json:"p_worsening"`
	Improving figure `json:"p_improving"`
}

type reversalsJSON struct {
	Count     int    `json:"count"`
	Pairs     int    `json:"pairs"`
	Ties      int    `json:"ties"`
	P         figure `json:"p"`
	Worsening figure `json:"p_worsening"`
	Improving figure `json:"p_improving"`
	Exact     bool   `json:"exact"`
}

// powerLawJSON is the power law E[N(t)] = scale·t^shape of one unit, with the
// chi-square of MIL-HDBK-189 against a constant rate.
type powerLawJSON struct {
	Shape          figure       `json:"shape"`
	ShapeLower     figure       `json:"shape_lower"`
	ShapeUpper     figure       `json:"shape_upper"`
	Scale          figure       `json:"scale"`
	Eta            figure       `json:"eta"`
	Chi2           figure       `json:"chi2"`
	DF             *int         `json:"df"`
	P              figure       `json:"p"`
	Worsening      figure       `json:"p_worsening"`
	Improving      figure       `json:"p_improving"`
	Age            figure       `json:"age"`
	Intensity      figure       `json:"intensity"`
	IntensityLower figure       `json:"intensity_lower"`
	IntensityUpper figure       `json:"intensity_upper"`
	MTBF           figure       `json:"mtbf"`
	MTBFLower      figure       `json:"mtbf_lower"`
	MTBFUpper      figure       `json:"mtbf_upper"`
	Bounds         string       `json:"bounds"` // exact or likelihood_ratio
	Unbiased       unbiasedJSON `json:"unbiased"`
	Fit            fitJSON      `json:"cramer_von_mises"`
	Note           string       `json:"note,omitempty"`
}

type unbiasedJSON struct {
	Shape     figure `json:"shape"`
	Scale     figure `json:"scale"`
	Intensity figure `json:"intensity"`
	MTBF      figure `json:"mtbf"`
	MTBFLower figure `json:"mtbf_lower"`
	MTBFUpper figure `json:"mtbf_upper"`
}

type fitJSON struct {
	Statistic figure `json:"statistic"`
	Critical  figure `json:"critical_5_percent"`
	PAbove    figure `json:"p_above"`
	PBelow    figure `json:"p_below"`
	Note      string `json:"note,omitempty"`
}

type unitJSON struct {
	Unit     string       `json:"unit"`
	Events   int          `json:"events"`
	Exposure float64      `json:"exposure"`
	Rate     rateJSON     `json:"rate"`
	Laplace  normalJSON   `json:"laplace"`
	PowerLaw powerLawJSON `json:"power_law"`
}

const noteNoExposure = "No unit was under observation: there is no rate."

func eventsAnswer(names []string, e *reliability.Events, o eventsOptions) (eventsJSON, error) {
	a := eventsJSON{Units: e.Units(), WithoutExposure: e.WithoutExposure(), Events: e.Count(), Exposure: e.Exposure(), Confidence: o.confidence,
		MCF: []mcfJSON{}, Laplace: wordNormal(e.Laplace()), LewisRobinson: wordNormal(e.LewisRobinson())}
	var err error
	if a.Rate, err = wordRate(e, o.confidence); err != nil {
		return a, err
	}
	m, err := e.MeanCumulative(o.confidence)
	if err != nil {
		return a, err
	}
	for i, t := range m.Time {
		a.MCF = append(a.MCF, mcfJSON{t, figure(m.Mean[i]), figure(m.SE[i]), figure(m.Lower[i]), figure(m.Upper[i]), m.AtRisk[i], m.Events[i]})
	}
	r := e.Reversals()
	a.Reversals = reversalsJSON{r.Count, r.Pairs, r.Ties, figure(r.P), figure(r.Worsening), figure(r.Improving), r.Exact}
	if a.PowerLaw, err = wordPowerLaw(e, o.confidence); err != nil {
		return a, err
	}
	if !o.byUnit {
		return a, nil
	}
	for i, name := range names {
		one := e.Only(i)
		u := unitJSON{Unit: name, Events: one.Count(), Exposure: one.Exposure(), Laplace: wordNormal(one.Laplace())}
		if u.Rate, err = wordRate(one, o.confidence); err != nil {
			return a, err
		}
		if u.PowerLaw, err = wordPowerLaw(one, o.confidence); err != nil {
			return a, err
		}
		a.ByUnit = append(a.ByUnit, u)
	}
	return a, nil
}

func wordRate(e *reliability.Events, confidence float64) (rateJSON, error) {
	if e.Exposure() == 0 {
		nan := figure(math.NaN())
		return rateJSON{nan, nan, nan, noteNoExposure}, nil
	}
	rate, err := e.Rate(confidence)
	return rateJSON{Estimate: figure(rate.Value), Lower: figure(rate.Lower), Upper: figure(rate.Upper)}, err
}

func wordNormal(t reliability.Trend) normalJSON {
	return normalJSON{figure(t.Statistic), figure(t.P), figure(t.Worsening), figure(t.Improving)}
}

func wordPowerLaw(e *reliability.Events, confidence float64) (powerLawJSON, error) {
	p, err := e.PowerLaw(confidence)
	if err != nil {
		return powerLawJSON{}, err
	}
	out := powerLawJSON{Scale: figure(p.Scale), Eta: figure(p.Eta), Age: figure(p.Age), Chi2: figure(p.Test.Statistic), P: figure(p.Test.P),
		Worsening: figure(p.Test.Worsening), Improving: figure(p.Test.Improving), Bounds: "likelihood_ratio", Note: p.Note}
	out.Shape, out.ShapeLower, out.ShapeUpper = figures(p.Shape)
	out.Intensity, out.IntensityLower, out.IntensityUpper = figures(p.Intensity)
	out.MTBF, out.MTBFLower, out.MTBFUpper = figures(p.MTBF)
	if p.Exact {
		out.Bounds = "exact"
	}
	if p.Test.DF > 0 {
		out.DF = &p.Test.DF
	}
	out.Unbiased = unbiasedJSON{Shape: figure(p.Unbiased.Shape), Scale: figure(p.Unbiased.Scale), Intensity: figure(p.Unbiased.Intensity)}
	out.Unbiased.MTBF, out.Unbiased.MTBFLower, out.Unbiased.MTBFUpper = figures(p.Unbiased.MTBF)
	fit := e.FitPowerLaw()
	out.Fit = fitJSON{figure(fit.Statistic), figure(fit.Critical), figure(fit.PAbove), figure(fit.PBelow), fit.Note}
	return out, nil
}

// printEvents words the answer for people.
func printEvents(out io.Writer, a eventsJSON) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%d units, %d events, exposure %s\n", a.Units, a.Events, short(a.Exposure))
	if a.WithoutExposure > 0 {
		fmt.Fprintf(&b, "%d of the units were never under observation and say nothing.\n", a.WithoutExposure)
	}
	bounds := fmt.Sprintf("%s %%", short(100*a.Confidence))
	fmt.Fprintf(&b, "rate %s per unit of exposure (%s bounds %s to %s)\n", short(float64(a.Rate.Estimate)), bounds, short(float64(a.Rate.Lower)), short(float64(a.Rate.Upper)))
	fmt.Fprintf(&b, "\n%12s %8s %8s %10s %10s %10s %10s\n", "time", "at risk", "events", "mean", "se", "lower", "upper")
	for _, m := range a.MCF {
		fmt.Fprintf(&b, "%12s %8d %8d %10s %10s %10s %10s\n", short(m.Time), m.AtRisk, m.Events,
			short(float64(m.MCF)), short(float64(m.SE)), short(float64(m.Lower)), short(float64(m.Upper)))
	}
	p := a.PowerLaw
	fmt.Fprintf(&b, "\n%-22s %10s %10s %12s %12s\n", "trend", "statistic", "p", "p worsening", "p improving")
	line := func(name string, figures ...figure) {
		fmt.Fprintf(&b, "%-22s %10s %10s %12s %12s\n", name, short(float64(figures[0])), short(float64(figures[1])), short(float64(figures[2])), short(float64(figures[3])))
	}
	line("Laplace", a.Laplace.Z, a.Laplace.P, a.Laplace.Worsening, a.Laplace.Improving)
	line("Lewis-Robinson", a.LewisRobinson.Z, a.LewisRobinson.P, a.LewisRobinson.Worsening, a.LewisRobinson.Improving)
	line("chi-square", p.Chi2, p.P, p.Worsening, p.Improving)
	line("reversals", figure(a.Reversals.Count), a.Reversals.P, a.Reversals.Worsening, a.Reversals.Improving)
	if p.Note != "" {
		fmt.Fprintf(&b, "\npower law: %s\n", p.Note)
	} else {
		fmt.Fprintf(&b, "\npower law: shape %s (%s bounds %s to %s), scale %s; mean time between failures at age %s: %s (%s to %s)\n",
			short(float64(p.Shape)), bounds, short(float64(p.ShapeLower)), short(float64(p.ShapeUpper)), short(float64(p.Scale)),
			short(float64(p.Age)), short(float64(p.MTBF)), short(float64(p.MTBFLower)), short(float64(p.MTBFUpper)))
	}
	for _, u := range a.ByUnit {
		fmt.Fprintf(&b, "%s: %d events, exposure %s, rate %s (%s to %s), Laplace %s (p %s), shape %s\n", u.Unit, u.Events, short(u.Exposure),
			short(float64(u.Rate.Estimate)), short(float64(u.Rate.Lower)), short(float64(u.Rate.Upper)),
			short(float64(u.Laplace.Z)), short(float64(u.Laplace.P)), short(float64(u.PowerLaw.Shape)))
	}
	_, err := io.WriteString(out, b.String())
	return err
}
