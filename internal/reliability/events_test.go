package reliability

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"nextprobe/internal/problem"
)

// valveSeats are the ages in days at which valve seats of 41 diesel engines were
// replaced, and the age at which each engine was last seen (Nelson and Doganaksoy 1989;
// Nelson, Recurrent Events Data Analysis, 2003, table 1.1; survival::valveSeat of R).
var valveSeats = []Unit{
	{End: 761}, {End: 759}, {End: 667, Events: []float64{98}}, {End: 667, Events: []float64{326, 653, 653}}, {End: 665},
	{End: 667, Events: []float64{84}}, {End: 663, Events: []float64{87}}, {End: 653, Events: []float64{646}}, {End: 653, Events: []float64{92}},
	{End: 651}, {End: 650, Events: []float64{258, 328, 377, 621}}, {End: 648, Events: []float64{61, 539}},
	{End: 644, Events: []float64{254, 276, 298, 640}}, {End: 642, Events: []float64{76, 538}}, {End: 641, Events: []float64{635}},
	{End: 649, Events: []float64{349, 404, 561}}, {End: 631}, {End: 596}, {End: 614, Events: []float64{120, 479}},
	{End: 582, Events: []float64{323, 449}}, {End: 589, Events: []float64{139, 139}}, {End: 593}, {End: 589, Events: []float64{573}},
	{End: 606, Events: []float64{165, 408, 604}}, {End: 594, Events: []float64{249}}, {End: 613, Events: []float64{344, 497}},
	{End: 595, Events: []float64{265, 586}}, {End: 389, Events: []float64{166, 206, 348}}, {End: 601},
	{End: 601, Events: []float64{410, 581}}, {End: 611}, {End: 608}, {End: 587}, {End: 603, Events: []float64{367}},
	{End: 585, Events: []float64{202, 563, 570}}, {End: 587}, {End: 578}, {End: 578}, {End: 586}, {End: 585}, {End: 582},
}

func mustEvents(t *testing.T, units ...Unit) *Events {
	t.Helper()
	e, err := NewEvents(units)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// within fails when got is further from want than the tolerance; NaN equals NaN.
func within(t *testing.T, name string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) && math.IsNaN(want) || got == want {
		return
	}
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.10g, want %.10g", name, got, want)
	}
}

// refused fails unless err is an Invalid error about the field.
func refused(t *testing.T, err error, field string) {
	t.Helper()
	e := problem.As(err)
	if e == nil || e.Code != problem.Invalid || len(e.Fields) == 0 || e.Fields[0].Field != field {
		t.Errorf("got %v, want an Invalid error about %s", err, field)
	}
}

func TestMeanCumulativeOfValveSeats(t *testing.T) {
	t.Parallel()
	e := mustEvents(t, valveSeats...)
	if e.Units() != 41 || e.Count() != 48 || e.Exposure() != 25363 {
		t.Fatalf("%d units, %d events, %v days; the source has 41, 48 and 25363", e.Units(), e.Count(), e.Exposure())
	}
	m, err := e.MeanCumulative(.95)
	if err != nil {
		t.Fatal(err)
	}
	// Values of R 4.2.2, survival 3.5-3, survfit(cluster = id)$cumhaz and $std.chaz up
	// to 586; at 139 and 653 two fall on one engine, which survfit cannot take, and the
	// values were computed from the formula in R.
	for _, want := range []struct{ time, mean, se float64 }{
		{61, .024390, .024091}, {139, .219512, .073270}, {326, .512195, .109740}, {404, .683537, .135939}, {581, .984852, .171204},
		{586, 1.014264, .173844}, {604, 1.059719, .185061}, {646, 1.320465, .228505}, {653, 1.542688, .311656},
	} {
		i := slices.Index(m.Time, want.time)
		if i < 0 {
			t.Errorf("no step at %v", want.time)
			continue
		}
		within(t, "mean", m.Mean[i], want.mean, 6e-7)
		within(t, "standard error", m.SE[i], want.se, 6e-7)
		// The log bounds by their definition, with the normal quantile from tables.
		within(t, "lower", m.Lower[i], m.Mean[i]*math.Exp(-1.959964*m.SE[i]/m.Mean[i]), 1e-6)
		within(t, "upper", m.Upper[i], m.Mean[i]*math.Exp(1.959964*m.SE[i]/m.Mean[i]), 1e-6)
	}
	if n := len(m.Time); m.Time[0] != 61 || m.Time[n-1] != 653 || m.AtRisk[0] != 41 || m.Events[n-1] != 2 {
		t.Errorf("first and last step are %v and %v, %d at risk at first, %d events at last", m.Time[0], m.Time[n-1], m.AtRisk[0], m.Events[n-1])
	}
	// A trap: Nelson's variance of 1995 divides by n−1 and makes 0.0244 of the first.
	if math.Abs(m.SE[0]-.0244) < 1e-4 {
		t.Error("the first standard error is that of Nelson 1995, not of Lawless and Nadeau")
	}
	if at := m.At(140); at.Value != m.Mean[slices.Index(m.Time, 139)] {
		t.Errorf("at 140 days: %v", at)
	}
	if at := m.At(60); at.Value != 0 || !math.IsNaN(at.Lower) {
		t.Errorf("before the first event: %v", at)
	}
}

