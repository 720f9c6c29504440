package diagnosis

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

var twoLevels = []string{"normal", "abnormal"}

func TestNewNamesEveryMistake(t *testing.T) {
	t.Parallel()
	_, err := New(Spec{
		Causes: []Cause{{"a", 0.1}, {"a", 0.2}, {"", 1.5}, {UnmodelledID, math.NaN()}},
		Findings: []Finding{
			{"f", twoLevels, []float64{0.5, 0.4}}, {"f", twoLevels, binary(0.1)}, {"g", []string{"only"}, []float64{1}},
			{"h", []string{"x", "x"}, []float64{1.2, -0.2}}, {"i", twoLevels, []float64{1}},
		},
		Links: []Link{
			{"a", "f", binary(0.5)}, {"a", "f", binary(0.6)}, {"z", "f", binary(0.5)}, {"a", "y", binary(0.5)}, {"a", "h", []float64{1}},
		},
		Unmodelled:      -1,
		UnmodelledLinks: []Link{{"a", "f", binary(0.2)}, {"", "q", binary(0.2)}, {"", "f", binary(0.2)}},
	})
	p := problem.As(err)
	if p == nil || p.Code != problem.Invalid {
		t.Fatalf("error %v", err)
	}
	want := []string{
		"causes[1].id", "causes[2].id", "causes[2].prior", "causes[3].id", "causes[3].prior",
		"findings[0].leak", "findings[1].id", "findings[2].levels", "findings[3].levels[1]",
		"findings[3].leak[0]", "findings[3].leak[1]", "findings[4].leak",
		"links[1]", "links[2].cause", "links[3].finding", "links[4].p",
		"unmodelled", "unmodelled_links[0].cause", "unmodelled_links[1].finding", "unmodelled_links[2]",
	}
	var got []string
	for _, f := range p.Fields {
		got = append(got, f.Field)
	}
	if !slices.Equal(got, want) {
		t.Errorf("fields at fault\n%v, want\n%v", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func small(t testing.TB) *Model {
	t.Helper()
	return mustNew(t, Spec{
		Causes:   []Cause{{"a", 0.1}, {"b", 0.05}},
		Findings: []Finding{{"f", twoLevels, binary(0)}, {"g", []string{"0", "1", "2"}, []float64{1, 0, 0}}},
		Links:    []Link{{"a", "f", binary(0.9)}, {"b", "g", []float64{0.2, 0, 0.8}}},
	})
}

func TestEvidenceMistakes(t *testing.T) {
	t.Parallel()
	m := small(t)
	for _, c := range []struct {
		name  string
		ev    []Observation
		code  problem.Code
		field string
	}{
		{"unknown finding", []Observation{{Finding: "x"}}, problem.Invalid, "observations[0].finding"},
		{"level too high", []Observation{{Finding: "f", Level: 2}}, problem.Invalid, "observations[0].level"},
		{"level negative", []Observation{{Finding: "f", Level: -1}}, problem.Invalid, "observations[0].level"},
		{"twice", []Observation{{Finding: "f"}, {Finding: "f"}}, problem.Invalid, "observations[1].finding"},
		{"short likelihood", []Observation{{Finding: "g", Likelihood: []float64{1, 0}}}, problem.Invalid, "observations[0].likelihood"},
		{"negative likelihood", []Observation{{Finding: "f", Likelihood: []float64{1, -1}}}, problem.Invalid, "observations[0].likelihood[1]"},
		{"no number", []Observation{{Finding: "f", Likelihood: []float64{math.NaN(), 1}}}, problem.Invalid, "observations[0].likelihood[0]"},
		{"nothing possible", []Observation{{Finding: "f", Likelihood: []float64{0, 0}}}, problem.Invalid, "observations[0].likelihood"},
		{"impossible", []Observation{{Finding: "f", Level: 1}, {Finding: "g", Level: 1}}, problem.Conflict, "observations.g"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, err := m.Infer(c.ev)
			_, _, err2 := m.Explanations(c.ev, ExplainOptions{})
			_, err3 := m.Weights(c.ev)
			_, err4 := m.Conflict(c.ev)
			_, err5 := m.Advise(c.ev, &Economy{Repairs: []RepairCost{{Cause: "a"}, {Cause: "b"}}}, State{})
			for _, err := range []error{err, err2, err3, err4, err5} {
				p := problem.As(err)
				if p == nil || p.Code != c.code {
					t.Fatalf("error %v, want %s", err, c.code)
				}
				if !slices.ContainsFunc(p.Fields, func(f problem.Field) bool { return f.Field == c.field }) {
					t.Errorf("error %v does not name %s", err, c.field)
				}
			}
		})
	}
}

func TestFewAndManyCauses(t *testing.T) {
	t.Parallel()
	none := mustNew(t, Spec{Findings: []Finding{{"f", twoLevels, binary(0.25)}}})
	post, err := none.Infer([]Observation{{Finding: "f", Level: 1}})
	if err != nil {
		t.Fatal(err)
	}
	if post.PEvidence != 0.25 || post.NoFault != 1 || len(post.Marginals) != 0 {
		t.Errorf("without causes: %+v", post)
	}
	nothing := mustNew(t, Spec{})
	if post, err := nothing.Infer(nil); err != nil || post.PEvidence != 1 || post.NoFault != 1 {
		t.Errorf("empty model: %+v %v", post, err)
	}
	adv, err := nothing.Advise(nil, &Economy{}, State{})
	if err != nil || adv.Kind != AdviseEscalate || adv.Reason.Code != ReasonNoFault {
		t.Errorf("empty model's advice: %+v %v", adv, err)
	}

	spec, eco := synthetic(2000, 60, 200)
	many := mustNew(t, spec)
	post, err = many.Infer(abnormalEvidence(5))
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range post.Marginals {
		if !(p >= 0 && p <= 1) {
			t.Fatalf("marginal %d is %v", i, p)
		}
	}
	if _, _, err := many.Explanations(abnormalEvidence(5), ExplainOptions{MaxCauses: 2}); err != nil {
		t.Error(err)
	}
	if _, err := many.Advise(abnormalEvidence(5), eco, State{}); err != nil {
		t.Error(err)
	}
}

// Long evidence must not underflow: 2,000 normal findings that each cost a
// factor of 1e-3.
func TestLongEvidenceDoesNotUnderflow(t *testing.T) {
	t.Parallel()
	spec := Spec{Causes: []Cause{{"a", 0.5}}}
	var ev []Observation
	for j := range 2000 {
		id := fmt.Sprint(j)
		spec.Findings = append(spec.Findings, Finding{id, twoLevels, binary(0.999)})
		spec.Links = append(spec.Links, Link{"a", id, binary(0.0005)})
		ev = append(ev, Observation{Finding: id})
	}
	post, err := mustNew(t, spec).Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	odds := math.Exp(2000 * math.Log(0.9995))
	near(t, "marginal", post.Marginals[0], odds/(1+odds))
	within(t, "ln P(E)", post.LogEvidence, 2000*math.Log(0.001)+math.Log(0.5*(1+odds)), 1e-8)
	if post.PEvidence != 0 {
		t.Errorf("P(E) = %v", post.PEvidence)
	}
}

func TestOrderAndIrrelevanceDoNotMatter(t *testing.T) {
	t.Parallel()
	spec, _ := synthetic(40, 20, 30)
	ev := []Observation{{Finding: "m000", Level: 1}, {Finding: "s003", Level: 1}, {Finding: "s007"}, {Finding: "m011", Level: 1}}
	base, err := mustNew(t, spec).Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(ev)
	again, err := mustNew(t, spec).Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(base, again) {
		t.Error("the order of the evidence changes the result")
	}
	permuted := spec
	permuted.Causes = slices.Clone(spec.Causes)
	slices.Reverse(permuted.Causes)
	permuted.Findings = append([]Finding{{"unlinked", twoLevels, binary(0.3)}}, spec.Findings...)
	m := mustNew(t, permuted)
	post, err := m.Infer(append(ev, Observation{Finding: "unlinked", Level: 1}))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "P(E)", post.PEvidence, 0.3*base.PEvidence)
	for i, c := range spec.Causes {
		near(t, c.ID, post.Marginals[m.CauseIndex(c.ID)], base.Marginals[i])
	}
}

func TestSoftEvidenceOfOneLevelIsCertain(t *testing.T) {
	t.Parallel()
	spec, _ := synthetic(40, 20, 30)
	m := mustNew(t, spec)
	hard, err := m.Infer([]Observation{{Finding: "m000", Level: 1}, {Finding: "s003"}})
	if err != nil {
		t.Fatal(err)
	}
	like := make([]float64, len(spec.Findings[20].Levels))
	like[1] = 1
	soft, err := m.Infer([]Observation{{Finding: "m000", Likelihood: like}, {Finding: "s003", Likelihood: []float64{1, 0}}})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(hard, soft) {
		t.Error("a likelihood on one level differs from that level")
	}
	flat, err := m.Infer([]Observation{{Finding: "s003", Likelihood: []float64{1, 1}}})
	if err != nil {
		t.Fatal(err)
	}
	none, err := m.Infer(nil)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(flat, none) {
		t.Error("a flat likelihood changes the posterior")
	}
}

// Beyond the largest block the most surprising findings stay, and no
// probability is further off than the bound says.
func TestDroppedFindingsAreBounded(t *testing.T) {
	t.Parallel()
	spec := Spec{Causes: []Cause{{"a", 0.02}, {"b", 0.05}, {"c", 0.1}}, Unmodelled: 0.02}
	var ev []Observation
	for j := range 18 {
		id := fmt.Sprintf("f%02d", j)
		spec.Findings = append(spec.Findings, Finding{id, twoLevels, binary(0.02 + 0.03*float64(j))})
		spec.Links = append(spec.Links, Link{"a", id, binary(0.97)}, Link{[]string{"b", "c"}[j%2], id, binary(0.6)})
		spec.UnmodelledLinks = append(spec.UnmodelledLinks, Link{"", id, binary(0.2)})
		ev = append(ev, Observation{Finding: id, Level: 1})
	}
	post, err := mustNew(t, spec).Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(post.Dropped, []string{"f16", "f17"}) {
		t.Errorf("dropped %v, want the two least surprising f16 f17", post.Dropped)
	}
	if !(post.Truncation > 0 && post.Truncation < 0.1) {
		t.Errorf("truncation %v", post.Truncation)
	}
	tr := enumerate(spec, ev)
	for i, c := range spec.Causes {
		within(t, c.ID, post.Marginals[i], tr.marginal(i), post.Truncation)
	}
	within(t, "no fault", post.NoFault, tr.probability(func(set int) bool { return set == 0 }), post.Truncation)
	// With three causes all sets are listed, so the shares of the evidence kept sum to 1.
	_, covered, err := mustNew(t, spec).Explanations(ev, ExplainOptions{MaxCauses: 4, Ratio: 1e-300})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "covered", covered, 1, 1e-9)
	// A candidate with no room for one more axis is computed by tilted runs.
	spec.Findings = append(spec.Findings, Finding{"next", twoLevels, binary(0.1)})
	spec.Links = append(spec.Links, Link{"a", "next", binary(0.5)})
	m := mustNew(t, spec)
	p, err := m.Predict(ev, "next")
	if err != nil {
		t.Fatal(err)
	}
	within(t, "P(next|E)", p[0], 0.9*(1-0.5*post.Marginals[0]), 1e-9)
	s, err := m.prepare(ev)
	if err != nil {
		t.Fatal(err)
	}
	o := s.newOutlook(s.solveRuns(true))
	for x, out := range o.outcomes(18) {
		near(t, "outcome", out.p, p[x])
		near(t, "tilted outcome", o.fresh(18, x).p, p[x])
	}
}

