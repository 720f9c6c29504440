package diagnosis

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nextprobe/internal/problem"
)

func compile(t *testing.T, m *Model, spec TreeSpec) *Tree {
	t.Helper()
	tree, err := m.CompileTree(spec)
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

// grown is the unmerged tree of a spec.
func grown(t testing.TB, m *Model, spec TreeSpec) *place {
	t.Helper()
	g := &grower{m: m, spec: spec, effects: make(map[string]*TreeOpening)}
	if err := g.check(); err != nil {
		t.Fatal(err)
	}
	root := &place{open: spec.State.Open, reach: 1}
	for _, o := range spec.Evidence {
		root.ev = append(root.ev, reading{Observation: o, open: root.open})
	}
	if _, err := g.settle(root); err != nil {
		t.Fatal(err)
	}
	for len(g.queue) > 0 {
		p := g.queue[0]
		g.queue = g.queue[1:]
		if err := g.branch(p); err != nil {
			t.Fatal(err)
		}
	}
	rollBack(root)
	return root
}

// drawn writes the decisions of the unmerged tree, without numbers.
func (p *place) drawn() string {
	by := map[int]string{}
	for _, tw := range p.twigs {
		for _, x := range tw.levels {
			by[x] = tw.to.drawn()
		}
	}
	return draw(&p.node, by)
}

// expanded writes the decisions of the merged tree below a node.
func (t *Tree) expanded(at int) string {
	by := map[int]string{}
	for _, b := range t.Nodes[at].Branches {
		for _, x := range b.Levels {
			by[x] = t.expanded(b.Node)
		}
	}
	return draw(&t.Nodes[at], by)
}

func draw(n *TreeNode, by map[int]string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s%s%s%s %v %v", n.Kind, n.Finding, n.Cause, n.Cut, n.Reason, n.Close, n.Access)
	for x := range 16 {
		if s, ok := by[x]; ok {
			fmt.Fprintf(&b, " [%d: %s]", x, s)
		}
	}
	return b.String()
}

func (p *place) leaves(visit func(*place)) {
	if len(p.twigs) == 0 {
		visit(p)
	}
	for _, t := range p.twigs {
		t.to.leaves(visit)
	}
}

// treeCase is a model with evidence that the properties are tried on.
type treeCase struct {
	name string
	m    *Model
	spec TreeSpec
}

func treeCases(t *testing.T) []treeCase {
	small, eco := bench()
	big, bigEco := synthetic(40, 20, 40)
	bigEco.EscalateCost = handOver
	effects := []TreeOpening{{ID: "box_a", Overtakes: []string{"m001", "m003", "m005"}}, {ID: "plug", Overtakes: []string{"m007", "m011"}}, {ID: "box_b", Closes: []string{"box_a"}}}
	m, b := mustNew(t, small), mustNew(t, big)
	return []treeCase{
		{"small", m, TreeSpec{Evidence: seen("no_drive"), Economy: eco}},
		{"two complaints", m, TreeSpec{Evidence: seen("no_drive", "soft_ride"), Economy: eco}},
		{"box open", m, TreeSpec{Evidence: seen("no_drive"), Economy: eco, State: State{Open: []string{"plug", "box"}}}},
		{"service", b, TreeSpec{Economy: bigEco, MaxDepth: 3}},
		{"large", b, TreeSpec{Evidence: seen("s003"), Economy: bigEco, MaxDepth: 5}},
		{"openings undo and overtake", b, TreeSpec{Evidence: seen("s001", "s004"), Economy: bigEco, MaxDepth: 6, MinReach: 0.001, Openings: effects}},
		{"gates", b, TreeSpec{Evidence: seen("s002"), Economy: bigEco, MaxDepth: 4, Gates: []TreeGate{{Finding: "m000", Stop: []int{1}}, {Finding: "m002"}}}},
	}
}

// Reaches of the leaves sum to 1, the root's cost and minutes are the same
// expectation taken over the ways instead of rolled back, and merging changes
// neither decisions nor totals.
func TestTreeIsADistributionOverWays(t *testing.T) {
	t.Parallel()
	for _, tc := range treeCases(t) {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			root := grown(t, tc.m, tc.spec)
			sum, places := 0.0, 0
			root.leaves(func(p *place) { sum += p.reach })
			within(t, "reach of the leaves", sum, 1, 1e-9)
			cost, minutes := 0.0, 0.0
			var walk func(p *place, reach float64)
			walk = func(p *place, reach float64) {
				places++
				within(t, "reach", p.reach, reach, 1e-9)
				if len(p.twigs) == 0 {
					cost += reach * p.node.Cost
					minutes += reach * p.node.Minutes
					return
				}
				cost += reach * p.node.StepCost
				minutes += reach * p.node.StepMinutes
				for _, tw := range p.twigs {
					walk(tw.to, reach*tw.p)
				}
			}
			walk(root, 1)
			tree := compile(t, tc.m, tc.spec)
			within(t, "cost", tree.Nodes[0].Cost, cost, 1e-9*(1+cost))
			within(t, "minutes", tree.Nodes[0].Minutes, minutes, 1e-9*(1+minutes))
			if tree.Places != places || tree.Cut {
				t.Errorf("%d places counted, %d there; cut %t", tree.Places, places, tree.Cut)
			}
			if got, want := tree.expanded(0), root.drawn(); got != want {
				t.Errorf("the merged tree expands to\n%s\nwant\n%s", got, want)
			}
			checkMerged(t, tree, places)
		})
	}
}

