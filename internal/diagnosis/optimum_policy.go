package diagnosis

import (
	"slices"

	"nextprobe/internal/problem"
)

// Standing is what a policy knows when it chooses its next move.
type Standing struct {
	Observations []Observation
	Open         []string // openings
	Repaired     []string // causes, in order; the board was not sound after them
}

// PolicyCost is the exact expected cost of following a policy in the world of
// Optimum: all results are followed, none is drawn. An error of next ends it;
// a move that cannot be made (a measurement taken before, an unknown cause) is
// an error.
func (m *Model) PolicyCost(ev []Observation, eco *Economy, st State, opt PlanOptions, next func(Standing) (Move, error)) (float64, error) {
	w, err := m.newWorld(ev, eco, st, opt)
	if err != nil {
		return 0, err
	}
	f := &pursuer{w: w, next: next, known: map[string]float64{}}
	value, err := f.follow(w.root(), Standing{Observations: slices.Clone(ev), Open: slices.Clone(st.Open)})
	return value / total(w.start), err
}

// pursuer works out what a policy costs.
type pursuer struct {
	w     *world
	next  func(Standing) (Move, error)
	known map[string]float64
}

func (f *pursuer) follow(b *belief, at Standing) (float64, error) {
	mass := total(b.w)
	if mass == 0 {
		return 0, nil
	}
	key := b.key()
	if v, ok := f.known[key]; ok {
		return v, nil
	}
	mv, err := f.next(at)
	if err != nil {
		return 0, err
	}
	value, err := f.take(b, at, mv, mass)
	if err != nil {
		return 0, err
	}
	f.known[key] = value
	return value, nil
}

func (f *pursuer) take(b *belief, at Standing, mv Move, mass float64) (float64, error) {
	w := f.w
	switch mv.Kind {
	case AdviseEscalate:
		return mass * w.l.escalate, nil
	case AdviseHandBack:
		leave := 0.0
		for s, v := range b.w {
			leave += v * w.leave[w.at[w.sets[s]&^b.repaired]]
		}
		return leave, nil
	case AdviseRepair:
		i := w.m.CauseIndex(mv.Cause)
		if i < 0 || b.repaired>>i&1 == 1 {
			return 0, problem.InField("cause", "%q cannot be repaired", mv.Cause)
		}
		at.Open = f.w.opens(at.Open, w.fixes[i].needs)
		at.Repaired = append(slices.Clone(at.Repaired), mv.Cause)
		rest, err := f.follow(w.fixed(b, i), at)
		return mass*w.costOfFix(&w.fixes[i], b) + rest, err
	}
	k := slices.IndexFunc(w.acts, func(a plannedAct) bool { return a.id == mv.Finding })
	if k < 0 || b.seen[k] >= 0 {
		return 0, problem.InField("finding", "%q cannot be measured", mv.Finding)
	}
	spent := mass * w.costOfAct(&w.acts[k], b)
	at.Open = f.w.opens(at.Open, w.acts[k].needs)
	for x := range w.m.findings[w.acts[k].finding].Levels {
		here := at
		here.Observations = append(slices.Clone(at.Observations), Observation{Finding: mv.Finding, Level: x})
		v, err := f.follow(w.after(b, k, x), here)
		if err != nil {
			return 0, err
		}
		spent += v
	}
	return spent, nil
}

func (w *world) opens(open []string, needs uint32) []string {
	out := slices.Clone(open)
	for k, id := range w.open {
		if needs>>k&1 == 1 && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}
