package diagnosis

import (
	"cmp"
	"math"
	"slices"

	"nextprobe/internal/problem"
)

const (
	// likelyOutcome is the least probability of an outcome, the fault being known,
	// that a board of UseOf is followed into.
	likelyOutcome = 0.25
	// boardWork bounds the inferences of one board.
	boardWork = 30
	// longWay is the most measurements of one board.
	longWay = 16
)

// UseBoard is a board with one fault and what is said of it at first.
type UseBoard struct {
	Cause    string
	Evidence []Observation
}

// UseSpec says on which boards the use of measurements is counted.
type UseSpec struct {
	Economy  *Economy
	State    State
	Gates    []TreeGate
	Openings []TreeOpening
	Useless  map[string][]int
	Boards   []UseBoard
	// Interrupted is as in TreeSpec.
	Interrupted func() error
}

// Use is how one measurement fared on the boards.
type Use struct {
	Finding string
	// Chosen is on how many boards the policy advised it, gates included.
	Chosen int
	// BestScore is the largest gain over cost it had at any place of any board;
	// what is not above 1 saves less than it costs.
	BestScore float64
}

// Pays reports whether the measurement was ever worth its cost.
func (u Use) Pays() bool { return u.Chosen > 0 || u.BestScore > 1 }

// UseOf works every board off by the policy up to the first repair: at each
// measurement it follows the outcomes that the fault alone makes likely, those of
// probability 0.25 and more or else the likeliest. It returns the use of every
// action of the economy in its order. The work is bounded at 30 inferences a
// board. Errors: as CompileTree; invalid for an unknown cause.
func (m *Model) UseOf(spec UseSpec) ([]Use, error) {
	g := &grower{m: m, effects: make(map[string]*TreeOpening), spec: TreeSpec{Economy: spec.Economy, State: spec.State, Gates: spec.Gates,
		Openings: spec.Openings, Useless: spec.Useless, Interrupted: spec.Interrupted}}
	if err := g.check(); err != nil {
		return nil, err
	}
	if spec.Economy == nil {
		return nil, problem.InField("economy", "no costs given")
	}
	u := &user{g: g, at: make(map[string]int)}
	for k, a := range spec.Economy.Actions {
		u.at[a.Finding] = k
		u.uses = append(u.uses, Use{Finding: a.Finding, BestScore: math.Inf(-1)})
	}
	for _, b := range spec.Boards {
		i := m.CauseIndex(b.Cause)
		if i < 0 {
			return nil, problem.InField("boards", "no cause %q in this model", b.Cause)
		}
		start := &place{open: slices.Clone(spec.State.Open)}
		for _, o := range b.Evidence {
			start.ev = append(start.ev, reading{Observation: o, open: start.open})
		}
		u.cause, u.left, u.chosen = i, boardWork, make([]bool, len(u.uses))
		if err := u.work(start); err != nil {
			return nil, err
		}
		for k, yes := range u.chosen {
			if yes {
				u.uses[k].Chosen++
			}
		}
	}
	for k := range u.uses {
		if math.IsInf(u.uses[k].BestScore, -1) {
			u.uses[k].BestScore = 0
		}
	}
	return u.uses, nil
}

// user carries the count over the boards.
type user struct {
	g      *grower
	uses   []Use
	at     map[string]int
	cause  int
	left   int
	chosen []bool
}

// work follows one board from a place on.
func (u *user) work(p *place) error {
	if u.left == 0 || p.depth > longWay {
		return nil
	}
	u.left--
	if f := u.g.spec.Interrupted; f != nil {
		if err := f(); err != nil {
			return err
		}
	}
	st := u.g.spec.State
	st.Open = p.open
	adv, err := u.g.m.AdviseBy(observationsAt(p), u.g.spec.Economy, st, u.g.spec.Policy)
	if problem.Is(err, problem.Conflict) {
		return nil // The outcomes followed one by one may not go together.
	}
	if err != nil {
		return err
	}
	for _, c := range adv.Candidates {
		use := &u.uses[u.at[c.Finding]]
		use.BestScore = math.Max(use.BestScore, c.Score)
	}
	finding := adv.Finding
	if gate := u.g.gateDue(p, adv); gate != nil {
		finding, p.stops = gate.Finding, gate.Stop
	} else if adv.Kind != AdviseMeasure {
		return nil
	}
	c := candidateOf(adv, finding)
	if c == nil {
		return nil
	}
	u.chosen[u.at[finding]] = true
	p.node.Finding, p.node.Access = finding, c.Access
	for _, x := range u.likely(finding) {
		if slices.Contains(p.stops, x) || u.g.useless(p, x) {
			continue
		}
		to := &place{depth: p.depth + 1}
		u.g.take(p, to, x)
		if err := u.work(to); err != nil {
			return err
		}
	}
	return nil
}

// likely lists the outcomes that the fault alone makes likely, the likeliest first.
func (u *user) likely(finding string) []int {
	j := u.g.m.findingIndex[finding]
	p := slices.Clone(u.g.m.leak[j].cdf)
	for _, l := range u.g.m.byCause[u.cause] {
		if l.finding == j {
			multiply(p, l.cdf)
		}
	}
	for x := len(p) - 1; x > 0; x-- {
		p[x] -= p[x-1]
	}
	order := make([]int, len(p))
	for x := range order {
		order[x] = x
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[b], p[a]) })
	for n, x := range order {
		if n > 0 && p[x] < likelyOutcome {
			return order[:n]
		}
	}
	return order
}
