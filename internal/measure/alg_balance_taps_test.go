package measure

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// realPack draws a pack as it comes to the bench: 10 to 24 groups around one
// voltage, each up to 0.15 V off either way (0.3 V apart at most).
func realPack(rt *rapid.T) []float64 {
	n := rapid.IntRange(10, 24).Draw(rt, "n")
	mid := rapid.Float64Range(3.2, 4.05).Draw(rt, "mid")
	g := make([]float64, n)
	for i := range g {
		g[i] = mid + rapid.Float64Range(-0.15, 0.15).Draw(rt, "dev")
	}
	return g
}

func tapsOf(groups []float64) []float64 {
	taps := make([]float64, len(groups)+1)
	for i, g := range groups {
		taps[i+1] = taps[i] + g
	}
	return taps
}

func judgeTapsOf(t testing.TB, m *Measurement, taps []float64, cell float64) Result {
	t.Helper()
	l := make([]any, len(taps))
	for i, x := range taps {
		l[i] = x
	}
	return evaluate(t, m, map[string]any{"taps": l, "n": float64(len(taps) - 1), "v_cell": cell}, ParseOptions{})
}

// TestTapsOfRealPacks: every single wiring mistake is named right whatever the
// groups hold, and a sound order is never called a mistake.
func TestTapsOfRealPacks(t *testing.T) {
	t.Parallel()
	m := setup(t, "balance_tap_order")
	rapid.Check(t, func(rt *rapid.T) {
		groups := realPack(rt)
		n := len(groups)
		cell := mean(groups)
		expect := func(what string, taps []float64, out, detail string) {
			rt.Helper()
			res := judgeTapsOf(t, m, taps, cell)
			if res.Outcome != out || (detail != "*" && res.Detail != detail) {
				rt.Fatalf("%s: %s %q, want %s %q; taps %v", what, res.Outcome, res.Detail, out, detail, taps)
			}
		}
		taps := tapsOf(groups)
		expect("sound", taps, "in_order", "")

		i := rapid.IntRange(1, n).Draw(rt, "i")
		j := rapid.IntRange(1, n).Filter(func(j int) bool { return j != i }).Draw(rt, "j")
		swapped := slices.Clone(taps)
		swapped[i], swapped[j] = swapped[j], swapped[i]
		expect("swapped", swapped, "swapped_pair", fmt.Sprintf("%d,%d", min(i, j), max(i, j)))

		open := slices.Clone(taps)
		open[i] = rapid.Float64Range(0, 0.1).Draw(rt, "float")
		expect("open", open, "open_lead", fmt.Sprint(i))

		doubled := slices.Insert(slices.Clone(taps), i, taps[i-1])[:n+1]
		expect("doubled", doubled, "shifted", fmt.Sprintf("doubled at %d", i))

		if i < n { // leaving out the last node is a doubled last pin instead
			out := append(slices.Delete(slices.Clone(taps), i, i+1), taps[n])
			expect("left out", out, "shifted", fmt.Sprintf("left out at %d", i))
		}
		reversed := slices.Clone(taps)
		slices.Reverse(reversed)
		expect("reversed", reversed, "reversed_plug", "")

		weak := slices.Clone(groups)
		weak[i-1] = rapid.Float64Range(1.0, 0.7*cell).Draw(rt, "weak")
		expect("one weak group", tapsOf(weak), "group_off", fmt.Sprint(i))

		weakSwapped := tapsOf(weak)
		weakSwapped[i], weakSwapped[j] = weakSwapped[j], weakSwapped[i]
		expect("weak and swapped", weakSwapped, "swapped_pair", fmt.Sprintf("%d,%d", min(i, j), max(i, j)))
	})
}

func TestTapsOtherDisorder(t *testing.T) {
	t.Parallel()
	m := setup(t, "balance_tap_order")
	v := 3.7
	for _, c := range []struct {
		name        string
		taps        []float64
		out, detail string
	}{
		{"three leads turned round", []float64{0, 2 * v, 3 * v, v, 4 * v, 5 * v}, "wrong_order", "1,2,3"},
		{"two leads open", []float64{0, 0, 2 * v, 0, 4 * v, 5 * v}, "wrong_order", "*"},
		{"minus and first swapped", []float64{v, 0, 2 * v, 3 * v, 4 * v, 5 * v}, "swapped_pair", "0,1"},
		{"last lead open", []float64{0, v, 2 * v, 3 * v, 4 * v, 0.02}, "open_lead", "5"},
		{"first lead open", []float64{0, 0.03, 2 * v, 3 * v, 4 * v, 5 * v}, "open_lead", "1"},
		{"two weak groups in order", []float64{0, v, v + 2.5, 2*v + 2.5, 2*v + 5, 3*v + 5}, "group_off", "2,4"},
		{"one group, sound", []float64{0, v}, "in_order", ""},
		{"one group, reversed", []float64{v, 0}, "reversed_plug", ""},
	} {
		res := judgeTapsOf(t, m, c.taps, v)
		if res.Outcome != c.out || (c.detail != "*" && res.Detail != c.detail) {
			t.Errorf("%s: %s %q, want %s %q", c.name, res.Outcome, res.Detail, c.out, c.detail)
		}
	}
}

