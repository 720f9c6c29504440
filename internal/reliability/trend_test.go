package reliability

import (
	"math"
	"slices"
	"testing"
)

// growthTest are the failures of a system that was improved while it was tested, to
// 1500 h (NIST/SEMATECH e-Handbook of Statistical Methods, sections 8.2.3.4, 8.4.5.2).
var growthTest = Unit{End: 1500, Events: []float64{5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478}}

// handbookTest is the example of MIL-HDBK-189 (1981), appendix C. The one of 189C
// section 6.2.2.9 that speaks of 45 failures prints only these 27.
var handbookTest = Unit{End: 300, Events: []float64{2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1,
	101.1, 132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1}}

func TestTrendTestsOfTheGrowthTest(t *testing.T) {
	t.Parallel()
	e := mustEvents(t, growthTest)
	// NIST 8.2.3.4; the values recomputed with scipy 1.10.
	laplace := e.Laplace()
	within(t, "Laplace", laplace.Statistic, -1.326949, 6e-7)
	within(t, "Laplace, improving", laplace.Improving, .092263, 6e-7)
	within(t, "Laplace, two-sided", laplace.P, 2*.092263, 2e-6)
	mil := e.MILHDBK189()
	within(t, "chi-square", mil.Statistic, 37.22808, 6e-6)
	within(t, "chi-square, improving", mil.Improving, .010986, 6e-7)
	within(t, "chi-square, both tails", mil.Improving+mil.Worsening, 1, 1e-12)
	if mil.DF != 20 {
		t.Errorf("%d degrees of freedom, want 20", mil.DF)
	}
	r := e.Reversals()
	if r.Count != 33 || r.Pairs != 45 || r.Ties != 1 || !r.Exact {
		t.Errorf("reversals %+v, want 33 of 45", r)
	}
	within(t, "reversals, improving", r.Improving, .036275, 6e-7)
}

func TestPooledTrendTestsUseEachUnitsOwnObservation(t *testing.T) {
	t.Parallel()
	// By hand: events at 3 of 0 to 10, at 14 and 18 of 10 to 20 (the middle of each is
	// its own), none in 0 to 7. U = (−2 − 1 + 3)/√(10²/12 + 2·10²/12) = 0, and
	// χ² = 2·(ln(10/3) + ln(10/4) + ln(10/8)) on 6.
	e := mustEvents(t, Unit{End: 10, Events: []float64{3}}, Unit{Start: 10, End: 20, Events: []float64{14, 18}}, Unit{End: 7})
	within(t, "Laplace", e.Laplace().Statistic, 0, 1e-15)
	mil := e.MILHDBK189()
	within(t, "chi-square", mil.Statistic, 2*math.Log(1000./96), 1e-12)
	if mil.DF != 6 {
		t.Errorf("%d degrees of freedom, want 6", mil.DF)
	}
	// One event later in the second unit: U = 1/5.
	e = mustEvents(t, Unit{End: 10, Events: []float64{3}}, Unit{Start: 10, End: 20, Events: []float64{15, 18}})
	within(t, "Laplace", e.Laplace().Statistic, 1./5, 1e-14)
}

func TestReversalCriticalValues(t *testing.T) {
	t.Parallel()
	// NIST 8.2.3.4, table of critical values for 10 failures: 31, 33 and 36 reversals
	// speak for improvement at 90, 95 and 99 %.
	p := inversions([]int{10}, 45)
	for _, tc := range []struct {
		count int
		level float64
	}{{31, .10}, {33, .05}, {36, .01}} {
		if at, before := upTo(p, 45-tc.count), upTo(p, 45-tc.count+1); at > tc.level || before <= tc.level {
			t.Errorf("%d reversals: %v, one fewer: %v; the table puts the level %v between", tc.count, at, before, tc.level)
		}
	}
}

