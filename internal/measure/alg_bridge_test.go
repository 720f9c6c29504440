package measure

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestBridge(t *testing.T) {
	t.Parallel()
	m := setup(t, "bridge_diode_test")
	l := func(a, b, c any) []any { return []any{a, b, c} }
	good, over := l(0.45, 0.46, 0.45), l("OL", "OL", "OL")
	for _, c := range []struct {
		name            string
		up, low, ur, lr []any
		outcome, detail string
	}{
		{"all good", good, good, over, over, "good", ""},
		{"capacitors still charging: the reverse reading rises", good, good, l(2.1, 2.4, 2.0), over, "good", ""},
		{"two shorted", l(0.02, 0.46, 0.45), l(0.45, 0.45, 0.03), l(0.02, 9.0, 9.0), l(9.0, 9.0, 0.03), "shorted", "upper A, lower C"},
		{"short hides the open one", l(0.02, 0.46, 0.45), l(0.45, "OL", 0.45), l(0.02, 9.0, 9.0), over, "shorted", "upper A"},
		{"leaks in reverse only", good, good, l(9.0, 1.2, 9.0), over, "leaky", "upper B"},
		{"open low C", good, l(0.45, 0.45, "OL"), over, over, "open", "lower C"},
		{"one drop 80 mV high", l(0.45, 0.45, 0.53), good, over, over, "uneven", "upper C"},
		{"60 mV is still even", l(0.45, 0.45, 0.51), good, over, over, "good", ""},
	} {
		res := evaluate(t, m, map[string]any{"up": c.up, "low": c.low, "up_rev": c.ur, "low_rev": c.lr}, ParseOptions{})
		if res.Outcome != c.outcome || res.Detail != c.detail {
			t.Errorf("%s: %s %q, want %s %q", c.name, res.Outcome, res.Detail, c.outcome, c.detail)
		}
	}
	r, _, err := m.Parse(map[string]any{"up": l(0.45, -0.4, 0.45), "low": good, "up_rev": over, "low_rev": over}, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Evaluate(r)
	if got := fieldsOf(t, err); !strings.Contains(got["readings.up[1]"], "charge") {
		t.Errorf("%v", got)
	}
}

// bridgeOf is a bridge of sound switches (0.45 V, over range in reverse) with one of
// them, upper A, changed.
func bridgeOf(f, r any) map[string]any {
	sound, over := []any{0.45, 0.45, 0.45}, []any{"OL", "OL", "OL"}
	return map[string]any{"up": []any{f, 0.45, 0.45}, "low": sound, "up_rev": []any{r, "OL", "OL"}, "low_rev": over}
}

// TestBridgeByHand: the limits 0.1 V (short), 0.3 V and 1.8 V in reverse (leak),
// 1.5 V (open), 60 mV of spread, −0.05 V (charged bus), each from both sides.
func TestBridgeByHand(t *testing.T) {
	t.Parallel()
	checkHand(t, "bridge_diode_test", []handCase{
		// 0.099 < 0.1 both ways.
		{"short", bridgeOf(0.099, 0.099), "shorted", "upper A", nil},
		// 0.1 is not under 0.1, but under 0.3.
		{"no short any more", bridgeOf(0.1, 0.1), "leaky", "upper A", nil},
		// Low one way only: 9 in reverse is no short, 0.05 < 0.3 leaks.
		{"low one way", bridgeOf(0.05, "OL"), "leaky", "upper A", nil},
		{"drop under 0.3", bridgeOf(0.299, "OL"), "leaky", "upper A", nil},
		// 0.3 is a diode again; 1000·(0.45−0.30) = 150 mV of spread, over 60.
		{"drop of 0.3", bridgeOf(0.3, "OL"), "uneven", "upper A", map[string]float64{"spread_mv": 150}},
		{"reverse under 1.8", bridgeOf(0.45, 1.79), "leaky", "upper A", nil},
		{"reverse of 1.8", bridgeOf(0.45, 1.8), "good", "", nil},
		// 1.5 is not over 1.5: 1000·(1.5−0.45) = 1050 mV of spread.
		{"drop of 1.5", bridgeOf(1.5, "OL"), "uneven", "upper A", map[string]float64{"spread_mv": 1050}},
		{"drop over 1.5", bridgeOf(1.51, "OL"), "open", "upper A", nil},
		// 1000·(0.51−0.45) = 60 mV is even, 61 mV is not.
		{"60 mV", bridgeOf(0.51, "OL"), "good", "", map[string]float64{"spread_mv": 60}},
		{"61 mV", bridgeOf(0.511, "OL"), "uneven", "upper A", map[string]float64{"spread_mv": 61}},
		{"61 mV below", bridgeOf(0.389, "OL"), "uneven", "upper A", map[string]float64{"spread_mv": 61}},
		// −0.04 V is the meter's zero: under 0.1 one way, over range the other.
		{"zero error of the meter", bridgeOf(-0.04, "OL"), "leaky", "upper A", nil},
		{"charged bus", bridgeOf(-0.06, "OL"), "", "up[0]", nil},
		{"charged bus in reverse", bridgeOf(0.45, -2.0), "", "up_rev[0]", nil},
	})
}

// TestBridgeRenaming: turning the phases A→B→C→A turns them in the answer, and
// exchanging the two rows exchanges upper and lower.
func TestBridgeRenaming(t *testing.T) {
	t.Parallel()
	m := setup(t, "bridge_diode_test")
	phase := strings.NewReplacer(" A", " B", " B", " C", " C", " A")
	side := strings.NewReplacer("upper", "lower", "lower", "upper")
	sorted := func(detail string) string {
		words := strings.Split(detail, ", ")
		slices.Sort(words)
		return strings.Join(words, ", ")
	}
	rapid.Check(t, func(rt *rapid.T) {
		reading := rapid.OneOf(rapid.Float64Range(0.4, 0.5), rapid.Float64Range(0, 3), rapid.Just(OverDiode))
		row := func(label string) []any {
			return []any{reading.Draw(rt, label), reading.Draw(rt, label), reading.Draw(rt, label)}
		}
		turned := func(l []any) []any { return []any{l[2], l[0], l[1]} }
		up, low, upRev, lowRev := row("up"), row("low"), row("up_rev"), row("low_rev")
		judge := func(up, low, upRev, lowRev []any) Result {
			return evaluate(t, m, map[string]any{"up": up, "low": low, "up_rev": upRev, "low_rev": lowRev}, ParseOptions{})
		}
		x, y, z := judge(up, low, upRev, lowRev), judge(turned(up), turned(low), turned(upRev), turned(lowRev)), judge(low, up, lowRev, upRev)
		if x.Outcome != y.Outcome || x.Outcome != z.Outcome {
			rt.Fatalf("%s, turned %s, exchanged %s", x.Outcome, y.Outcome, z.Outcome)
		}
		if x.Outcome == "uneven" && farthestTwice(slices.Concat(up, low)) {
			return // two switches equally far from the rest: the first is named
		}
		if sorted(phase.Replace(x.Detail)) != sorted(y.Detail) || sorted(side.Replace(x.Detail)) != sorted(z.Detail) {
			rt.Fatalf("%q, turned %q, exchanged %q", x.Detail, y.Detail, z.Detail)
		}
	})
}

func farthestTwice(drops []any) bool {
	list := make([]float64, len(drops))
	for i, d := range drops {
		list[i] = d.(float64)
	}
	m := median(list)
	for i, d := range list {
		list[i] = math.Abs(d - m)
	}
	slices.Sort(list)
	return list[len(list)-1] == list[len(list)-2]
}
