package diagnosis

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// The look-ahead only ever chooses between the best two boxes, and is
// deterministic.
func TestLookAheadChoosesBetweenTwoBoxes(t *testing.T) {
	t.Parallel()
	moved := 0
	for seed := range uint64(400) {
		spec, eco := drawPlan(rand.New(rand.NewPCG(seed, 21)), 7, 9)
		m := mustNew(t, spec)
		ev := []Observation{{Finding: "m0", Level: 1}}
		one, err := m.AdviseBy(ev, eco, State{}, ByLoss)
		if err != nil {
			t.Fatal(err)
		}
		two, err := m.AdviseBy(ev, eco, State{}, ByTwoSteps)
		if err != nil {
			t.Fatal(err)
		}
		again, err := m.AdviseBy(ev, eco, State{}, ByTwoSteps)
		if err != nil {
			t.Fatal(err)
		}
		if again.Finding != two.Finding || again.Cause != two.Cause {
			t.Errorf("the same evidence gives %s, then %s", two.Finding, again.Finding)
		}
		if one.Kind != two.Kind {
			t.Errorf("a second step turns %s into %s", one.Kind, two.Kind)
		}
		if one.Finding == two.Finding {
			continue
		}
		moved++
		a, b := candidate(t, one, one.Finding), candidate(t, one, two.Finding)
		if slices.Equal(a.Access, b.Access) || b.Score*closeRace < a.Score {
			t.Errorf("%s (%.2f, %v) gives way to %s (%.2f, %v)", a.Finding, a.Score, a.Access, b.Finding, b.Score, b.Access)
		}
	}
	if moved == 0 {
		t.Error("the second step never changed the choice, so that nothing was tested")
	}
}
