package measure

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// balanceTaps judges the order of a balance plug's leads from the voltages of pins
// 0..n against pack minus, the meter loaded with 100 kΩ so that an open lead reads
// near zero (derived; bms_open_wire for the loaded reading).
//
// The nodes of a series string rise from pack minus to pack plus, so the true
// order of the leads is the order of their voltages: sorting the taps gives the
// permutation that was wired, whatever the single groups hold. That is why real
// packs, whose groups differ by some 0.3 V and may hold one weak group, are judged
// right: no tap is compared with a multiple of the mean voltage, where small
// differences add up over 20 groups.
//
// A step counts as none within ±0.25 V: two pins on one node read alike, but above
// 60 V a usual meter shows tenths and may be a digit off each time; a group that low
// hardly ever occurs. It counts as one group up to 135 % of the reference, but not
// above 4.5 V, which no lithium group holds; as two from 140 % or 4.5 V, whichever
// is lower, to 260 %. The bound in volts is what keeps the two apart when one of the
// two groups is weak: beside a weak group of 2.0 V a full neighbour of 3.95 V makes
// 5.95 V, only 140 % of 4.25 V. What lies between one and two is called neither. The
// reference is the median step, or v_cell where the taps are too few or too disturbed
// to give one.
//
// Some wirings read the same, and no rule on these voltages tells them apart:
//   - An open lead at pin 0 reads 0 V as the sound lead does, because the meter's
//     load pulls it there: a sound order carries a warning to measure pin 0 to pin 1.
//   - A lead i > 0 on the minus node reads as an open lead i: open_lead, whose
//     repair begins with following that very lead.
//   - A group near 0 V reads as two pins on one node: shifted, with a warning.
//   - A plug one pin along, whose last pin hangs free, reads as one with the minus
//     lead moved to the end: wrong_order.
//
// Order of the findings: no reference; the right order, with its groups; open lead;
// every node there once but misplaced (reversed, swapped pair, other disorder);
// shifted; what is left is other disorder.
var balanceTaps = &algorithm{
	needs: []need{
		{id: "taps", kind: kindList, unit: "V"},
		{id: "n", kind: kindNumber, integer: true, low: 1, hi: 200},
		{id: "v_cell", kind: kindNumber, unit: "V", low: 0.5, hi: 4.6, nullable: true},
	},
	prepare: func(env map[string]any) {
		if env["v_cell"] == nil {
			env["v_cell"] = limitsOf(env["chemistry"]).nominal
		}
	},
	outcomes: []string{"reversed_plug", "no_reference", "swapped_pair", "shifted", "open_lead", "wrong_order", "group_off", "in_order"},
	run:      judgeTaps,
}

const (
	tapZero      = 0.25 // V: two pins on one node
	tapOneMax    = 1.35
	tapTwoMin    = 1.40
	tapTwoMax    = 2.60
	tapGround    = 0.30 // of the reference: a loaded open lead
	tapGroupBand = 0.15
	tapMaxCell   = 4.5 // V, more than any lithium group holds
)

func judgeTaps(c *algCall) (verdict, error) {
	taps, n, cell := c.list("taps"), int(c.must("n")), c.must("v_cell")
	if len(taps) != n+1 {
		return verdict{}, c.refuse(fmt.Sprintf("%d groups have %d taps, pin 0 to pin %d; %d were given", n, n+1, n, len(taps)), "taps")
	}
	for i, t := range taps {
		if t < -0.5*cell || t > tapMaxCell*float64(n+1) {
			if c.quiet {
				return verdict{}, errRefused
			}
			return verdict{}, c.refuse(fmt.Sprintf("tap %d reads %.2f V against pack minus, but no node of %d groups can lie below 0 or above %.0f V: check the reference probe and the range", i, t, n, tapMaxCell*float64(n)), fmt.Sprintf("taps[%d]", i))
		}
	}
	t := &c.view
	t.look(taps, cell)
	t.quiet = c.quiet
	v := t.judge()
	if c.quiet {
		return v, nil
	}
	v.extra = []NamedValue{value("d", "Steps between the taps", t.d, "V"), value("v_ref", "Usual step", t.ref, "V")}
	if math.Abs(t.ref-cell) > 0.2*cell {
		v.warnings = append(v.warnings, fmt.Sprintf("The mean group voltage is given as %.2f V, but the taps step by about %.2f V.", cell, t.ref))
	}
	return v, nil
}

// tapView is a set of taps with its steps and the reference group voltage.
type tapView struct {
	taps, d, sorted []float64
	scratch         []float64
	keys            []int64
	quiet           bool  // one sample of many: neither text nor detail is wanted
	order           []int // order[k] = pin that carries the k-th lowest voltage
	ref             float64
	// The bounds of a step, all in V.
	ground, zero, oneMax, twoMin, twoMax float64
}