func TestReversalsAgainstAllOrders(t *testing.T) {
	t.Parallel()
	// Two units with four and three intervals: every one of the 4!·3! orders.
	orders := func(n int) [][]float64 {
		all := [][]float64{{}}
		for k := 1; k <= n; k++ {
			var next [][]float64
			for _, o := range all {
				for at := range k {
					next = append(next, slices.Insert(slices.Clone(o), at, float64(k)))
				}
			}
			all = next
		}
		return all
	}
	unit := func(gaps []float64) Unit {
		var u Unit
		for _, g := range gaps {
			u.End += g
			u.Events = append(u.Events, u.End)
		}
		return u
	}
	seen := make([]float64, 10)
	total := 0.0
	for _, a := range orders(4) {
		for _, b := range orders(3) {
			seen[mustEvents(t, unit(a), unit(b)).Reversals().Count]++
			total++
		}
	}
	r := mustEvents(t, unit([]float64{1, 2, 4, 3}), unit([]float64{1, 3, 2})).Reversals() // 5 + 2 reversals of 9
	above, below := 0.0, 0.0
	for c, n := range seen {
		if c >= 7 {
			above += n / total
		}
		if c <= 7 {
			below += n / total
		}
	}
	within(t, "improving", r.Improving, above, 1e-14)
	within(t, "worsening", r.Worsening, below, 1e-14)
	within(t, "two-sided", r.P, 2*above, 1e-14)
}

func TestManyReversalsAreNearlyNormal(t *testing.T) {
	t.Parallel()
	// 300 events are counted exactly, 420 are not.
	lean := func(n int) Reversals {
		u := Unit{}
		for i := range n {
			u.End += 1 + float64((i*7919)%n)/float64(n) + .12*float64(i)/float64(n)
			u.Events = append(u.Events, u.End)
		}
		return mustEvents(t, u).Reversals()
	}
	exact, near := lean(300), lean(420)
	if !exact.Exact || near.Exact {
		t.Fatalf("exact: %v and %v", exact.Exact, near.Exact)
	}
	n := 300.0
	z := (float64(exact.Count) - .5 - n*(n-1)/4) / math.Sqrt(n*(n-1)*(2*n+5)/72)
	within(t, "normal approximation", exact.Improving, upperNormal(z), 1e-4)
	if near.Improving <= 0 || near.Improving >= 1 {
		t.Errorf("%+v", near)
	}
}

func TestPowerLawOfTheGrowthTest(t *testing.T) {
	t.Parallel()
	p, err := mustEvents(t, growthTest).PowerLaw(.8)
	if err != nil {
		t.Fatal(err)
	}
	// NIST 8.4.5.2 with its R script: the estimates without bias.
	within(t, "unbiased shape", p.Unbiased.Shape, .483506, 6e-7)
	within(t, "growth slope", 1-p.Unbiased.Shape, .516494, 6e-7)
	within(t, "unbiased scale", p.Unbiased.Scale, .2913003, 6e-8)
	within(t, "unbiased MTBF", p.Unbiased.MTBF.Value, 310.234, 6e-4)
	within(t, "MTBF, lower 80 %", p.Unbiased.MTBF.Lower, 157.7138, 6e-5)
	within(t, "MTBF, upper 80 %", p.Unbiased.MTBF.Upper, 548.5566, 6e-5)
	// The plain ones, recomputed with scipy 1.10.
	within(t, "shape", p.Shape.Value, .537229, 6e-7)
	within(t, "scale", p.Scale, .196658, 6e-7)
	within(t, "MTBF", p.MTBF.Value, 279.2106, 6e-5)
	// MIL-HDBK-189, table of factors for time-truncated tests, 10 failures, 80 %.
	within(t, "MTBF, lower factor", p.MTBF.Lower/p.MTBF.Value, .549, 6e-4)
	within(t, "MTBF, upper factor", p.MTBF.Upper/p.MTBF.Value, 2.136, 6e-4)
	if !p.Exact || p.Note != "" || p.Age != 1500 {
		t.Errorf("%+v", p)
	}
	// The shape's bounds by the pivot 2N·b/shape, with χ² quantiles 12.443 and 28.412 on
	// 20 degrees of freedom from any table.
	within(t, "shape, lower", p.Shape.Lower, .537229*12.443/20, 2e-5)
	within(t, "shape, upper", p.Shape.Upper, .537229*28.412/20, 2e-5)
	within(t, "one event on average by Eta", p.Scale*math.Pow(p.Eta, p.Shape.Value), 1, 1e-12)
}

