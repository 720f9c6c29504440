package diagnosis

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// dense is the plain programme: one vector over all abnormal findings of the
// evidence, every cause one after the other, forward and backward. It knows no
// blocks, order, folding or scale, and is what the engine is compared with.
type dense struct {
	m     *Model
	steps []step
	axes  []axis
	moves [][]move // by cause
	gain  []float64
	size  int
}

func newDense(t failer, m *Model, ev []Observation) *dense {
	t.Helper()
	steps, err := m.read(ev)
	if err != nil {
		t.Fatalf("%v", err)
	}
	d := &dense{m: m, steps: steps, moves: make([][]move, len(m.causes)), gain: make([]float64, len(m.causes)), size: 1}
	for i := range d.gain {
		d.gain[i] = 1
	}
	for k := range steps {
		st := &steps[k]
		radix := len(st.top)
		for _, l := range m.byFinding[st.finding] {
			cum, mass := st.ranges(l.effect)
			if radix == 1 {
				d.gain[l.cause] *= cum[0]
				continue
			}
			d.moves[l.cause] = append(d.moves[l.cause], move{axis: len(d.axes), cum: cum, mass: mass})
		}
		if radix > 1 {
			d.axes = append(d.axes, axis{stride: d.size, radix: radix})
			d.size *= radix
		}
	}
	return d
}

// start is the vector of the leaks, and end the likelihood of each state; scale
// is the factor of the findings without an axis.
func (d *dense) start(u int) (start, end []float64, scale float64) {
	start, end, scale = make([]float64, d.size), make([]float64, d.size), 1-d.m.unmodelled
	if u == 1 {
		scale = d.m.unmodelled
	}
	for s := range start {
		start[s], end[s] = 1, 1
	}
	a := 0
	for k := range d.steps {
		st := &d.steps[k]
		cum, mass := st.ranges(d.m.leak[st.finding])
		if e := d.m.byUnmodelled[st.finding]; u == 1 && e.cdf != nil {
			c, p := st.ranges(e)
			below := 0.0
			for t := range mass {
				old := mass[t]
				mass[t] = c[t]*old + p[t]*below
				below += old
			}
			multiply(cum, c)
		}
		if len(st.top) == 1 {
			scale *= st.weight[0] * cum[0]
			continue
		}
		for s := range start {
			state := s / d.axes[a].stride % d.axes[a].radix
			start[s] *= mass[state]
			end[s] *= st.weight[state]
		}
		a++
	}
	return start, end, scale
}

func (d *dense) lifted(f []float64, i int, apply func([]float64, axis, *move)) []float64 {
	t := append([]float64(nil), f...)
	for k := range d.moves[i] {
		apply(t, d.axes[d.moves[i][k].axis], &d.moves[i][k])
	}
	return t
}

// solve returns P(E) and, jointly with E, each cause and the unmodelled one.
func (d *dense) solve() (pe float64, joint []float64, unmodelled float64) {
	n := len(d.m.causes)
	joint = make([]float64, n)
	for u := range 2 {
		f, end, scale := d.start(u)
		if scale == 0 {
			continue
		}
		back := make([][]float64, n+1)
		back[n] = end
		for i := n - 1; i >= 0; i-- {
			p := d.m.causes[i].Prior
			back[i] = d.lifted(back[i+1], i, raiseT)
			mix(back[i], back[i+1], p*d.gain[i], 1-p)
		}
		z := scale * dot(f, back[0])
		pe += z
		if u == 1 {
			unmodelled = z
		}
		for i := range n {
			p := d.m.causes[i].Prior
			t := d.lifted(f, i, raise)
			joint[i] += scale * p * d.gain[i] * dot(t, back[i+1])
			mix(t, f, p*d.gain[i], 1-p)
			f = t
		}
	}
	return pe, joint, unmodelled
}

// sparse draws a model in which every finding is linked to a few causes only,
// as a library is, and k abnormal findings on it, some of them soft.
func sparse(seed uint64, causes, findings, links, k int) (Spec, []Observation) {
	r := rand.New(rand.NewPCG(seed, 5))
	spec := Spec{Unmodelled: 0.03}
	for i := range causes {
		spec.Causes = append(spec.Causes, Cause{fmt.Sprintf("c%03d", i), 0.002 + 0.1*r.Float64()*r.Float64()})
	}
	draw := func(levels int, normal float64) []float64 {
		p, rest := make([]float64, levels), 1-normal
		for x := levels - 1; x > 0; x-- {
			p[x] = rest
			if x > 1 {
				p[x] *= r.Float64()
			}
			rest -= p[x]
		}
		p[0] = normal
		return p
	}
	var ev []Observation
	for j := range findings {
		levels := 2 + r.IntN(3)
		f := Finding{ID: fmt.Sprintf("f%02d", j), Leak: draw(levels, 0.9+0.09*r.Float64())}
		for x := range levels {
			f.Levels = append(f.Levels, fmt.Sprint(x))
		}
		spec.Findings = append(spec.Findings, f)
		spec.UnmodelledLinks = append(spec.UnmodelledLinks, Link{UnmodelledID, f.ID, draw(levels, 0.8)})
		for _, i := range r.Perm(causes)[:links] {
			spec.Links = append(spec.Links, Link{spec.Causes[i].ID, f.ID, draw(levels, r.Float64())})
		}
		switch {
		case j >= k:
			if j%2 == 0 {
				ev = append(ev, Observation{Finding: f.ID})
			}
		case j%3 == 2:
			like := make([]float64, levels)
			for x := range like {
				like[x] = 0.1 + r.Float64()
			}
			ev = append(ev, Observation{Finding: f.ID, Likelihood: like})
		default:
			ev = append(ev, Observation{Finding: f.ID, Level: 1 + r.IntN(levels-1)})
		}
	}
	return spec, ev
}