func checkMerged(t *testing.T, tree *Tree, places int) {
	t.Helper()
	ways, leaves := 0, 0.0
	seen := map[string]int{}
	for k, n := range tree.Nodes {
		ways += n.Ways
		key := tree.expanded(k)
		if at, twice := seen[key]; twice {
			t.Errorf("nodes %d and %d are equal and were not merged: %s", at, k, key)
		}
		seen[key] = k
		if len(n.Branches) == 0 {
			leaves += n.Reach
			continue
		}
		sum := 0.0
		for _, b := range n.Branches {
			sum += b.Probability
			if b.Node <= 0 || b.Node >= len(tree.Nodes) {
				t.Errorf("node %d leads to %d", k, b.Node)
			}
		}
		within(t, "outcomes", sum, 1, 1e-9)
	}
	within(t, "reach of the merged leaves", leaves, 1, 1e-9)
	if ways != places || len(tree.Nodes) > places {
		t.Errorf("%d nodes stand for %d places of %d", len(tree.Nodes), ways, places)
	}
}

// Whoever follows the tree does what the policy says with the same evidence and
// the same openings, worked out here anew from the way alone.
func TestTreeFollowsThePolicy(t *testing.T) {
	t.Parallel()
	for _, tc := range treeCases(t) {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			tree := compile(t, tc.m, tc.spec)
			f := &follower{t: t, m: tc.m, spec: tc.spec, tree: tree}
			f.follow(0, 1, f.start())
			if f.decided < 2 {
				t.Errorf("only %d places compared", f.decided)
			}
		})
	}
}

type way struct {
	ev   []Observation
	when map[string][]string // by finding: what was open
	// times is how often a finding was measured since it was last overtaken.
	times map[string]int
	open  []string
}

func (w way) once() []string {
	var out []string
	for _, o := range w.ev {
		if w.times[o.Finding] == 1 {
			out = append(out, o.Finding)
		}
	}
	return out
}

type follower struct {
	t       *testing.T
	m       *Model
	spec    TreeSpec
	tree    *Tree
	decided int
	again   int // measurements taken once more
}

func (f *follower) start() way {
	w := way{ev: f.spec.Evidence, when: map[string][]string{}, open: f.spec.State.Open}
	for _, o := range w.ev {
		w.when[o.Finding] = w.open
	}
	return w
}

