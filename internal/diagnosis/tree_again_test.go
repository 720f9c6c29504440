package diagnosis

import (
	"math"
	"slices"
	"testing"
)

// A way whose last reading fits badly with the ones before takes it once more: the
// same again is repaired, another reading replaces it. The outcomes of the second
// look are those of a misread reading and of a true one, by the doubt.
func TestTreeTakesDoubtfulReadingsAgain(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	ev := append(seen("no_drive", "meter"), Observation{Finding: "meter_two"}, Observation{Finding: "look_inside"}, Observation{Finding: "probe_inside"})
	once := []string{"meter", "meter_two"}
	adv := advice(t, m, ev, eco, State{Once: once})
	tree := compile(t, m, TreeSpec{Evidence: ev, Economy: eco, State: State{Once: once}})
	root := tree.Nodes[0]
	if root.Kind != AdviseMeasure || root.Reason != ReasonTakeAgain || root.Finding != adv.Finding || len(root.Branches) != 2 {
		t.Fatalf("root %+v", root)
	}
	within(t, "cost of the second look", root.StepCost, adv.Reason.Cost, 1e-9)
	at := slices.IndexFunc(ev, func(o Observation) bool { return o.Finding == adv.Finding })
	rest := slices.Delete(slices.Clone(ev), at, at+1)
	as, err := m.Infer(rest)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := m.Infer(ev)
	if err != nil {
		t.Fatal(err)
	}
	same := math.Exp(whole.LogEvidence - as.LogEvidence)
	d := adv.Reason.Probability
	for _, b := range root.Branches {
		want := d * (1 - same)
		if slices.Contains(b.Levels, ev[at].Level) {
			want = 1 - d + d*same
			if n := tree.Nodes[b.Node]; n.Kind == AdviseMeasure && n.Finding == root.Finding {
				t.Errorf("a third look at %s", n.Finding)
			}
		}
		within(t, "outcome of the second look", b.Probability, want, 1e-9)
	}
	f := &follower{t: t, m: m, spec: TreeSpec{Evidence: ev, Economy: eco}, tree: tree}
	w := f.start()
	w.times = map[string]int{"meter": 1, "meter_two": 1}
	if f.follow(0, 1, w); f.again == 0 || f.decided < 3 {
		t.Errorf("%d places compared, %d taken again", f.decided, f.again)
	}
}

// What an interlock asks for is a step of its own, and what nothing
// can free is not advised at all.
func TestTreeMeetsInterlocksFirst(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	const need = "unrelated"
	wanted := []string{"meter", "meter_two"}
	unmet := func(readings []TreeReading, _ []string) []Unmet {
		for _, r := range readings {
			if r.Finding == need && r.Level == 0 {
				return nil
			}
		}
		return []Unmet{{Finding: wanted[0], First: []string{need}}, {Finding: wanted[1], First: []string{need}}}
	}
	tree := compile(t, m, TreeSpec{Evidence: seen("no_drive"), Economy: eco, Unmet: unmet})
	adv := advice(t, m, seen("no_drive"), eco, State{Unmet: unmet(nil, nil)})
	root := tree.Nodes[0]
	if root.Finding != adv.Finding || root.Kind != adv.Kind {
		t.Fatalf("the tree says %+v, the policy %s %s", root, adv.Kind, adv.Finding)
	}
	if adv.Reason.Code == ReasonInterlock {
		good := root.Branches[slices.IndexFunc(root.Branches, func(b TreeBranch) bool { return slices.Contains(b.Levels, 0) })]
		if root.Reason != ReasonInterlock || root.Finding != need || !slices.Contains(wanted, tree.Nodes[good.Node].Finding) {
			t.Errorf("root %+v, then %+v", root, tree.Nodes[good.Node])
		}
	} else {
		t.Errorf("the interlock was gone around: %+v", adv)
	}
	barred := compile(t, m, TreeSpec{Evidence: seen("no_drive"), Economy: eco, Unmet: func([]TreeReading, []string) []Unmet { return []Unmet{{Finding: wanted[0]}, {Finding: wanted[1]}} }})
	if slices.ContainsFunc(barred.Nodes, func(n TreeNode) bool { return slices.Contains(wanted, n.Finding) }) {
		t.Errorf("one of %v stands in the tree though nothing meets its interlock", wanted)
	}
}
