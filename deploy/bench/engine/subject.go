package main

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// shippedSubject draws boards with three faults and what these make abnormal.
func shippedSubject(lib *faultlib.Library) (*subject, error) {
	model, err := lib.Model(faultlib.ModelContext{})
	if err != nil {
		return nil, err
	}
	s := &subject{model: model, eco: lib.Economy(faultlib.EconomyContext{LabourPerHour: 6000})}
	s.evidence = func(k, n int) []diagnosis.Observation {
		r := rand.New(rand.NewPCG(uint64(k), uint64(n))) //nolint:gosec // A fixed seed, not a secret.
		for {
			ev := drawBoard(lib, r)
			if len(ev) < k {
				continue
			}
			r.Shuffle(len(ev), func(a, b int) { ev[a], ev[b] = ev[b], ev[a] })
			ev = ev[:k]
			return append(ev, normals(lib, r, ev)...)
		}
	}
	return s, nil
}

// drawBoard is everything abnormal on a board with three faults.
func drawBoard(lib *faultlib.Library, r *rand.Rand) []diagnosis.Observation {
	var ev []diagnosis.Observation
	seen := map[string]bool{}
	add := func(o diagnosis.Observation, err error) {
		if err == nil && !seen[o.Finding] && o.Level > 0 {
			seen[o.Finding] = true
			ev = append(ev, o)
		}
	}
	for range 3 {
		l := &lib.Links[r.IntN(len(lib.Links))]
		for _, id := range slices.Sorted(maps.Keys(l.Symptoms)) {
			if r.Float64() < l.Symptoms[id] {
				add(lib.ObserveSymptom(id, true))
			}
		}
		for _, id := range slices.Sorted(maps.Keys(l.Outcomes)) {
			u := r.Float64()
			for _, outcome := range slices.Sorted(maps.Keys(l.Outcomes[id])) {
				if u -= l.Outcomes[id][outcome]; u < 0 {
					add(lib.ObserveOutcome(id, outcome))
					break
				}
			}
		}
	}
	return ev
}

// normals are as many symptoms that are absent.
func normals(lib *faultlib.Library, r *rand.Rand, ev []diagnosis.Observation) []diagnosis.Observation {
	var out []diagnosis.Observation
	for _, i := range r.Perm(len(lib.Symptoms)) {
		o, err := lib.ObserveSymptom(lib.Symptoms[i].ID, false)
		if err == nil && len(out) < len(ev) && !slices.ContainsFunc(ev, func(x diagnosis.Observation) bool { return x.Finding == o.Finding }) {
			out = append(out, o)
		}
	}
	return out
}

// syntheticSubject is an invented library: each cause is linked to three
// symptoms and six measurements, nine in ten of them to the first measurement
// too, which is always among the abnormal, so that all are one block.
func syntheticSubject(causes, symptoms, measurements int) (*subject, error) {
	r := rand.New(rand.NewPCG(1, 2)) //nolint:gosec // A fixed seed, not a secret.
	m := &maker{r: r, eco: &diagnosis.Economy{LabourPerMinute: 1, RiskCost: [5]float64{0, 1, 2, 8, 50}, Openings: []diagnosis.Opening{
		{ID: "plug", OpenMinutes: 5, CloseMinutes: 4, Hazard: 2},
		{ID: "box_a", OpenMinutes: 15, CloseMinutes: 22, Requires: []string{"plug"}, Hazard: 2, Reseal: true, ResealMinutes: 10},
		{ID: "box_b", OpenMinutes: 18, CloseMinutes: 28, Requires: []string{"plug"}, Hazard: 3, Reseal: true, ResealMinutes: 10},
		{ID: "inner", OpenMinutes: 4, CloseMinutes: 3, Requires: []string{"box_a"}, Hazard: 3, Reseal: true, ResealMinutes: 10},
	}}}
	m.spec.Unmodelled = 0.02
	for i := range causes {
		id := fmt.Sprintf("c%03d", i)
		m.spec.Causes = append(m.spec.Causes, diagnosis.Cause{ID: id, Prior: 0.002 + 0.03*r.Float64()*r.Float64()})
		m.eco.Repairs = append(m.eco.Repairs, diagnosis.RepairCost{Cause: id, Minutes: float64(10 + r.IntN(90)), Parts: float64(r.IntN(60)), MissCost: float64(150 + 50*r.IntN(4)), VerifyCost: 5})
	}
	for j := range symptoms {
		m.finding(fmt.Sprintf("s%03d", j), 2)
	}
	access := []string{"", "", "plug", "box_a", "box_a", "box_b", "inner"}
	for j := range measurements {
		id := fmt.Sprintf("m%03d", j)
		m.finding(id, 2+r.IntN(3))
		m.eco.Actions = append(m.eco.Actions, diagnosis.Action{Finding: id, Minutes: float64(1 + r.IntN(8)), Access: access[r.IntN(len(access))], Hazard: r.IntN(3)})
	}
	for i := range causes {
		m.link(i, i%10 > 0, symptoms, measurements)
	}
	model, err := diagnosis.New(m.spec)
	if err != nil {
		return nil, err
	}
	return &subject{model: model, eco: m.eco, evidence: func(k, n int) []diagnosis.Observation { return m.evidence(k, n, symptoms) }}, nil
}

