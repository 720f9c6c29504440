package main

import (
	"math"
	"math/rand/v2"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// rootState is one state of all roots of a library together, for the draw and
// for the single-fault baselines. A library without roots has none.
type rootState struct {
	on     []bool    // by root
	p      float64   // by the roots' priors
	causes []float64 // P(cause | state) by cause
	// findings are those that a root of this state shows, with what it shows in
	// the leak.
	findings map[int]findingNumbers
}

// rootNumbers is what one root shows by itself, in the order of the findings.
type rootNumbers struct {
	id        string
	shows     []shown
	exposures []exposure
}

type shown struct {
	finding int
	p       []float64
}

// exposure is a way of use that says something of a root, with how often it is
// told at intake of a board of which the root is true and of which it is not.
type exposure struct {
	id             string
	symptom        int // that it sets, or -1
	ifTrue, ifNone float64
}

// addRoots works out the states of the library's roots. The probabilities of the
// causes are the engine's own, so that a board is drawn from the very model that
// policies may reckon with.
func (n *numbers) addRoots() error {
	if len(n.lib.Roots) == 0 {
		return nil
	}
	spec, err := n.lib.Spec(faultlib.ModelContext{})
	if err != nil {
		return err
	}
	model, err := diagnosis.New(spec)
	if err != nil {
		return err
	}
	for k := range spec.Roots {
		root := rootNumbers{id: spec.Roots[k].ID, exposures: n.exposures(&n.lib.Roots[k])}
		for _, l := range spec.Roots[k].Links {
			root.shows = append(root.shows, shown{n.at[l.Finding], l.P})
		}
		n.roots = append(n.roots, root)
	}
	for mask := range 1 << len(n.roots) {
		st := rootState{p: 1, findings: map[int]findingNumbers{}}
		known := map[string]float64{}
		for k := range spec.Roots {
			on, p := mask>>k&1 == 1, spec.Roots[k].Prior
			known[spec.Roots[k].ID] = 0
			if on {
				known[spec.Roots[k].ID] = 1
				n.roots[k].showIn(n, st.findings)
			} else {
				p = 1 - p
			}
			st.on, st.p = append(st.on, on), st.p*p
		}
		in, err := model.WithPriors(known)
		if err != nil {
			return err
		}
		post, err := in.Infer(nil)
		if err != nil {
			return err
		}
		st.causes = post.Marginals
		n.states = append(n.states, st)
	}
	return nil
}

// showIn puts what a root shows into the leaks.
func (root *rootNumbers) showIn(n *numbers, findings map[int]findingNumbers) {
	for _, s := range root.shows {
		f, ok := findings[s.finding]
		if !ok {
			f = n.findings[s.finding]
		}
		f.leak = diagnosis.LargerOf(f.leak, s.p)
		findings[s.finding] = f
	}
}

// exposures says how often each exposure of a root is told. The library says how
// probable a root is where an exposure applies, not how often it does; here it
// is half as often as the two priors allow, and with several exposures a board
// has one of them at most. By Bayes' rule the root then has the library's
// probability where it is told.
func (n *numbers) exposures(r *faultlib.Root) []exposure {
	var out []exposure
	share := 0.5 / float64(max(1, len(r.Exposures)))
	for _, x := range faultlib.Exposures() {
		q, ok := r.Exposures[x.ID]
		if !ok || r.Prior <= 0 || r.Prior >= 1 {
			continue
		}
		e := exposure{id: x.ID, symptom: -1}
		often := share * math.Min(r.Prior/math.Max(q, 1e-9), (1-r.Prior)/math.Max(1-q, 1e-9))
		e.ifTrue, e.ifNone = often*q/r.Prior, often*(1-q)/(1-r.Prior)
		if at, ok := n.at[faultlib.SymptomFinding(x.Symptom)]; ok {
			e.symptom = at
		}
		out = append(out, e)
	}
	return out
}

// drawState draws the state of the roots and, unless they are given, the faults
// in it: each cause by its probability in that state, until as many are there as
// were asked for. That is the model's own distribution where the number of faults
// is known; where it is free, any number but none will do.
func (n *numbers) drawState(r *rand.Rand, given []int) (*rootState, []int) {
	if n.free && given == nil {
		return n.drawFree(r, 0)
	}
	if len(n.states) == 0 {
		if given == nil {
			given = n.drawFaults(r)
		}
		return nil, given
	}
	if given != nil {
		return n.pick(r, given), given
	}
	return n.drawFree(r, drawCount(r))
}

// drawFree draws from the model until there are count faults, any number with 0.
func (n *numbers) drawFree(r *rand.Rand, count int) (*rootState, []int) {
	for {
		var st *rootState
		causes := n.causes
		if len(n.states) > 0 {
			st = n.pick(r, nil)
			causes = st.causes
		}
		var faults []int
		for i, p := range causes {
			if r.Float64() < p {
				faults = append(faults, i)
			}
		}
		if len(faults) > 0 && (count == 0 || len(faults) == count) {
			return st, faults
		}
	}
}

// pick draws a state, given causes that are there.
func (n *numbers) pick(r *rand.Rand, there []int) *rootState {
	weights, sum := make([]float64, len(n.states)), 0.0
	for s := range n.states {
		weights[s] = n.states[s].p
		for _, i := range there {
			weights[s] *= n.states[s].causes[i]
		}
		sum += weights[s]
	}
	u := r.Float64() * sum
	for s, p := range weights {
		if u -= p; u < 0 {
			return &n.states[s]
		}
	}
	return &n.states[len(n.states)-1]
}

// drawRoots draws what the roots that are true show, and what is told of the
// board's use.
func (b *board) drawRoots(n *numbers, r *rand.Rand, st *rootState) {
	if st == nil {
		return
	}
	b.shown = make([]int, len(n.findings))
	for k := range n.roots {
		root := &n.roots[k]
		if st.on[k] {
			b.roots = append(b.roots, root.id)
			for _, s := range root.shows {
				b.shown[s.finding] = max(b.shown[s.finding], sample(s.p, r.Float64()))
			}
		}
		u := r.Float64()
		for _, e := range root.exposures {
			often := e.ifNone
			if st.on[k] {
				often = e.ifTrue
			}
			if u -= often; u >= 0 {
				continue
			}
			b.exposures = append(b.exposures, e.id)
			if e.symptom >= 0 {
				b.shown[e.symptom] = max(1, b.shown[e.symptom])
			}
			break
		}
	}
}

// statesFor are the weights (ln) of the believed roots' states with what is told
// of a board's use, nil without roots.
func (n *numbers) statesFor(exposures []string) []float64 {
	told := n.lib.RootPriors(exposures)
	var out []float64
	for s := range n.states {
		w := 1.0
		for k := range n.roots {
			p, ok := told[n.roots[k].id]
			if !ok {
				p = n.lib.Roots[k].Prior
			}
			if !n.states[s].on[k] {
				p = 1 - p
			}
			w *= p
		}
		out = append(out, math.Log(w))
	}
	return out
}

// alone is ln P(only this cause, the evidence) but for a constant; the unmodelled
// cause is the last.
func (j *job) alone(i int) float64 {
	n := j.w.believed
	if len(n.states) == 0 {
		return j.aloneIn(i, n.causes, nil)
	}
	logs := make([]float64, len(n.states))
	for s := range n.states {
		st := &n.states[s]
		logs[s] = j.states[s] + j.aloneIn(i, st.causes, st.findings)
		for k, p := range st.causes {
			if !j.tried[n.ids[k]] {
				logs[s] += math.Log1p(-p)
			}
		}
	}
	top := slices.Max(logs)
	if math.IsInf(top, -1) {
		return top
	}
	sum := 0.0
	for _, v := range logs {
		sum += math.Exp(v - top)
	}
	return top + math.Log(sum)
}

// aloneIn is alone with these probabilities of the causes and, where a root shows
// them, these findings.
func (j *job) aloneIn(i int, causes []float64, shown map[int]findingNumbers) float64 {
	n := j.w.believed
	p := n.lib.Meta.UnmodelledPrior
	if i < len(causes) {
		p = causes[i]
	}
	sum := math.Log(p / (1 - p))
	for _, o := range j.ev {
		at := n.at[o.Finding]
		f := &n.findings[at]
		if in, ok := shown[at]; ok {
			f = &in
		}
		j.row = f.alone(i, len(causes), j.row)
		sum += math.Log(j.row[o.Level])
	}
	return sum
}
