package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

const (
	smallCauses    = 6      // of a sub-model at most
	smallTests     = 6      // likewise
	smallLink      = 0.1    // least link to the complaint
	smallStates    = 250000 // states that an exact plan visits at most
	smallTolerance = 0.0005 // minutes of labour that a state must be worth to be followed
)

// smallModel is a piece of the library that an exact plan can be made for: a
// complaint, the causes that produce it and some of the measurements that bear
// on them, without the library's roots.
type smallModel struct {
	name string
	m    *diagnosis.Model
	eco  *diagnosis.Economy
	ev   []diagnosis.Observation
	w    *workshop // with the numbers of this piece alone, for the baselines
}

// cut makes a sub-model of a complaint: its most probable causes, and the first,
// once sorted, of the tests linked to some of them but not to all.
func (w *workshop) cut(name string, complaint []string, sort func(tests []string, causes []int)) *smallModel {
	n := w.numbers
	weight := make([]float64, len(n.causes))
	var order []int
	for i, p := range n.causes {
		weight[i] = p
		for _, s := range complaint {
			link := n.findings[n.at[s]].links[i]
			if link == nil {
				weight[i] = 0
				break
			}
			weight[i] *= 1 - link[0]
		}
		if weight[i] >= smallLink*p && weight[i] > 0 {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(weight[b], weight[a]) })
	order = order[:min(len(order), smallCauses)]
	var linked []string
	for _, a := range w.eco.Actions {
		f := &n.findings[n.at[a.Finding]]
		count := 0
		for _, i := range order {
			if f.links[i] != nil {
				count++
			}
		}
		if count > 0 && count < len(order) {
			linked = append(linked, a.Finding)
		}
	}
	sort(linked, order)
	return w.small(name, complaint, order, linked[:min(len(linked), smallTests)])
}

func (w *workshop) small(name string, complaint []string, causes []int, tests []string) *smallModel {
	n := w.numbers
	spec := diagnosis.Spec{Unmodelled: n.lib.Meta.UnmodelledPrior}
	eco := &diagnosis.Economy{LabourPerMinute: w.eco.LabourPerMinute, RiskCost: w.eco.RiskCost, EscalateCost: w.eco.EscalateCost, Openings: w.eco.Openings}
	own := &numbers{lib: n.lib, at: map[string]int{}}
	out := &smallModel{name: name, eco: eco, w: &workshop{numbers: own, believed: own, eco: eco, openings: w.openings, actions: w.actions, repairs: w.repairs}}
	for _, i := range causes {
		own.ids, own.causes = append(own.ids, n.ids[i]), append(own.causes, n.causes[i])
		spec.Causes = append(spec.Causes, diagnosis.Cause{ID: n.ids[i], Prior: n.causes[i]})
		eco.Repairs = append(eco.Repairs, *w.repairs[n.ids[i]])
	}
	for _, id := range append(slices.Clone(complaint), tests...) {
		f := n.findings[n.at[id]]
		if slices.Contains(complaint, id) {
			// As on the boards drawn, the complaint has a cause.
			f.leak = []float64{1, 0}
		}
		d := diagnosis.Finding{ID: id, Leak: f.leak}
		for x := range f.leak {
			d.Levels = append(d.Levels, fmt.Sprint(x))
		}
		spec.Findings = append(spec.Findings, d)
		spec.UnmodelledLinks = append(spec.UnmodelledLinks, diagnosis.Link{Cause: diagnosis.UnmodelledID, Finding: id, P: f.other})
		own.add(f)
		for k, i := range causes {
			if link := f.links[i]; link != nil {
				own.findings[len(own.findings)-1].links[k] = link
				spec.Links = append(spec.Links, diagnosis.Link{Cause: n.ids[i], Finding: id, P: link})
			}
		}
	}
	for _, id := range complaint {
		out.ev = append(out.ev, observation(id, 1))
	}
	for _, id := range tests {
		eco.Actions = append(eco.Actions, *w.actions[id])
	}
	m, err := diagnosis.New(spec)
	if err != nil {
		panic(err) // the numbers are those of a checked library
	}
	out.m = m
	return out
}

// smallModels cuts models of a random complaint each: half of them with tests at
// random, half with those that tell its causes apart best.
func (w *workshop) smallModels(seed uint64, count int) []*smallModel {
	n := w.numbers
	r := rand.New(rand.NewPCG(seed, 0x5ca1ab1e))
	var symptoms []string
	for j := range n.findings {
		f := &n.findings[j]
		if f.symptom && f.group != historyGroup && !n.stops(f.id) {
			symptoms = append(symptoms, f.id)
		}
	}
	var out []*smallModel
	for len(out) < count {
		s := symptoms[r.IntN(len(symptoms))]
		random := len(out)%2 == 0
		sm := w.cut(s, []string{s}, func(list []string, causes []int) {
			r.Shuffle(len(list), func(a, b int) { list[a], list[b] = list[b], list[a] })
			if !random {
				slices.SortStableFunc(list, func(a, b string) int { return cmp.Compare(w.tells(b, causes), w.tells(a, causes)) })
			}
		})
		if len(sm.eco.Repairs) >= 3 && len(sm.eco.Actions) >= 3 {
			out = append(out, sm)
		}
	}
	return out
}

