package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// bridge judges the six switches of a three-phase bridge by their body diodes on
// a meter's diode range (common practice, no source; limits as the library states
// them). Per switch f is the forward drop and r the reverse reading, 9 for
// over-range: a short reads near zero both ways, a leaky switch reads a low drop
// or conducts in reverse, an open one shows no drop. The worst finding of the six
// counts, because one bad switch condemns the bridge; every switch that shows it
// is named in the detail. Charged capacitors can make the reverse reading rise,
// but a clearly negative reading means that the bus still holds charge.
var bridge = &algorithm{
	needs: []need{
		{id: "up", kind: kindList, unit: "V", length: 3, over: OverDiode, low: -1000, hi: 1000},
		{id: "low", kind: kindList, unit: "V", length: 3, over: OverDiode, low: -1000, hi: 1000},
		{id: "up_rev", kind: kindList, unit: "V", length: 3, over: OverDiode, low: -1000, hi: 1000},
		{id: "low_rev", kind: kindList, unit: "V", length: 3, over: OverDiode, low: -1000, hi: 1000},
	},
	outcomes: []string{"shorted", "leaky", "open", "uneven", "good"},
	run:      judgeBridge,
}

// bridgeSides are the two rows of three switches, with the inputs that hold them.
var bridgeSides = [2]struct{ name, fwd, rev string }{{"upper", "up", "up_rev"}, {"lower", "low", "low_rev"}}

func bridgeSwitch(k int) string { return bridgeSides[k/3].name + " " + string(rune('A'+k%3)) }

func judgeBridge(c *algCall) (verdict, error) {
	var drops [6]float64
	var classes [6]string
	for k, s := range bridgeSides {
		fwd, rev := c.list(s.fwd), c.list(s.rev)
		for i := range 3 {
			f, r := fwd[i], rev[i]
			if min(f, r) < -0.05 {
				return verdict{}, chargedBus(c, s.fwd, s.rev, i, f, r)
			}
			drops[3*k+i], classes[3*k+i] = f, switchClass(f, r)
		}
	}
	low, high := slices.Min(drops[:]), slices.Max(drops[:])
	uneven := high-low > 0.06+1e-9
	v := verdict{outcome: "good"}
	if uneven {
		v.outcome = "uneven"
	}
	for _, class := range [...]string{"open", "leaky", "shorted"} { // the gravest last
		if slices.Contains(classes[:], class) {
			v.outcome = class
		}
	}
	if c.quiet {
		return v, nil
	}
	v.extra = []NamedValue{value("spread_mv", "Spread of the six drops", 1000*(high-low), "mV")}
	switch v.outcome {
	case "good":
		v.text = fmt.Sprintf("six drops from %.2f V to %.2f V", low, high)
		if low < 0.35 || high > 0.65 {
			v.warnings = append(v.warnings, "The drops agree but lie outside 0.35 to 0.65 V: check the meter's diode range and the leads.")
		}
	case "uneven":
		m := median(drops[:])
		i := arg(drops[:], func(a, b float64) bool { return math.Abs(a-m) > math.Abs(b-m) })
		v.detail = bridgeSwitch(i)
		v.text = fmt.Sprintf("drops spread by %.0f mV (limit 60 mV), %s is farthest from the rest with %.2f V", 1000*(high-low), v.detail, drops[i])
	default:
		var hit []string
		for i, class := range classes {
			if class == v.outcome {
				hit = append(hit, bridgeSwitch(i))
			}
		}
		v.detail = strings.Join(hit, ", ")
		v.text = v.detail
	}
	return v, nil
}

// chargedBus refuses a clearly negative reading, naming the lower of the two.
func chargedBus(c *algCall, fwd, rev string, i int, f, r float64) error {
	if c.quiet {
		return errRefused
	}
	x, id := f, fwd
	if r < f {
		x, id = r, rev
	}
	return c.refuse(fmt.Sprintf("%s[%d] reads %.2f V: a diode range cannot read below zero, so the bus still holds charge; bleed it and measure again", id, i, x), fmt.Sprintf("%s[%d]", id, i))
}

func switchClass(f, r float64) string {
	switch {
	case f < 0.1 && r < 0.1:
		return "shorted"
	case f < 0.3 || r < 1.8:
		return "leaky"
	case f > 1.5:
		return "open"
	}
	return ""
}
