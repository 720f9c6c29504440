package measure

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

// hallSequence judges the states of three hall sensors over electrical turns.
// Sensors 120 electrical degrees apart give the six states 1 3 2 6 4 5 in turn,
// one bit changing at a time, or the same backwards; 0 and 7 never occur
// (Microchip AN885, AN957: commutation tables). Everything else is named by the
// simplest defect that makes it (derived): a bit that never changes, two bits that
// always agree, one sensor inverted or placed at 60 degrees, single jumps.
// A swap of signal wires only turns one valid cycle into the other and cannot be
// seen here. Bits: H1 = 4, H2 = 2, H3 = 1.
var hallSequence = &algorithm{
	needs:    []need{{id: "states", kind: kindList, integer: true, low: 0, hi: 7}},
	outcomes: []string{"no_change", "two_dead", "one_stuck_high", "one_stuck_low", "joined", "inverted_or_60", "skips", "valid_forward", "valid_reverse"},
	run:      judgeHall,
}

// minChanges is the least number of changes a verdict needs: a whole electrical
// turn of sound sensors has six, and with less, a standing wheel looks like a
// stuck sensor.
const minChanges = 6

var hallCycle = []int{1, 3, 2, 6, 4, 5}

func judgeHall(c *algCall) (verdict, error) {
	samples := c.list("states")
	var walk []int
	seen := map[int]bool{}
	for _, f := range samples {
		s := int(f)
		seen[s] = true
		if len(walk) == 0 || walk[len(walk)-1] != s {
			walk = append(walk, s)
		}
	}
	changes := len(walk) - 1
	text := fmt.Sprintf("%d states, %d changes", len(seen), changes)
	if len(samples) < minChanges+1 && changes < minChanges || changes > 0 && changes < minChanges {
		return verdict{}, c.refuse(fmt.Sprintf("%d readings with %d changes are too few: turn the wheel slowly through at least one electrical turn and record 12 changes", len(samples), changes), "states")
	}
	var constant, high []string
	for i, bit := range []int{4, 2, 1} {
		and, or := 7, 0
		for s := range seen {
			and &= s
			or |= s
		}
		if and&bit == or&bit {
			constant = append(constant, fmt.Sprintf("H%d", i+1))
			if and&bit != 0 {
				high = append(high, fmt.Sprintf("H%d", i+1))
			}
		}
	}
	v := verdict{text: text}
	switch pairs := equalPairs(seen); {
	case len(seen) == 1:
		v.outcome = "no_change"
	case len(pairs) == 1 && len(constant) < 2 && !touches(pairs[0], constant):
		v.outcome, v.detail = "joined", pairs[0]
	case len(seen) == 2:
		v.outcome, v.detail = "two_dead", strings.Join(constant, ", ")
	case len(constant) == 1 && len(high) == 1:
		v.outcome, v.detail = "one_stuck_high", constant[0]
	case len(constant) == 1:
		v.outcome, v.detail = "one_stuck_low", constant[0]
	case seen[0] && seen[7] && len(seen) == 6 && oneBitSteps(walk):
		v.outcome = "inverted_or_60"
	default:
		v.outcome, v.text = cycleDirection(walk, text)
	}
	return v, nil
}

// equalPairs lists the sensor pairs whose bits agree in every state.
func equalPairs(seen map[int]bool) []string {
	var out []string
	for _, p := range [][2]int{{0, 1}, {1, 2}, {0, 2}} {
		same := true
		for s := range seen {
			same = same && (s>>(2-p[0]))&1 == (s>>(2-p[1]))&1
		}
		if same {
			out = append(out, fmt.Sprintf("H%d-H%d", p[0]+1, p[1]+1))
		}
	}
	return out
}

// touches reports whether a sensor of the pair never changes, in which case the
// two agree by chance and not by a joint.
func touches(pair string, constant []string) bool {
	return slices.ContainsFunc(constant, func(h string) bool { return strings.Contains(pair, h) })
}

func oneBitSteps(walk []int) bool {
	for i := 1; i < len(walk); i++ {
		if bits.OnesCount(uint(walk[i]^walk[i-1])) != 1 {
			return false
		}
	}
	return true
}

// cycleDirection walks the changes against the cycle.
func cycleDirection(walk []int, text string) (outcome, found string) {
	forward, back := true, true
	for i := 1; i < len(walk); i++ {
		a, b := slices.Index(hallCycle, walk[i-1]), slices.Index(hallCycle, walk[i])
		if a < 0 || b < 0 {
			return "skips", text + ", with 000 or 111 among them"
		}
		step := (b - a + 6) % 6
		forward, back = forward && step == 1, back && step == 5
	}
	switch {
	case forward:
		return "valid_forward", text + ", in the order 1 3 2 6 4 5"
	case back:
		return "valid_reverse", text + ", in the order 5 4 6 2 3 1"
	}
	return "skips", text + ", not all one step apart in the cycle"
}
