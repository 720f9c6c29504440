package measure

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"nextprobe/internal/units"
)

// packVoltage judges a pack's rested voltage by the mean voltage of its groups,
// with the limits of its chemistry. One voltage does not give the number of
// groups: every n that puts the mean between the chemistry's bounds fits (derived),
// so an unknown count is only settled where a single n does whatever the chemistry,
// which is a single group on the bench, and then it is said.
var packVoltage = &algorithm{
	needs: []need{
		{id: "v_pack", kind: kindNumber, unit: "V"},
		{id: "series", kind: kindNumber, nullable: true, integer: true, low: 1, hi: 200},
		{id: "v_reported", kind: kindNumber, unit: "V", nullable: true},
	},
	units:    map[string]units.Unit{"v_cell": units.MustUnit("V"), "soc_pct": units.MustUnit("%"), "report_err_pct": units.MustUnit("%")},
	outcomes: []string{"over_full", "dead_low", "below_recovery", "empty", "report_wrong", "series_unknown", "in_range"},
	prepare: func(env map[string]any) {
		env[seriesReckoned] = nil
		if v, ok := (&algCall{env: env}).num("v_pack"); ok && env["series"] == nil {
			if n := seriesCandidates(v, limitsOf(env["chemistry"])); len(n) == 1 {
				env["series"], env[seriesReckoned] = float64(n[0]), true
			}
		}
	},
	run: judgePack,
}

// seriesReckoned marks, among the values of a run, a group count that nobody stated.
const seriesReckoned = "series_reckoned"

// ironPhosphate is the chemistry that is not layered oxide, as boards' records and
// the library's choices spell it.
const ironPhosphate = "iron_phosphate"

// packLimits are voltages per cell group at rest.
type packLimits struct {
	name                            string
	overFull, dead, recovery, empty float64 // V
	low, high                       float64 // V: bounds for the number of groups
	nominal                         float64 // V
}

// layeredOxide has the limits of the first edition (library source overdischarge
// and expert margins): charged to 4.20 V, copper dissolves below 2.0 V.
var layeredOxide = packLimits{name: "layered oxide", overFull: 4.23, dead: 2.0, recovery: 2.5, empty: 3.0, low: 2.5, high: 4.25, nominal: 3.7}

// ironPhosphateCells: charged to 3.65 V, a rested cell settles at 3.3 to 3.4 V and
// is never above 3.65 V; 3.75 V is the margin beyond it. Discharged to 2.5 V; at
// rest 2.8 V is what is left near empty. The floor of 2.0 V is kept because the
// copper of the negative electrode dissolves in both chemistries alike (library
// source overdischarge). Figures of common practice, from memory.
var ironPhosphateCells = packLimits{name: "iron phosphate", overFull: 3.75, dead: 2.0, recovery: 2.5, empty: 2.8, low: 2.0, high: 3.65, nominal: 3.3}

// limitsOf returns the limits of a chemistry; layered oxide where it is unknown,
// as the first edition judged every pack.
func limitsOf(chemistry any) packLimits {
	if chemistry == ironPhosphate {
		return ironPhosphateCells
	}
	return layeredOxide
}

// maxSeries is the longest string of groups that is looked for.
const maxSeries = 200

// seriesCandidates lists the group counts that put the mean group voltage between
// the bounds of a chemistry. The small allowance keeps 42.5 V = 10 × 4.25 V in
// despite binary fractions.
func seriesCandidates(v float64, l packLimits) []int {
	var out []int
	for n := int(math.Ceil(v/l.high - 1e-9)); n <= int(math.Floor(v/l.low+1e-9)) && n <= maxSeries; n++ {
		if n > 0 {
			out = append(out, n)
		}
	}
	return out
}

