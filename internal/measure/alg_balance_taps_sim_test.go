package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// benchPack is a pack as it lies on the bench, with the meter's errors: the group
// voltages and what the meter shows for a node.
type benchPack struct {
	rng    *rand.Rand
	groups []float64
	gain   float64
	weak   int // group, 0 where all are sound
}

// newBenchPack draws 10 to 24 groups of one chemistry that differ by up to 0.3 V,
// perhaps one of them weak (down to 2.0 V, and always the lowest), at rest or on the
// charger: all groups raised, the weak one most, because its resistance is highest.
// Voltages of common practice, no source.
func newBenchPack(rng *rand.Rand, chemistry string, weak, charger bool) *benchPack {
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	low, high := 3.0, 4.2
	if chemistry == ironPhosphate {
		low, high = 2.8, 3.65
	}
	p := &benchPack{rng: rng, groups: make([]float64, 10+rng.IntN(15)), gain: between(0.995, 1.005)}
	mid := between(low+0.15, high-0.15)
	for i := range p.groups {
		p.groups[i] = between(mid-0.15, mid+0.15)
	}
	if weak {
		p.weak = 1 + rng.IntN(len(p.groups))
		p.groups[p.weak-1] = between(2.0, mid-0.15)
	}
	if charger {
		raise := between(0.02, 0.15)
		for i := range p.groups {
			p.groups[i] += raise + between(0, 0.03)
			if i+1 == p.weak {
				p.groups[i] += between(0, 0.25)
			}
		}
	}
	return p
}

// shows is what the meter makes of a voltage: a gain error of up to 0.5 %, two digits
// after the point up to 60 V and one above, ±1 digit either way.
func (p *benchPack) shows(v float64) float64 {
	digit := 0.01
	if v > 60 {
		digit = 0.1
	}
	return digit * (math.Round(v*p.gain/digit) + float64(p.rng.IntN(3)-1))
}

// read gives the taps of a plug whose pins are wired to nodes; -1 is an open lead,
// which the meter's load pulls to within 0.1 V of pack minus.
func (p *benchPack) read(nodes []int) []float64 {
	node := tapsOf(p.groups)
	taps := make([]float64, len(nodes))
	for pin, k := range nodes {
		if k < 0 {
			taps[pin] = p.shows(0.1 * p.rng.Float64())
			continue
		}
		taps[pin] = p.shows(node[k])
	}
	return taps
}

// wiring is one way to wire a plug, with the answer the physics determines.
type wiring struct {
	name string
	make func(p *benchPack) (nodes []int, outcome, detail string)
}

func straight(n int) []int {
	nodes := make([]int, n+1)
	for i := range nodes {
		nodes[i] = i
	}
	return nodes
}

// soundOutcome is the answer to a right order: which groups stand off by the
// library's 15 % of the median group; "*" where the meter's error may decide.
func soundOutcome(p *benchPack) (outcome, detail string) {
	ref := median(p.groups)
	var off []string
	for i, g := range p.groups {
		switch dev := math.Abs(g-ref) / ref; {
		case dev > 0.15-0.06 && dev < 0.15+0.06:
			return "*", ""
		case dev > 0.15:
			off = append(off, fmt.Sprint(i+1))
		}
	}
	if len(off) > 0 {
		return "group_off", strings.Join(off, ",")
	}
	return "in_order", ""
}

