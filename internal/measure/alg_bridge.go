package measure

import (
	"fmt"
	"math"
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

func judgeBridge(c *algCall) (verdict, error) {
	sides := []struct{ name, fwd, rev string }{{"upper", "up", "up_rev"}, {"lower", "low", "low_rev"}}
	found := map[string][]string{}
	var drops []float64
	var names []string
	for _, s := range sides {
		fwd, rev := c.list(s.fwd), c.list(s.rev)
		for i, f := range fwd {
			r := rev[i]
			if x, id := min(f, r), s.fwd; x < -0.05 {
				if r < f {
					id = s.rev
				}
				return verdict{}, c.refuse(fmt.Sprintf("%s[%d] reads %.2f V: a diode range cannot read below zero, so the bus still holds charge; bleed it and measure again", id, i, x), fmt.Sprintf("%s[%d]", id, i))
			}
			name := s.name + " " + string(rune('A'+i))
			drops, names = append(drops, f), append(names, name)
			if class := switchClass(f, r); class != "" {
				found[class] = append(found[class], name)
			}
		}
	}
	low, high := drops[arg(drops, func(a, b float64) bool { return a < b })], drops[arg(drops, func(a, b float64) bool { return a > b })]
	v := verdict{outcome: "good", text: fmt.Sprintf("six drops from %.2f V to %.2f V", low, high), extra: []NamedValue{value("spread_mv", "Spread of the six drops", 1000*(high-low), "mV")}}
	for _, class := range []string{"shorted", "leaky", "open"} {
		if hit := found[class]; hit != nil {
			v.outcome, v.detail = class, strings.Join(hit, ", ")
			v.text = v.detail
			return v, nil
		}
	}
	if high-low > 0.06+1e-9 {
		m := median(drops)
		i := arg(drops, func(a, b float64) bool { return math.Abs(a-m) > math.Abs(b-m) })
		v.outcome, v.detail = "uneven", names[i]
		v.text = fmt.Sprintf("drops spread by %.0f mV (limit 60 mV), %s is farthest from the rest with %.2f V", 1000*(high-low), names[i], drops[i])
		return v, nil
	}
	if low < 0.35 || high > 0.65 {
		v.warnings = append(v.warnings, "The drops agree but lie outside 0.35 to 0.65 V: check the meter's diode range and the leads.")
	}
	return v, nil
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