// closer fails unless got is want to a relative 1e-12.
func closer(t failer, what string, got, want float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > 1e-12*math.Abs(want) {
		t.Fatalf("%s = %.17g, want %.17g (off by %.2g)", what, got, want, got/want-1)
	}
}

func TestInferAgreesWithDense(t *testing.T) {
	t.Parallel()
	for seed := range uint64(12) {
		spec, ev := sparse(seed, 40, 16, 2+int(seed%5), 4+int(seed%6))
		m := mustNew(t, spec)
		post, err := m.Infer(ev)
		if err != nil {
			t.Fatal(err)
		}
		pe, joint, unmodelled := newDense(t, m, ev).solve()
		closer(t, "P(E)", post.PEvidence, pe)
		closer(t, "unmodelled", post.Unmodelled, unmodelled/pe)
		for i := range joint {
			closer(t, spec.Causes[i].ID, post.Marginals[i], joint[i]/pe)
		}
	}
}

// The candidates' outcomes against the plain programme with the outcome among
// the evidence: what is a difference of two sums keeps fewer digits.
func TestOutcomesAgreeWithDense(t *testing.T) {
	t.Parallel()
	for seed := range uint64(4) {
		spec, ev := sparse(seed, 40, 18, 3+int(seed), 8)
		m := mustNew(t, spec)
		s, err := m.prepare(ev)
		if err != nil {
			t.Fatal(err)
		}
		pe, _, _ := newDense(t, m, ev).solve()
		o := s.newOutlook(s.solveRuns(true))
		for j := 9; j < 18; j += 2 {
			for x, got := range o.outcomes(j) {
				with := slices.Concat(ev, []Observation{{Finding: spec.Findings[j].ID, Level: x}})
				p, joint, unmodelled := newDense(t, m, with).solve()
				near(t, "outcome", got.p, p/pe)
				within(t, "unmodelled", got.share, unmodelled/p, 1e-11)
				for i := range joint {
					within(t, spec.Causes[i].ID, got.present[i], joint[i]/p, 1e-11)
				}
			}
		}
	}
}

// A block too large to keep the shared vectors of is run whole per candidate.
func TestOutcomesWithoutKeptVectors(t *testing.T) {
	t.Parallel()
	spec, ev := sparse(3, 40, 18, 5, 8)
	m := mustNew(t, spec)
	s, err := m.prepare(ev)
	if err != nil {
		t.Fatal(err)
	}
	kept, whole := s.newOutlook(s.solveRuns(true)), s.newOutlook(s.solveRuns(true))
	for _, d := range whole.detour {
		r := d.r
		r.keep, r.front, r.on, r.onT, r.lone = false, nil, nil, nil, nil
	}
	for j := 9; j < 18; j += 2 {
		want := kept.outcomes(j)
		for x, got := range whole.outcomes(j) {
			closer(t, "outcome", got.p, want[x].p)
			for i := range got.present {
				within(t, spec.Causes[i].ID, got.present[i], want[x].present[i], 1e-12)
			}
		}
	}
}

// Random sparse models with soft evidence against all sets of causes with exact
// numbers, ten causes at most.
func TestSparseModelsAgreeWithEnumeration(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 8).Draw(t, "causes")
		spec, ev := sparse(rapid.Uint64().Draw(t, "seed"), n, rapid.IntRange(2, 9).Draw(t, "findings"), min(n, rapid.IntRange(1, 3).Draw(t, "links")), 9)
		m, err := New(spec)
		if err != nil {
			t.Fatal(err)
		}
		post, err := m.Infer(ev)
		if err != nil {
			t.Fatal(err)
		}
		tr := enumerate(spec, ev)
		pe, _ := tr.pe.Float64()
		closer(t, "P(E)", post.PEvidence, pe)
		for i := range n {
			closer(t, spec.Causes[i].ID, post.Marginals[i], tr.marginal(i))
		}
		closer(t, "no fault", post.NoFault, tr.probability(func(set int) bool { return set == 0 }))
	})
}

