package diagnosis

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// synthetic is a plainly invented model in the size of a large library: 150
// causes, 60 symptoms, 200 measurements of two to four levels, three symptoms
// and six measurements linked to each cause, the first measurement to nearly
// all. Numbers come from a fixed seed.
func synthetic(causes, symptoms, measurements int) (Spec, *Economy) {
	r := rand.New(rand.NewPCG(1, 2))
	spec := Spec{Unmodelled: 0.02}
	eco := &Economy{LabourPerMinute: 1, RiskCost: [5]float64{0, 1, 2, 8, 50}, Openings: []Opening{
		{ID: "plug", OpenMinutes: 5, CloseMinutes: 4, Hazard: 2},
		{ID: "box_a", OpenMinutes: 15, CloseMinutes: 22, Requires: []string{"plug"}, Hazard: 2, Reseal: true, ResealMinutes: 10},
		{ID: "box_b", OpenMinutes: 18, CloseMinutes: 28, Requires: []string{"plug"}, Hazard: 3, Reseal: true, ResealMinutes: 10},
		{ID: "inner", OpenMinutes: 4, CloseMinutes: 3, Requires: []string{"box_a"}, Hazard: 3, Reseal: true, ResealMinutes: 10},
	}}
	floored := func(p []float64) []float64 {
		const eps = 1e-3
		for k := range p {
			p[k] = (1-eps)*p[k] + eps/float64(len(p))
		}
		return p
	}
	spread := func(levels int, abnormal float64) []float64 {
		p := make([]float64, levels)
		p[0] = 1 - abnormal
		for k := 1; k < levels; k++ {
			p[k] = abnormal / float64(levels-1)
		}
		return floored(p)
	}
	for i := range causes {
		spec.Causes = append(spec.Causes, Cause{ID: fmt.Sprintf("c%03d", i), Prior: 0.002 + 0.03*r.Float64()*r.Float64()})
		eco.Repairs = append(eco.Repairs, RepairCost{Cause: spec.Causes[i].ID, Minutes: float64(10 + r.IntN(90)), Parts: float64(r.IntN(60)), MissCost: float64(150 + 50*r.IntN(4)), VerifyCost: 5})
	}
	access := []string{"", "", "plug", "box_a", "box_a", "box_b", "inner"}
	for j := range symptoms + measurements {
		levels := 2
		id := fmt.Sprintf("s%03d", j)
		if j >= symptoms {
			levels += r.IntN(3)
			id = fmt.Sprintf("m%03d", j-symptoms)
			eco.Actions = append(eco.Actions, Action{Finding: id, Minutes: float64(1 + r.IntN(8)), Access: access[r.IntN(len(access))], Hazard: r.IntN(3)})
		}
		f := Finding{ID: id, Leak: spread(levels, 0.01+0.02*r.Float64())}
		for x := range levels {
			f.Levels = append(f.Levels, fmt.Sprint(x))
		}
		spec.Findings = append(spec.Findings, f)
		spec.UnmodelledLinks = append(spec.UnmodelledLinks, Link{UnmodelledID, id, spread(levels, 0.2)})
	}
	for i := range causes {
		seen := map[int]bool{}
		link := func(j int) {
			if seen[j] {
				return
			}
			seen[j] = true
			f := spec.Findings[j]
			p := make([]float64, len(f.Levels))
			rest := 1.0
			for k := len(p) - 1; k > 0; k-- {
				p[k] = rest * r.Float64()
				rest -= p[k]
			}
			p[0] = rest
			spec.Links = append(spec.Links, Link{spec.Causes[i].ID, f.ID, floored(p)})
		}
		for range 3 {
			link(r.IntN(symptoms))
		}
		for range 6 {
			link(symptoms + r.IntN(measurements))
		}
		if i%10 > 0 {
			link(symptoms)
		}
	}
	return spec, eco
}

// abnormalEvidence is k abnormal symptoms and as many normal ones. The first
// measurement, which nearly all causes reach, is among the abnormal, so that
// all of them are one block: the worst case.
func abnormalEvidence(k int) []Observation {
	ev := []Observation{{Finding: "m000", Level: 1}, {Finding: "s059"}}
	for j := 1; j < k; j++ {
		ev = append(ev, Observation{Finding: fmt.Sprintf("s%03d", j-1), Level: 1})
		ev = append(ev, Observation{Finding: fmt.Sprintf("s%03d", 59-j), Level: 0})
	}
	return ev
}

var benchSizes = []int{2, 4, 6, 8, 10, 12, 16}

func forSizes(b *testing.B, run func(b *testing.B, m *Model, eco *Economy, ev []Observation)) {
	spec, eco := synthetic(150, 60, 200)
	m, err := New(spec)
	if err != nil {
		b.Fatal(err)
	}
	for _, k := range benchSizes {
		b.Run(fmt.Sprintf("K=%d", k), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				run(b, m, eco, abnormalEvidence(k))
			}
		})
	}
}

func BenchmarkInfer(b *testing.B) {
	forSizes(b, func(b *testing.B, m *Model, _ *Economy, ev []Observation) {
		if _, err := m.Infer(ev); err != nil {
			b.Fatal(err)
		}
	})
}

func BenchmarkExplanations(b *testing.B) {
	forSizes(b, func(b *testing.B, m *Model, _ *Economy, ev []Observation) {
		if _, _, err := m.Explanations(ev, ExplainOptions{}); err != nil {
			b.Fatal(err)
		}
	})
}

func BenchmarkAdvise(b *testing.B) {
	forSizes(b, func(b *testing.B, m *Model, eco *Economy, ev []Observation) {
		if _, err := m.Advise(ev, eco, State{}); err != nil {
			b.Fatal(err)
		}
	})
}

// BenchmarkOutcomes compares the shared computation of all measurements'
// outcomes with a run of its own per outcome.
func BenchmarkOutcomes(b *testing.B) {
	spec, _ := synthetic(150, 60, 200)
	m, err := New(spec)
	if err != nil {
		b.Fatal(err)
	}
	s, err := m.prepare(abnormalEvidence(8))
	if err != nil {
		b.Fatal(err)
	}
	sol, runs := s.solveRuns(true)
	b.Run("shared", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			o := s.newOutlook(sol, runs)
			for j := 61; j < len(spec.Findings); j++ {
				o.outcomes(j)
			}
		}
	})
	b.Run("fresh", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			o := s.newOutlook(sol, runs)
			for j := 61; j < len(spec.Findings); j++ {
				for x := range spec.Findings[j].Levels {
					o.fresh(j, x)
				}
			}
		}
	})
}
