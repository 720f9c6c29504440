package main

import (
	"fmt"
	"io"
	"math"

	"nextprobe/internal/reliability"
)

// lifeJSON is the answer of `reliability life` (contract). A figure that cannot be
// estimated is null, and a note beside it says why.
type lifeJSON struct {
	Confidence float64         `json:"confidence"`
	Groups     []lifeGroupJSON `json:"groups"`
	LogRank    logRankJSON     `json:"logrank"`
}

type lifeGroupJSON struct {
	Group       string          `json:"group"`
	N           int             `json:"n"`
	Failures    int             `json:"failures"`
	Exposure    float64         `json:"exposure"`
	KM          []kmJSON        `json:"km"`
	Median      figure          `json:"median"`
	MedianLower figure          `json:"median_lower"`
	MedianUpper figure          `json:"median_upper"`
	Note        string          `json:"note,omitempty"`
	Weibull     weibullJSON     `json:"weibull"`
	Exponential exponentialJSON `json:"exponential"`
}

type kmJSON struct {
	Time     float64 `json:"time"`
	Survival figure  `json:"survival"`
	SE       figure  `json:"se"`
	Lower    figure  `json:"lower"`
	Upper    figure  `json:"upper"`
	AtRisk   int     `json:"at_risk"`
	Failed   int     `json:"failed"`
}

type weibullJSON struct {
	Shape       figure      `json:"shape"`
	Scale       figure      `json:"scale"`
	LogLik      figure      `json:"loglik"`
	ShapeLower  figure      `json:"shape_lower"`
	ShapeUpper  figure      `json:"shape_upper"`
	ScaleLower  figure      `json:"scale_lower"`
	ScaleUpper  figure      `json:"scale_upper"`
	B10         figure      `json:"b10"`
	B10Lower    figure      `json:"b10_lower"`
	B10Upper    figure      `json:"b10_upper"`
	Median      figure      `json:"median"`
	MedianLower figure      `json:"median_lower"`
	MedianUpper figure      `json:"median_upper"`
	Mean        figure      `json:"mean"`
	MeanLower   figure      `json:"mean_lower"`
	MeanUpper   figure      `json:"mean_upper"`
	Fixed       *fixedShape `json:"fixed_shape,omitempty"`
	Note        string      `json:"note,omitempty"`
}

// fixedShape is the scale under a shape that the data did not give.
type fixedShape struct {
	Shape         float64 `json:"shape"`
	Scale         figure  `json:"scale"`
	ScaleLower    figure  `json:"scale_lower"`
	ScaleUpper    figure  `json:"scale_upper"`
	OneSidedLower figure  `json:"scale_lower_one_sided"`
	LogLik        figure  `json:"loglik"`
	Note          string  `json:"note"`
}

type exponentialJSON struct {
	Mean          figure `json:"mean"`
	MeanLower     figure `json:"mean_lower"`
	MeanUpper     figure `json:"mean_upper"`
	OneSidedLower figure `json:"mean_lower_one_sided"`
	LogLik        figure `json:"loglik"`
	Note          string `json:"note,omitempty"`
}

type logRankJSON struct {
	Chi2        figure           `json:"chi2"`
	DF          *int             `json:"df"`
	P           figure           `json:"p"`
	Observed    []figure         `json:"observed"`
	Expected    []figure         `json:"expected"`
	Permutation *permutationJSON `json:"permutation,omitempty"`
	Note        string           `json:"note,omitempty"`
}

type permutationJSON struct {
	P            float64 `json:"p"`
	Permutations int     `json:"permutations"`
	Exact        bool    `json:"exact"`
	Seed         uint64  `json:"seed"`
}

func lifeAnswer(names []string, lives []*reliability.Life, o lifeOptions) (lifeJSON, error) {
	answer := lifeJSON{Confidence: o.confidence, Groups: []lifeGroupJSON{},
		LogRank: logRankJSON{Chi2: figure(math.NaN()), P: figure(math.NaN()), Observed: []figure{}, Expected: []figure{}}}
	for i, l := range lives {
		g, err := lifeGroup(l, o)
		if err != nil {
			return answer, err
		}
		g.Group = names[i]
		answer.Groups = append(answer.Groups, g)
	}
	if len(lives) < 2 {
		answer.LogRank.Note = "There is one group only: nothing to compare."
		return answer, nil
	}
	r, err := reliability.CompareLives(lives, reliability.LogRankOptions{Seed: o.seed, Permutations: o.permutations, Always: o.permutations > 0})
	if err != nil {
		return answer, err
	}
	answer.LogRank.put(r)
	return answer, nil
}