func TestPowerLawOfTheHandbookTest(t *testing.T) {
	t.Parallel()
	e := mustEvents(t, handbookTest)
	p, err := e.PowerLaw(.95)
	if err != nil {
		t.Fatal(err)
	}
	// MIL-HDBK-189 (1981), appendix C; more digits recomputed with scipy 1.10.
	within(t, "shape", p.Shape.Value, .716339, 6e-7)
	within(t, "scale", p.Scale, .453842, 6e-7)
	within(t, "intensity", p.Intensity.Value, .0644705, 6e-8)
	within(t, "MTBF", p.MTBF.Value, 15.51096, 6e-6)
	within(t, "unbiased shape", p.Unbiased.Shape, .689808, 6e-7)
	within(t, "chi-square", p.Test.Statistic, 75.38328, 6e-6)
	within(t, "chi-square, P(≤)", p.Test.Worsening, .9711, 6e-5)
	within(t, "Laplace", e.Laplace().Statistic, -2.3180, 6e-5)
	fit := e.FitPowerLaw()
	within(t, "Cramér-von Mises", fit.Statistic, .0910611, 6e-8)
	if p.Test.DF != 54 || fit.Events != 27 || fit.PAbove != .2 || fit.PBelow != 1 {
		t.Errorf("%d degrees of freedom, fit %+v", p.Test.DF, fit)
	}
}

func TestCrowFactors(t *testing.T) {
	t.Parallel()
	// MIL-HDBK-189 (1981), tables of lower and upper factors of the MTBF, from memory:
	// events, 80 % time-truncated, 90 % time-truncated, 80 % failure-truncated, 90 %
	// failure-truncated.
	for _, row := range [][9]float64{
		{2, .261, 18.66, .200, 38.66, .8065, 33.76, .5552, 72.67},
		{3, .333, 6.326, .263, 9.736, .6840, 8.927, .5137, 14.24},
		{4, .385, 4.243, .312, 5.947, .6601, 5.328, .5174, 7.651},
		{5, .426, 3.386, .352, 4.517, .6568, 4.000, .5290, 5.424},
		{10, .549, 2.136, .476, 2.575, .6852, 2.287, .5883, 2.769},
	} {
		n := row[0]
		for i, tc := range []struct {
			tail      float64
			truncated bool
		}{{.1, false}, {.05, false}, {.1, true}, {.05, true}} {
			lower, upper := crowBounds(n, tc.tail, tc.truncated)
			within(t, "lower factor", n*n/upper, row[1+2*i], .001*row[1+2*i]+.0006)
			within(t, "upper factor", n*n/lower, row[2+2*i], .001*row[2+2*i])
		}
	}
	if lower, upper := crowBounds(1, .05, false); lower != 0 || !(upper > 1) {
		t.Errorf("one event: %v, %v", lower, upper)
	}
	if lower, _ := crowBounds(1, .05, true); !math.IsNaN(lower) {
		t.Error("one event that ended the observation has no bounds")
	}
	// Many events: the factors near 1 ± z·√(2/n).
	lower, upper := crowBounds(20000, .025, false)
	within(t, "lower of many", 2e4*2e4/upper, 1/(1+1.96*math.Sqrt(2/2e4)), 2e-3)
	within(t, "upper of many", 2e4*2e4/lower, 1/(1-1.96*math.Sqrt(2/2e4)), 2e-3)
}

func TestFailureTruncation(t *testing.T) {
	t.Parallel()
	// By hand: the last of four events ends the observation. Σ ln(8/t) over 1, 2, 4 is
	// 6·ln 2, so shape 4/(6 ln 2), without bias 2/(6 ln 2), χ² = 12 ln 2 on 6.
	u := Unit{End: 8, Events: []float64{1, 2, 4, 8}, FailureTruncated: true}
	p, err := mustEvents(t, u).PowerLaw(.9)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "shape", p.Shape.Value, 4/(6*math.Ln2), 1e-13)
	within(t, "unbiased shape", p.Unbiased.Shape, 2/(6*math.Ln2), 1e-13)
	within(t, "chi-square", p.Test.Statistic, 12*math.Ln2, 1e-12)
	if p.Test.DF != 6 || !p.Exact {
		t.Errorf("%+v", p.Test)
	}
	// 2N·b/shape has χ² with 6 degrees of freedom: 1.63538 and 12.5916 at 5 and 95 %.
	within(t, "shape, lower", p.Shape.Lower, 4/(6*math.Ln2)*1.63538/8, 1e-5)
	within(t, "shape, upper", p.Shape.Upper, 4/(6*math.Ln2)*12.5916/8, 1e-5)
	// Laplace over the first three, observed to 8: (7 − 12)/√(3·64/12).
	within(t, "Laplace", mustEvents(t, u).Laplace().Statistic, -5./4, 1e-13)
	if n := mustEvents(t, u).FitPowerLaw().Events; n != 3 {
		t.Errorf("the fit looks at %d events, want 3", n)
	}
}

