package measure

import (
	"fmt"
	"slices"
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
