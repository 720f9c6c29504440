package measure

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func states(s ...int) map[string]any {
	l := make([]any, len(s))
	for i, x := range s {
		l[i] = float64(x)
	}
	return map[string]any{"states": l}
}

func repeated(times int, s ...int) []int {
	var out []int
	for range times {
		out = append(out, s...)
	}
	return out
}

// TestHallSequence: the order of the six states is Microchip AN885's commutation
// table for sensors 120 degrees apart; the defects are derived from it.
func TestHallSequence(t *testing.T) {
	t.Parallel()
	m := setup(t, "hall_sequence")
	for _, c := range []struct {
		name   string
		s      []int
		out    string
		detail string
	}{
		{"AN885 forward, begun anywhere", repeated(3, 6, 4, 5, 1, 3, 2), "valid_forward", ""},
		{"AN885 reverse", repeated(3, 2, 3, 1, 5, 4, 6), "valid_reverse", ""},
		{"each state read several times", repeated(2, 1, 1, 3, 3, 3, 2, 6, 6, 4, 5), "valid_forward", ""},
		{"H2 stuck high", repeated(3, 3, 3, 2, 6, 6, 7), "one_stuck_high", "H2"},
		{"H1 stuck low", repeated(3, 1, 3, 2, 2, 0, 1), "one_stuck_low", "H1"},
		{"H2 and H3 joined", repeated(3, 3, 3, 3, 7, 4, 4, 0), "joined", "H2-H3"},
		{"H3 inverted", repeated(3, 0, 2, 3, 7, 5, 4), "inverted_or_60", ""},
		{"turned back once", append(repeated(2, 1, 3, 2, 6, 4, 5), 4, 6, 2), "skips", ""},
		{"noise to 7", append(repeated(2, 1, 3, 2, 6, 4, 5), 7, 1), "skips", ""},
		{"all signals low", repeated(12, 0), "no_change", ""},
		{"all three joined", repeated(6, 0, 7), "two_dead", ""},
	} {
		res := evaluate(t, m, states(c.s...), ParseOptions{})
		if res.Outcome != c.out || res.Detail != c.detail {
			t.Errorf("%s: %s %q, want %s %q", c.name, res.Outcome, res.Detail, c.out, c.detail)
		}
	}
	for _, s := range [][]int{{1, 3, 2}, {1, 3, 1, 3}, {7}} {
		r, _, err := m.Parse(states(s...), ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = m.Evaluate(r)
		if got := fieldsOf(t, err); got["readings.states"] == "" {
			t.Errorf("%v: %v", s, got)
		}
	}
	_, _, err := m.Parse(states(1, 8, 2.0), ParseOptions{})
	fieldsOf(t, err)
}

// TestHallReversed: reading a recording backwards swaps the two valid answers and
// leaves every other; swapping two signals does the same (both from the cycle).
func TestHallReversed(t *testing.T) {
	t.Parallel()
	m := setup(t, "hall_sequence")
	other := map[string]string{"valid_forward": "valid_reverse", "valid_reverse": "valid_forward"}
	rapid.Check(t, func(rt *rapid.T) {
		start, n := rapid.IntRange(0, 5).Draw(rt, "start"), rapid.IntRange(12, 40).Draw(rt, "n")
		var fwd, back, swapped []int
		noise := rapid.IntRange(-30, 11).Draw(rt, "noise")
		for i := range n {
			s := hallCycle[(start+i)%6]
			if i == noise {
				s ^= 7
			}
			fwd = append(fwd, s)
			back = append([]int{s}, back...)
			swapped = append(swapped, s&1|(s&2)<<1|(s&4)>>1)
		}
		want := outcomeOf(t, m, states(fwd...), ParseOptions{})
		if o, ok := other[want]; ok {
			want = o
		}
		if got := outcomeOf(t, m, states(back...), ParseOptions{}); got != want {
			rt.Fatalf("%v backwards: %s, want %s", fwd, got, want)
		}
		if got := outcomeOf(t, m, states(swapped...), ParseOptions{}); got != want {
			rt.Fatalf("%v with H1 and H2 swapped: %s, want %s", fwd, got, want)
		}
	})
}

// TestHallByHand: each row states what the fault makes of the cycle 1 3 2 6 4 5
// (binary 001 011 010 110 100 101, H1 first).
func TestHallByHand(t *testing.T) {
	t.Parallel()
	checkHand(t, "hall_sequence", []handCase{
		// One whole turn: seven readings, six changes, the least that will do.
		{"one turn", states(1, 3, 2, 6, 4, 5, 1), "valid_forward", "", nil},
		{"one turn back from 6", states(6, 2, 3, 1, 5, 4, 6), "valid_reverse", "", nil},
		// Six readings have five changes.
		{"one short of a turn", states(1, 3, 2, 6, 4, 5), "", "states", nil},
		// Seven readings, but one change: the wheel stood.
		{"hardly turned", states(1, 1, 1, 1, 3, 3, 3), "", "states", nil},
		// H2 to 0: 001 001 000 100 100 101.
		{"H2 stuck low", states(repeated(2, 1, 1, 0, 4, 4, 5)...), "one_stuck_low", "H2", nil},
		// H2 to 1: 011 011 010 110 110 111.
		{"H2 stuck high", states(repeated(2, 3, 3, 2, 6, 6, 7)...), "one_stuck_high", "H2", nil},
		// Open drains tied together are low where either is: H1 = H3 = H1 and H3: 000 010 010 010 000 101.
		{"H1 and H3 tied", states(repeated(2, 0, 2, 2, 2, 0, 5)...), "joined", "H1-H3", nil},
		// H1 inverted: 101 111 110 010 000 001, one bit at a time, with 111 and 000, without 011 and 100.
		{"H1 inverted", states(repeated(2, 5, 7, 6, 2, 0, 1)...), "inverted_or_60", "", nil},
		// H2 inverted: 011 001 000 100 110 111.
		{"H2 inverted", states(repeated(2, 3, 1, 0, 4, 6, 7)...), "inverted_or_60", "", nil},
		// 110 is missed each turn: 010 to 100 is two bits.
		{"a state missed", states(repeated(2, 1, 3, 2, 4, 5)...), "skips", "", nil},
		// 000 between 101 and 001: in no turn of sound sensors.
		{"a dropout", states(1, 3, 2, 6, 4, 5, 0, 1, 3, 2, 6, 4, 5), "skips", "", nil},
		// Only H1 changes: 000 100.
		{"H2 and H3 dead", states(repeated(4, 0, 4)...), "two_dead", "H2, H3", nil},
		{"nothing changes", states(5, 5, 5, 5, 5, 5, 5), "no_change", "", nil},
		// Six readings of a standing wheel say nothing.
		{"too few to say that nothing changes", states(5, 5, 5, 5, 5, 5), "", "states", nil},
	})
}

// TestHallRenaming: turning the sensors' names H1→H2→H3→H1 turns the answer alike and
// keeps the direction, because the cycle turned is the cycle; so does beginning a
// recording of whole turns elsewhere.
func TestHallRenaming(t *testing.T) {
	t.Parallel()
	m := setup(t, "hall_sequence")
	turn := strings.NewReplacer("H1-H2", "H2-H3", "H2-H3", "H1-H3", "H1-H3", "H1-H2", "H1", "H2", "H2", "H3", "H3", "H1")
	rapid.Check(t, func(rt *rapid.T) {
		low, high := rapid.IntRange(0, 7).Draw(rt, "held low"), rapid.IntRange(0, 7).Draw(rt, "held high")
		flip := rapid.SampledFrom([]int{0, 0, 1, 2, 4}).Draw(rt, "inverted")
		begin := rapid.IntRange(0, 5).Draw(rt, "begin")
		var plain, turned, later []int
		for i := range 19 {
			s := (hallCycle[i%6] ^ flip) &^ low
			plain = append(plain, s|high)
			turned = append(turned, (s|high)>>1|(s|high)&1<<2)
			later = append(later, (hallCycle[(begin+i)%6]^flip)&^low|high)
		}
		x := evaluate(t, m, states(plain...), ParseOptions{})
		y := evaluate(t, m, states(turned...), ParseOptions{})
		want := turn.Replace(x.Detail)
		if x.Outcome == "two_dead" { // listed in the order of their names
			want = strings.Join(sortedWords(want), ", ")
		}
		if x.Outcome != y.Outcome || want != y.Detail {
			rt.Fatalf("%v: %s %q, renamed %s %q", plain, x.Outcome, x.Detail, y.Outcome, y.Detail)
		}
		if z := evaluate(t, m, states(later...), ParseOptions{}); x.Outcome != z.Outcome || x.Detail != z.Detail {
			rt.Fatalf("%v: %s %q, begun later %s %q", plain, x.Outcome, x.Detail, z.Outcome, z.Detail)
		}
	})
}

func sortedWords(list string) []string {
	words := strings.Split(list, ", ")
	slices.Sort(words)
	return words
}
