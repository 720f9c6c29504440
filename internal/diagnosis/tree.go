package diagnosis

import (
	"container/heap"
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/problem"
)

// reading is an observation with what was open when it was taken, what of that
// stayed open since, and how often it was taken since the last event that
// overtook it (0 for what the job began with).
type reading struct {
	Observation
	open, held []string
	times      int
}

// place is a node of the unmerged tree.
type place struct {
	node   TreeNode
	ev     []reading
	open   []string
	depth  int
	reach  float64
	serial int       // order of making, which breaks ties
	levels []float64 // outcomes of the measurement
	stops  []int
	twigs  []twig
	class  int // of the merged node
}

type twig struct {
	levels []int
	p      float64
	to     *place
}

// grower carries one compilation.
type grower struct {
	m       *Model
	spec    TreeSpec
	effects map[string]*TreeOpening
	queue   frontier
	places  int
	depth   int
	work    int
	cut     bool
}

// CompileTree compiles the policy from the evidence on. Places are worked out in
// the order of their reach, so that what MaxWork cuts off is what is met least.
// The same spec gives the same tree.
//
// Errors: as AdviseBy for evidence, economy and state; invalid for numbers out
// of range and for gates or openings with unknown ids; that of Interrupted.
func (m *Model) CompileTree(spec TreeSpec) (*Tree, error) {
	g := &grower{m: m, spec: spec, effects: make(map[string]*TreeOpening)}
	if err := g.check(); err != nil {
		return nil, err
	}
	root := &place{open: slices.Clone(spec.State.Open), reach: 1}
	for _, o := range spec.Evidence {
		r := reading{Observation: o, open: root.open, held: root.open}
		if slices.Contains(spec.State.Once, o.Finding) {
			r.times = 1
		}
		root.ev = append(root.ev, r)
	}
	live, err := g.settle(root)
	if err != nil {
		return nil, err
	}
	for len(g.queue) > 0 {
		if err := g.branch(heap.Pop(&g.queue).(*place)); err != nil {
			return nil, err
		}
	}
	rollBack(root)
	t := merge(root)
	t.Places, t.Depth, t.Work, t.Cut, t.Live = g.places, g.depth, g.work, g.cut, live
	return t, nil
}

func (g *grower) check() error {
	var c checker
	s := &g.spec
	fill(&s.MaxDepth, DefaultTreeDepth)
	fill(&s.MaxWork, DefaultTreeWork)
	fill(&s.MinReach, DefaultMinReach)
	fill(&s.MinOutcome, DefaultMinOutcome)
	if s.MaxDepth < 1 || s.MaxDepth > MaxTreeDepth {
		c.failf("depth", "%d; give 1 to %d measurements", s.MaxDepth, MaxTreeDepth)
	}
	if s.MaxWork < 1 {
		c.failf("work", "%d; give a positive number of inferences", s.MaxWork)
	}
	c.probability("min_reach", s.MinReach)
	c.probability("min_outcome", s.MinOutcome)
	for k, gate := range s.Gates {
		field := fmt.Sprintf("gates[%d]", k)
		j, ok := g.m.findingIndex[gate.Finding]
		if !ok {
			c.failf(field+".finding", "no finding %q in this model", gate.Finding)
			continue
		}
		for _, x := range gate.Stop {
			if n := len(g.m.findings[j].Levels); x < 0 || x >= n {
				c.failf(field+".stop", "level %d of finding %q; it has levels 0 to %d", x, gate.Finding, n-1)
			}
		}
	}
	for k := range s.Openings {
		o := &s.Openings[k]
		g.effects[o.ID] = o
		for _, id := range o.Overtakes {
			if _, ok := g.m.findingIndex[id]; !ok {
				c.failf(fmt.Sprintf("openings[%d].overtakes", k), "no finding %q in this model", id)
			}
		}
	}
	return problem.InFields(c.fields)
}

func fill[T int | float64](v *T, standard T) {
	if *v == 0 {
		*v = standard
	}
}