func TestWithPriors(t *testing.T) {
	t.Parallel()
	m := small(t)
	_, err := m.WithPriors(map[string]float64{"a": 2, "x": 0.1, "w": 0.1})
	p := problem.As(err)
	if p == nil || len(p.Fields) != 3 || p.Fields[0].Field != "priors.a" || p.Fields[1].Field != "priors.w" {
		t.Errorf("error %v", err)
	}
	changed, err := m.WithPriors(map[string]float64{"a": 0.5, UnmodelledID: 0.25})
	if err != nil {
		t.Fatal(err)
	}
	if changed.Causes()[0].Prior != 0.5 || m.Causes()[0].Prior != 0.1 {
		t.Error("WithPriors changes the wrong model")
	}
	post, err := changed.Infer(nil)
	if err != nil || post.Unmodelled != 0.25 {
		t.Errorf("unmodelled %v %v", post, err)
	}
}

func TestConflictIsJensens(t *testing.T) {
	t.Parallel()
	// Two findings of one cause support each other; of two causes that seldom
	// come together they do not. Jensen, Chamberlain, Nordahl and Jensen 1991.
	m := mustNew(t, Spec{
		Causes:   []Cause{{"a", 0.1}},
		Findings: []Finding{{"f", twoLevels, binary(0.01)}, {"g", twoLevels, binary(0.01)}},
		Links:    []Link{{"a", "f", binary(0.9)}, {"a", "g", binary(0.9)}},
	})
	p1 := 0.9*0.01 + 0.1*(1-0.1*0.99)
	both := 0.9*0.01*0.01 + 0.1*math.Pow(1-0.1*0.99, 2) //nolint:staticcheck // Written as the formula is.
	got, err := m.Conflict([]Observation{{Finding: "f", Level: 1}, {Finding: "g", Level: 1}})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "agreeing", got, math.Log2(p1*p1/both), 1e-12)
	one := 0.9*0.01*0.99 + 0.1*(1-0.1*0.99)*(0.1*0.99)
	got, err = m.Conflict([]Observation{{Finding: "f", Level: 1}, {Finding: "g", Level: 0}})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "contradicting", got, math.Log2(p1*(1-p1)/one), 1e-12)
	if got <= 0 {
		t.Errorf("conflict %v of contradicting findings", got)
	}
}

