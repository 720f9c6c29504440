package learning

import (
	"crypto/sha256"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// rooted gives a case two roots: one that shows in a finding, one that is told.
func rooted(c Case, seed uint64) Case {
	r := rand.New(rand.NewPCG(seed, 3))
	c.Spec.Roots = []diagnosis.Root{
		{ID: "wet", Prior: 0.1 + 0.4*r.Float64(), Raises: []diagnosis.Factor{{Cause: "c0", Factor: 1 + 5*r.Float64()}, {Cause: "c1", Factor: 4}, {Cause: "c2", Factor: 0.3}},
			Links: []diagnosis.Link{{Finding: "f0", P: dist(r, 2)}, {Finding: "f1", P: dist(r, 3)}}},
		{ID: "old", Prior: 0.3, Raises: []diagnosis.Factor{{Cause: "c0", Factor: 2}}},
	}
	priors := map[string]float64{}
	for id, p := range c.Priors {
		priors[id] = p
	}
	if seed%2 == 0 {
		priors["old"] = 0.9
	}
	c.Priors = priors
	return c
}

// The lessons of cases without roots, to nine places: the hash was taken before
// roots were counted.
func TestLessonsWithoutRootsStayAsTheyWere(t *testing.T) {
	t.Parallel()
	sum := sha256.New()
	for seed := range uint64(60) {
		l, err := Learn(cases(seed))
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range l.Causes {
			fmt.Fprintf(sum, "%s %.9f %.9f %.9f\n", c.Cause, c.Present, c.Resolved, c.Extra)
		}
		for _, c := range l.Links {
			fmt.Fprintf(sum, "%s %s %.9f", c.Cause, c.Finding, c.Resolved)
			for _, n := range c.Levels {
				fmt.Fprintf(sum, " %s %.9f", n.Level, n.Count)
			}
		}
	}
	const want = "f40b23393ab1761c0a604e36b9793ecd0f5fcd80738ef72283f55a501a38da6d"
	if got := fmt.Sprintf("%x", sum.Sum(nil)); got != want {
		t.Errorf("the lessons hash to %s, want %s", got, want)
	}
}

// With a root of prior ½ that doubles the hazard, y = exp(−h) solves (y + y²)/2 = 1 − μ. For μ = 0.28, y² + y = 1.44 and
// y = (√6.76 − 1)/2 = 0.8: P(cause | dry) = 0.2, P(cause | wet) = 1 − 0.64 = 0.36.
func byHand() diagnosis.Spec {
	return diagnosis.Spec{
		Causes:   []diagnosis.Cause{{ID: "c", Prior: 0.28}, {ID: "d", Prior: 0.28}},
		Findings: []diagnosis.Finding{{ID: "f", Levels: []string{"absent", "present"}, Leak: []float64{1, 0}}, {ID: "g", Levels: []string{"absent", "present"}, Leak: []float64{1, 0}}},
		Links:    []diagnosis.Link{{Cause: "c", Finding: "f", P: []float64{0, 1}}},
		Roots: []diagnosis.Root{{ID: "wet", Prior: 0.5, Raises: []diagnosis.Factor{{Cause: "c", Factor: 2}, {Cause: "d", Factor: 2}},
			Links: []diagnosis.Link{{Finding: "g", P: []float64{0, 1}}}}},
	}
}

func learn(t *testing.T, c Case) Lesson {
	t.Helper()
	l, err := Learn(c)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// What a job counts, with the cause (f present or absent) and the root (g) seen.
// μ/(1−μ) = 7/18; wet odds 9/16, so r = 81/56; dry odds 1/4, so r = 9/14.
func TestRootsByHand(t *testing.T) {
	t.Parallel()
	see := func(c, wet int) []diagnosis.Observation {
		return []diagnosis.Observation{{Finding: "f", Level: c}, {Finding: "g", Level: wet}}
	}
	for _, x := range []struct {
		name                    string
		c                       Case
		present, extra, settled float64 // of c
		d                       float64 // P(d)
	}{
		{"there, wet", Case{Evidence: see(1, 1)}, 1, 0, 1, 0.36},
		{"there, dry", Case{Evidence: see(1, 0)}, 1, 0, 1, 0.2},
		{"not there, wet", Case{Evidence: see(0, 1)}, 0, 81.0/56 - 1, 1, 0.36},
		{"not there, dry", Case{Evidence: see(0, 0)}, 0, 9.0/14 - 1, 9.0 / 14, 0.2},
		// Nobody looked: in the mean it says nothing, 0.28·1 + Σ ½·(1−p_s)·r_s = 1.
		{"nothing seen", Case{}, 0.28, 0, 0, 0.28},
		// Wet, and nobody looked at the cause: no news of its prior.
		{"wet", Case{Evidence: see(0, 1)[1:]}, 0.36, 0.36 + 0.64*81.0/56 - 1, 0, 0.36},
		{"told to be wet", Case{Priors: map[string]float64{"wet": 1}}, 0.36, 0.36 + 0.64*81.0/56 - 1, 0, 0.36},
		// Confirmed: P(wet | c) = 0.18/0.28 = 9/14, so P(d | c) = (9·0.36 + 5·0.2)/14.
		{"confirmed", Case{Priors: map[string]float64{"c": 1}}, 1, 0, 1, (9*0.36 + 5*0.2) / 14},
		// Not seen whether wet: P(wet | no c) = 0.32/0.72 = 4/9; (4·81/56 + 5·9/14)/9 = 1.
		{"not there", Case{Evidence: see(0, 1)[:1]}, 0, 0, 1, (4*0.36 + 5*0.2) / 9},
		// Something else brings it along: no news of the root. 1 − 0.72·½ = 0.64.
		{"brought along", Case{Priors: map[string]float64{"c": 0.64}}, 0.64, 0.64 + 0.5*(0.64/2*81/56+0.8/2*9/14) - 1, 0, 0.28},
		// Held less probable, by a likelihood ratio of (1/18)/(7/18) = 1/7 wherever it
		// is: wet (0.36 + 0.64·7)/7 = 4.84/7, dry (0.2 + 0.8·7)/7 = 5.8/7.
		{"doubted", Case{Priors: map[string]float64{"c": 1.0 / 19}}, 0.56 / 10.64, 0.56/10.64 + (4.48*81/56+5.6*9/14)/10.64 - 1, math.NaN(), (4.84*0.36 + 5.8*0.2) / 10.64},
	} {
		x.c.Spec = byHand()
		got := learn(t, x.c)
		c := got.Causes[0]
		near(t, x.name+": present", c.Present, x.present)
		near(t, x.name+": extra", c.Extra, x.extra)
		if !math.IsNaN(x.settled) {
			near(t, x.name+": resolved", c.Resolved, x.settled)
		}
		near(t, x.name+": the other cause", got.Causes[1].Present, x.d)
	}
}

// A shop whose boards are all wet, or all dry, and are as the library says in
// that state, confirms the library's prior; one where the cause is there more
// often on them learns so, and does not put the weather down to the cause.
func TestTheWeatherIsNotTheCauses(t *testing.T) {
	t.Parallel()
	day := func(tot *Totals, n int, c, wet int) {
		l := learn(t, Case{Spec: byHand(), Evidence: []diagnosis.Observation{{Finding: "f", Level: c}, {Finding: "g", Level: wet}}})
		for range n {
			tot.Add(0, l)
		}
	}
	for _, x := range []struct {
		name               string
		wet, n, there      int
		want, within, jobs float64
	}{
		{"all wet, as the library says", 1, 1000, 360, 0.28, 1e-12, 1000},
		{"all dry, as the library says", 0, 1000, 200, 0.28, 1e-12, 200 + 800*9.0/14},
		// Odds on wet boards twice those of the library, 9/8: twice the odds of 7/18 in
		// general, 14/32 (but for the weight of the prior).
		{"all wet, twice the odds", 1, 17000, 9000, 14.0 / 32, 1e-3, 17000},
	} {
		var tot Totals
		day(&tot, x.there, 1, x.wet)
		day(&tot, x.n-x.there, 0, x.wet)
		n := Numbers(prior(0.28), tot, nil)[0]
		if got := n.Levels[0].Learned; math.Abs(got-x.want) > x.within {
			t.Errorf("%s: learned %v, want %v", x.name, got, x.want)
		}
		near(t, x.name+": jobs", n.Jobs/x.jobs, 1)
	}
	// The same sums in another order of days.
	var one, two Totals
	day(&one, 3, 1, 1)
	day(&one, 5, 0, 0)
	day(&two, 5, 0, 0)
	day(&two, 3, 1, 1)
	near(t, "order", one.Causes["c"].Jobs, two.Causes["c"].Jobs)
	near(t, "jobs", one.Causes["c"].Jobs, 3+5*9.0/14)
}

func TestRootedCasesThatCannotBe(t *testing.T) {
	t.Parallel()
	spec := byHand()
	spec.Roots[0].Raises = []diagnosis.Factor{{Cause: "c", Factor: 0}}
	_, err := Learn(Case{Spec: spec, Priors: map[string]float64{"c": 1, "wet": 1}})
	if !problem.Is(err, problem.Conflict) {
		t.Errorf("confirmed where it cannot be: %v", err)
	}
	_, err = Learn(Case{Spec: spec, Evidence: []diagnosis.Observation{{Finding: "f", Level: 1}, {Finding: "g", Level: 1}}})
	if !problem.Is(err, problem.Conflict) {
		t.Errorf("seen where it cannot be: %v", err)
	}
	// Where a root rules the cause out, its absence says nothing.
	got := learn(t, Case{Spec: spec, Evidence: []diagnosis.Observation{{Finding: "g", Level: 1}}}).Causes[0]
	if got.Present != 0 || got.Extra != -1 || got.Resolved != 0 {
		t.Errorf("ruled out: %+v", got)
	}
	for name, spoil := range map[string]func(*Case){
		"normal_after[0]": func(c *Case) { c.NormalAfter = []string{"nothing"} },
		"priors.nobody":   func(c *Case) { c.Priors = map[string]float64{"nobody": 1} },
		"roots[0].prior":  func(c *Case) { c.Spec.Roots[0].Prior = 2 },
		"causes[0].prior": func(c *Case) { c.Spec.Causes[0].Prior = 0.7 },
	} {
		c := Case{Spec: byHand()}
		c.Spec.Roots[0].Raises = []diagnosis.Factor{{Cause: "c", Factor: 0}}
		spoil(&c)
		_, err := Learn(c)
		if e := problem.As(err); e == nil || len(e.Fields) == 0 || e.Fields[0].Field != name {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A prior that is learned stays within what the library's roots allow.
func TestLearnedPriorStaysInReach(t *testing.T) {
	t.Parallel()
	e := prior(0.1)
	e[0].Most = 0.5
	if got := Numbers(e, jobs(60, 60), nil)[0].Levels[0].Learned; got != 0.4995 {
		t.Errorf("learned %v, want just below 0.5", got)
	}
	if got := Numbers(e, jobs(6, 40), nil)[0].Levels[0].Learned; math.Abs(got-8.0/60) > 1e-12 {
		t.Errorf("learned %v, want %v", got, 8.0/60)
	}
}