// staggered are five units that came under observation at different ages.
var staggered = []Unit{
	{Start: 0, End: 90, Events: []float64{12, 40}}, {Start: 5, End: 70, Events: []float64{30}}, {Start: 20, End: 80, Events: []float64{51, 33}},
	{Start: 0, End: 55}, {Start: 60, End: 100, Events: []float64{71}},
}

func TestMeanCumulativeOfUnitsThatCameLate(t *testing.T) {
	t.Parallel()
	m, err := mustEvents(t, staggered...).MeanCumulative(.95)
	if err != nil {
		t.Fatal(err)
	}
	// R 4.2.2, survival 3.5-3: survfit(Surv(start, stop, event) ~ 1, id, cluster = id),
	// time, n.risk, cumhaz, std.chaz; testdata/reference/events.R.
	for i, want := range [][4]float64{
		{12, 3, 0.333333333333, 0.272165526976}, {30, 4, 0.583333333333, 0.255721564438}, {33, 4, 0.833333333333, 0.284637521277},
		{40, 4, 1.083333333333, 0.420124540618}, {51, 4, 1.333333333333, 0.504608392350}, {71, 3, 1.666666666667, 0.473038510165},
	} {
		within(t, "time", m.Time[i], want[0], 0)
		within(t, "at risk", float64(m.AtRisk[i]), want[1], 0)
		within(t, "mean", m.Mean[i], want[2], 1e-11)
		within(t, "standard error", m.SE[i], want[3], 1e-11)
	}
}

// lawlessNadeau is the variance by its formula, unit by unit.
func lawlessNadeau(units []Unit, ages []float64) []float64 {
	variance := make([]float64, len(ages))
	for _, u := range units {
		deviation := 0.0
		for k, t := range ages {
			n, d, own := 0.0, 0.0, 0.0
			for _, v := range units {
				if v.Start < t && t <= v.End {
					n++
				}
				for _, s := range v.Events {
					if s == t {
						d++
					}
				}
			}
			for _, s := range u.Events {
				if s == t {
					own++
				}
			}
			if u.Start < t && t <= u.End {
				deviation += (own - d/n) / n
			}
			variance[k] += deviation * deviation
		}
	}
	return variance
}

func TestMeanCumulativeByItsFormula(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 4))
	for range 60 {
		units := make([]Unit, 1+r.IntN(9))
		for i := range units {
			start := float64(r.IntN(2) * r.IntN(8))
			u := Unit{Start: start, End: start + float64(r.IntN(15))}
			for range r.IntN(7) {
				if t := start + float64(1+r.IntN(15)); t <= u.End {
					u.Events = append(u.Events, t)
				}
			}
			units[i] = u
		}
		m, err := mustEvents(t, units...).MeanCumulative(.9)
		if err != nil {
			t.Fatal(err)
		}
		want := lawlessNadeau(units, m.Time)
		several := false
		for k := range m.Time {
			several = several || m.AtRisk[k] > 1
			if !several {
				if !math.IsNaN(m.SE[k]) {
					t.Errorf("standard error %v from one unit", m.SE[k])
				}
				continue
			}
			within(t, "variance", m.SE[k]*m.SE[k], want[k], 1e-13)
		}
	}
}

func TestMeanCumulativeWhereUnitsAgree(t *testing.T) {
	t.Parallel()
	// Every unit has had one event by the end, each at its own age: the variance rises
	// and comes back to nothing, which a running sum must not miss.
	units := make([]Unit, 500)
	for i := range units {
		units[i] = Unit{End: 1000, Events: []float64{float64(i + 1)}}
	}
	m, err := mustEvents(t, units...).MeanCumulative(.95)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "mean", m.Mean[499], 1, 1e-12)
	within(t, "standard error", m.SE[499], 0, 1e-13)
	within(t, "standard error half way", m.SE[249], math.Sqrt(.5*.5/500), 1e-13)
}

func TestEventsAtTheEndCountBeforeTheUnitLeaves(t *testing.T) {
	t.Parallel()
	m, err := mustEvents(t, Unit{End: 10, Events: []float64{10, 10}}, Unit{End: 10}, Unit{Start: 10, End: 20}).MeanCumulative(.95)
	if err != nil {
		t.Fatal(err)
	}
	// By hand: two units at risk at 10 (the third comes in after it), two events.
	if len(m.Time) != 1 || m.AtRisk[0] != 2 || m.Mean[0] != 1 {
		t.Errorf("%+v", m)
	}
}