func judgePack(c *algCall) (verdict, error) {
	v := c.must("v_pack")
	if v < -0.5 {
		return verdict{}, c.refuse(fmt.Sprintf("The pack voltage is %.1f V: the meter leads are reversed, or the pack is; settle the polarity before anything else", v), "v_pack")
	}
	limit := limitsOf(c.env["chemistry"])
	n, known := c.num("series")
	if !known {
		return unknownSeries(c, v, limit)
	}
	cell := v / n
	out := verdict{text: c.say("%.4g V over %g groups = %.3f V per group", v, n, cell), extra: []NamedValue{value("series", "Cells in series", n, "")}}
	if !c.quiet {
		out.warnings = packWarnings(c, limit, n, cell)
	}
	reported, isReported := c.num("v_reported")
	switch {
	case cell > limit.overFull:
		out.outcome = "over_full"
	case cell < limit.dead:
		out.outcome = "dead_low"
	case cell < limit.recovery:
		out.outcome = "below_recovery"
	case cell < limit.empty:
		out.outcome = "empty"
	case isReported && math.Abs(reported-v) > 0.02*v:
		out.outcome = "report_wrong"
		out.text += c.say(", reported %.4g V is off by %.1f %% (limit 2 %%)", reported, 100*(reported-v)/v)
	default:
		out.outcome = "in_range"
		if soc, ok := c.num("soc_pct"); ok {
			out.text += c.say(", about %.0f %% charged", soc)
		}
	}
	return out, nil
}

// packWarnings says what makes the judgement doubtful.
func packWarnings(c *algCall, limit packLimits, n, cell float64) []string {
	var out []string
	if c.yes(seriesReckoned) {
		out = append(out, fmt.Sprintf("The count of %g is reckoned from the voltage and not on record: count the groups.", n))
	}
	switch soc, ok := c.num("soc_pct"); {
	case cell > 4.6:
		out = append(out, fmt.Sprintf("%.2f V per group is more than a cell can hold: check the group count before anything else.", cell))
	case limit.name != ironPhosphateCells.name:
	case cell > 4.0:
		out = append(out, fmt.Sprintf("%.2f V per group is a layered-oxide voltage, the record says iron phosphate: settle the chemistry and the group count before anything else.", cell))
	case ok && soc >= 20 && soc <= 90:
		out = append(out, "Iron phosphate is flat from 20 to 90 %: this voltage says little about the charge.")
	}
	if hint, pins := pinHint(c); hint > 0 && float64(hint) != n {
		out = append(out, fmt.Sprintf("A charge port with %d pins hints at %d groups (common practice, no source), %g are given: read the charger's label and measure the charger before it is plugged in.", pins, hint, n))
	}
	return out
}

// pinHabit: some communities fit a charge port by the number of groups in series.
// Common practice, no source; nothing may be settled by it, because a wrong guess
// over-charges the pack.
var pinHabit = map[int]int{3: 18, 2: 19, 4: 20}

// pinHint returns the groups that the pins of the charge port hint at, 0 when none.
func pinHint(c *algCall) (groups, pins int) {
	p, _ := c.num("charge_pins")
	return pinHabit[int(p)], int(p)
}

func unknownSeries(c *algCall, v float64, limit packLimits) (verdict, error) {
	n := seriesCandidates(v, limit)
	if len(n) == 0 {
		return verdict{}, c.refuse(fmt.Sprintf("no whole number of groups between %g and %g V makes %.3g V: measure again, and give series from the label or the balance plug", limit.low, limit.high, v), "v_pack", "series")
	}
	words := make([]string, len(n))
	for i, x := range n {
		words[i] = strconv.Itoa(x)
	}
	out := verdict{outcome: "series_unknown", detail: strings.Join(words, ",")}
	if c.quiet {
		return out, nil
	}
	out.text = fmt.Sprintf("%.4g V fits any of %s groups of %s", v, strings.Join(words, ", "), limit.name)
	if iron := seriesCandidates(v, ironPhosphateCells); c.env["chemistry"] == nil && len(iron) > 0 {
		out.warnings = append(out.warnings, fmt.Sprintf("The chemistry is not known: of iron phosphate it would be %d to %d groups.", iron[0], iron[len(iron)-1]))
	}
	if hint, pins := pinHint(c); hint > 0 {
		out.warnings = append(out.warnings, fmt.Sprintf("A charge port with %d pins hints at %d groups (common practice, no source): never rely on it, settle the number by the label, the balance plug or the charger's label.", pins, hint))
	}
	return out, nil
}
