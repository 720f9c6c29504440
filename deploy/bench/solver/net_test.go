package main

import (
	"math"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
)

func small() diagnosis.Spec {
	return diagnosis.Spec{
		Causes: []diagnosis.Cause{{ID: "a", Prior: 0.1}, {ID: "b", Prior: 0.3}},
		Findings: []diagnosis.Finding{{ID: "f", Levels: []string{"good", "low", "open"}, Leak: []float64{0.9, 0.06, 0.04}},
			{ID: "g", Levels: []string{"absent", "present"}, Leak: []float64{0.95, 0.05}}},
		Links: []diagnosis.Link{{Cause: "a", Finding: "f", P: []float64{0.2, 0.5, 0.3}}, {Cause: "b", Finding: "f", P: []float64{0.6, 0.1, 0.3}},
			{Cause: "b", Finding: "g", P: []float64{0.3, 0.7}}},
		Unmodelled:      0.05,
		UnmodelledLinks: []diagnosis.Link{{Finding: "f", P: []float64{0.8, 0.1, 0.1}}},
		Roots: []diagnosis.Root{{ID: "wet", Prior: 0.2, Raises: []diagnosis.Factor{{Cause: "a", Factor: 5}, {Cause: "b", Factor: 0.5}},
			Links: []diagnosis.Link{{Finding: "g", P: []float64{0.4, 0.6}}}},
			{ID: "old", Prior: 0.4, Raises: []diagnosis.Factor{{Cause: "a", Factor: 3}}}},
	}
}

// sum walks every assignment of a small network.
func (n *network) sum() float64 {
	at := make([]int, len(n.cards))
	total := 0.0
	for {
		p := 1.0
		for _, f := range n.factors {
			k := 0
			for _, x := range f.scope {
				k = k*n.cards[x] + at[x]
			}
			p *= f.table[k]
		}
		total += p
		k := len(at) - 1
		for ; k >= 0; k-- {
			if at[k]++; at[k] < n.cards[k] {
				break
			}
			at[k] = 0
		}
		if k < 0 {
			return total
		}
	}
}

// The network that the solver is given is the engine's model.
func TestNetworkIsTheModel(t *testing.T) {
	t.Parallel()
	spec := small()
	m, err := diagnosis.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	for _, ev := range [][]diagnosis.Observation{
		nil,
		{{Finding: "f", Level: 1}},
		{{Finding: "f", Level: 2}, {Finding: "g", Level: 1}},
		{{Finding: "f"}, {Finding: "g", Likelihood: []float64{0.3, 0.7}}},
	} {
		post, err := m.Infer(ev)
		if err != nil {
			t.Fatal(err)
		}
		n := newNetwork(spec, ev)
		near := func(what string, got, want float64) {
			if !(math.Abs(got-want) <= 1e-12) {
				t.Errorf("%v: %s %v, want %v", ev, what, got, want)
			}
		}
		near("P(E)", n.sum(), post.PEvidence)
		near("times", n.times(3).sum(), 3*post.PEvidence)
		for i := range spec.Causes {
			near(spec.Causes[i].ID, n.with(n.causes[i]).sum(), post.PEvidence*post.Marginals[i])
		}
		for k := range spec.Roots {
			near(spec.Roots[k].ID, n.with(n.roots[k]).sum(), post.PEvidence*post.Roots[k])
		}
	}
}

// The file's layout is that of the UAI inference competitions: preamble, scopes,
// tables.
func TestUAIFile(t *testing.T) {
	t.Parallel()
	n := &network{}
	a, b := n.variable(2), n.variable(3)
	n.add([]float64{0.25, 0.75}, a)
	n.add([]float64{1, 0, 0, 0.5, 0.5, 0}, a, b)
	var out strings.Builder
	if err := n.write(&out); err != nil {
		t.Fatal(err)
	}
	const want = "MARKOV 2 2 3 2 1 0 2 0 1 2 0.25 0.75 6 1 0 0 0.5 0.5 0"
	if got := strings.Join(strings.Fields(out.String()), " "); got != want {
		t.Errorf("wrote %s, want %s", got, want)
	}
}