func TestPowerLawOfUnequalObservations(t *testing.T) {
	t.Parallel()
	e := mustEvents(t, valveSeats...)
	p, err := e.PowerLaw(.95)
	if err != nil {
		t.Fatal(err)
	}
	// R 4.2.2: the full likelihood maximised by optim and its profiles by optimize,
	// bounds by uniroot; testdata/reference/events.R.
	within(t, "shape", p.Shape.Value, 1.39957932, 1e-7)
	within(t, "shape, lower", p.Shape.Lower, 1.04209756, 1e-7)
	within(t, "shape, upper", p.Shape.Upper, 1.82952958, 1e-7)
	within(t, "scale", p.Scale, .000144754545, 1e-10)
	within(t, "intensity", p.Intensity.Value, .00287059229, 1e-9)
	within(t, "intensity, lower", p.Intensity.Lower, .00179924155, 1e-9)
	within(t, "intensity, upper", p.Intensity.Upper, .00449503374, 1e-9)
	within(t, "MTBF, lower", p.MTBF.Lower, 1/.00449503374, 1e-4)
	within(t, "chi-square", p.Test.Statistic, 66.1483537, 1e-6)
	within(t, "chi-square, worsening", p.Test.Worsening, .00865240, 1e-8)
	within(t, "Laplace", e.Laplace().Statistic, 2.37869278, 1e-8)
	if p.Exact || p.Age != 761 || p.Test.DF != 96 {
		t.Errorf("%+v", p)
	}
}

func TestPowerLawOfUnitsThatCameLate(t *testing.T) {
	t.Parallel()
	p, err := mustEvents(t, staggered...).PowerLaw(.95)
	if err != nil {
		t.Fatal(err)
	}
	// R 4.2.2, as above.
	within(t, "shape", p.Shape.Value, .952393379, 1e-7)
	within(t, "scale", p.Scale, .0240792114, 1e-9)
	within(t, "shape, lower", p.Shape.Lower, .314908415, 1e-7)
	within(t, "shape, upper", p.Shape.Upper, 2.08597824, 1e-7)
	within(t, "intensity", p.Intensity.Value, .0184181237, 1e-8)
	within(t, "intensity, lower", p.Intensity.Lower, .00493721419, 1e-8)
	within(t, "intensity, upper", p.Intensity.Upper, .0588085728, 1e-8)
	if !math.IsNaN(p.Unbiased.Shape) {
		t.Error("an unbiased shape from units that came late")
	}
}

func TestFullLikelihoodMeetsTheClosedForm(t *testing.T) {
	t.Parallel()
	// Three units observed from new to the same age have a closed form; one more that
	// stopped a hair earlier makes the observations unequal and must change nothing.
	equal := []Unit{{End: 50, Events: []float64{3, 20, 44}}, {End: 50, Events: []float64{31}}, {End: 50}}
	a, err := mustEvents(t, equal...).PowerLaw(.9)
	if err != nil {
		t.Fatal(err)
	}
	nearly := slices.Clone(equal)
	nearly[2].End = 50 - 1e-9
	b, err := mustEvents(t, nearly...).PowerLaw(.9)
	if err != nil {
		t.Fatal(err)
	}
	if !a.Exact || b.Exact {
		t.Fatal("the wrong way was taken")
	}
	within(t, "shape", b.Shape.Value, a.Shape.Value, 1e-9)
	within(t, "scale", b.Scale, a.Scale, 1e-9)
	within(t, "intensity", b.Intensity.Value, a.Intensity.Value, 1e-9)
	within(t, "unbiased shape", b.Unbiased.Shape, a.Unbiased.Shape, 1e-9)
	within(t, "unbiased scale", b.Unbiased.Scale, a.Unbiased.Scale, 1e-9)
	// By hand: 4 events of 3 units, Σ ln(50/t).
	shape := 4 / (math.Log(50./3) + math.Log(50./20) + math.Log(50./44) + math.Log(50./31))
	within(t, "closed form", a.Shape.Value, shape, 1e-12)
	within(t, "scale per unit", a.Scale, 4/(3*math.Pow(50, shape)), 1e-12)
}

