package learning

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"nextprobe/internal/diagnosis"
)

// jobs makes totals of n settled jobs today, k with the cause.
func jobs(k, n int) Totals {
	var t Totals
	for i := range n {
		c := CauseCount{Cause: "c", Resolved: 1}
		if i < k {
			c.Present = 1
		}
		t.Add(0, Lesson{Causes: []CauseCount{c}})
	}
	return t
}

func prior(mu float64) []Expert { return []Expert{{Cause: "c", P: []float64{mu}}} }

// The mean is (20·μ + k)/(20 + n) (conjugate prior; any textbook), and where
// 20·μ + k = 1 the distribution is Beta(1, b), whose quantile at q is
// 1 − (1−q)^(1/b) in closed form.
func TestPriorAgainstClosedForms(t *testing.T) {
	t.Parallel()
	n := Numbers(prior(0.1), jobs(6, 40), nil)[0]
	near(t, "mean", n.Levels[0].Learned, 8.0/60)
	near(t, "jobs", n.Jobs, 40)
	n = Numbers(prior(0.05), jobs(0, 30), nil)[0]
	near(t, "lower", n.Levels[0].Lower, 1-math.Pow(0.95, 1.0/49))
	near(t, "upper", n.Levels[0].Upper, 1-math.Pow(0.05, 1.0/49))
	// By symmetry Beta(b, 1): q^(1/b).
	n = Numbers(prior(0.95), jobs(30, 30), nil)[0]
	near(t, "upper", n.Levels[0].Upper, math.Pow(0.95, 1.0/49))
}

// Jobs that only add their prior leave mean and interval where they were.
func TestUnexaminedJobsChangeNothing(t *testing.T) {
	t.Parallel()
	var tot Totals
	for range 50 {
		tot.Add(0, Lesson{Causes: []CauseCount{{Cause: "c", Present: 0.05, Resolved: resolved(0.05, 0.05)}}})
	}
	n, none := Numbers(prior(0.05), tot, nil)[0], Numbers(prior(0.05), Totals{}, nil)[0]
	near(t, "mean", n.Levels[0].Learned, 0.05)
	near(t, "upper", n.Levels[0].Upper, none.Levels[0].Upper)
	if n.Status != ExpertPrior || n.InUse() {
		t.Errorf("%+v", n)
	}
}

func TestLinkIsDirichlet(t *testing.T) {
	t.Parallel()
	var tot Totals
	for range 10 {
		tot.Add(0, Lesson{Links: []LinkCount{{"c", "f", []LevelCount{{"good", 0.25}, {"open", 0.75}, {"gone", 5}}, 1}}})
	}
	n := Numbers([]Expert{{Cause: "c", Finding: "f", Levels: []string{"good", "low", "open"}, P: []float64{0.5, 0.2, 0.3}}}, tot, nil)[0]
	for z, want := range []float64{12.5 / 30, 4.0 / 30, 13.5 / 30} {
		near(t, n.Levels[z].Name, n.Levels[z].Learned, want)
	}
	near(t, "jobs", n.Jobs, 10)
	if n.Subject != "c@f" {
		t.Error(n.Subject)
	}
}

func TestStatus(t *testing.T) {
	t.Parallel()
	many := jobs(20, 40) // learned: (20·0.05+20)/60 = 0.35 against 0.05
	some := jobs(2, 40)  // learned 0.05 against 0.05
	word := func(accept bool, v float64) []Decision { return []Decision{{"c", accept, []float64{v}}} }
	for _, tc := range []struct {
		name  string
		t     Totals
		said  []Decision
		want  Status
		using float64
	}{
		{"few jobs", jobs(4, 4), nil, ExpertPrior, 0.05},
		{"few jobs, whatever was said", jobs(4, 4), word(true, 0.3), ExpertPrior, 0.05},
		{"a small change is applied", some, nil, Applied, 0.05},
		{"a large change waits", many, nil, Waiting, 0.05},
		{"a large change accepted", many, word(true, 0.35), Accepted, 0.35},
		{"accepted near enough to it", many, word(true, 0.2), Accepted, 0.35},
		{"moved far since it was accepted", many, word(true, 0.1), Waiting, 0.1},
		{"rejected", many, word(false, 0.35), Rejected, 0.05},
		{"rejected, moved a little since", many, word(false, 0.3), Rejected, 0.05},
		{"rejected, moved notably since", many, word(false, 0.2), Waiting, 0.05},
		{"a small change rejected", some, word(false, 0.05), Rejected, 0.05},
		{"the last word counts", many, append(word(true, 0.35), word(false, 0.35)...), Rejected, 0.05},
		{"and again", many, append(word(false, 0.35), word(true, 0.35)...), Accepted, 0.35},
		{"said of other levels", many, []Decision{{"c", true, []float64{0.35, 0.65}}}, Waiting, 0.05},
	} {
		n := Numbers(prior(0.05), tc.t, tc.said)[0]
		if n.Status != tc.want || math.Abs(n.Levels[0].Used-tc.using) > 1e-12 {
			t.Errorf("%s: %s using %v, want %s using %v", tc.name, n.Status, n.Levels[0].Used, tc.want, tc.using)
		}
		if n.InUse() != (tc.want == Applied || tc.want == Accepted) {
			t.Errorf("%s: in use %t", tc.name, n.InUse())
		}
	}
	n := Numbers(prior(0.05), many, nil)[0]
	near(t, "change of the odds", n.Change, (0.35/0.65)/(0.05/0.95))
	if d := n.Decide(true); d.Subject != "c" || !d.Accept || d.Learned[0] != n.Levels[0].Learned {
		t.Errorf("%+v", d)
	}
}

