package measure

import (
	"fmt"
	"slices"
	"strings"
)

// harness compares the continuity found between the pins of a cable's two ends
// with the board's record (derived). Order of gravity: a conductor on the metal, two
// conductors joined, conductors crossed, conductors open. Two near pins that both
// reach the same far pin are joined to each other through it, which is a short even
// though each shows one mate only; unless the record itself joins them.
var harness = &algorithm{
	needs: []need{
		{id: "expected", kind: kindMap}, {id: "found", kind: kindMap}, {id: "to_metal", kind: kindTextList},
	},
	outcomes: []string{"short_to_metal", "short_pair", "swapped", "open", "good"},
	run:      judgeHarness,
}

func judgeHarness(c *algCall) (verdict, error) {
	expected, _ := c.env["expected"].(map[string][]string)
	found, _ := c.env["found"].(map[string][]string)
	metal, _ := c.env["to_metal"].([]string)
	if err := checkPins(c, expected, found); err != nil {
		return verdict{}, err
	}
	var joined, swapped, open []string
	near := map[string][]string{} // far pin -> near pins that reach it
	for _, pin := range naturalSorted(expected) {
		mates, want := eachOnce(found[pin]), eachOnce(expected[pin])
		extra := slices.ContainsFunc(mates, func(q string) bool { return !slices.Contains(want, q) })
		switch {
		case len(mates) == 0:
			open = append(open, pin)
		case len(mates) > max(1, len(want)) || (len(mates) > 1 && extra):
			joined = append(joined, pin)
		case extra:
			swapped = append(swapped, pin)
		case len(mates) < len(want):
			open = append(open, pin)
		}
		for _, q := range mates {
			near[q] = append(near[q], pin)
		}
	}
	for _, q := range naturalSorted(near) {
		for i, a := range near[q] {
			for _, b := range near[q][:i] {
				if slices.Contains(expected[a], q) && slices.Contains(expected[b], q) {
					continue
				}
				joined = append(joined, a, b)
			}
		}
	}
	joined = eachOnce(joined)
	switch {
	case len(metal) > 0:
		d := strings.Join(eachOnce(metal), ",")
		return verdict{outcome: "short_to_metal", detail: d, text: "continuity from " + d + " to the box metal"}, nil
	case len(joined) > 0:
		d := strings.Join(joined, ",")
		return verdict{outcome: "short_pair", detail: d, text: "conductors " + d + " are joined"}, nil
	case len(swapped) > 0:
		d := strings.Join(swapped, ",")
		return verdict{outcome: "swapped", detail: d, text: "conductors " + d + " end at other pins than recorded"}, nil
	case len(open) > 0:
		d := strings.Join(open, ",")
		return verdict{outcome: "open", detail: d, text: "no continuity on " + d}, nil
	}
	return verdict{outcome: "good", text: fmt.Sprintf("%d conductors match the record, none on metal", len(expected))}, nil
}

// eachOnce returns the names sorted, each once: the same pin listed twice is one
// conductor.
func eachOnce(names []string) []string {
	l := slices.Clone(names)
	slices.SortFunc(l, naturalLess)
	return slices.Compact(l)
}

func checkPins(c *algCall, expected, found map[string][]string) error {
	for _, pin := range naturalSorted(expected) {
		if len(expected[pin]) == 0 {
			return c.refuse(fmt.Sprintf("pin %s has no far pin in the record", pin), "expected."+pin)
		}
		if _, ok := found[pin]; !ok {
			return c.refuse(fmt.Sprintf("pin %s was not tested; give an empty list when it has no continuity", pin), "found."+pin)
		}
	}
	for _, pin := range naturalSorted(found) {
		if _, ok := expected[pin]; !ok {
			return c.refuse(fmt.Sprintf("pin %s is not in the record (expected)", pin), "found."+pin)
		}
	}
	return nil
}
