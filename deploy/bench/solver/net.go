package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"

	"nextprobe/internal/diagnosis"
)

// network is a product of tables over discrete variables: what a general-purpose
// solver reads. The sum over all assignments is P(E).
type network struct {
	cards   []int
	factors []factor
	causes  []int // variable by cause
	roots   []int // by root
}

type factor struct {
	scope []int
	table []float64 // the last variable of the scope changes fastest
}

func (n *network) variable(card int) int {
	n.cards = append(n.cards, card)
	return len(n.cards) - 1
}

func (n *network) add(table []float64, scope ...int) {
	n.factors = append(n.factors, factor{scope, table})
}

// newNetwork lays a model with evidence out as the definition has it, with none
// of the engine's ways: a binary variable for each cause and root, and for each
// observed finding a chain of variables, the level that the leak and the first k
// of its causes reach. Findings that were not observed sum to 1.
func newNetwork(spec diagnosis.Spec, ev []diagnosis.Observation) *network {
	n := &network{}
	for k := range spec.Roots {
		r := n.variable(2)
		n.roots = append(n.roots, r)
		n.add([]float64{1 - spec.Roots[k].Prior, spec.Roots[k].Prior}, r)
	}
	place := map[string]int{}
	for i, c := range spec.Causes {
		x := n.variable(2)
		n.causes, place[c.ID] = append(n.causes, x), x
		n.cause(spec, i, x)
	}
	u := n.variable(2)
	place[diagnosis.UnmodelledID] = u
	n.add([]float64{1 - spec.Unmodelled, spec.Unmodelled}, u)
	for _, o := range ev {
		n.finding(spec, o, place)
	}
	return n
}

// cause is P(cause | roots), with the hazard halved in on.
func (n *network) cause(spec diagnosis.Spec, i, x int) {
	var scope []int
	var factors, priors []float64
	for k := range spec.Roots {
		for _, f := range spec.Roots[k].Raises {
			if f.Cause == spec.Causes[i].ID && f.Factor != 1 {
				scope = append(scope, n.roots[k])
				factors = append(factors, f.Factor)
				priors = append(priors, spec.Roots[k].Prior)
			}
		}
	}
	mu := spec.Causes[i].Prior
	if len(scope) == 0 || mu <= 0 || mu >= 1 {
		n.add([]float64{1 - mu, mu}, x)
		return
	}
	// States are counted with the first root as the highest digit, as tables are.
	state := func(s int) (p, factor float64) {
		p, factor = 1, 1
		for k := range scope {
			if s>>(len(scope)-1-k)&1 == 0 {
				p *= 1 - priors[k]
				continue
			}
			p *= priors[k]
			factor *= factors[k]
		}
		return p, factor
	}
	low, high := 0.0, 1e6
	for range 200 {
		h, mean := (low+high)/2, 0.0
		for s := range 1 << len(scope) {
			p, f := state(s)
			mean -= p * math.Expm1(-h*f)
		}
		if mean < mu {
			low = h
		} else {
			high = h
		}
	}
	var table []float64
	for s := range 1 << len(scope) {
		_, f := state(s)
		table = append(table, math.Exp(-low*f), -math.Expm1(-low*f))
	}
	n.add(table, append(scope, x)...)
}

// finding is the chain of one observed finding and what was seen of it.
func (n *network) finding(spec diagnosis.Spec, o diagnosis.Observation, place map[string]int) {
	j := slices.IndexFunc(spec.Findings, func(f diagnosis.Finding) bool { return f.ID == o.Finding })
	f := &spec.Findings[j]
	levels := len(f.Levels)
	at := n.variable(levels)
	n.add(f.Leak, at)
	chain := func(parent int, p []float64) {
		next := n.variable(levels)
		table := make([]float64, 0, 2*levels*levels)
		for _, on := range []bool{false, true} {
			for v := range levels {
				for w := range levels {
					table = append(table, reaches(p, on, v, w))
				}
			}
		}
		n.add(table, parent, at, next)
		at = next
	}
	for k := range spec.Roots {
		for _, l := range spec.Roots[k].Links {
			if l.Finding == f.ID {
				chain(n.roots[k], l.P)
			}
		}
	}
	for _, l := range slices.Concat(spec.Links, spec.UnmodelledLinks) {
		if l.Finding == f.ID {
			id := l.Cause
			if id == "" {
				id = diagnosis.UnmodelledID
			}
			chain(place[id], l.P)
		}
	}
	seen := o.Likelihood
	if seen == nil {
		seen = make([]float64, levels)
		seen[o.Level] = 1
	}
	n.add(seen, at)
}

// reaches is P(max(v, Z) = w), Z drawn from p where the cause is there.
func reaches(p []float64, on bool, v, w int) float64 {
	switch {
	case !on && v == w:
		return 1
	case !on || w < v:
		return 0
	case w > v:
		return p[w]
	}
	sum := 0.0
	for _, q := range p[:v+1] {
		sum += q
	}
	return sum
}

// with is the network with one variable at 1.
func (n *network) with(x int) *network {
	out := *n
	out.factors = append(slices.Clone(n.factors), factor{[]int{x}, []float64{0, 1}})
	return &out
}

// times is the network with its sum multiplied.
func (n *network) times(by float64) *network {
	out := *n
	out.factors = append(slices.Clone(n.factors), factor{[]int{0}, []float64{by, by}})
	return &out
}

// write writes the network in the UAI format (a Markov network).
func (n *network) write(to io.Writer) error {
	out := bufio.NewWriter(to)
	fmt.Fprintf(out, "MARKOV\n%d\n", len(n.cards))
	for _, c := range n.cards {
		fmt.Fprintf(out, "%d ", c)
	}
	fmt.Fprintf(out, "\n%d\n", len(n.factors))
	for _, f := range n.factors {
		fmt.Fprintf(out, "%d", len(f.scope))
		for _, x := range f.scope {
			fmt.Fprintf(out, " %d", x)
		}
		fmt.Fprintln(out)
	}
	for _, f := range n.factors {
		fmt.Fprintf(out, "\n%d\n", len(f.table))
		for _, p := range f.table {
			fmt.Fprintf(out, "%.17g ", p)
		}
		fmt.Fprintln(out)
	}
	return out.Flush()
}