func (f *follower) follow(at int, reach float64, w way) {
	n := f.tree.Nodes[at]
	adv, err := f.m.AdviseBy(w.ev, f.spec.Economy, State{Open: w.open, Once: w.once()}, f.spec.Policy)
	if err != nil {
		f.t.Fatal(err)
	}
	if n.Kind == TreeContinue {
		if n.Cut == CutReach && reach >= DefaultMinReach || n.Cut == CutThin || n.Cut == CutAgain {
			f.t.Errorf("cut by %s at reach %g", n.Cut, reach)
		}
		return
	}
	f.decided++
	if n.Gate {
		if slices.ContainsFunc(w.ev, func(o Observation) bool { return o.Finding == n.Finding }) {
			f.t.Errorf("the gate %s is measured twice", n.Finding)
		}
	} else if n.Kind != adv.Kind || n.Finding != adv.Finding || n.Cause != adv.Cause {
		f.t.Errorf("after %v with %v open the tree says %s %s%s, the policy %s %s%s", w.ev, w.open, n.Kind, n.Finding, n.Cause, adv.Kind, adv.Finding, adv.Cause)
		return
	}
	for _, b := range n.Branches {
		next := f.tree.Nodes[b.Node]
		if next.Kind == TreeStop || next.Cut == CutThin || next.Cut == CutAgain {
			continue
		}
		var c Candidate
		if r := adv.Retake; r != nil && r.Finding == n.Finding {
			c = *r
			f.again++
		} else {
			c = candidate(f.t, adv, n.Finding)
		}
		if !slices.Equal(c.Access, n.Access) {
			f.t.Errorf("the tree opens %v for %s, the policy %v", n.Access, n.Finding, c.Access)
		}
		for _, x := range b.Levels {
			f.follow(b.Node, reach*c.Outcomes[x], f.after(w, n, x))
		}
	}
}

// after is written apart from the compiler's own, by the rules of a job: what is
// opened closes what it must, and an opening overtakes results taken without it.
func (f *follower) after(w way, n TreeNode, level int) way {
	out := way{when: map[string][]string{}, times: map[string]int{n.Finding: 1}, open: w.open}
	ev := w.ev
	for _, id := range n.Access {
		var effect TreeOpening
		for _, e := range f.spec.Openings {
			if e.ID == id {
				effect = e
			}
		}
		var open []string
		for _, o := range out.open {
			closed := slices.Contains(effect.Closes, o) || o == "inner" && slices.Contains(effect.Closes, "box_a") || o == "box_b" && id == "box_a" && len(f.spec.Openings) > 0
			if !closed {
				open = append(open, o)
			}
		}
		open = append(open, id)
		out.open = open
		var kept []Observation
		for _, o := range ev {
			if !slices.Contains(effect.Overtakes, o.Finding) || slices.Contains(w.when[o.Finding], id) {
				kept = append(kept, o)
			}
		}
		ev = kept
	}
	for _, o := range ev {
		out.when[o.Finding] = w.when[o.Finding]
		if o.Finding == n.Finding {
			out.times[o.Finding] += w.times[o.Finding]
			continue
		}
		out.times[o.Finding] = w.times[o.Finding]
		out.ev = append(out.ev, o)
	}
	out.ev = append(out.ev, Observation{Finding: n.Finding, Level: level})
	out.when[n.Finding] = out.open
	return out
}

func TestTreeIsDeterministic(t *testing.T) {
	t.Parallel()
	for _, tc := range treeCases(t) {
		first := compile(t, tc.m, tc.spec)
		turned := tc.spec
		turned.Evidence = slices.Clone(tc.spec.Evidence)
		slices.Reverse(turned.Evidence)
		for _, spec := range []TreeSpec{tc.spec, turned} {
			if again := compile(t, tc.m, spec); !reflect.DeepEqual(first, again) {
				t.Errorf("%s: two compilations differ", tc.name)
			}
		}
	}
}