// tells is how far a test tells causes apart: the sum over their pairs of the
// difference in the probability of a normal result, by the less probable cause.
func (w *workshop) tells(test string, causes []int) float64 {
	f, sum := &w.numbers.findings[w.numbers.at[test]], 0.0
	normal := func(i int) float64 {
		if link := f.links[i]; link != nil {
			return link[0]
		}
		return 1
	}
	for k, i := range causes {
		for _, j := range causes[:k] {
			sum += min(w.numbers.causes[i], w.numbers.causes[j]) * math.Abs(normal(i)-normal(j))
		}
	}
	return sum
}

// follow makes a policy of the table one of an exact plan's world.
func (sm *smallModel) follow(p policy) func(diagnosis.Standing) (diagnosis.Move, error) {
	return func(at diagnosis.Standing) (diagnosis.Move, error) {
		j := &job{w: sm.w, p: p, ev: at.Observations, tried: map[string]bool{}, open: at.Open, boxes: map[string]bool{},
			told: func(string, ...any) {}}
		j.result.tests, j.result.repairs = len(at.Observations)-len(sm.ev), len(at.Repaired)
		ruledOut := map[string]float64{}
		for _, id := range at.Repaired {
			ruledOut[id], j.tried[id] = 0, true
		}
		var err error
		if j.model, err = sm.m.WithPriors(ruledOut); err != nil {
			return diagnosis.Move{}, err
		}
		next, err := p.next(j)
		switch {
		case err != nil:
			return diagnosis.Move{}, err
		case next.finding != "":
			return diagnosis.Move{Kind: diagnosis.AdviseMeasure, Finding: next.finding}, nil
		case next.cause != "":
			return diagnosis.Move{Kind: diagnosis.AdviseRepair, Cause: next.cause}, nil
		}
		return diagnosis.Move{Kind: diagnosis.AdviseEscalate}, nil
	}
}

// planned is what each policy costs on one model, relative to the optimum.
type planned struct {
	ratios []float64
	large  bool // more states than are visited
}

func (sm *smallModel) plan(list []policy) (planned, error) {
	opt := diagnosis.PlanOptions{MostFaults: 1, CheckMinutes: checkMinutes, Tolerance: smallTolerance * labourPerHour / 60, MostStates: smallStates}
	best, err := sm.m.Optimum(sm.ev, sm.eco, diagnosis.State{}, opt)
	if pe := problem.As(err); pe != nil && len(pe.Fields) == 0 {
		return planned{large: true}, nil
	} else if err != nil {
		return planned{}, err
	}
	var out planned
	for _, p := range list {
		cost, err := sm.m.PolicyCost(sm.ev, sm.eco, diagnosis.State{}, opt, sm.follow(p))
		if err != nil {
			return planned{}, fmt.Errorf("%s, %s: %w", sm.name, p.name, err)
		}
		out.ratios = append(out.ratios, cost/best.Cost)
	}
	return out, nil
}

func smallPolicies() []policy {
	return []policy{
		{"shipped: expected loss", engine(diagnosis.ByLoss)},
		{"with a second step between the best two boxes", engine(diagnosis.ByTwoSteps)},
		{"other: expected cost of repair", engine(diagnosis.ByRepairCost)},
		{"information per minute, access counted", baseline(byMinutes(true))},
		{"information per minute, access not counted", baseline(byMinutes(false))},
		{"cheapest first", baseline(cheapest)},
	}
}

func (w *workshop) compareSmall(out io.Writer, o options) error {
	list, models := smallPolicies(), w.smallModels(o.seed, o.small)
	results, errs := make([]planned, len(models)), make([]error, len(models))
	onAll(len(models), func(k int) { results[k], errs[k] = models[k].plan(list) })
	if err := errors.Join(errs...); err != nil {
		return err
	}
	large := 0
	ratios := make([][]float64, len(list))
	for _, r := range results {
		if r.large {
			large++
			continue
		}
		for k, v := range r.ratios {
			ratios[k] = append(ratios[k], v)
		}
	}
	fmt.Fprintf(out, "\n%d pieces of the library (a complaint, at most %d causes and %d measurements, one fault), exact expected cost by the optimum; %d more took over %d states.\n\n",
		len(models)-large, smallCauses, smallTests, large, smallStates)
	fmt.Fprintln(out, "| policy | cost by the optimum, mean | worst |")
	fmt.Fprintln(out, "|---|---|---|")
	for k, p := range list {
		if len(ratios[k]) > 0 {
			slices.Sort(ratios[k])
			fmt.Fprintf(out, "| %s | %.3f | %.3f |\n", p.name, mean(ratios[k]), ratios[k][len(ratios[k])-1])
		}
	}
	return nil
}
