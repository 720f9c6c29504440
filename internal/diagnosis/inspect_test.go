package diagnosis

import (
	"math"
	"math/bits"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestOutcomesAgreeWithEnumeration(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		spec, ev := drawModel(t, 6)
		m, err := New(spec)
		if err != nil {
			t.Fatal(err)
		}
		observed := map[string]bool{}
		for _, o := range ev {
			observed[o.Finding] = true
		}
		s, err := m.prepare(ev)
		if err != nil {
			t.Fatal(err)
		}
		o := s.newOutlook(s.solveRuns(true))
		pe := enumerate(spec, ev).pe
		for j, f := range spec.Findings {
			if observed[f.ID] {
				continue
			}
			predicted, err := m.Predict(ev, f.ID)
			if err != nil {
				t.Fatal(err)
			}
			outs := o.outcomes(j)
			for x := range f.Levels {
				tr := enumerate(spec, append(ev[:len(ev):len(ev)], Observation{Finding: f.ID, Level: x}))
				want := over(tr.pe, pe)
				near(t, "Predict "+f.ID, predicted[x], want)
				near(t, "outcome "+f.ID, outs[x].p, want)
				for i := range spec.Causes {
					if math.Abs(outs[x].present[i]-tr.marginal(i)) > 1e-11 {
						t.Fatalf("P(%s | %s=%d) = %.17g, want %.17g", spec.Causes[i].ID, f.ID, x, outs[x].present[i], tr.marginal(i))
					}
				}
				if math.Abs(outs[x].share-tr.marginal(len(spec.Causes))) > 1e-11 {
					t.Fatalf("P(unmodelled | %s=%d) = %.17g, want %.17g", f.ID, x, outs[x].share, tr.marginal(len(spec.Causes)))
				}
			}
		}
	})
}

func TestExplanationsAgreeWithEnumeration(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		spec, ev := drawModel(t, 7)
		opt := ExplainOptions{
			MaxCauses: rapid.IntRange(1, 4).Draw(t, "at once"),
			Ratio:     []float64{1e-6, 1e-3, 0.1}[rapid.IntRange(0, 2).Draw(t, "ratio")],
		}
		m, err := New(spec)
		if err != nil {
			t.Fatal(err)
		}
		list, covered, err := m.Explanations(ev, opt)
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]float64{}
		sum := 0.0
		for k, e := range list {
			got[strings.Join(e.Causes, "+")] = e.Probability
			sum += e.Probability
			if k > 0 && e.Probability > list[k-1].Probability*(1+1e-12) {
				t.Fatalf("explanation %d is better than the one before", k)
			}
		}
		if len(got) != len(list) {
			t.Fatal("an explanation stands twice")
		}
		if math.Abs(sum-covered) > 1e-12 {
			t.Fatalf("covered %v, sum %v", covered, sum)
		}
		tr := enumerate(spec, ev)
		certain := 0
		for i, c := range spec.Causes {
			if c.Prior == 1 {
				certain |= 1 << i
			}
		}
		best := 0.0
		want := map[string]float64{}
		for set := range tr.joint {
			p := tr.probability(func(other int) bool { return other == set })
			if p == 0 || bits.OnesCount(uint(set&^certain)) > opt.MaxCauses {
				continue
			}
			var ids []string
			for i, c := range spec.Causes {
				if set>>i&1 == 1 && c.Prior == 1 {
					ids = append(ids, c.ID)
				}
			}
			for i, c := range spec.Causes {
				if set>>i&1 == 1 && c.Prior < 1 {
					ids = append(ids, c.ID)
				}
			}
			if set>>len(spec.Causes)&1 == 1 {
				ids = append(ids, UnmodelledID)
			}
			want[strings.Join(ids, "+")] = p
			best = math.Max(best, p)
		}
		for ids, p := range want {
			if math.Abs(p/(opt.Ratio*best)-1) < 1e-9 {
				continue // on the edge either answer is right
			}
			g, ok := got[ids]
			if ok != (p >= opt.Ratio*best) {
				t.Fatalf("explanation %q with probability %v (best %v): returned %v", ids, p, best, ok)
			}
			if ok {
				near(t, ids, g, p)
			}
		}
	})
}

func TestWeightsAndSupportAgreeWithEnumeration(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		spec, ev := drawModel(t, 5)
		m, err := New(spec)
		if err != nil {
			t.Fatal(err)
		}
		weights, err := m.Weights(ev)
		if err != nil {
			t.Fatal(err)
		}
		support, err := m.Support(ev)
		if err != nil {
			t.Fatal(err)
		}
		conflict, err := m.Conflict(ev)
		if err != nil {
			t.Fatal(err)
		}
		all := enumerate(spec, ev)
		odds := func(tr *truth, i int) float64 {
			return tr.marginal(i) / tr.probability(func(set int) bool { return set>>i&1 == 0 })
		}
		log2 := 0.0
		for j, o := range ev {
			without := enumerate(spec, append(append([]Observation(nil), ev[:j]...), ev[j+1:]...))
			share := over(all.pe, without.pe)
			top := 1.0
			if o.Likelihood != nil {
				top = slices.Max(o.Likelihood)
			}
			near(t, "support of "+o.Finding, support[j], share/top)
			for i, c := range spec.Causes {
				want := 0.0
				if c.Prior > 0 && c.Prior < 1 {
					want = 10 * math.Log10(odds(all, i)/odds(without, i))
				}
				if math.Abs(weights[i][j]-want) > 1e-9 {
					t.Fatalf("weight of %s for %s = %v, want %v", o.Finding, c.ID, weights[i][j], want)
				}
			}
			alone, _ := enumerate(spec, []Observation{o}).pe.Float64()
			log2 += math.Log2(alone)
		}
		pe, _ := all.pe.Float64()
		if want := log2 - math.Log2(pe); math.Abs(conflict-want) > 1e-9 {
			t.Fatalf("conflict %v, want %v", conflict, want)
		}
	})
}