// A gate's stop is a leaf of its own however rare it is, and the gate comes
// before what the policy would measure.
func TestTreeGates(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	gate := TreeGate{Finding: "unrelated", Stop: []int{1}}
	tree := compile(t, m, TreeSpec{Evidence: seen("no_drive"), Economy: eco, Gates: []TreeGate{gate}})
	root := tree.Nodes[0]
	if root.Finding != "unrelated" || !root.Gate || len(root.Branches) != 2 {
		t.Fatalf("root %+v", root)
	}
	stop := tree.Nodes[root.Branches[0].Node]
	if p := root.Branches[0].Probability; stop.Kind != TreeStop || !(p > 0 && p < DefaultMinOutcome) || stop.Cost != 300 {
		t.Errorf("stop %+v of probability %g", stop, p)
	}
	if next := tree.Nodes[root.Branches[1].Node]; next.Finding != "meter_two" || next.Gate {
		t.Errorf("after the gate %+v", next)
	}
	// The gate's own minute is all that it adds to the cost, beside the stop.
	plain := compile(t, m, TreeSpec{Evidence: seen("no_drive"), Economy: eco})
	p := root.Branches[0].Probability
	within(t, "cost", root.Cost, 1+p*300+(1-p)*plain.Nodes[0].Cost, 0.5)
	for _, st := range []State{{Unavailable: []string{"unrelated"}}} {
		if k := compile(t, m, TreeSpec{Evidence: seen("no_drive"), Economy: eco, State: st, Gates: []TreeGate{gate}}).Nodes[0]; k.Gate {
			t.Error("a gate that cannot be measured is asked for")
		}
	}
	if k := compile(t, m, TreeSpec{Evidence: append(seen("no_drive"), Observation{Finding: "unrelated"}), Economy: eco, Gates: []TreeGate{gate}}).Nodes[0]; k.Gate {
		t.Error("a gate that was measured is asked for again")
	}
}

// A result of no use is no evidence: a leaf says to take it again, and what the
// policy expected before it still holds.
func TestTreeTakesUselessResultsAgain(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	tree := compile(t, m, TreeSpec{Evidence: seen("no_drive"), Economy: eco, Useless: map[string][]int{"meter_two": {1}}})
	root := tree.Nodes[0]
	if root.Finding != "meter_two" || len(root.Branches) != 2 {
		t.Fatalf("root %+v", root)
	}
	if n := tree.Nodes[root.Branches[0].Node]; n.Cut != CutAgain || n.Cost != tree.Live {
		t.Errorf("after the useless result %+v, live %v", n, tree.Live)
	}
}

// Worked by hand: one meter splits two causes. Live and rolled back are the same
// where one measurement is all there is to do.
func TestTreeCostByHand(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	eco.Actions = eco.Actions[:1]
	m := mustNew(t, spec)
	tree := compile(t, m, TreeSpec{Evidence: seen("no_drive"), Economy: eco})
	root := tree.Nodes[0]
	if root.Finding != "meter" || len(tree.Nodes) != 3 || tree.Depth != 1 {
		t.Fatalf("%+v", tree)
	}
	within(t, "live", tree.Live, root.Cost, 1e-9)
	high, low := tree.Nodes[root.Branches[0].Node], tree.Nodes[root.Branches[1].Node]
	if high.Cause != "winding_open" || low.Cause != "plug_burnt" || high.Minutes != 95 || low.Minutes != 45 {
		t.Errorf("repairs %+v, %+v", high, low)
	}
	within(t, "minutes", root.Minutes, 3+95*high.Reach+45*low.Reach, 1e-9)
}

