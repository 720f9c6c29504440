package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/units"
)

// phaseResistance judges a motor winding by its three line-to-line resistances.
//
// Star algebra (derived): R_A = (R_AB + R_CA − R_BC)/2. An open phase makes both
// readings that contain it open; a joint of d ohms in a phase raises both readings
// that contain it. In a delta with one branch open the readings are 2 : 1 : 1,
// twice across the open branch; a fully shorted star phase gives the same ratio at
// half the size, so only the type value tells the two apart.
//
// Unbalance is the NEMA MG 1 form, the largest deviation from the mean over the
// mean. Resistances are brought to 20 °C with IEC 60034-1's copper constant 234.5.
//
// Identity check: between three terminals of any network of resistors the
// resistances obey the triangle inequality (effective resistance is a metric; Klein
// and Randić 1993, from memory), so no star branch can be negative. Readings that
// break this by more than 5 % of the mean are refused instead of being made
// evidence. Opens, a reading that moves when flexed, and the short-pair pattern
// (whose two long readings may differ by contact resistance) come before it.
var phaseResistance = &algorithm{
	needs: []need{
		{id: "r_ab", kind: kindNumber, unit: "mOhm"}, {id: "r_bc", kind: kindNumber, unit: "mOhm"}, {id: "r_ca", kind: kindNumber, unit: "mOhm"},
		{id: "t_wind_c", kind: kindNumber, unit: "Cel", low: -60, hi: 300}, {id: "r_model_20", kind: kindNumber, unit: "mOhm", nullable: true},
		{id: "flex_change_pct", kind: kindNumber, unit: "%"},
	},
	params: map[string]float64{"open_mohm": 5000, "unbal_warn_pct": 3, "unbal_fail_pct": 5, "dev_model_pct": 10, "flex_pct": 5},
	units: map[string]units.Unit{
		"r_avg": units.MustUnit("mOhm"), "r_avg_20": units.MustUnit("mOhm"), "unbalance_pct": units.MustUnit("%"),
		"r_a": units.MustUnit("mOhm"), "r_b": units.MustUnit("mOhm"), "r_c": units.MustUnit("mOhm"),
	},
	outcomes: []string{"unstable", "all_open", "one_open", "short_pair", "one_high", "one_low", "off_model", "marginal", "balanced"},
	run:      judgePhases,
}

// phasePair is one reading with the two phases it spans.
type phasePair struct {
	name string
	r    float64
}

// common returns the letter two pairs share.
func common(a, b string) string {
	for _, l := range []string{"A", "B", "C"} {
		if containsLetter(a, l) && containsLetter(b, l) {
			return l
		}
	}
	return ""
}

func containsLetter(pair, l string) bool { return pair[:1] == l || pair[1:] == l }

// missing returns the letter a pair does not hold.
func missing(pair string) string {
	for _, l := range []string{"A", "B", "C"} {
		if !containsLetter(pair, l) {
			return l
		}
	}
	return ""
}

func judgePhases(c *algCall) (verdict, error) {
	pairs := [3]phasePair{{"AB", c.must("r_ab")}, {"BC", c.must("r_bc")}, {"CA", c.must("r_ca")}}
	if v, done := openPhases(c, pairs); done {
		return v, nil
	}
	if flex := math.Abs(c.must("flex_change_pct")); flex > c.params["flex_pct"] {
		v := verdict{outcome: "unstable"}
		if !c.quiet {
			v.text = fmt.Sprintf("the reading moves by %.1f %% when the cable is flexed (limit %g %%)", flex, c.params["flex_pct"])
		}
		return v, nil
	}
	mean := (pairs[0].r + pairs[1].r + pairs[2].r) / 3
	if mean == 0 {
		return verdict{}, c.refuse("all three readings are zero, and no winding is: read the lead zero first and use a milliohm meter", "r_ab", "r_bc", "r_ca")
	}
	sorted := pairs
	slices.SortStableFunc(sorted[:], func(a, b phasePair) int { return cmp.Compare(a.r, b.r) })
	lo, mid, hi := sorted[0], sorted[1], sorted[2]
	if lo.r < 0.4*mid.r && mid.r >= 0.8*hi.r {
		v := verdict{outcome: "short_pair", detail: lo.name}
		if !c.quiet {
			v.text = fmt.Sprintf("%s reads %.4g mΩ against %.4g and %.4g mΩ (limit 40 %%)", lo.name, lo.r, mid.r, hi.r)
		}
		return v, nil
	}
	if (lo.r+mid.r-hi.r)/2 < -0.05*mean {
		if c.quiet {
			return verdict{}, errRefused
		}
		return verdict{}, c.refuse(fmt.Sprintf("These three cannot belong to one winding: %s with %.4g mΩ is more than the other two together, %.4g mΩ. Zero the leads and read A–B, B–C and C–A again.",
			hi.name, hi.r, lo.r+mid.r), "r_ab", "r_bc", "r_ca")
	}
	to20 := 254.5 / (234.5 + c.must("t_wind_c"))
	if hi.r >= 1.8*mid.r && mid.r <= 1.1*lo.r {
		return twoToOne(c, lo, mid, hi, to20), nil
	}
	return balance(c, pairs, mean, to20), nil
}