func TestTrendTestsDoNotDependOnTheUnitOfAge(t *testing.T) {
	t.Parallel()
	scaled := make([]Unit, len(valveSeats))
	for i, u := range valveSeats {
		scaled[i].End = u.End * 24
		for _, s := range u.Events {
			scaled[i].Events = append(scaled[i].Events, s*24)
		}
	}
	days, hours := mustEvents(t, valveSeats...), mustEvents(t, scaled...)
	a, _ := days.PowerLaw(.95)
	b, _ := hours.PowerLaw(.95)
	within(t, "shape", b.Shape.Value, a.Shape.Value, 1e-10)
	within(t, "shape, upper", b.Shape.Upper, a.Shape.Upper, 1e-10)
	within(t, "MTBF, upper", b.MTBF.Upper/24, a.MTBF.Upper, 1e-6)
	within(t, "Laplace", hours.Laplace().Statistic, days.Laplace().Statistic, 1e-12)
	within(t, "Lewis-Robinson", hours.LewisRobinson().Statistic, days.LewisRobinson().Statistic, 1e-12)
}

func TestLewisRobinson(t *testing.T) {
	t.Parallel()
	// By hand: intervals 2, 4, 6 and an open one to 14. U = (2+6+12−3·7)/√(3·14²/12) =
	// −1/7; mean 4, s = 2, so the coefficient of variation is ½.
	e := mustEvents(t, Unit{End: 14, Events: []float64{2, 6, 12}})
	within(t, "Laplace", e.Laplace().Statistic, -1./7, 1e-14)
	within(t, "Lewis-Robinson", e.LewisRobinson().Statistic, -2./7, 1e-14)
	// Came late: the first interval was not seen from its beginning. 4 and 6 remain.
	late := mustEvents(t, Unit{Start: 1, End: 15, Events: []float64{3, 7, 13}})
	within(t, "came late", late.LewisRobinson().Statistic, -1./7*5/math.Sqrt2, 1e-14)
	// Intervals that are all equal have no spread to judge by.
	if even := mustEvents(t, Unit{End: 10, Events: []float64{2, 4, 6}}).LewisRobinson(); !math.IsNaN(even.P) {
		t.Errorf("%+v", even)
	}
}

func TestFitTableAgreesWithTheHandbook(t *testing.T) {
	t.Parallel()
	// MIL-HDBK-189 (1981), critical values of the Cramér-von Mises statistic, from
	// memory; they were simulated with some hundredths of relative error at 1 %.
	for events, want := range map[int][5]float64{
		2: {.138, .149, .162, .175, .186}, 3: {.121, .135, .154, .184, .231}, 5: {.121, .137, .160, .199, .295},
		10: {.125, .142, .167, .212, .324}, 20: {.128, .146, .172, .217, .333}, 60: {.128, .147, .173, .220, .333},
	} {
		got := cvmRow(events)
		for i := range want {
			within(t, "critical value", got[i], want[i], .0015+.015*want[i])
		}
	}
	if cvmRow(59) != cvmRow(30) || cvmRow(100000) != cvmRow(100) {
		t.Error("a row between two tabulated ones is not that of the smaller")
	}
	// Two clusters far apart are no power law.
	var u Unit
	for i := range 15 {
		u.Events = append(u.Events, 1+.01*float64(i), 99+.01*float64(i))
	}
	u.End = 100
	if fit := mustEvents(t, u).FitPowerLaw(); !(fit.Statistic > fit.Critical) || fit.PBelow > .05 {
		t.Errorf("%+v", fit)
	}
}
