package main

import (
	"math"
	"math/rand/v2"

	"nextprobe/internal/faultlib"
)

// numbers are the library's model in tables: what the boards are drawn from and
// what the single-fault baselines reckon with.
type numbers struct {
	lib      *faultlib.Library
	causes   []float64 // prior by cause
	ids      []string  // by cause
	findings []findingNumbers
	at       map[string]int // finding id to place
	free     bool           // boards have as many faults as the model gives them
	roots    []rootNumbers
	states   []rootState
}

type findingNumbers struct {
	id      string
	symptom bool
	group   string // of a symptom
	leak    []float64
	links   map[int][]float64 // by cause
	other   []float64         // the unmodelled cause's link
}

func newNumbers(lib *faultlib.Library) *numbers {
	n := &numbers{lib: lib, at: map[string]int{}}
	place := map[string]int{}
	for i := range lib.Causes {
		c := &lib.Causes[i]
		n.causes = append(n.causes, c.PriorPer1000/1000)
		n.ids = append(n.ids, c.ID)
		place[c.ID] = i
	}
	floor := func(p []float64) []float64 {
		for k := range p {
			p[k] = (1-lib.Meta.Floor)*p[k] + lib.Meta.Floor/float64(len(p))
		}
		return p
	}
	spread := func(levels int, abnormal float64) []float64 {
		p := make([]float64, levels)
		p[0] = 1 - abnormal
		for x := 1; x < levels; x++ {
			p[x] = abnormal / float64(levels-1)
		}
		return floor(p)
	}
	strength := lib.Meta.UnmodelledStrength
	for i := range lib.Symptoms {
		s := &lib.Symptoms[i]
		n.add(findingNumbers{id: faultlib.SymptomFinding(s.ID), symptom: true, group: s.Group, leak: spread(2, s.Leak), other: spread(2, strength)})
	}
	for i := range lib.Measurements {
		m := &lib.Measurements[i]
		n.add(findingNumbers{id: faultlib.MeasurementFinding(m.ID), leak: spread(m.Levels, m.Leak), other: spread(m.Levels, strength)})
	}
	for i := range lib.Links {
		l := &lib.Links[i]
		for id, p := range l.Symptoms {
			n.findings[n.at[faultlib.SymptomFinding(id)]].links[place[l.Cause]] = floor([]float64{1 - p, p})
		}
		for id, outcomes := range l.Outcomes {
			m := lib.Measurement(id)
			p, sum := make([]float64, m.Levels), 0.0
			for k, o := range m.Outcomes {
				if x := m.LevelOf[k]; x > 0 {
					p[x] = outcomes[o.ID]
					sum += p[x]
				}
			}
			p[0] = math.Max(0, 1-sum)
			n.findings[n.at[faultlib.MeasurementFinding(id)]].links[place[l.Cause]] = floor(p)
		}
	}
	return n
}

func (n *numbers) add(f findingNumbers) {
	f.links = map[int][]float64{}
	n.at[f.id] = len(n.findings)
	n.findings = append(n.findings, f)
}

// alone is the distribution of a finding where one cause alone is present, leak
// included (leaky noisy-MAX); cause len(causes) is the unmodelled one.
func (f *findingNumbers) alone(cause, causes int, into []float64) []float64 {
	link := f.links[cause]
	if cause == causes {
		link = f.other
	}
	into = append(into[:0], f.leak...)
	if link == nil {
		return into
	}
	leak, own, before := 0.0, 0.0, 0.0
	for x := range into {
		leak += f.leak[x]
		own += link[x]
		into[x] = leak*own - before
		before = leak * own
	}
	return into
}

func sample(p []float64, u float64) int {
	for x, v := range p {
		if u -= v; u < 0 {
			return x
		}
	}
	return len(p) - 1
}

// wrongBy is the factor (one standard deviation) by which the engine's numbers
// are off in the perturbed run.
const wrongBy = 1.5

// perturb multiplies every prior, link, leak and number of a root of a library
// that nobody else uses by a log-normal factor; a row that would sum above 0.99
// is scaled back.
func perturb(lib *faultlib.Library, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))
	off := func() float64 { return math.Exp(math.Log(wrongBy) * r.NormFloat64()) }
	defer perturbRoots(lib, off) // Last, so that the rest is off as it would be without roots.
	for i := range lib.Causes {
		c := &lib.Causes[i]
		c.PriorPer1000 = math.Min(500, c.PriorPer1000*off())
	}
	for i := range lib.Symptoms {
		lib.Symptoms[i].Leak = math.Min(0.5, lib.Symptoms[i].Leak*off())
	}
	for i := range lib.Measurements {
		lib.Measurements[i].Leak = math.Min(0.5, lib.Measurements[i].Leak*off())
	}
	for i := range lib.Links {
		l := &lib.Links[i]
		for _, s := range sortedKeys(l.Symptoms) {
			l.Symptoms[s] = math.Min(0.99, l.Symptoms[s]*off())
		}
		for _, m := range sortedKeys(l.Outcomes) {
			row, sum := l.Outcomes[m], 0.0
			for _, o := range sortedKeys(row) {
				row[o] *= off()
				sum += row[o]
			}
			if sum > 0.99 {
				for o := range row {
					row[o] *= 0.99 / sum
				}
			}
		}
	}
}

func perturbRoots(lib *faultlib.Library, off func() float64) {
	for i := range lib.Roots {
		r := &lib.Roots[i]
		r.Prior = math.Min(0.5, r.Prior*off())
		for _, s := range sortedKeys(r.Symptoms) {
			r.Symptoms[s] = math.Min(0.99, r.Symptoms[s]*off())
		}
		for _, x := range sortedKeys(r.Exposures) {
			r.Exposures[x] = math.Min(0.99, r.Exposures[x]*off())
		}
		for _, c := range sortedKeys(r.Raises) {
			r.Raises[c] *= off()
		}
	}
}