// look sets the view to a set of taps; it keeps the memory of an earlier one.
func (t *tapView) look(taps []float64, cell float64) {
	t.taps, t.ref = taps, cell
	t.d = stepsInto(t.d, taps)
	t.order = sized(t.order, len(taps))
	t.sorted = sized(t.sorted, len(taps))
	order, sorted := t.order, t.sorted
	// By insertion, which is stable and quick on what is nearly in order already.
	for i, x := range taps {
		k := i
		for ; k > 0 && x < sorted[k-1]; k-- {
			sorted[k], order[k] = sorted[k-1], order[k-1]
		}
		sorted[k], order[k] = x, i
	}
	// The median step is a group even when a lead is open or doubled, as long as
	// most steps are groups.
	if t.scratch = stepsInto(t.scratch, sorted); len(t.scratch) >= 4 {
		t.keys = sized(t.keys, len(t.scratch))
		if m := medianOf(t.scratch, t.keys); m > 0.6*cell && m < 1.5*cell && m <= tapMaxCell {
			t.ref = m
		}
	}
	t.ground, t.zero = tapGround*t.ref, tapZero
	most := max(tapMaxCell, 1.1*t.ref) // a stated mean near the limit needs room for its groups
	t.oneMax, t.twoMin, t.twoMax = min(tapOneMax*t.ref, most), min(tapTwoMin*t.ref, most), tapTwoMax*t.ref
}

func stepsInto(d, taps []float64) []float64 {
	d = sized(d, len(taps)-1)
	for i := range d {
		d[i] = taps[i+1] - taps[i]
	}
	return d
}

func (t *tapView) isZero(x float64) bool { return math.Abs(x) <= t.zero }
func (t *tapView) isOne(x float64) bool  { return x > t.zero && x <= t.oneMax }
func (t *tapView) isTwo(x float64) bool  { return x > t.oneMax && x >= t.twoMin && x <= t.twoMax }
func (t *tapView) isOff(x float64) bool  { return math.Abs(x-t.ref) > tapGroupBand*t.ref }

// straight reports that the taps go up by one group each in the order of the pins.
func (t *tapView) straight() bool {
	for _, d := range t.d {
		if !t.isOne(d) {
			return false
		}
	}
	return true
}

// rising reports that the sorted taps go up by one group each.
func (t *tapView) rising() bool {
	for k := 1; k < len(t.sorted); k++ {
		if !t.isOne(t.sorted[k] - t.sorted[k-1]) {
			return false
		}
	}
	return true
}

func (t *tapView) judge() verdict {
	n := len(t.d)
	if highest := t.sorted[n]; highest < t.ground {
		if t.quiet {
			return verdict{outcome: "no_reference"}
		}
		return verdict{outcome: "no_reference", text: fmt.Sprintf("the highest of %d taps is %.2f V", n+1, highest)}
	}
	// Pin 0 is the minus lead itself; where nothing lies near zero the order cannot
	// be told from the voltages. A sound order goes first, because a weak group 1 may
	// stand as low as an open lead.
	grounded := t.sorted[0] < t.ground
	if grounded && t.straight() {
		return t.groups()
	}
	if i := t.openLead(); i > 0 {
		if t.quiet {
			return verdict{outcome: "open_lead"}
		}
		return verdict{outcome: "open_lead", detail: strconv.Itoa(i), text: fmt.Sprintf("tap %d reads %.2f V under load while the taps around it are right", i, t.taps[i])}
	}
	if grounded && t.rising() {
		return t.permutation()
	}
	if v, ok := t.shifted(); ok {
		return v
	}
	if t.quiet {
		return verdict{outcome: "wrong_order"}
	}
	return verdict{outcome: "wrong_order", text: "the steps " + stepText(t.d) + " fit no single mistake"}
}

