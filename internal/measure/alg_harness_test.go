package measure

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestHarness(t *testing.T) {
	t.Parallel()
	m := setup(t, "harness_continuity")
	record := map[string]any{"p1": "q1", "p2": "q2", "p10": "q10"}
	for _, c := range []struct {
		name            string
		p1, p2, p10     []any
		metal           []any
		outcome, detail string
	}{
		{"as recorded", []any{"q1"}, []any{"q2"}, []any{"q10"}, nil, "good", ""},
		{"three crossed", []any{"q2"}, []any{"q10"}, []any{"q1"}, nil, "swapped", "p1,p2,p10"},
		{"two near pins on one far pin are joined", []any{"q1"}, []any{"q1"}, []any{"q10"}, nil, "short_pair", "p1,p2"},
		{"two open", []any{}, []any{"q2"}, nil, nil, "open", "p1,p10"},
		{"swap outranks open", []any{"q2"}, []any{}, []any{"q10"}, nil, "swapped", "p1"},
		{"metal outranks all", []any{"q2"}, []any{"q1"}, []any{}, []any{"p10", "p2"}, "short_to_metal", "p2,p10"},
	} {
		metal := c.metal
		if metal == nil {
			metal = []any{}
		}
		var p10 any = c.p10
		if c.p10 == nil {
			p10 = nil
		}
		res := evaluate(t, m, map[string]any{"expected": record, "found": map[string]any{"p1": c.p1, "p2": c.p2, "p10": p10}, "to_metal": metal}, ParseOptions{})
		if res.Outcome != c.outcome || res.Detail != c.detail {
			t.Errorf("%s: %s %q, want %s %q", c.name, res.Outcome, res.Detail, c.outcome, c.detail)
		}
	}
	r, _, err := m.Parse(map[string]any{"expected": record, "found": map[string]any{"p1": []any{"q1"}}, "to_metal": []any{}}, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Evaluate(r)
	if got := fieldsOf(t, err); !strings.Contains(got["readings.found.p2"], "not tested") {
		t.Errorf("%v", got)
	}
}

// TestHarnessByHand: three conductors p1–q1, p2–q2, p10–q10, and a record that joins
// p1 to both q1 and q2 on purpose.
func TestHarnessByHand(t *testing.T) {
	t.Parallel()
	cable := func(p1, p2, p10 []any) map[string]any {
		return map[string]any{"expected": map[string]any{"p1": "q1", "p2": "q2", "p10": "q10"}, "found": map[string]any{"p1": p1, "p2": p2, "p10": p10}, "to_metal": []any{}}
	}
	joint := func(found ...any) map[string]any {
		return map[string]any{"expected": map[string]any{"p1": []any{"q1", "q2"}}, "found": map[string]any{"p1": found}, "to_metal": []any{}}
	}
	l := func(x ...any) []any { return append([]any{}, x...) }
	checkHand(t, "harness_continuity", []handCase{
		{"as recorded", cable(l("q1"), l("q2"), l("q10")), "good", "", nil},
		// The same mate noted twice is one conductor.
		{"a mate noted twice", cable(l("q1", "q1"), l("q2"), l("q10")), "good", "", nil},
		{"a joint on record", joint("q2", "q1"), "good", "", nil},
		// One of the two recorded mates is missing.
		{"half a joint open", joint("q1"), "open", "p1", nil},
		// Two mates where two are recorded, but one of them is another: joined to it.
		{"a joint with a stranger", joint("q1", "q3"), "short_pair", "p1", nil},
		{"three mates where two are recorded", joint("q1", "q2", "q3"), "short_pair", "p1", nil},
		// Both reach q2, so they are joined through it; each shows one mate only.
		{"joined at the far end", cable(l("q2"), l("q2"), l("q10")), "short_pair", "p1,p2", nil},
		{"ends at a pin that is on no record", cable(l("q7"), l("q2"), l("q10")), "swapped", "p1", nil},
		// p2 before p10: by number, not by letter.
		{"crossed", cable(l("q1"), l("q10"), l("q2")), "swapped", "p2,p10", nil},
		{"two open", cable(l("q1"), l(), l()), "open", "p2,p10", nil},
		{"metal, noted twice", with(cable(l("q1"), l("q2"), l("q10")), map[string]any{"to_metal": l("p2", "p2")}), "short_to_metal", "p2", nil},
		{"a pin not tested", with(cable(nil, nil, nil), map[string]any{"found": map[string]any{"p1": l("q1"), "p10": l("q10")}}), "", "found.p2", nil},
		{"a pin not on record", with(joint("q1"), map[string]any{"found": map[string]any{"p1": l("q1"), "p3": l("q3")}}), "", "found.p3", nil},
		{"no far pin on record", with(joint("q1"), map[string]any{"expected": map[string]any{"p1": l()}}), "", "expected.p1", nil},
	})
}

// TestHarnessRenaming: renaming the pins of both ends renames the answer, and neither
// the order of the mates nor a mate noted twice matters.
func TestHarnessRenaming(t *testing.T) {
	t.Parallel()
	m := setup(t, "harness_continuity")
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(rt, "pins")
		near := func(prefix string, i int) string { return fmt.Sprintf("%s%d", prefix, i) }
		build := func(p, q string, mates [][]int, again bool) map[string]any {
			expected, found := map[string]any{}, map[string]any{}
			for i, l := range mates {
				names := []any{}
				for _, k := range l {
					names = append(names, near(q, k))
				}
				if again {
					slices.Reverse(names)
					names = append(names, names...)
				}
				expected[near(p, i)], found[near(p, i)] = near(q, i), names
			}
			return map[string]any{"expected": expected, "found": found, "to_metal": []any{}}
		}
		mates := make([][]int, n)
		for i := range mates {
			mates[i] = rapid.OneOf(rapid.Just([]int{i}), rapid.SliceOfN(rapid.IntRange(0, n), 0, 3)).Draw(rt, "mates")
		}
		x := evaluate(t, m, build("p", "q", mates, false), ParseOptions{})
		y := evaluate(t, m, build("north", "south", mates, false), ParseOptions{})
		if x.Outcome != y.Outcome || strings.ReplaceAll(x.Detail, "p", "north") != y.Detail {
			rt.Fatalf("%v: %s %q, renamed %s %q", mates, x.Outcome, x.Detail, y.Outcome, y.Detail)
		}
		if z := evaluate(t, m, build("p", "q", mates, true), ParseOptions{}); x.Outcome != z.Outcome || x.Detail != z.Detail {
			rt.Fatalf("%v: %s %q, noted twice backwards %s %q", mates, x.Outcome, x.Detail, z.Outcome, z.Detail)
		}
	})
}