func TestNewEventsRefuses(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	for _, tc := range []struct {
		field string
		unit  Unit
	}{
		{"units[1].start", Unit{Start: -1, End: 5}},
		{"units[1].start", Unit{Start: nan, End: 5}},
		{"units[1].end", Unit{Start: 6, End: 5}},
		{"units[1].end", Unit{End: nan}},
		{"units[1].end", Unit{End: inf}},
		{"units[1].events[1]", Unit{End: 5, Events: []float64{2, 5.5}}},
		{"units[1].events[0]", Unit{End: 5, Events: []float64{0}}},
		{"units[1].events[0]", Unit{Start: 3, End: 5, Events: []float64{3}}},
		{"units[1].events[0]", Unit{End: 5, Events: []float64{nan}}},
		{"units[1].events[0]", Unit{End: 0, Events: []float64{0}}},
		{"units[1].failure_truncated", Unit{End: 5, Events: []float64{4}, FailureTruncated: true}},
	} {
		_, err := NewEvents([]Unit{{End: 1}, tc.unit})
		refused(t, err, tc.field)
	}
	many := make([]Unit, 100)
	for i := range many {
		many[i].End = -1
	}
	if _, err := NewEvents(many); len(problem.As(err).Fields) != maxNamed {
		t.Errorf("%v", err)
	}
}

func TestFewEventsHaveDefinedAnswers(t *testing.T) {
	t.Parallel()
	for name, units := range map[string][]Unit{
		"no units":          nil,
		"no exposure":       {{End: 0}, {Start: 4, End: 4}},
		"no events":         {{End: 100}, {End: 50}},
		"one event":         {{End: 100, Events: []float64{30}}},
		"one, truncated":    {{End: 100, Events: []float64{100}, FailureTruncated: true}},
		"all at one age":    {{End: 100, Events: []float64{30, 30, 30}}},
		"all at the end":    {{End: 100, Events: []float64{100, 100}}},
		"late and one":      {{Start: 40, End: 100, Events: []float64{41}}},
		"late and steep":    {{Start: 40, End: 100, Events: []float64{41, 41.1, 41.2, 41.3}}},
		"late and flat":     {{Start: 99, End: 100, Events: []float64{99.2, 99.9}}, {Start: 98, End: 99, Events: []float64{98.5}}},
		"very unequal ages": {{End: 1e9, Events: []float64{1e-9, 3e8}}, {End: 1e-6}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := mustEvents(t, units...)
			if _, err := e.MeanCumulative(.95); err != nil {
				t.Error(err)
			}
			p, err := e.PowerLaw(.95)
			if err != nil {
				t.Fatal(err)
			}
			if math.IsNaN(p.Shape.Value) != (p.Note != "") {
				t.Errorf("shape %v with the note %q", p.Shape, p.Note)
			}
			if s := p.Shape; s.Lower > s.Value || s.Upper < s.Value {
				t.Errorf("shape %v outside its bounds", s)
			}
			for kind, trend := range map[string]Trend{"Laplace": e.Laplace(), "MIL-HDBK-189": e.MILHDBK189(), "Lewis-Robinson": e.LewisRobinson()} {
				if math.IsNaN(trend.Statistic) != math.IsNaN(trend.P) || trend.P < 0 || trend.P > 1 || math.IsInf(trend.Statistic, 0) {
					t.Errorf("%s: %+v", kind, trend)
				}
			}
			if r := e.Reversals(); !(r.P > 0 && r.P <= 1) {
				t.Errorf("reversals: %+v", r)
			}
			if fit := e.FitPowerLaw(); math.IsNaN(fit.Statistic) != (fit.Note != "") {
				t.Errorf("fit: %+v", fit)
			}
		})
	}
	_, err := mustEvents(t, Unit{End: 0}).Rate(.95)
	refused(t, err, "exposure")
	for _, confidence := range []float64{0, 1, math.NaN()} {
		_, err = mustEvents(t).MeanCumulative(confidence)
		refused(t, err, "confidence")
		_, err = mustEvents(t).PowerLaw(confidence)
		refused(t, err, "confidence")
	}
}

func TestOnlyOneUnit(t *testing.T) {
	t.Parallel()
	e := mustEvents(t, valveSeats...)
	one := e.Only(3)
	if one.Units() != 1 || one.Count() != 3 || one.Exposure() != 667 || e.WithoutExposure() != 0 {
		t.Errorf("%+v", one)
	}
	if n := mustEvents(t, Unit{End: 3}, Unit{}, Unit{Start: 2, End: 2}).WithoutExposure(); n != 2 {
		t.Errorf("%d units without exposure, want 2", n)
	}
}