// Worked by hand: what is opened, closed and overtaken along a way.
func TestTreeCarriesTheState(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	eco.Openings = append(eco.Openings, Opening{ID: "sealed", OpenMinutes: 6})
	g := &grower{m: mustNew(t, spec), spec: TreeSpec{Economy: eco, Openings: []TreeOpening{
		{ID: "sealed", Closes: []string{"box"}}, {ID: "plug", Overtakes: []string{"meter", "meter_two"}}}}, effects: map[string]*TreeOpening{}}
	if err := g.check(); err != nil {
		t.Fatal(err)
	}
	step := func(p *place, finding string, access ...string) *place {
		p.node = TreeNode{Finding: finding, Access: access, Close: g.toClose(p.open, access)}
		to := &place{}
		g.take(p, to, 1)
		return to
	}
	taken := func(p *place) (ids []string) {
		for _, o := range p.ev {
			ids = append(ids, o.Finding)
		}
		return ids
	}
	p := step(&place{}, "meter")
	p = step(p, "meter_two", "plug")
	if got := taken(p); !slices.Equal(got, []string{"meter_two"}) || !slices.Equal(p.open, []string{"plug"}) {
		t.Fatalf("parting the plug leaves %v with %v open", got, p.open)
	}
	p = step(p, "look_inside", "box", "deep")
	closing := *p
	// The air test needs the box closed, and what lies behind it.
	p = step(&closing, "unrelated", "sealed")
	if !slices.Equal(closing.node.Close, []string{"box"}) || !slices.Equal(p.open, []string{"plug", "sealed"}) {
		t.Errorf("close %v, then open is %v", closing.node.Close, p.open)
	}
	// Opening the box again ends the sealed state.
	if p = step(p, "probe_inside", "box"); !slices.Equal(p.open, []string{"plug", "box"}) {
		t.Errorf("open %v", p.open)
	}
	// A plug parted anew spares what was seen with it parted.
	p.open = []string{"box"}
	if p = step(p, "soft_ride", "plug"); !slices.Equal(taken(p), []string{"meter_two", "look_inside", "unrelated", "probe_inside", "soft_ride"}) {
		t.Errorf("evidence %v", taken(p))
	}
}

func TestTreeBoundsItsWork(t *testing.T) {
	t.Parallel()
	spec, eco := synthetic(40, 20, 40)
	m := mustNew(t, spec)
	full := compile(t, m, TreeSpec{Evidence: seen("s003"), Economy: eco, MaxDepth: 5})
	for _, work := range []int{1, full.Work / 3, full.Work / 2} {
		cut := compile(t, m, TreeSpec{Evidence: seen("s003"), Economy: eco, MaxDepth: 5, MaxWork: work})
		sum, leaves := 0.0, 0
		for _, n := range cut.Nodes {
			if len(n.Branches) == 0 {
				sum += n.Reach
				if n.Cut == CutWork {
					leaves += n.Ways
				}
			}
		}
		within(t, "reach", sum, 1, 1e-9)
		if !cut.Cut || cut.Work > work || leaves == 0 {
			t.Errorf("limit %d: work %d, cut %t, %d places left", work, cut.Work, cut.Cut, leaves)
		}
	}
	stop := errors.New("enough")
	asked := 0
	_, err := m.CompileTree(TreeSpec{Evidence: seen("s003"), Economy: eco, Interrupted: func() error {
		if asked++; asked > 3 {
			return stop
		}
		return nil
	}})
	if !errors.Is(err, stop) || asked != 4 {
		t.Errorf("interrupted after %d: %v", asked, err)
	}
}