func lifeGroup(l *reliability.Life, o lifeOptions) (lifeGroupJSON, error) {
	g := lifeGroupJSON{N: l.N(), Failures: l.Failures(), Exposure: l.Exposure()}
	curve, err := l.KaplanMeier(o.confidence)
	if err != nil {
		return g, err
	}
	g.KM = make([]kmJSON, len(curve.Time))
	for i, t := range curve.Time {
		g.KM[i] = kmJSON{t, figure(curve.Survival[i]), figure(curve.SE[i]), figure(curve.Lower[i]), figure(curve.Upper[i]), curve.AtRisk[i], curve.Failed[i]}
	}
	median, err := curve.Quantile(.5)
	if err != nil {
		return g, err
	}
	g.Median, g.MedianLower, g.MedianUpper = figures(median)
	switch zero, early := curve.Zero(); {
	case math.IsNaN(median.Value):
		g.Note = "The curve does not come down to one half: the median life is longer than what was seen."
	case early:
		g.Note = fmt.Sprintf("At %s all items under observation had failed before others came, so the curve stays at 0 from there and says little; go by the Weibull life.", short(zero))
	case !math.IsNaN(zero):
		g.Note = "The curve comes down to 0, where it has neither standard error nor bounds."
	}
	if g.Weibull, err = weibullAnswer(l, o); err != nil {
		return g, err
	}
	x, err := l.Exponential(o.confidence)
	if err != nil {
		return g, err
	}
	g.Exponential = exponentialJSON{OneSidedLower: figure(x.OneSidedLower), LogLik: figure(x.LogLik), Note: x.Note}
	g.Exponential.Mean, g.Exponential.MeanLower, g.Exponential.MeanUpper = figures(x.Mean)
	return g, nil
}

func weibullAnswer(l *reliability.Life, o lifeOptions) (weibullJSON, error) {
	w, err := l.Weibull(o.confidence)
	if err != nil {
		return weibullJSON{}, err
	}
	out := weibullJSON{LogLik: figure(w.LogLik), Note: w.Note}
	out.Shape, out.ShapeLower, out.ShapeUpper = figures(w.Shape)
	out.Scale, out.ScaleLower, out.ScaleUpper = figures(w.Scale)
	out.B10, out.B10Lower, out.B10Upper = figures(w.B10)
	out.Median, out.MedianLower, out.MedianUpper = figures(w.Median)
	out.Mean, out.MeanLower, out.MeanUpper = figures(w.Mean)
	if o.shape == 0 && l.Failures() >= reliability.FewFailures && !math.IsNaN(w.Shape.Value) {
		return out, nil
	}
	shape, note := o.shape, "The shape is the one given."
	if shape == 0 {
		shape, note = 1, "The shape 1, failures equally frequent at every age, is assumed: the data are too few to give one. Give --shape where one is known."
	}
	fixed, err := l.WeibullFixed(shape, o.confidence)
	if err != nil {
		return out, err
	}
	out.Fixed = &fixedShape{Shape: shape, OneSidedLower: figure(fixed.OneSidedLower), LogLik: figure(fixed.LogLik), Note: note}
	out.Fixed.Scale, out.Fixed.ScaleLower, out.Fixed.ScaleUpper = figures(fixed.Scale)
	return out, nil
}

func (out *logRankJSON) put(r reliability.LogRank) {
	out.Chi2, out.P, out.Note = figure(r.Chi2), figure(r.P), r.Note
	if r.Note == "" {
		out.DF = &r.DF
	}
	for g := range r.Observed {
		out.Observed, out.Expected = append(out.Observed, figure(r.Observed[g])), append(out.Expected, figure(r.Expected[g]))
	}
	if p := r.Permutation; p != nil {
		out.Permutation = &permutationJSON{p.P, p.Count, p.Exact, p.Seed}
	}
}

