package diagnosis

import (
	"fmt"
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// truth is the brute-force oracle: it enumerates every set of causes with exact
// numbers and knows nothing of the programme under test. Bit n of a set (n the
// number of causes) is the unmodelled cause.
type truth struct {
	spec  Spec
	joint []*big.Float // P(E, set) by set
	pe    *big.Float
}

// exactBits bounds the digits of an exact number. Sums and products of float64
// are fractions over a power of two, so that long floats hold them without the
// common divisors that a fraction would have to look for.
const exactBits = 1 << 20

func exact(f float64) *big.Float { return new(big.Float).SetPrec(exactBits).SetFloat64(f) }

// kept hands z on, and panics when the operation that made it has lost a digit.
func kept(z *big.Float) *big.Float {
	if z.Acc() != big.Exact {
		panic("the oracle has rounded: raise exactBits")
	}
	return z
}

func plus(x, y *big.Float) *big.Float    { return kept(exact(0).Add(x, y)) }
func minus(x, y *big.Float) *big.Float   { return kept(exact(0).Sub(x, y)) }
func product(x, y *big.Float) *big.Float { return kept(exact(0).Mul(x, y)) }

// over divides, right to 400 bits.
func over(x, y *big.Float) float64 {
	f, _ := new(big.Float).SetPrec(400).Quo(x, y).Float64()
	return f
}

// cdfOf sums p exactly; the highest level gets 1, as a distribution means.
func cdfOf(p []float64, x int) *big.Float {
	if x < 0 {
		return exact(0)
	}
	if x >= len(p)-1 {
		return exact(1)
	}
	sum := exact(0)
	for k := 0; k <= x; k++ {
		sum = plus(sum, exact(p[k]))
	}
	return sum
}

// upTo is P(X_j ≤ x | set): the leak's share and those of the causes in the set.
type upTo struct {
	leak *big.Float
	bits []int
	link []*big.Float
}

func newUpTo(spec Spec, f Finding, x int) upTo {
	u := upTo{leak: cdfOf(f.Leak, x)}
	add := func(bit int, p []float64) {
		u.bits = append(u.bits, bit)
		u.link = append(u.link, cdfOf(p, x))
	}
	for _, l := range spec.Links {
		for i := range spec.Causes {
			if l.Finding == f.ID && spec.Causes[i].ID == l.Cause {
				add(i, l.P)
			}
		}
	}
	for _, l := range spec.UnmodelledLinks {
		if l.Finding == f.ID {
			add(len(spec.Causes), l.P)
		}
	}
	return u
}

func (u *upTo) given(set int) *big.Float {
	c := u.leak
	for k, bit := range u.bits {
		if set>>bit&1 == 1 {
			c = product(c, u.link[k])
		}
	}
	return c
}

// levels is what an observation says: each level it leaves possible with its
// weight, as the difference of two cumulative probabilities.
type levels struct {
	weight []*big.Float
	top    []upTo
	below  []upTo
}

func newLevels(spec Spec, o Observation) levels {
	var l levels
	for _, f := range spec.Findings {
		if f.ID != o.Finding {
			continue
		}
		add := func(x int, w float64) {
			l.weight = append(l.weight, exact(w))
			l.top = append(l.top, newUpTo(spec, f, x))
			l.below = append(l.below, newUpTo(spec, f, x-1))
		}
		if o.Likelihood == nil {
			add(o.Level, 1)
		}
		for x, w := range o.Likelihood {
			add(x, w)
		}
	}
	return l
}

func (l *levels) given(set int) *big.Float {
	sum := exact(0)
	for k := range l.weight {
		p := minus(l.top[k].given(set), l.below[k].given(set))
		sum = plus(sum, product(l.weight[k], p))
	}
	return sum
}

func enumerate(spec Spec, ev []Observation) *truth {
	n := len(spec.Causes)
	tr := &truth{spec: spec, pe: exact(0)}
	priors := [][2]*big.Float{}
	for i := range n + 1 {
		p := exact(spec.Unmodelled)
		if i < n {
			p = exact(spec.Causes[i].Prior)
		}
		priors = append(priors, [2]*big.Float{minus(exact(1), p), p})
	}
	var seen []levels
	for _, o := range ev {
		seen = append(seen, newLevels(spec, o))
	}
	for set := range 1 << (n + 1) {
		p := exact(1)
		for i := 0; i <= n && p.Sign() != 0; i++ {
			p = product(p, priors[i][set>>i&1])
		}
		for k := 0; k < len(seen) && p.Sign() != 0; k++ {
			p = product(p, seen[k].given(set))
		}
		tr.joint = append(tr.joint, p)
		tr.pe = plus(tr.pe, p)
	}
	return tr
}

// sum is P(E and a set that in accepts).
func (tr *truth) sum(in func(set int) bool) *big.Float {
	sum := exact(0)
	for set, p := range tr.joint {
		if p.Sign() != 0 && in(set) {
			sum = plus(sum, p)
		}
	}
	return sum
}

func (tr *truth) probability(in func(set int) bool) float64 { return over(tr.sum(in), tr.pe) }

func (tr *truth) marginal(i int) float64 {
	return tr.probability(func(set int) bool { return set>>i&1 == 1 })
}

// failer is what a testing.T and a rapid.T have in common.
type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

// near fails unless got is want to a relative 1e-9, the precision asked of two
// implementations that are to agree.
func near(t failer, what string, got, want float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > 1e-9*math.Abs(want)+1e-300 {
		t.Fatalf("%s = %.17g, want %.17g", what, got, want)
	}
}

func drawDistribution(t *rapid.T, label string, levels int) []float64 {
	raw := make([]float64, levels)
	sum := 0.0
	for k := range raw {
		raw[k] = float64(rapid.IntRange(1, 40).Draw(t, label))
		sum += raw[k]
	}
	for k := range raw {
		raw[k] /= sum
	}
	return raw
}

// drawModel draws a model of up to maxCauses causes with findings of two to
// four levels, and evidence on some of them, a part of it soft.
func drawModel(t *rapid.T, maxCauses int) (Spec, []Observation) {
	var spec Spec
	n := rapid.IntRange(0, maxCauses).Draw(t, "causes")
	for i := range n {
		prior := float64(rapid.IntRange(1, 300).Draw(t, "prior")) / 1000
		// Some causes are confirmed, some ruled out.
		switch rapid.IntRange(0, 19).Draw(t, "special") {
		case 0:
			prior = 1
		case 1:
			prior = 0
		case 2:
			prior = 0.8
		}
		spec.Causes = append(spec.Causes, Cause{ID: fmt.Sprintf("c%02d", i), Prior: prior})
	}
	spec.Unmodelled = float64(rapid.IntRange(0, 3).Draw(t, "unmodelled")) / 50
	nf := rapid.IntRange(1, 7).Draw(t, "findings")
	var ev []Observation
	for j := range nf {
		levels := rapid.IntRange(2, 4).Draw(t, "levels")
		f := Finding{ID: fmt.Sprintf("f%02d", j), Leak: drawDistribution(t, "leak", levels)}
		for x := range levels {
			f.Levels = append(f.Levels, fmt.Sprintf("l%d", x))
		}
		f.Leak = mixed(f.Leak, 0.9)
		spec.Findings = append(spec.Findings, f)
		for i := range n {
			if rapid.IntRange(0, 2).Draw(t, "linked") > 0 {
				continue
			}
			spec.Links = append(spec.Links, Link{spec.Causes[i].ID, f.ID, drawDistribution(t, "link", levels)})
		}
		if rapid.Bool().Draw(t, "weak") {
			spec.UnmodelledLinks = append(spec.UnmodelledLinks, Link{UnmodelledID, f.ID, drawDistribution(t, "weak link", levels)})
		}
		switch rapid.IntRange(0, 3).Draw(t, "seen") {
		case 0, 1:
			ev = append(ev, Observation{Finding: f.ID, Level: rapid.IntRange(0, levels-1).Draw(t, "level")})
		case 2:
			like := make([]float64, levels)
			for x := range like {
				like[x] = float64(rapid.IntRange(0, 4).Draw(t, "likelihood")) / 4
			}
			like[rapid.IntRange(0, levels-1).Draw(t, "possible")] = 0.5
			ev = append(ev, Observation{Finding: f.ID, Likelihood: like})
		}
	}
	return spec, ev
}

// mixed moves the share w of a distribution to its normal level.
func mixed(p []float64, w float64) []float64 {
	out := make([]float64, len(p))
	for k := range p {
		out[k] = (1 - w) * p[k]
	}
	out[0] += w
	return out
}

func TestInferAgreesWithEnumeration(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		spec, ev := drawModel(t, 7)
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
		near(t, "P(E)", post.PEvidence, pe)
		near(t, "ln P(E)", math.Exp(post.LogEvidence), pe)
		n := len(spec.Causes)
		for i := range n {
			near(t, spec.Causes[i].ID, post.Marginals[i], tr.marginal(i))
			near(t, "not "+spec.Causes[i].ID, post.absent[i], tr.probability(func(set int) bool { return set>>i&1 == 0 }))
		}
		near(t, "unmodelled", post.Unmodelled, tr.marginal(n))
		near(t, "no fault", post.NoFault, tr.probability(func(set int) bool { return set == 0 }))
		if post.Truncation != 0 || post.Dropped != nil {
			t.Fatalf("truncated: %v %v", post.Truncation, post.Dropped)
		}
	})
}