// Probabilities so small that sixteen abnormal findings of one block, reached
// one by one or by one cause at once, leave the range of a float64: the vectors
// are scaled, so that ratios keep all digits. Exact numbers are the judge; the
// links are powers of two, so that 1 − p is exact too.
func TestTinyProbabilitiesKeepTheirDigits(t *testing.T) {
	t.Parallel()
	for _, tiny := range []float64{0x1p-40, 0x1p-52} {
		// A chain: finding j is linked to causes j and j+1, so that all are one
		// block; the leaks cannot show anything (floor 0).
		var chain Spec
		var ev []Observation
		for i := range 9 {
			chain.Causes = append(chain.Causes, Cause{fmt.Sprintf("c%d", i), tiny})
		}
		for j := range 16 {
			id := fmt.Sprintf("f%02d", j)
			chain.Findings = append(chain.Findings, Finding{id, twoLevels, binary(0)})
			a, b := j%9, (j*j+j/9+1)%9
			chain.Links = append(chain.Links, Link{chain.Causes[a].ID, id, binary(tiny)})
			if b != a {
				chain.Links = append(chain.Links, Link{chain.Causes[b].ID, id, binary(3 * tiny)})
			}
			ev = append(ev, Observation{Finding: id, Level: 1})
		}
		exactly(t, chain, ev)
		// One cause reaches all sixteen, each other cause one.
		star := chain
		star.Links = nil
		for j := range 16 {
			id := star.Findings[j].ID
			star.Links = append(star.Links, Link{"c0", id, binary(tiny)}, Link{star.Causes[1+j%8].ID, id, binary(0.5)})
		}
		exactly(t, star, ev)
	}
}

func exactly(t *testing.T, spec Spec, ev []Observation) {
	t.Helper()
	m := mustNew(t, spec)
	post, err := m.Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	tr := enumerate(spec, ev)
	for i, c := range spec.Causes {
		near(t, c.ID, post.Marginals[i], tr.marginal(i))
	}
	// ln P(E): the number is far below what a float64 holds.
	fraction := new(big.Float)
	exp := tr.pe.MantExp(fraction)
	mantissa, _ := fraction.Float64()
	near(t, "ln P(E)", post.LogEvidence, math.Log(mantissa)+float64(exp)*math.Ln2)
}

// A block of forty abnormal findings in a chain has a frontier of two: nothing
// is dropped, and the answer is that of the two halves given the cause between.
func TestLongChainsAreExact(t *testing.T) {
	t.Parallel()
	spec := Spec{}
	var ev []Observation
	const n = 40
	for i := range n + 1 {
		spec.Causes = append(spec.Causes, Cause{fmt.Sprintf("c%02d", i), 0.01 * float64(1+i%5)})
	}
	for j := range n {
		id := fmt.Sprintf("f%02d", j)
		spec.Findings = append(spec.Findings, Finding{id, twoLevels, binary(0.01)})
		spec.Links = append(spec.Links, Link{spec.Causes[j].ID, id, binary(0.7)}, Link{spec.Causes[j+1].ID, id, binary(0.4)})
		ev = append(ev, Observation{Finding: id, Level: 1})
	}
	m := mustNew(t, spec)
	post, err := m.Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	if len(post.Dropped) > 0 {
		t.Fatalf("dropped %v", post.Dropped)
	}
	// Along the chain: alpha[x] is P(first findings, cause j = x).
	p := func(i, x int) float64 {
		if x == 1 {
			return spec.Causes[i].Prior
		}
		return 1 - spec.Causes[i].Prior
	}
	alpha := [2]float64{p(0, 0), p(0, 1)}
	for j := range n {
		var next [2]float64
		for x := range 2 {
			for y := range 2 {
				normal := 0.99 * math.Pow(0.3, float64(x)) * math.Pow(0.6, float64(y))
				next[y] += alpha[x] * (1 - normal) * p(j+1, y)
			}
		}
		alpha = next
	}
	near(t, "P(E)", post.PEvidence, alpha[0]+alpha[1])
	near(t, "last cause", post.Marginals[n], alpha[1]/(alpha[0]+alpha[1]))
	s, err := m.prepare(ev)
	if err != nil {
		t.Fatal(err)
	}
	if peak := s.blocks[0].peak; peak > 8 {
		t.Errorf("the vector grows to %d states", peak)
	}
}

// The state vector must span the frontier, not all abnormal findings: sixteen of
// the synthetic library, nearly all causes linked to one of them, need a
// sixtieth of 2^16 states or less.
func TestFrontierIsNarrow(t *testing.T) {
	t.Parallel()
	spec, _ := synthetic(150, 60, 200)
	m := mustNew(t, spec)
	for _, k := range benchSizes {
		s, err := m.prepare(abnormalEvidence(k))
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range s.blocks {
			// Half of the findings and two more at most.
			if states := b.peak / len(b.lanes); states > 1<<(k/2+2) {
				t.Errorf("%d abnormal findings need %d states", k, states)
			}
		}
	}
}