func figures(e reliability.Estimate) (value, lower, upper figure) {
	return figure(e.Value), figure(e.Lower), figure(e.Upper)
}

// printLife words the answer for people.
func printLife(out io.Writer, a lifeJSON) error {
	p := &printer{out: out}
	p.line("Bounds: %s %%. Survival: Kaplan-Meier with log-log bounds. Weibull: likelihood ratio. Exponential: Garwood.", short(100*a.Confidence))
	for i, g := range a.Groups {
		p.line("")
		name := g.Group
		if name == "" && len(a.Groups) == 1 {
			name = "All items"
		} else if name == "" {
			name = "(no group)"
		}
		p.line("%s: %d items, %d failed, %s under observation", name, g.N, g.Failures, short(g.Exposure))
		p.estimate("median life", g.Median, g.MedianLower, g.MedianUpper)
		p.note(g.Note)
		p.weibull(g.Weibull)
		p.estimate("exponential mean life", g.Exponential.Mean, g.Exponential.MeanLower, g.Exponential.MeanUpper)
		if g.Failures < reliability.FewFailures {
			p.line("    one-sided: above %s", short(float64(g.Exponential.OneSidedLower)))
		}
		p.note(g.Exponential.Note)
		p.curve(g.KM)
		if len(a.LogRank.Observed) > 0 {
			p.line("  failures expected if all groups were alike: %s", short(float64(a.LogRank.Expected[i])))
		}
	}
	p.line("")
	p.logRank(a.LogRank)
	return p.err
}

// printer writes lines until one fails.
type printer struct {
	out io.Writer
	err error
}

func (p *printer) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.out, format+"\n", args...)
	}
}

func (p *printer) note(text string) {
	if text != "" {
		p.line("    %s", text)
	}
}

func (p *printer) estimate(name string, value, lower, upper figure) {
	p.line("  %-22s %10s   %s to %s", name, short(float64(value)), short(float64(lower)), short(float64(upper)))
}

func (p *printer) weibull(w weibullJSON) {
	p.estimate("Weibull shape", w.Shape, w.ShapeLower, w.ShapeUpper)
	p.estimate("Weibull scale", w.Scale, w.ScaleLower, w.ScaleUpper)
	p.estimate("Weibull B10 life", w.B10, w.B10Lower, w.B10Upper)
	p.estimate("Weibull median life", w.Median, w.MedianLower, w.MedianUpper)
	p.estimate("Weibull mean life", w.Mean, w.MeanLower, w.MeanUpper)
	p.note(w.Note)
	if f := w.Fixed; f != nil {
		p.estimate("scale under shape "+short(f.Shape), f.Scale, f.ScaleLower, f.ScaleUpper)
		p.line("    one-sided: above %s", short(float64(f.OneSidedLower)))
		p.note(f.Note)
	}
}

func (p *printer) curve(rows []kmJSON) {
	if len(rows) == 0 {
		return
	}
	p.line("  %10s %10s %10s %10s %10s %10s %10s", "time", "at risk", "failed", "survival", "error", "lower", "upper")
	for _, r := range rows {
		p.line("  %10s %10d %10d %10s %10s %10s %10s", short(r.Time), r.AtRisk, r.Failed,
			short(float64(r.Survival)), short(float64(r.SE)), short(float64(r.Lower)), short(float64(r.Upper)))
	}
}

func (p *printer) logRank(r logRankJSON) {
	if r.Note != "" {
		p.line("Log-rank test: %s", r.Note)
		return
	}
	p.line("Log-rank test that all groups fail alike: chi-square %s (degrees of freedom %d), p = %s", short(float64(r.Chi2)), *r.DF, short(float64(r.P)))
	switch q := r.Permutation; {
	case q == nil:
	case q.Exact:
		p.line("  Few failures: go by the exact p = %s, from all %d arrangements of the items into the groups.", short(q.P), q.Permutations)
	default:
		p.line("  Few failures: go by the permutation p = %s, from %d random arrangements (seed %d).", short(q.P), q.Permutations, q.Seed)
	}
}