// permutation names the wiring order when every node is there once, but not in
// its place.
func (t *tapView) permutation() verdict {
	n := len(t.d)
	out, reversed := 0, true
	for k, pin := range t.order {
		if pin != k {
			out++
		}
		reversed = reversed && pin == n-k
	}
	v := verdict{outcome: "wrong_order"}
	switch {
	case reversed:
		v.outcome = "reversed_plug"
	case out == 2:
		v.outcome = "swapped_pair"
	}
	if t.quiet {
		return v
	}
	moved, words := make([]int, 0, out), make([]string, 0, out)
	for k, pin := range t.order {
		if pin != k {
			moved, words = append(moved, k), append(words, strconv.Itoa(k))
		}
	}
	switch v.outcome {
	case "reversed_plug":
		v.text = fmt.Sprintf("the taps fall from %.2f V at pin 0 to %.2f V at pin %d", t.taps[0], t.taps[n], n)
	case "swapped_pair":
		v.detail = strings.Join(words, ",")
		v.text = fmt.Sprintf("pins %d and %d carry each other's voltage (%.2f and %.2f V)", moved[0], moved[1], t.taps[moved[0]], t.taps[moved[1]])
	default:
		v.detail = strings.Join(words, ",")
		v.text = "pins " + strings.Join(words, ", ") + " are out of order"
	}
	return v
}

// pinZeroCaution goes with every sound order.
const pinZeroCaution = "An open lead at pin 0 reads 0 V as a sound one does: measure pin 0 to pin 1 too, it must show group 1."

// groups looks for a group outside the band once the order is right.
func (t *tapView) groups() verdict {
	if t.quiet {
		if slices.ContainsFunc(t.d, t.isOff) {
			return verdict{outcome: "group_off"}
		}
		return verdict{outcome: "in_order"}
	}
	var off []string
	for i, d := range t.d {
		if t.isOff(d) {
			off = append(off, strconv.Itoa(i+1))
		}
	}
	lo, hi := slices.Min(t.d), slices.Max(t.d)
	v := verdict{outcome: "in_order", warnings: []string{pinZeroCaution}}
	v.text = fmt.Sprintf("%d groups from %.2f to %.2f V in rising order (limit ±15 %% of %.2f V)", len(t.d), lo, hi, t.ref)
	if len(off) > 0 {
		v.outcome, v.detail = "group_off", strings.Join(off, ",")
		v.text += ", group " + strings.Join(off, ", ") + " outside"
	}
	return v
}

// openLead returns the pin that reads near zero while all others are right, or 0.
func (t *tapView) openLead() int {
	if len(t.taps) < 3 || math.Abs(t.taps[0]) >= t.ground {
		return 0
	}
	for i := 1; i < len(t.taps); i++ {
		if math.Abs(t.taps[i]) < t.ground && t.openAt(i) {
			return i
		}
	}
	return 0
}

// openAt reports that the taps are right but for pin i. Across an open lead two
// groups add up, at the last pin there is nothing across.
func (t *tapView) openAt(i int) bool {
	for k := 1; k < len(t.taps); k++ {
		switch {
		case k == i:
		case k-1 == i:
			if !t.isTwo(t.taps[k] - t.taps[k-2]) {
				return false
			}
		case !t.isOne(t.d[k-1]):
			return false
		}
	}
	return true
}

// shifted finds one node that two pins share or that no pin has. Node 0 is left out
// where pin 0 stands a group above pack minus.
func (t *tapView) shifted() (verdict, bool) {
	zero, two := 0, 0
	start := t.isOne(t.taps[0]) && t.taps[0] >= t.ground
	if !start && math.Abs(t.taps[0]) >= t.ground {
		return verdict{}, false
	}
	for i, d := range t.d {
		switch {
		case t.isOne(d):
		case t.isZero(d) && zero == 0:
			zero = i + 1
		case t.isTwo(d) && two == 0 && !start:
			two = i + 1
		default:
			return verdict{}, false
		}
	}
	switch {
	case zero == 0 && two == 0 && !start:
		return verdict{}, false
	case t.quiet:
		return verdict{outcome: "shifted"}, true
	case start:
		return verdict{outcome: "shifted", detail: "left out at 0", text: fmt.Sprintf("pin 0 stands %.2f V above pack minus, one group: the minus node is left out", t.taps[0])}, true
	case zero == 0 || (two > 0 && two < zero):
		return verdict{outcome: "shifted", detail: fmt.Sprintf("left out at %d", two), text: fmt.Sprintf("the step to pin %d is %.2f V, two groups: a node is left out", two, t.d[two-1])}, true
	}
	return verdict{outcome: "shifted", detail: fmt.Sprintf("doubled at %d", zero),
		text:     fmt.Sprintf("pins %d and %d read alike (%.2f V): two pins on one node", zero-1, zero, t.taps[zero]),
		warnings: []string{fmt.Sprintf("A group %d at zero volts would read the same: measure pin to pin at the cells before plugging.", zero)}}, true
}

func stepText(d []float64) string {
	words := make([]string, 0, 12)
	for i, x := range d {
		if i == 12 {
			words = append(words, "…")
			break
		}
		words = append(words, fmt.Sprintf("%.2f", x))
	}
	return strings.Join(words, " ") + " V"
}
