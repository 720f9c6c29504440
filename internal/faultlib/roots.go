package faultlib

import (
	"maps"
	"slices"

	"nextprobe/internal/diagnosis"
)

// Root is a circumstance that several causes have in common: water came in, the
// board was opened before, it was dropped. While it is true the hazard of each
// cause in Raises is multiplied by its factor, so that these faults come
// together; each cause's probability over all boards stays its prior_per_1000
// (diagnosis.Root has the mathematics).
type Root struct {
	ID, Name string
	// Prior is the share of boards in the shop for which it is true.
	Prior float64
	// Symptoms show it: P(present | root), over the symptom's leak.
	Symptoms map[string]float64
	// Exposures say it at intake: P(root | exposure). The greatest of those that
	// apply takes the place of Prior.
	Exposures map[string]float64
	// Raises are the hazard factors by cause.
	Raises map[string]float64
}

// Root returns a root, or nil.
func (l *Library) Root(id string) *Root {
	for i := range l.Roots {
		if l.Roots[i].ID == id {
			return &l.Roots[i]
		}
	}
	return nil
}

// Reach is what the probability of a cause over all boards must stay below: 1, or
// less where roots with factor 0 rule it out.
func (l *Library) Reach(cause string) float64 {
	reach := 1.0
	for i := range l.Roots {
		if f, ok := l.Roots[i].Raises[cause]; ok && f == 0 {
			reach *= 1 - l.Roots[i].Prior
		}
	}
	return reach
}

// RootPriors is what exposures say about the roots, for ModelContext.Priors and
// diagnosis.Model.WithPriors. A root about which they say nothing is left out.
func (l *Library) RootPriors(exposures []string) map[string]float64 {
	out := map[string]float64{}
	for i := range l.Roots {
		for _, e := range exposures {
			if p, ok := l.Roots[i].Exposures[e]; ok {
				out[l.Roots[i].ID] = max(out[l.Roots[i].ID], p)
			}
		}
	}
	return out
}

// addRoots adds the roots to a model. Their links are floored as all are.
func (l *Library) addRoots(spec *diagnosis.Spec) {
	for i := range l.Roots {
		r := &l.Roots[i]
		root := diagnosis.Root{ID: r.ID, Prior: r.Prior}
		for _, id := range slices.Sorted(maps.Keys(r.Raises)) {
			root.Raises = append(root.Raises, diagnosis.Factor{Cause: id, Factor: r.Raises[id]})
		}
		for _, id := range slices.Sorted(maps.Keys(r.Symptoms)) {
			p := r.Symptoms[id]
			root.Links = append(root.Links, diagnosis.Link{Finding: SymptomFinding(id), P: l.floored([]float64{1 - p, p})})
		}
		spec.Roots = append(spec.Roots, root)
	}
}

// RootProbability is P(root true | E).
type RootProbability struct {
	ID          string  `json:"id"`
	Probability float64 `json:"probability"`
}

// RootProbabilities names what a posterior of one of this library's models says
// about the roots; empty without roots.
func (l *Library) RootProbabilities(post *diagnosis.Posterior) []RootProbability {
	var out []RootProbability
	for k, p := range post.Roots {
		if k < len(l.Roots) {
			out = append(out, RootProbability{l.Roots[k].ID, p})
		}
	}
	return out
}