func openPhases(c *algCall, pairs [3]phasePair) (verdict, bool) {
	var open [3]phasePair
	n, limit := 0, c.params["open_mohm"]
	for _, p := range pairs {
		if p.r > limit {
			open[n] = p
			n++
		}
	}
	if c.quiet && n > 0 {
		return verdict{outcome: [...]string{"", "unstable", "one_open", "all_open"}[n]}, true
	}
	switch n {
	case 3:
		return verdict{outcome: "all_open", text: "all three readings are open"}, true
	case 2:
		l := common(open[0].name, open[1].name)
		return verdict{outcome: "one_open", detail: l, text: open[0].name + " and " + open[1].name + " are open and share phase " + l}, true
	case 1:
		return verdict{outcome: "unstable", text: "only " + open[0].name + " is open, which neither star nor delta can do: repeat"}, true
	}
	return verdict{}, false
}

// twoToOne tells an open delta branch from a shorted star phase by the type value.
func twoToOne(c *algCall, lo, mid, hi phasePair, to20 float64) verdict {
	model, known := c.num("r_model_20")
	known = known && model > 0
	delta := known && lo.r*to20 > 1.2*model
	switch {
	case c.quiet && delta:
		return verdict{outcome: "one_open"}
	case c.quiet:
		return verdict{outcome: "one_low"}
	}
	text := fmt.Sprintf("%s reads %.4g mΩ, twice the other two (%.4g and %.4g mΩ)", hi.name, hi.r, lo.r, mid.r)
	if delta {
		return verdict{outcome: "one_open", detail: "delta " + hi.name, text: fmt.Sprintf("%s, all above the type value %.4g mΩ", text, model)}
	}
	v := verdict{outcome: "one_low", detail: missing(hi.name), text: text}
	if known {
		v.text += c.say(", the largest near the type value %.4g mΩ", model)
	} else {
		v.warnings = []string{"Without the type value a delta winding with one open branch reads in the same ratio: find the type value before replacing anything."}
	}
	return v
}

// balance judges three readings of one order by the NEMA unbalance and the type value.
func balance(c *algCall, pairs [3]phasePair, mean, to20 float64) verdict {
	dev := 0.0
	for _, p := range pairs {
		dev = max(dev, math.Abs(p.r-mean))
	}
	unbalance, fail, warn := 100*dev/mean, c.params["unbal_fail_pct"], c.params["unbal_warn_pct"]
	text := ""
	if !c.quiet {
		text = fmt.Sprintf("unbalance %.2f %% (limit %g %%), mean %.4g mΩ, %.4g mΩ at 20 °C", unbalance, fail, mean, mean*to20)
	}
	if unbalance > fail {
		ab, bc, ca := pairs[0].r, pairs[1].r, pairs[2].r
		branches := [3]float64{(ab + ca - bc) / 2, (ab + bc - ca) / 2, (bc + ca - ab) / 2}
		sorted := branches
		m := medianInPlace(sorted[:])
		hi, lo := arg(branches[:], func(a, b float64) bool { return a > b }), arg(branches[:], func(a, b float64) bool { return a < b })
		outcome, i := "one_high", hi
		if branches[hi]-m < m-branches[lo] {
			outcome, i = "one_low", lo
		}
		if c.quiet {
			return verdict{outcome: outcome}
		}
		letter := string(rune('A' + i))
		return verdict{outcome: outcome, detail: letter, text: fmt.Sprintf("%s, star branch %s %.4g mΩ against %.4g mΩ", text, letter, branches[i], m)}
	}
	if model, known := c.num("r_model_20"); known && model > 0 {
		off := 100 * (mean*to20 - model) / model
		if !c.quiet {
			text += fmt.Sprintf(", type value %.4g mΩ (off by %+.1f %%, limit %g %%)", model, off, c.params["dev_model_pct"])
		}
		if math.Abs(off) > c.params["dev_model_pct"] {
			return verdict{outcome: "off_model", text: text}
		}
	}
	if unbalance > warn {
		return verdict{outcome: "marginal", text: text}
	}
	return verdict{outcome: "balanced", text: text}
}