func wirings() []wiring {
	return []wiring{
		{"correct order", func(p *benchPack) ([]int, string, string) {
			out, detail := soundOutcome(p)
			return straight(len(p.groups)), out, detail
		}},
		{"neighbours swapped", func(p *benchPack) ([]int, string, string) {
			nodes := straight(len(p.groups))
			i := p.rng.IntN(len(p.groups))
			nodes[i], nodes[i+1] = nodes[i+1], nodes[i]
			return nodes, "swapped_pair", fmt.Sprintf("%d,%d", i, i+1)
		}},
		{"distant leads swapped", func(p *benchPack) ([]int, string, string) {
			n := len(p.groups)
			nodes := straight(n)
			i := p.rng.IntN(n - 1)
			j := i + 2 + p.rng.IntN(n-i-1)
			nodes[i], nodes[j] = nodes[j], nodes[i]
			return nodes, "swapped_pair", fmt.Sprintf("%d,%d", i, j)
		}},
		{"shifted up, node doubled", func(p *benchPack) ([]int, string, string) {
			n := len(p.groups)
			k := 1 + p.rng.IntN(n)
			return slices.Insert(straight(n), k, k-1)[:n+1], "shifted", fmt.Sprintf("doubled at %d", k)
		}},
		{"shifted down, node left out", func(p *benchPack) ([]int, string, string) {
			n := len(p.groups)
			k := p.rng.IntN(n) // the last pin takes the last node a second time
			return append(slices.Delete(straight(n), k, k+1), n), "shifted", fmt.Sprintf("left out at %d", k)
		}},
		{"one lead open", func(p *benchPack) ([]int, string, string) {
			nodes := straight(len(p.groups))
			i := 1 + p.rng.IntN(len(p.groups))
			nodes[i] = -1
			return nodes, "open_lead", fmt.Sprint(i)
		}},
		{"pin 0 open", func(p *benchPack) ([]int, string, string) {
			// Reads as a sound order does; the warning is checked below.
			nodes := straight(len(p.groups))
			nodes[0] = -1
			out, detail := soundOutcome(p)
			return nodes, out, detail
		}},
		{"lead on the minus node", func(p *benchPack) ([]int, string, string) {
			// Reads as an open lead does, but for pin 1, whose step to pin 2 is two groups
			// all the same.
			nodes := straight(len(p.groups))
			i := 1 + p.rng.IntN(len(p.groups))
			nodes[i] = 0
			return nodes, "open_lead", fmt.Sprint(i)
		}},
		{"reversed", func(p *benchPack) ([]int, string, string) {
			nodes := straight(len(p.groups))
			slices.Reverse(nodes)
			return nodes, "reversed_plug", ""
		}},
		{"whole plug open", func(p *benchPack) ([]int, string, string) {
			nodes := straight(len(p.groups))
			for i := range nodes {
				nodes[i] = -1
			}
			return nodes, "no_reference", ""
		}},
		{"three leads turned round", func(p *benchPack) ([]int, string, string) {
			nodes := straight(len(p.groups))
			i := p.rng.IntN(len(p.groups) - 1)
			nodes[i], nodes[i+1], nodes[i+2] = nodes[i+1], nodes[i+2], nodes[i]
			return nodes, "wrong_order", fmt.Sprintf("%d,%d,%d", i, i+1, i+2)
		}},
	}
}

// TestTapOrderOfBenchPacks simulates packs as they come, wires their plugs right and
// wrong, reads them with a real meter's errors, and wants every wiring named, with
// its pins. The sample is fixed; -v prints the table of what was called what. The
// mean group voltage is stated as the pack's mean, or not at all.
func TestTapOrderOfBenchPacks(t *testing.T) {
	t.Parallel()
	m := setup(t, "balance_tap_order")
	table := map[string]map[string]int{}
	for _, w := range wirings() {
		table[w.name] = map[string]int{}
		for seed := range uint64(400) {
			rng := rand.New(rand.NewPCG(seed, 7)) //nolint:gosec // a fixed sample for a test
			chemistry := []string{"layered_oxide", ironPhosphate}[seed%2]
			weak, charger, stated := seed/2%2 == 1, seed/4%2 == 1, seed/8%2 == 1
			p := newBenchPack(rng, chemistry, weak, charger)
			nodes, want, detail := w.make(p)
			taps := p.read(nodes)
			in := map[string]any{"taps": anyList(taps), "n": float64(len(p.groups)), "chemistry": chemistry, "v_cell": known(stated, mean(p.groups))}
			res := evaluate(t, m, in, ParseOptions{})
			table[w.name][res.Outcome]++
			if sound := res.Outcome == "in_order" || res.Outcome == "group_off"; want == "*" && !sound {
				t.Errorf("%s, seed %d: a sound order was called %s %q; taps %v", w.name, seed, res.Outcome, res.Detail, taps)
			} else if want != "*" && (res.Outcome != want || res.Detail != detail) {
				t.Errorf("%s, seed %d (%s, weak group %d, charger %v): %s %q, want %s %q; taps %v", w.name, seed, chemistry, p.weak, charger, res.Outcome, res.Detail, want, detail, taps)
			} else if sound && !slices.Contains(res.Warnings, pinZeroCaution) {
				t.Errorf("%s, seed %d: nothing asks for pin 0: %q", w.name, seed, res.Warnings)
			}
		}
	}
	head := fmt.Sprintf("%-28s", "wired \\ called")
	for _, o := range m.outcomes {
		head += fmt.Sprintf(" %13s", o.ID)
	}
	t.Log(head)
	for _, w := range wirings() {
		row := fmt.Sprintf("%-28s", w.name)
		for _, o := range m.outcomes {
			row += fmt.Sprintf(" %13d", table[w.name][o.ID])
		}
		t.Log(row)
	}
}

func anyList(list []float64) []any {
	out := make([]any, len(list))
	for i, x := range list {
		out[i] = x
	}
	return out
}
