package reliability

import (
	"fmt"
	"math"
	"testing"

	"nextprobe/internal/problem"
)

func compare(t *testing.T, groups []*Life, o LogRankOptions) LogRank {
	t.Helper()
	r, err := CompareLives(groups, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func checkTest(t *testing.T, name string, got LogRank, want refTest) {
	t.Helper()
	near(t, name+": χ²", got.Chi2, want.Chi2, 1e-10)
	near(t, name+": p", got.P, want.P, 1e-10)
	if got.DF != want.DF {
		t.Errorf("%s: %d degrees of freedom, want %d", name, got.DF, want.DF)
	}
	for g := range want.Observed {
		what := fmt.Sprintf("%s, group %d: ", name, g)
		near(t, what+"observed", got.Observed[g], want.Observed[g], 0)
		near(t, what+"expected", got.Expected[g], want.Expected[g], 1e-12)
		near(t, what+"variance", got.Variance[g], want.Variance[g], 1e-12)
	}
}

func TestLogRankOfGehansData(t *testing.T) {
	t.Parallel()
	// R, survdiff.
	r := compare(t, []*Life{mustLife(t, gehan6MP), mustLife(t, gehanPlacebo)}, LogRankOptions{})
	near(t, "χ²", r.Chi2, 16.792941, 1e-7)
	near(t, "expected of 6-MP", r.Expected[0], 19.250501, 1e-7)
	near(t, "expected of placebo", r.Expected[1], 10.749499, 1e-7)
	near(t, "variance", r.Variance[0], 6.256961, 1e-7)
	near(t, "p", r.P*1e5, 4.17, 2e-3)
	if r.DF != 1 || r.Permutation != nil {
		t.Errorf("%d degrees of freedom, permutation %+v", r.DF, r.Permutation)
	}
	checkTest(t, "6-MP", r, readReference(t).LogRank6MP)
}

func TestLogRankAgreesWithR(t *testing.T) {
	t.Parallel()
	ref := readReference(t)
	f := ref.Fleet
	fromNew := mustLives(t, Columns{Time: f.Time, Event: f.Event}, f.Group, 3)
	checkTest(t, "three groups", compare(t, fromNew, LogRankOptions{}), ref.LogRankFleetFromNew)
	late := mustLives(t, Columns{Time: f.Time, Event: f.Event, Entry: f.Entry}, f.Group, 3)
	checkTest(t, "left truncated", compare(t, late, LogRankOptions{}), ref.LogRankFleet)
	few := mustLives(t, Columns{Time: ref.Few.Time, Event: ref.Few.Event}, ref.Few.Group, 2)
	r := compare(t, few, LogRankOptions{})
	checkTest(t, "few", r, ref.LogRankFew)
	// All 210 arrangements, each given to survdiff.
	if p := r.Permutation; p == nil || !p.Exact || p.Count != ref.ExactFew.Count || math.Abs(p.P-ref.ExactFew.P) > 1e-12 {
		t.Errorf("permutation %+v, want all %d arrangements and p %v", p, ref.ExactFew.Count, ref.ExactFew.P)
	}
	// Drawn arrangements come near that, the same for the same seed.
	drawn := compare(t, few, LogRankOptions{Seed: 7, Permutations: 20000}).Permutation
	again := compare(t, few, LogRankOptions{Seed: 7, Permutations: 20000}).Permutation
	other := compare(t, few, LogRankOptions{Seed: 8, Permutations: 20000}).Permutation
	sd := math.Sqrt(ref.ExactFew.P * (1 - ref.ExactFew.P) / 20000)
	if drawn.Exact || drawn.Count != 20000 || drawn.Seed != 7 || math.Abs(drawn.P-ref.ExactFew.P) > 4*sd {
		t.Errorf("drawn %+v, want near %v", drawn, ref.ExactFew.P)
	}
	if *drawn != *again || drawn.P == other.P {
		t.Errorf("seed 7 gives %v and %v, seed 8 %v", drawn.P, again.P, other.P)
	}
}

// TestPermutationOfThreeGroupsByHand: items that fail at 1, 2 and 3, one to each
// group, are as uneven in all six arrangements.
func TestPermutationOfThreeGroupsByHand(t *testing.T) {
	t.Parallel()
	r := compare(t, mustLives(t, plus(1, 2, 3), []int{0, 1, 2}, 3), LogRankOptions{})
	if p := r.Permutation; p == nil || !p.Exact || p.Count != 6 || p.P != 1 {
		t.Errorf("%+v", p)
	}
	// Two and two: of the six arrangements, two put both early failures together.
	r = compare(t, mustLives(t, plus(1, 2, 3, 4), []int{0, 0, 1, 1}, 2), LogRankOptions{})
	if p := r.Permutation; p == nil || !p.Exact || p.Count != 6 || math.Abs(p.P-1./3) > 1e-15 {
		t.Errorf("%+v", p)
	}
}

func TestScoresAddUpToTheDifference(t *testing.T) {
	t.Parallel()
	f := readReference(t).Fleet
	groups := mustLives(t, Columns{Time: f.Time, Event: f.Event, Entry: f.Entry}, f.Group, 3)
	r := compare(t, groups, LogRankOptions{Always: true})
	s, sizes := scores(groups)
	for g, u := range groupSums(s, sizes) {
		near(t, "observed less expected", u, r.Observed[g]-r.Expected[g], 1e-12)
	}
	if r.Permutation == nil || r.Permutation.Exact || math.Abs(r.Permutation.P-r.P) > .05 {
		t.Errorf("permutation %+v, χ² gives %v", r.Permutation, r.P)
	}
}

func TestLogRankOfNothingToCompare(t *testing.T) {
	t.Parallel()
	censored, one := mustLife(t, plus(-3, -4)), mustLife(t, plus(3, 4))
	none := compare(t, []*Life{censored, censored}, LogRankOptions{})
	if none.Note == "" || !math.IsNaN(none.Chi2) || !math.IsNaN(none.P) || none.DF != 0 {
		t.Errorf("without failures: %+v", none)
	}
	// A group that is empty, or was gone before anything failed, is left out.
	gone := mustLife(t, plus(-1))
	with := compare(t, []*Life{mustLife(t, gehan6MP), gone, mustLife(t, gehanPlacebo), mustLife(t, Columns{})}, LogRankOptions{})
	if with.DF != 1 && with.DF != 2 {
		t.Errorf("%+v", with)
	}
	early := compare(t, []*Life{mustLife(t, gehan6MP), mustLife(t, plus(-.5)), mustLife(t, gehanPlacebo), mustLife(t, Columns{})}, LogRankOptions{})
	if early.DF != 1 {
		t.Errorf("%d degrees of freedom with two groups to compare", early.DF)
	}
	near(t, "χ² of the two", early.Chi2, 16.792941, 1e-7)
	for field, call := range map[string]func() error{
		"groups":       func() error { _, err := CompareLives([]*Life{one}, LogRankOptions{}); return err },
		"permutations": func() error { _, err := CompareLives([]*Life{one, one}, LogRankOptions{Permutations: -1}); return err },
	} {
		if e := problem.As(call()); e == nil || e.Fields[0].Field != field {
			t.Errorf("%s: %v", field, e)
		}
	}
}