func TestTreeRefuses(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	for name, tc := range map[string]struct {
		spec  TreeSpec
		field string
	}{
		"depth below":       {TreeSpec{Economy: eco, MaxDepth: -1}, "depth"},
		"depth above":       {TreeSpec{Economy: eco, MaxDepth: 100}, "depth"},
		"work":              {TreeSpec{Economy: eco, MaxWork: -1}, "work"},
		"reach":             {TreeSpec{Economy: eco, MinReach: 2}, "min_reach"},
		"outcome":           {TreeSpec{Economy: eco, MinOutcome: math.NaN()}, "min_outcome"},
		"unknown gate":      {TreeSpec{Economy: eco, Gates: []TreeGate{{Finding: "x"}}}, "gates[0].finding"},
		"level of a gate":   {TreeSpec{Economy: eco, Gates: []TreeGate{{Finding: "meter", Stop: []int{2}}}}, "gates[0].stop"},
		"unknown overtaken": {TreeSpec{Economy: eco, Openings: []TreeOpening{{ID: "box", Overtakes: []string{"x"}}}}, "openings[0].overtakes"},
		"no economy":        {TreeSpec{}, "economy"},
		"unknown finding":   {TreeSpec{Evidence: seen("x"), Economy: eco}, "observations[0].finding"},
	} {
		_, err := m.CompileTree(tc.spec)
		pe := problem.As(err)
		if pe == nil || len(pe.Fields) == 0 || pe.Fields[0].Field != tc.field {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// On models drawn at random, floors of 0 included, compiling never fails where
// the policy itself gives an advice at the root, and the ways stay a distribution.
func TestTreeOnRandomModels(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		spec, eco := randomShop(rt)
		m, err := New(spec)
		if err != nil {
			rt.Fatal(err)
		}
		ev := []Observation{{Finding: "f0", Level: rapid.IntRange(0, 1).Draw(rt, "seen")}}
		if _, err := m.Advise(ev, eco, State{}); err != nil {
			return
		}
		tree, err := m.CompileTree(TreeSpec{Evidence: ev, Economy: eco, MaxDepth: rapid.IntRange(1, 5).Draw(rt, "depth"), MinReach: 1e-4})
		if err != nil {
			rt.Fatal(err)
		}
		sum := 0.0
		for _, n := range tree.Nodes {
			if len(n.Branches) == 0 {
				sum += n.Reach
			}
			if math.IsNaN(n.Cost) || n.Cost < 0 || n.Minutes < 0 {
				rt.Fatalf("node %+v", n)
			}
		}
		if math.Abs(sum-1) > 1e-9 {
			rt.Fatalf("leaves sum to %v", sum)
		}
	})
}

// randomShop draws up to five causes and six findings of two or three levels,
// with links and leaks that may be 0 or 1.
func randomShop(rt *rapid.T) (Spec, *Economy) {
	p := func(label string) float64 {
		return rapid.SampledFrom([]float64{0, 0.001, 0.02, 0.2, 0.5, 0.8, 0.95, 1}).Draw(rt, label)
	}
	spec := Spec{Unmodelled: rapid.SampledFrom([]float64{0, 0.02}).Draw(rt, "unmodelled")}
	eco := &Economy{LabourPerMinute: 1, EscalateCost: 300, RiskCost: [5]float64{0, 1, 2, 8, 50}, Openings: []Opening{{ID: "lid", OpenMinutes: 5, CloseMinutes: 5}}}
	n := rapid.IntRange(1, 5).Draw(rt, "causes")
	for i := range n {
		id := fmt.Sprintf("c%d", i)
		spec.Causes = append(spec.Causes, Cause{id, rapid.SampledFrom([]float64{0.001, 0.02, 0.1}).Draw(rt, "prior")})
		eco.Repairs = append(eco.Repairs, RepairCost{Cause: id, Minutes: float64(rapid.IntRange(5, 60).Draw(rt, "minutes")), MissCost: 300})
	}
	for j := range rapid.IntRange(2, 6).Draw(rt, "findings") {
		id := fmt.Sprintf("f%d", j)
		levels := rapid.IntRange(2, 3).Draw(rt, "levels")
		row := func(abnormal float64) []float64 {
			q := make([]float64, levels)
			q[0] = 1 - abnormal
			for x := 1; x < levels; x++ {
				q[x] = abnormal / float64(levels-1)
			}
			return q
		}
		spec.Findings = append(spec.Findings, Finding{ID: id, Levels: []string{"0", "1", "2"}[:levels], Leak: row(rapid.SampledFrom([]float64{0, 0.001, 0.02}).Draw(rt, "leak"))})
		for i := range n {
			if rapid.Bool().Draw(rt, "linked") {
				spec.Links = append(spec.Links, Link{spec.Causes[i].ID, id, row(p("link"))})
			}
		}
		if j > 0 {
			eco.Actions = append(eco.Actions, Action{Finding: id, Minutes: float64(rapid.IntRange(0, 5).Draw(rt, "take")), Access: rapid.SampledFrom([]string{"", "lid"}).Draw(rt, "access")})
		}
	}
	return spec, eco
}
