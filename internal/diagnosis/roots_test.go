package diagnosis

import (
	"math"
	"math/big"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

// rooted is the brute-force oracle with roots: for each of their states a model
// of independent causes in which the true roots are causes with prior 1, and
// the sum over the states. Bits of a set are the causes, the roots, the
// unmodelled cause.
type rooted struct {
	n      int
	weight []*big.Float
	states []*truth
	pe     *big.Float
}

// bisect solves Σ P(state)·(1 − exp(−h·factor)) = prior without the engine.
func bisect(p, factor []float64, prior float64) float64 {
	lo, hi := 0.0, 1e9
	for range 400 {
		h, sum := (lo+hi)/2, 0.0
		for k := range p {
			sum += p[k] * (1 - math.Exp(-h*factor[k]))
		}
		if sum < prior {
			lo = h
		} else {
			hi = h
		}
	}
	return (lo + hi) / 2
}

func enumerateRoots(spec Spec, ev []Observation) *rooted {
	o := &rooted{n: len(spec.Causes), pe: exact(0)}
	states := 1 << len(spec.Roots)
	factor := func(state int, cause string) float64 {
		f := 1.0
		for k, r := range spec.Roots {
			for _, raise := range r.Raises {
				if raise.Cause == cause && state>>k&1 == 1 {
					f *= raise.Factor
				}
			}
		}
		return f
	}
	p := make([]float64, states)
	for state := range states {
		p[state] = 1
		for k, r := range spec.Roots {
			if state>>k&1 == 1 {
				p[state] *= r.Prior
			} else {
				p[state] *= 1 - r.Prior
			}
		}
	}
	for state := range states {
		flat := spec
		flat.Roots, flat.Causes, flat.Links = nil, slices.Clone(spec.Causes), slices.Clone(spec.Links)
		for i, c := range spec.Causes {
			var fs []float64
			depends := false
			for s := range states {
				fs = append(fs, factor(s, c.ID))
				depends = depends || fs[s] != 1
			}
			if depends && c.Prior > 0 && c.Prior < 1 {
				flat.Causes[i].Prior = 1 - math.Exp(-bisect(p, fs, c.Prior)*fs[state])
			}
		}
		for k, r := range spec.Roots {
			flat.Causes = append(flat.Causes, Cause{r.ID, float64(state >> k & 1)})
			for _, l := range r.Links {
				flat.Links = append(flat.Links, Link{r.ID, l.Finding, l.P})
			}
		}
		o.weight = append(o.weight, exact(p[state]))
		o.states = append(o.states, enumerate(flat, ev))
		o.pe = plus(o.pe, product(o.weight[state], o.states[state].pe))
	}
	return o
}

func (o *rooted) probability(in func(set int) bool) float64 {
	sum := exact(0)
	for s, tr := range o.states {
		sum = plus(sum, product(o.weight[s], tr.sum(in)))
	}
	return over(sum, o.pe)
}

func (o *rooted) bit(i int) float64 {
	return o.probability(func(set int) bool { return set>>i&1 == 1 })
}

// withRoots draws a sparse model with roots that raise some causes and show in
// some findings.
func withRoots(seed uint64, causes, findings, roots, k int) (Spec, []Observation) {
	spec, ev := sparse(seed, causes, findings, min(causes, 3), k)
	r := rand.New(rand.NewPCG(seed, 77))
	for n := range roots {
		root := Root{ID: string(rune('A' + n)), Prior: 0.05 + 0.5*r.Float64()}
		for i := range causes {
			if r.IntN(3) == 0 {
				root.Raises = append(root.Raises, Factor{spec.Causes[i].ID, []float64{0, 0.3, 2, 5, 30}[r.IntN(5)]})
			}
		}
		for j := range findings {
			if r.IntN(4) == 0 {
				root.Links = append(root.Links, Link{"", spec.Findings[j].ID, mixed(slices.Clone(spec.Findings[j].Leak), 0)})
			}
		}
		spec.Roots = append(spec.Roots, root)
	}
	return spec, ev
}

func TestRootsAgreeWithEnumeration(t *testing.T) {
	t.Parallel()
	for seed := range uint64(6) {
		spec, ev := withRoots(seed, 4, 5, 1+int(seed%3), 3)
		m := mustNew(t, spec)
		post, err := m.Infer(ev)
		if err != nil {
			t.Fatal(err)
		}
		or := enumerateRoots(spec, ev)
		pe, _ := or.pe.Float64()
		near(t, "P(E)", post.PEvidence, pe)
		for i := range spec.Causes {
			near(t, spec.Causes[i].ID, post.Marginals[i], or.bit(i))
			near(t, "not "+spec.Causes[i].ID, post.absent[i], or.probability(func(set int) bool { return set>>i&1 == 0 }))
		}
		for k := range spec.Roots {
			near(t, "root "+spec.Roots[k].ID, post.Roots[k], or.bit(or.n+k))
		}
		unmodelled := or.n + len(spec.Roots)
		near(t, "unmodelled", post.Unmodelled, or.bit(unmodelled))
		sick := 1<<or.n - 1 | 1<<unmodelled
		near(t, "no fault", post.NoFault, or.probability(func(set int) bool { return set&sick == 0 }))
		rootOutcomes(t, spec, ev, m, or)
		rootWeights(t, spec, ev, m, or)
		rootExplanations(t, spec, ev, m, or)
	}
}

// rootOutcomes checks the outlook on the first finding not observed.
func rootOutcomes(t *testing.T, spec Spec, ev []Observation, m *Model, or *rooted) {
	t.Helper()
	j := slices.IndexFunc(spec.Findings, func(f Finding) bool {
		return !slices.ContainsFunc(ev, func(o Observation) bool { return o.Finding == f.ID })
	})
	if j < 0 {
		t.Fatal("every finding is observed")
	}
	s, err := m.prepare(ev)
	if err != nil {
		t.Fatal(err)
	}
	predicted, err := m.Predict(ev, spec.Findings[j].ID)
	if err != nil {
		t.Fatal(err)
	}
	o := s.newOutlook(s.solveRuns(true))
	for x, got := range o.outcomes(j) {
		with := enumerateRoots(spec, append(ev[:len(ev):len(ev)], Observation{Finding: spec.Findings[j].ID, Level: x}))
		want := over(with.pe, or.pe)
		near(t, "outcome", got.p, want)
		near(t, "predicted", predicted[x], want)
		for i := range spec.Causes {
			within(t, spec.Causes[i].ID, got.present[i], with.bit(i), 1e-11)
		}
		unmodelled := or.n + len(spec.Roots)
		within(t, "unmodelled", got.share, with.bit(unmodelled), 1e-11)
		sick := 1<<or.n - 1 | 1<<unmodelled
		within(t, "no fault", o.noFaultAfter(j, x, got.p), with.probability(func(set int) bool { return set&sick == 0 }), 1e-10)
	}
}

func rootWeights(t *testing.T, spec Spec, ev []Observation, m *Model, or *rooted) {
	t.Helper()
	weights, err := m.Weights(ev)
	if err != nil {
		t.Fatal(err)
	}
	odds := func(o *rooted, i int) float64 {
		return o.bit(i) / o.probability(func(set int) bool { return set>>i&1 == 0 })
	}
	for _, j := range []int{0, len(ev) - 1} {
		without := enumerateRoots(spec, slices.Delete(slices.Clone(ev), j, j+1))
		for i := range spec.Causes {
			within(t, "weight", weights[i][j], 10*math.Log10(odds(or, i)/odds(without, i)), 1e-8)
		}
	}
	alone := 0.0
	for _, e := range ev {
		p, _ := enumerateRoots(spec, []Observation{e}).pe.Float64()
		alone += math.Log2(p)
	}
	conflict, err := m.Conflict(ev)
	if err != nil {
		t.Fatal(err)
	}
	pe, _ := or.pe.Float64()
	within(t, "conflict", conflict, alone-math.Log2(pe), 1e-9)
}

func rootExplanations(t *testing.T, spec Spec, ev []Observation, m *Model, or *rooted) {
	t.Helper()
	const ratio = 1e-4
	list, _, err := m.Explanations(ev, ExplainOptions{MaxCauses: 3, Ratio: ratio})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, e := range list {
		got[strings.Join(e.Causes, "+")] = e.Probability
	}
	causes, unmodelled := 1<<or.n-1, 1<<(or.n+len(spec.Roots))
	best, want := 0.0, map[string]float64{}
	for set := range 1 << (or.n + 1) {
		var ids []string
		sick := set & causes
		for i, c := range spec.Causes {
			if set>>i&1 == 1 {
				ids = append(ids, c.ID)
			}
		}
		if set>>or.n&1 == 1 {
			ids = append(ids, UnmodelledID)
			sick |= unmodelled
		}
		if len(ids) > 3 {
			continue
		}
		p := or.probability(func(other int) bool { return other&(causes|unmodelled) == sick })
		want[strings.Join(ids, "+")] = p
		best = math.Max(best, p)
	}
	for ids, p := range want {
		if math.Abs(p/(ratio*best)-1) < 1e-9 {
			continue
		}
		if g, ok := got[ids]; ok != (p >= ratio*best) {
			t.Errorf("explanation %q of probability %v (best %v): returned %v", ids, p, best, ok)
		} else if ok {
			near(t, ids, g, p)
		}
	}
}

// Ten causes, three roots: the largest that enumeration still bears.
func TestTenCausesUnderThreeRoots(t *testing.T) {
	t.Parallel()
	spec, ev := withRoots(5, 10, 5, 3, 4)
	ev, spec.Unmodelled = ev[:3], 0
	post, err := mustNew(t, spec).Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	or := enumerateRoots(spec, ev)
	for i := range spec.Causes {
		near(t, spec.Causes[i].ID, post.Marginals[i], or.bit(i))
	}
	for k := range spec.Roots {
		near(t, "root", post.Roots[k], or.bit(or.n+k))
	}
}

// Without evidence each cause has its prior, whatever the roots, and two causes
// of one root come together more often than independent ones: with the hazards
// worked out by hand for one root of 1/2 and factor 3.
func TestRootsKeepMarginalsAndJoinCauses(t *testing.T) {
	t.Parallel()
	const prior = 0.1
	m := mustNew(t, Spec{
		Causes:   []Cause{{"a", prior}, {"b", prior}, {"c", prior}},
		Findings: []Finding{{"sees_a", twoLevels, binary(0)}, {"wet", twoLevels, binary(0)}},
		Links:    []Link{{"a", "sees_a", binary(1)}},
		Roots: []Root{{ID: "water", Prior: 0.5, Raises: []Factor{{"a", 3}, {"b", 3}},
			Links: []Link{{"", "wet", binary(1)}}}},
	})
	post, err := m.Infer(nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range post.Marginals {
		within(t, "prior", p, prior, 1e-15)
		_ = i
	}
	within(t, "root", post.Roots[0], 0.5, 1e-15)
	// With y = exp(−h): (1 − y)/2 + (1 − y³)/2 = 0.1, so y³ + y = 1.8.
	y := 0.9487
	for range 50 {
		y -= (y*y*y + y - 1.8) / (3*y*y + 1)
	}
	dry, wet := 1-y, 1-y*y*y
	seen, err := m.Infer([]Observation{{Finding: "sees_a", Level: 1}})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "P(water|a)", seen.Roots[0], wet/(wet+dry), 1e-12)
	within(t, "P(b|a)", seen.Marginals[1], (wet*wet+dry*dry)/(wet+dry), 1e-12)
	within(t, "P(c|a)", seen.Marginals[2], prior, 1e-12)
	// A finding that is the root, and a root known by its prior, say the same.
	known, err := m.WithPriors(map[string]float64{"water": 1})
	if err != nil {
		t.Fatal(err)
	}
	a, err := known.Infer(nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := m.Infer([]Observation{{Finding: "wet", Level: 1}})
	if err != nil {
		t.Fatal(err)
	}
	for i := range a.Marginals {
		within(t, "known root", a.Marginals[i], b.Marginals[i], 1e-15)
	}
	within(t, "P(a|water)", a.Marginals[0], wet, 1e-12)
	if len(known.states) != 1 {
		t.Errorf("a known root leaves %d states", len(known.states))
	}
}

// A root that touches no block of the evidence costs no lane there.
func TestUntouchedBlocksHaveNoRootLanes(t *testing.T) {
	t.Parallel()
	spec := Spec{
		Causes:     []Cause{{"a", 0.1}, {"b", 0.1}, {"c", 0.1}, {"d", 0.1}},
		Unmodelled: 0.02,
		Findings:   []Finding{{"f", twoLevels, binary(0.1)}, {"g", twoLevels, binary(0.1)}},
		Links:      []Link{{"a", "f", binary(0.5)}, {"b", "f", binary(0.5)}, {"c", "g", binary(0.5)}, {"d", "g", binary(0.5)}},
		Roots:      []Root{{ID: "r", Prior: 0.3, Raises: []Factor{{"a", 4}}}, {ID: "s", Prior: 0.3, Raises: []Factor{{"a", 2}}}},
	}
	s, err := mustNew(t, spec).prepare([]Observation{{Finding: "f", Level: 1}, {Finding: "g", Level: 1}})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.blocks) != 2 || len(s.blocks[0].lanes) != 8 || len(s.blocks[1].lanes) != 2 {
		t.Errorf("%d blocks, lanes %v and %v; want 8 and 2 lanes", len(s.blocks), s.blocks[0].lanes, s.blocks[1].lanes)
	}
}

// A Spec with roots that raise nothing and show nowhere gives what one without
// gives.
func TestIdleRootsChangeNothing(t *testing.T) {
	t.Parallel()
	spec, _ := synthetic(40, 20, 30)
	ev := []Observation{{Finding: "m000", Level: 1}, {Finding: "s003", Level: 1}, {Finding: "s007"}, {Finding: "m011", Level: 1}}
	plain, err := mustNew(t, spec).Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	if plain.Roots != nil {
		t.Error("roots without roots")
	}
	spec.Roots = []Root{{ID: "idle", Prior: 0.25}, {ID: "off", Prior: 0, Raises: []Factor{{"c001", 9}}}}
	m := mustNew(t, spec)
	idle, err := m.Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	for i := range plain.Marginals {
		closer(t, spec.Causes[i].ID, idle.Marginals[i], plain.Marginals[i])
	}
	if want := []float64{0.25, 0}; math.Abs(idle.Roots[0]-want[0]) > 1e-12 || idle.Roots[1] != 0 {
		t.Errorf("roots %v, want %v", idle.Roots, want)
	}
	back, err := m.WithPriors(map[string]float64{"idle": 0.25})
	if err != nil {
		t.Fatal(err)
	}
	again, err := back.Infer(ev)
	if err != nil || !reflect.DeepEqual(idle, again) {
		t.Errorf("the same priors change the posterior: %v", err)
	}
}

func TestRootMistakes(t *testing.T) {
	t.Parallel()
	base := Spec{Causes: []Cause{{"a", 0.5}}, Findings: []Finding{{"f", twoLevels, binary(0.1)}}}
	for _, c := range []struct {
		name  string
		roots []Root
		field string
	}{
		{"too many", make([]Root, 5), "roots"},
		{"no id", []Root{{Prior: 0.1}}, "roots[0].id"},
		{"a cause's id", []Root{{ID: "a"}}, "roots[0].id"},
		{"reserved", []Root{{ID: UnmodelledID}}, "roots[0].id"},
		{"twice", []Root{{ID: "r"}, {ID: "r"}}, "roots[1].id"},
		{"prior", []Root{{ID: "r", Prior: 1.5}}, "roots[0].prior"},
		{"unknown cause", []Root{{ID: "r", Raises: []Factor{{"x", 2}}}}, "roots[0].raises[0].cause"},
		{"cause twice", []Root{{ID: "r", Raises: []Factor{{"a", 2}, {"a", 3}}}}, "roots[0].raises[1].cause"},
		{"negative factor", []Root{{ID: "r", Raises: []Factor{{"a", -1}}}}, "roots[0].raises[0].factor"},
		{"no number", []Root{{ID: "r", Raises: []Factor{{"a", math.NaN()}}}}, "roots[0].raises[0].factor"},
		{"unknown finding", []Root{{ID: "r", Links: []Link{{"", "x", binary(0.1)}}}}, "roots[0].links[0].finding"},
		{"other cause", []Root{{ID: "r", Links: []Link{{"a", "f", binary(0.1)}}}}, "roots[0].links[0].cause"},
		{"linked twice", []Root{{ID: "r", Links: []Link{{"", "f", binary(0.1)}, {"", "f", binary(0.1)}}}}, "roots[0].links[1]"},
		{"out of reach", []Root{{ID: "r", Prior: 0.6, Raises: []Factor{{"a", 0}}}}, "causes[0].prior"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			spec := base
			spec.Roots = c.roots
			_, err := New(spec)
			p := problem.As(err)
			if p == nil || p.Code != problem.Invalid || !slices.ContainsFunc(p.Fields, func(f problem.Field) bool { return f.Field == c.field }) {
				t.Errorf("error %v does not name %s", err, c.field)
			}
		})
	}
	m := mustNew(t, Spec{Causes: base.Causes, Findings: base.Findings, Roots: []Root{{ID: "r", Prior: 0.6, Raises: []Factor{{"a", 0.5}}}}})
	if _, err := m.WithPriors(map[string]float64{"r": 2}); problem.As(err) == nil {
		t.Errorf("a root's prior of 2 is taken: %v", err)
	}
}