// The shared computation of all candidates must equal a run of its own per
// outcome, on large models too: several blocks, one block, confirmed causes and
// one with a high prior.
func TestOutcomesAgreeWithFreshRuns(t *testing.T) {
	t.Parallel()
	spec, _ := synthetic(150, 60, 200)
	spec.Causes[4].Prior = 1
	spec.Causes[11].Prior = 0.7
	m := mustNew(t, spec)
	for _, ev := range [][]Observation{nil, abnormalEvidence(5), abnormalEvidence(6)[1:]} {
		if ev != nil && ev[0].Finding != "m000" {
			ev = ev[1:]
		}
		s, err := m.prepare(ev)
		if err != nil {
			t.Fatal(err)
		}
		o := s.newOutlook(s.solveRuns(true))
		observed := map[string]bool{}
		for _, e := range ev {
			observed[e.Finding] = true
		}
		for j, f := range spec.Findings {
			if observed[f.ID] {
				continue
			}
			for x, got := range o.outcomes(j) {
				want := o.fresh(j, x)
				near(t, f.ID, got.p, want.p)
				within(t, "unmodelled", got.share, want.share, 1e-11)
				for i := range want.present {
					if math.Abs(got.present[i]-want.present[i]) > 1e-11 {
						t.Fatalf("P(%s | %s=%d) = %v, want %v", spec.Causes[i].ID, f.ID, x, got.present[i], want.present[i])
					}
				}
			}
		}
	}
}
