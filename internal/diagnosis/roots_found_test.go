package diagnosis

import (
	"fmt"
	"math"
	"testing"
)

// A cause that is made certain says the same of all else as a finding that shows
// it without fail.
func TestACauseThatWasFoundSpeaksForItsRoots(t *testing.T) {
	t.Parallel()
	moved := 0.0
	for seed := range uint64(20) {
		spec, ev := withRoots(seed, 6, 5, 2, 3)
		found := []string{spec.Causes[seed%6].ID, spec.Causes[(seed+1)%6].ID}
		m := mustNew(t, spec)
		certain, err := m.WithPriors(map[string]float64{found[0]: 1, found[1]: 1})
		if err != nil {
			t.Fatal(err)
		}
		got, err := certain.Infer(ev)
		if err != nil {
			t.Fatal(err)
		}
		shown, seen := spec, append([]Observation(nil), ev...)
		for k, id := range found {
			f := Finding{ID: fmt.Sprint("found", k), Levels: []string{"no", "yes"}, Leak: []float64{1, 0}}
			shown.Findings = append(shown.Findings[:len(shown.Findings):len(shown.Findings)], f)
			shown.Links = append(shown.Links[:len(shown.Links):len(shown.Links)], Link{id, f.ID, []float64{0, 1}})
			seen = append(seen, Observation{Finding: f.ID, Level: 1})
		}
		want, err := mustNew(t, shown).Infer(seen)
		if err != nil {
			t.Fatal(err)
		}
		before, err := m.Infer(ev)
		if err != nil {
			t.Fatal(err)
		}
		close := func(what string, a, b float64) {
			if !(math.Abs(a-b) <= 1e-10) {
				t.Errorf("seed %d: %s %v, want %v", seed, what, a, b)
			}
		}
		for i := range spec.Causes {
			close(spec.Causes[i].ID, got.Marginals[i], want.Marginals[i])
		}
		for k := range spec.Roots {
			close(spec.Roots[k].ID, got.Roots[k], want.Roots[k])
			moved = math.Max(moved, math.Abs(got.Roots[k]-before.Roots[k]))
		}
		close("unmodelled", got.Unmodelled, want.Unmodelled)
	}
	if moved < 0.05 {
		t.Errorf("no root moved by more than %v", moved)
	}
}

// By hand, see internal/learning: P(wet) = ½ and a doubled hazard make a cause of
// 0.28 one of 0.36 or 0.2. Found: P(wet) = 0.36/0.56, and the other cause
// (9·0.36 + 5·0.2)/14. Found where it cannot be, it says nothing of the root.
func TestFoundByHand(t *testing.T) {
	t.Parallel()
	spec := Spec{Causes: []Cause{{"c", 0.28}, {"d", 0.28}}, Roots: []Root{{ID: "wet", Prior: 0.5, Raises: []Factor{{"c", 2}, {"d", 2}}}}}
	for _, x := range []struct {
		factor, wet, d float64
		told           float64
	}{{2, 9.0 / 14, (9*0.36 + 5*0.2) / 14, 0.5}, {2, 1, 0.36, 1}, {0, 1, 0.36, 1}, {0, 0, 0.2, 0.5}} {
		spec.Roots[0].Raises = []Factor{{"c", x.factor}, {"d", 2}}
		m, err := mustNew(t, spec).WithPriors(map[string]float64{"c": 1, "wet": x.told})
		if err != nil {
			t.Fatal(err)
		}
		post, err := m.Infer(nil)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(post.Roots[0]-x.wet) > 1e-12 || math.Abs(post.Marginals[1]-x.d) > 1e-12 || post.Marginals[0] != 1 {
			t.Errorf("factor %v, told %v: wet %v and d %v, want %v and %v", x.factor, x.told, post.Roots[0], post.Marginals[1], x.wet, x.d)
		}
	}
}
