package diagnosis

import (
	"math"
)

// MaxDecibans bounds a weight of evidence: beyond twenty orders of magnitude,
// and where the model makes something impossible, the size says nothing more.
const MaxDecibans = 200

// Weights returns the weight of evidence of each observation for each cause in
// decibans, 10·log10[odds(X_i|E) / odds(X_i|E without j)] (Good 1950), as
// [cause index][observation index]: what taking the observation away would
// change, all others staying. Values are held within ±MaxDecibans; a cause with
// prior 0 or 1 has weight 0. Errors as Infer.
func (m *Model) Weights(ev []Observation) ([][]float64, error) {
	all, rest, err := m.leaveOneOut(ev)
	if err != nil {
		return nil, err
	}
	weights := make([][]float64, len(m.causes))
	flat := make([]float64, len(ev)*len(m.causes))
	for i := range weights {
		weights[i] = flat[i*len(ev) : (i+1)*len(ev) : (i+1)*len(ev)]
		if !active(m.causes[i].Prior) {
			continue
		}
		with := decibans(all.present[i], all.absent[i])
		for j := range ev {
			w := with - decibans(rest[j].present[i], rest[j].absent[i])
			weights[i][j] = math.Max(-MaxDecibans, math.Min(MaxDecibans, w))
		}
	}
	return weights, nil
}

// leaveOneOut solves the evidence whole and without each observation, in the
// order given.
func (m *Model) leaveOneOut(ev []Observation) (all solution, rest []solution, err error) {
	s, err := m.prepare(ev)
	if err != nil {
		return all, nil, err
	}
	if all = s.solve(); math.IsInf(all.logE, -1) {
		return all, nil, m.errImpossible(s.steps)
	}
	at := make([]int, len(m.findings))
	for k := range s.steps {
		at[s.steps[k].finding] = k
	}
	rest = make([]solution, len(ev))
	shared := new(pool)
	for j := range ev {
		shared.reset()
		t := s.without(at[m.findingIndex[ev[j].Finding]])
		t.pool = shared
		rest[j] = t.solve()
	}
	return all, rest, nil
}

// decibans is 10·log10 of the odds, finite for impossible and certain.
func decibans(present, absent float64) float64 {
	const beyond = 2 * MaxDecibans
	return math.Max(-beyond, math.Min(beyond, 10*(math.Log10(present)-math.Log10(absent))))
}

// Conflict returns log2[Π P(e_j) / P(E)] in bits: above 0 the observations
// support each other less than if they had nothing to do with each other, above
// 3 strongly so (Jensen, Chamberlain, Nordahl and Jensen 1991). Errors as Infer.
func (m *Model) Conflict(ev []Observation) (float64, error) {
	s, err := m.prepare(ev)
	if err != nil {
		return 0, err
	}
	if len(ev) == 0 {
		return 0, nil
	}
	logE := s.logEvidence()
	if math.IsInf(logE, -1) {
		return 0, m.errImpossible(s.steps)
	}
	sum := -logE
	for k := range s.steps {
		if !s.isDropped(s.steps[k].finding) {
			sum += m.logAlone(s.steps[k])
		}
	}
	return sum / math.Ln2, nil
}

// Support returns P(e_j | E without j) by observation: how far the others led
// one to expect it. Below 0.01 a reading is worth taking again. For soft
// evidence it is the expected likelihood, the largest value of it taken as 1.
// Errors as Infer.
func (m *Model) Support(ev []Observation) ([]float64, error) {
	all, rest, err := m.leaveOneOut(ev)
	if err != nil {
		return nil, err
	}
	support := make([]float64, len(ev))
	for j, o := range ev {
		scale := 1.0
		if o.Likelihood != nil {
			scale = 0
			for _, v := range o.Likelihood {
				scale = math.Max(scale, v)
			}
		}
		support[j] = math.Min(1, math.Exp(all.logE-rest[j].logE)/scale)
	}
	return support, nil
}