type maker struct {
	r    *rand.Rand
	spec diagnosis.Spec
	eco  *diagnosis.Economy
}

// floored mixes a distribution with the uniform one.
func floored(p []float64) []float64 {
	const eps = 1e-3
	for k := range p {
		p[k] = (1-eps)*p[k] + eps/float64(len(p))
	}
	return p
}

func spread(levels int, abnormal float64) []float64 {
	p := make([]float64, levels)
	p[0] = 1 - abnormal
	for k := 1; k < levels; k++ {
		p[k] = abnormal / float64(levels-1)
	}
	return floored(p)
}

func (m *maker) finding(id string, levels int) {
	f := diagnosis.Finding{ID: id, Leak: spread(levels, 0.01+0.02*m.r.Float64())}
	for x := range levels {
		f.Levels = append(f.Levels, fmt.Sprint(x))
	}
	m.spec.Findings = append(m.spec.Findings, f)
	m.spec.UnmodelledLinks = append(m.spec.UnmodelledLinks, diagnosis.Link{Cause: diagnosis.UnmodelledID, Finding: id, P: spread(levels, 0.2)})
}

func (m *maker) link(cause int, first bool, symptoms, measurements int) {
	seen := map[int]bool{}
	add := func(j int) {
		if seen[j] {
			return
		}
		seen[j] = true
		f := m.spec.Findings[j]
		p, rest := make([]float64, len(f.Levels)), 1.0
		for k := len(p) - 1; k > 0; k-- {
			p[k] = rest * m.r.Float64()
			rest -= p[k]
		}
		p[0] = rest
		m.spec.Links = append(m.spec.Links, diagnosis.Link{Cause: m.spec.Causes[cause].ID, Finding: f.ID, P: floored(p)})
	}
	for range 3 {
		add(m.r.IntN(symptoms))
	}
	for range 6 {
		add(symptoms + m.r.IntN(measurements))
	}
	if first {
		add(symptoms)
	}
}

// evidence is the first measurement and k−1 symptoms abnormal, k others normal.
func (m *maker) evidence(k, n, symptoms int) []diagnosis.Observation {
	order := rand.New(rand.NewPCG(uint64(k), uint64(n))).Perm(symptoms) //nolint:gosec // A fixed seed, not a secret.
	ev := []diagnosis.Observation{{Finding: "m000", Level: 1}}
	for place, j := range order {
		if place < k-1 {
			ev = append(ev, diagnosis.Observation{Finding: m.spec.Findings[j].ID, Level: 1})
		} else if place < 2*k-1 {
			ev = append(ev, diagnosis.Observation{Finding: m.spec.Findings[j].ID})
		}
	}
	return ev
}