// TestTapsRefused: what no pack can show is refused with the tap's name.
func TestTapsRefused(t *testing.T) {
	t.Parallel()
	m := setup(t, "balance_tap_order")
	for _, c := range []struct {
		taps  []any
		n     float64
		field string
		says  string
	}{
		{[]any{0.0, 3.7, 7.4}, 5, "readings.taps", "pin 0 to pin 5"},
		{[]any{0.0, -3.7, -7.4}, 2, "readings.taps[1]", "reference probe"},
		{[]any{0.0, 3.7, 74.0}, 2, "readings.taps[2]", "no node"},
	} {
		r, _, err := m.Parse(map[string]any{"taps": c.taps, "n": c.n, "v_cell": 3.7}, ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = m.Evaluate(r)
		if got := fieldsOf(t, err); !strings.Contains(got[c.field], c.says) {
			t.Errorf("%v: %v", c.taps, got)
		}
	}
}

// TestTapsAnchor: a nominal v_cell of 3.7 V must not condemn a full pack.
func TestTapsAnchor(t *testing.T) {
	t.Parallel()
	m := setup(t, "balance_tap_order")
	full := make([]float64, 20)
	for i := range full {
		full[i] = 4.20
	}
	full[7] = 4.29
	if res := judgeTapsOf(t, m, tapsOf(full), 3.7); res.Outcome != "in_order" {
		t.Errorf("%s %q", res.Outcome, res.Detail)
	}
}

// TestTapsByHand: five groups or ten, the mean not stated, so that layered oxide's
// 3.7 V stands in for it where the median step does not.
func TestTapsByHand(t *testing.T) {
	t.Parallel()
	plug := func(taps ...float64) map[string]any {
		return map[string]any{"taps": anyList(taps), "n": float64(len(taps) - 1), "v_cell": nil}
	}
	ten := func(groups ...float64) map[string]any { // what is not given is 3.6 V
		for len(groups) < 10 {
			groups = append(groups, 3.6)
		}
		return plug(tapsOf(groups)...)
	}
	checkHand(t, "balance_tap_order", []handCase{
		// Median 3.6 V, 15 % of it 0.54 V: 3.06 to 4.14 V.
		{"group of 3.08 V", ten(3.6, 3.08), "in_order", "", map[string]float64{"v_ref": 3.6}},
		{"group of 3.04 V", ten(3.6, 3.04), "group_off", "2", nil},
		{"groups of 4.12 and 4.16 V", ten(4.12, 3.6, 4.16), "group_off", "3", nil},
		// 4.4 V is under 4.5 V and under 1.35·3.6 = 4.86 V: one group, and off.
		{"one group of 4.4 V", ten(3.6, 4.4), "group_off", "2", nil},
		// 4.6 V is no single group; 1.40·3.6 = 5.04 V, but 4.5 V is lower: two.
		{"a step of 4.6 V", ten(3.6, 4.6), "shifted", "left out at 2", nil},
		// Beside a weak group of 2.0 V: 2.0+3.95 = 5.95 V = 1.40·4.25 V.
		{"left out at a weak group", plug(0, 4.25, 8.5, 14.45, 18.7, 22.95, 27.2, 31.45, 35.7), "shifted", "left out at 3", map[string]float64{"v_ref": 4.25}},
		// Median 2.5 V: 1.35·2.5 = 3.375, 1.40·2.5 = 3.5; 3.4 V is neither one group nor two.
		{"neither one nor two", plug(0, 2.5, 5, 8.4, 10.9, 13.4), "wrong_order", "", map[string]float64{"v_ref": 2.5}},
		// 0.2 V is within the two digits of a meter that shows tenths, 0.3 V is not.
		{"pins 0.2 V apart", plug(0, 3.7, 7.4, 7.6, 11.3, 15.0), "shifted", "doubled at 3", nil},
		{"pins 0.3 V apart", plug(0, 3.7, 7.4, 7.7, 11.4, 15.1), "group_off", "3", nil},
		{"pins 0.2 V apart the other way", plug(0, 3.7, 7.4, 7.2, 10.9, 14.6), "shifted", "doubled at 3", nil},
		// A lead counts as open under 0.3·3.7 = 1.11 V; across it stand 7.4 V, two groups.
		{"open lead at 1.0 V", plug(0, 3.7, 7.4, 1.0, 14.8, 18.5), "open_lead", "3", nil},
		{"a lead at 1.2 V", plug(0, 3.7, 7.4, 1.2, 14.8, 18.5), "wrong_order", "", nil},
		// Group 1 holds 1.0 V, so that pin 1 stands as low as an open lead; pin 2 is 3.65 V above it, one group.
		{"weak first group", plug(0, 1.0, 4.65, 8.3, 11.95, 15.6), "group_off", "1", nil},
		// Pin 2 is 7.3 V above pin 0: two groups, pin 1 is open.
		{"first lead open", plug(0, 1.0, 7.3, 10.95, 14.6, 18.25), "open_lead", "1", nil},
		// Pin 0 on node 1, all others one along, the last two on node 5.
		{"minus node left out", plug(3.7, 7.4, 11.1, 14.8, 18.5, 18.5), "shifted", "left out at 0", nil},
		// The same with the last lead free: every pin is out of its place.
		{"one along, last lead free", plug(3.7, 7.4, 11.1, 14.8, 18.5, 0.02), "wrong_order", "0,1,2,3,4,5", nil},
		{"plus and minus lead swapped", plug(18.5, 3.7, 7.4, 11.1, 14.8, 0), "swapped_pair", "0,5", nil},
		{"reversed", plug(18.5, 14.8, 11.1, 7.4, 3.7, 0), "reversed_plug", "", nil},
		// The highest, 1.1 V, is under 1.11 V.
		{"no reference", plug(0, 0.3, 1.1, 0.2, 0, 0.1), "no_reference", "", nil},
		// Steps of 5.0 V are no groups: the median is not taken for a reference.
		{"every step too high", plug(0, 5, 10, 15, 20, 25), "wrong_order", "", map[string]float64{"v_ref": 3.7}},
		// Below −0.5·3.7 = −1.85 V: the probe is not on pack minus.
		{"below pack minus", plug(0, -1.9, 7.4), "", "taps[1]", nil},
	})
}

// TestTapsShift: one more sound group below a string moves every answer by one pin.
func TestTapsShift(t *testing.T) {
	t.Parallel()
	m := setup(t, "balance_tap_order")
	ways := wirings()
	rapid.Check(t, func(rt *rapid.T) {
		seed := rapid.Uint64().Draw(rt, "seed")
		p := newBenchPack(rand.New(rand.NewPCG(seed, 1)), rapid.SampledFrom([]string{"layered_oxide", ironPhosphate}).Draw(rt, "chemistry"), false, rapid.Bool().Draw(rt, "charger"))
		name := rapid.SampledFrom([]string{"correct order", "neighbours swapped", "distant leads swapped", "shifted up, node doubled", "shifted down, node left out", "one lead open", "three leads turned round"}).Draw(rt, "wired")
		way := ways[slices.IndexFunc(ways, func(w wiring) bool { return w.name == name })]
		nodes, want, detail := way.make(p)
		if want == "*" {
			return
		}
		long := []int{0}
		for _, k := range nodes {
			if k >= 0 {
				k++
			}
			long = append(long, k)
		}
		groups := append([]float64{median(p.groups)}, p.groups...)
		exact := func(groups []float64, nodes []int) []float64 {
			node, taps := tapsOf(groups), make([]float64, len(nodes))
			for pin, k := range nodes {
				if k >= 0 {
					taps[pin] = node[k]
				}
			}
			return taps
		}
		x, y := judgeTapsOf(t, m, exact(p.groups, nodes), mean(groups)), judgeTapsOf(t, m, exact(groups, long), mean(groups))
		if x.Outcome != want || x.Detail != detail || y.Outcome != want || y.Detail != oneMore(detail) {
			rt.Fatalf("%s: want %s %q, got %s %q; one along %s %q", name, want, detail, x.Outcome, x.Detail, y.Outcome, y.Detail)
		}
	})
}

var numberInText = regexp.MustCompile(`\d+`)

// oneMore adds one to every number of a detail.
func oneMore(detail string) string {
	return numberInText.ReplaceAllStringFunc(detail, func(s string) string {
		n, _ := strconv.Atoi(s)
		return strconv.Itoa(n + 1)
	})
}