// Boards drawn from a model that is not the library's: after many jobs the
// numbers are nearer to the truth, and the true one lies in nine of ten 90 %
// intervals or so.
func TestLearningFindsTheTruth(t *testing.T) {
	t.Parallel()
	truth := network(11)
	believed := network(11)
	truth.Unmodelled, believed.Unmodelled = 0, 0
	truth.UnmodelledLinks, believed.UnmodelledLinks = nil, nil
	r := rand.New(rand.NewPCG(5, 5))
	for i := range truth.Causes {
		truth.Causes[i].Prior = 0.1 + 0.3*r.Float64()
	}
	for k := range truth.Links {
		truth.Links[k].P = dist(r, len(truth.Links[k].P))
	}
	var tot Totals
	for range 4000 {
		c := Case{Spec: believed, Priors: map[string]float64{}}
		for _, cause := range truth.Causes {
			c.Priors[cause.ID] = 0
			if r.Float64() < cause.Prior {
				c.Priors[cause.ID] = 1
			}
		}
		for _, f := range truth.Findings {
			c.Evidence = append(c.Evidence, diagnosis.Observation{Finding: f.ID, Level: draw(r, truth, c.Priors, f)})
		}
		l, err := Learn(c)
		if err != nil {
			t.Fatal(err)
		}
		tot.Add(0, l)
	}
	for i, cause := range truth.Causes {
		n := Numbers([]Expert{{Cause: cause.ID, P: []float64{believed.Causes[i].Prior}}}, tot, nil)[0]
		if math.Abs(n.Levels[0].Learned-cause.Prior) > 0.03 {
			t.Errorf("prior of %s: learned %.3f, true %.3f", cause.ID, n.Levels[0].Learned, cause.Prior)
		}
	}
	// Links share findings with a leak, so that one step of expectation does not
	// reach the truth, but it must go towards it.
	nearer, all := 0, 0
	for k, l := range truth.Links {
		levels := []string{"good", "low", "open"}[:len(l.P)]
		n := Numbers([]Expert{{Cause: l.Cause, Finding: l.Finding, Levels: levels, P: believed.Links[k].P}}, tot, nil)[0]
		before, after := 0.0, 0.0
		for z := range l.P {
			before += math.Abs(believed.Links[k].P[z] - l.P[z])
			after += math.Abs(n.Levels[z].Learned - l.P[z])
		}
		all++
		if after < before {
			nearer++
		}
	}
	if nearer*5 < all*4 {
		t.Errorf("only %d of %d links moved towards the truth", nearer, all)
	}
}

func draw(r *rand.Rand, m diagnosis.Spec, present map[string]float64, f diagnosis.Finding) int {
	pick := func(p []float64) int {
		u := r.Float64()
		for z, v := range p {
			if u -= v; u < 0 {
				return z
			}
		}
		return len(p) - 1
	}
	top := pick(f.Leak)
	for _, l := range m.Links {
		if l.Finding == f.ID && present[l.Cause] == 1 {
			top = max(top, pick(l.P))
		}
	}
	return top
}

func TestResolved(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ e, p, want float64 }{
		{1, 0.1, 1}, {0, 0.1, 1}, {0.1, 0.1, 0}, {0.5, 0.1, 0}, {0.3, 0, 0}, {0.3, 1, 0},
		// 1 − 0.01·0.99/(0.1·0.9)
		{0.01, 0.1, 0.89},
	} {
		near(t, fmt.Sprint(tc.e, " of ", tc.p), resolved(tc.e, tc.p), tc.want)
	}
}