// settle asks the policy what to do at a place and makes it that node. It
// returns the money that the policy itself expects from there.
func (g *grower) settle(p *place) (float64, error) {
	if g.spec.Interrupted != nil {
		if err := g.spec.Interrupted(); err != nil {
			return 0, err
		}
	}
	g.places++
	p.serial = g.places
	ev := observationsAt(p)
	g.work += effort(ev)
	st := g.stateAt(p)
	adv, err := g.m.AdviseBy(ev, g.spec.Economy, st, g.spec.Policy)
	if err != nil {
		return 0, err
	}
	p.node.Kind, p.node.Cost = adv.Kind, adv.ExpectedCost
	finding := adv.Finding
	if gate := g.gateDue(p, adv); gate != nil {
		p.node.Kind, p.node.Gate = AdviseMeasure, true
		finding, p.stops = gate.Finding, gate.Stop
	}
	next := adv.Candidate(finding)
	switch {
	case p.node.Kind == AdviseRepair:
		return adv.ExpectedCost, g.repairAt(p, adv, st)
	case p.node.Kind == AdviseEscalate:
		p.node.Reason = adv.Reason.Code
	case p.node.Kind != AdviseMeasure:
	case p.depth >= g.spec.MaxDepth:
		p.node.Kind, p.node.Cut = TreeContinue, CutDepth
	case p.reach < g.spec.MinReach:
		p.node.Kind, p.node.Cut = TreeContinue, CutReach
	default:
		g.measureAt(p, next)
		if code := adv.Reason.Code; !p.node.Gate && (code == ReasonInterlock || code == ReasonTakeAgain) {
			p.node.Reason = code
		}
	}
	return adv.ExpectedCost, nil
}

// effort is the work of one inference, see freeFindings. Findings in excess of
// what MaxStates holds are dropped by the inference and cost no more.
func effort(ev []Observation) int {
	abnormal := 0
	for _, o := range ev {
		if o.Level > 0 || o.Likelihood != nil {
			abnormal++
		}
	}
	return 1 << max(0, min(abnormal, 16)-freeFindings)
}

// gateDue is the first gate that is neither among the evidence nor impossible to
// measure.
func (g *grower) gateDue(p *place, adv *Advice) *TreeGate {
	for k := range g.spec.Gates {
		gate := &g.spec.Gates[k]
		taken := slices.ContainsFunc(p.ev, func(r reading) bool { return r.Finding == gate.Finding })
		if !taken && candidateOf(adv, gate.Finding) != nil {
			return gate
		}
	}
	return nil
}

// candidateOf is a measurement that was not taken yet; nil where there is no such.
func candidateOf(adv *Advice, finding string) *Candidate {
	i := slices.IndexFunc(adv.Candidates, func(c Candidate) bool { return c.Finding == finding })
	if i < 0 {
		return nil
	}
	return &adv.Candidates[i]
}

// measureAt makes a place a measurement and puts it in the queue.
func (g *grower) measureAt(p *place, c *Candidate) {
	p.node.Finding = c.Finding
	p.node.Access, p.node.Hazard = slices.Clone(c.Access), c.Hazard
	p.node.StepCost, p.node.StepMinutes = c.Cost, c.Minutes
	p.node.Close = g.toClose(p.open, c.Access)
	p.levels = c.Outcomes
	heap.Push(&g.queue, p)
}

// repairAt fills in what the repair needs.
func (g *grower) repairAt(p *place, adv *Advice, st State) error {
	l, err := g.m.newLedger(g.spec.Economy, st)
	if err != nil {
		return err
	}
	i := g.m.causeIndex[adv.Cause]
	p.node.Cause, p.node.Probability = adv.Cause, adv.Posterior.Marginals[i]
	p.node.Access = slices.Clone(l.needs[i])
	p.node.Close = g.toClose(p.open, l.needs[i])
	minutes, hazard := l.reach(l.needs[i])
	p.node.Hazard, p.node.StepCost = hazard, l.wrong[i]
	for _, r := range g.spec.Economy.Repairs {
		if r.Cause == adv.Cause {
			p.node.StepMinutes = r.Minutes + minutes
			if rate := g.spec.Economy.LabourPerMinute; rate > 0 {
				p.node.StepMinutes += r.VerifyCost / rate
			}
		}
	}
	p.node.Minutes = p.node.StepMinutes
	return nil
}

