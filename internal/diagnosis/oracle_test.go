package diagnosis

import (
	"fmt"
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// truth is the brute-force oracle: it enumerates every set of causes with exact
// rationals and knows nothing of the programme under test. Bit n of a set (n
// the number of causes) is the unmodelled cause.
type truth struct {
	spec  Spec
	joint []*big.Rat // P(E, set) by set
	pe    *big.Rat
}

func rat(f float64) *big.Rat { return new(big.Rat).SetFloat64(f) }

// cdfOf sums p exactly; the highest level gets 1, as a distribution means.
func cdfOf(p []float64, x int) *big.Rat {
	if x < 0 {
		return new(big.Rat)
	}
	if x >= len(p)-1 {
		return big.NewRat(1, 1)
	}
	sum := new(big.Rat)
	for k := 0; k <= x; k++ {
		sum.Add(sum, rat(p[k]))
	}
	return sum
}

func levelGiven(spec Spec, f Finding, set, x int) *big.Rat {
	upTo := func(x int) *big.Rat {
		c := cdfOf(f.Leak, x)
		for _, l := range spec.Links {
			if l.Finding != f.ID {
				continue
			}
			for i := range spec.Causes {
				if spec.Causes[i].ID == l.Cause && set>>i&1 == 1 {
					c.Mul(c, cdfOf(l.P, x))
				}
			}
		}
		for _, l := range spec.UnmodelledLinks {
			if l.Finding == f.ID && set>>len(spec.Causes)&1 == 1 {
				c.Mul(c, cdfOf(l.P, x))
			}
		}
		return c
	}
	return new(big.Rat).Sub(upTo(x), upTo(x-1))
}

func enumerate(spec Spec, ev []Observation) *truth {
	n := len(spec.Causes)
	tr := &truth{spec: spec, pe: new(big.Rat)}
	for set := 0; set < 1<<(n+1); set++ {
		p := big.NewRat(1, 1)
		for i := 0; i <= n; i++ {
			prior := rat(spec.Unmodelled)
			if i < n {
				prior = rat(spec.Causes[i].Prior)
			}
			if set>>i&1 == 0 {
				prior.Sub(big.NewRat(1, 1), prior)
			}
			if prior.Sign() == 0 {
				p = prior
				break
			}
			p.Mul(p, prior)
		}
		for _, o := range ev {
			for _, f := range spec.Findings {
				if f.ID != o.Finding || p.Sign() == 0 {
					continue
				}
				if o.Likelihood == nil {
					p.Mul(p, levelGiven(spec, f, set, o.Level))
					continue
				}
				sum := new(big.Rat)
				for x, w := range o.Likelihood {
					sum.Add(sum, new(big.Rat).Mul(rat(w), levelGiven(spec, f, set, x)))
				}
				p.Mul(p, sum)
			}
		}
		tr.joint = append(tr.joint, p)
		tr.pe.Add(tr.pe, p)
	}
	return tr
}

func (tr *truth) probability(in func(set int) bool) float64 {
	sum := new(big.Rat)
	for set, p := range tr.joint {
		if in(set) {
			sum.Add(sum, p)
		}
	}
	f, _ := sum.Quo(sum, tr.pe).Float64()
	return f
}

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