// branch gives a measurement its outcomes.
func (g *grower) branch(p *place) error {
	sum := 0.0
	price := 0
	for x, v := range p.levels {
		sum += v
		if v > 0 && !slices.Contains(p.stops, x) && !g.useless(p, x) {
			price += effort(append(observationsAt(p), Observation{Level: x}))
		}
	}
	if g.cut = g.cut || g.work+price > g.spec.MaxWork; g.cut || !(sum > 0) {
		p.node.Kind, p.node.Cut, p.node.Finding, p.node.Gate, p.node.Reason = TreeContinue, CutWork, "", false, ""
		p.node.Access, p.node.Close, p.node.Hazard, p.node.StepCost, p.node.StepMinutes = nil, nil, 0, 0, 0
		return nil
	}
	g.depth = max(g.depth, p.depth+1)
	thin := twig{to: &place{node: TreeNode{Kind: TreeContinue, Cut: CutThin}}}
	for x := len(p.levels) - 1; x >= 0; x-- {
		share := p.levels[x] / sum
		stop := slices.Contains(p.stops, x)
		if share == 0 && !stop {
			continue
		}
		to := &place{depth: p.depth + 1, reach: p.reach * share}
		// However rare, a stop and a result of no use are never gathered with others.
		if stop || g.useless(p, x) {
			g.endAt(to, p, stop)
			p.twigs = append(p.twigs, twig{[]int{x}, share, to})
			continue
		}
		g.take(p, to, x)
		if share >= g.spec.MinOutcome {
			if _, err := g.settle(to); err != nil {
				return err
			}
			p.twigs = append(p.twigs, twig{[]int{x}, share, to})
			continue
		}
		cost, err := g.expected(to, p.node.Cost)
		if err != nil {
			return err
		}
		thin.to.node.Cost += share * cost
		thin.p += share
		thin.levels = append(thin.levels, x)
	}
	if len(thin.levels) > 0 {
		g.places++
		thin.to.serial, thin.to.depth, thin.to.reach = g.places, p.depth+1, p.reach*thin.p
		thin.to.node.Cost /= thin.p
		p.twigs = append(p.twigs, thin)
	}
	return nil
}

func observationsAt(p *place) []Observation {
	out := make([]Observation, 0, len(p.ev)+1)
	for k := range p.ev {
		out = append(out, p.ev[k].Observation)
	}
	return out
}

func (g *grower) useless(p *place, level int) bool {
	return slices.Contains(g.spec.Useless[p.node.Finding], level)
}

// endAt is where a gate ends the work, which hands the board over, or where a
// result was of no use, which leaves everything as it was.
func (g *grower) endAt(to, from *place, stop bool) {
	g.places++
	to.serial = g.places
	if !stop {
		to.node = TreeNode{Kind: TreeContinue, Cut: CutAgain, Cost: from.node.Cost}
		return
	}
	to.node = TreeNode{Kind: TreeStop, Cost: g.spec.Economy.EscalateCost}
	if to.node.Cost == 0 {
		for _, r := range g.spec.Economy.Repairs {
			to.node.Cost = math.Max(to.node.Cost, r.MissCost)
		}
	}
}

// expected is what the policy expects after a thin outcome, without following
// it. One that the rest of the evidence rules out counts as what was expected
// before it.
func (g *grower) expected(to *place, before float64) (float64, error) {
	probe := *to
	probe.reach = 0
	cost, err := g.settle(&probe)
	g.places--
	if problem.Is(err, problem.Conflict) {
		return before, nil
	}
	return cost, err
}

// frontier is the queue of places to work out: the widest reached first.
type frontier []*place

func (f frontier) Len() int { return len(f) }
func (f frontier) Less(a, b int) bool {
	if f[a].reach != f[b].reach {
		return f[a].reach > f[b].reach
	}
	return f[a].serial < f[b].serial
}
func (f frontier) Swap(a, b int) { f[a], f[b] = f[b], f[a] }

// Push and Pop are for container/heap.
func (f *frontier) Push(x any) { *f = append(*f, x.(*place)) }

// Pop takes the last place off.
func (f *frontier) Pop() any {
	old := *f
	last := old[len(old)-1]
	*f = old[:len(old)-1]
	return last
}
