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
// so an unknown count is only settled where a single n does whatever the chemistry
// may be, which is a single group on the bench, and then it is said.
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
			if n, ok := onlySeries(v, env["chemistry"]); ok {
				env["series"], env[seriesReckoned] = n, true
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
	nominal                         any     // V, float64: ready for the values of a run
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
func limitsOf(chemistry any) *packLimits {
	if chemistry == ironPhosphate {
		return &ironPhosphateCells
	}
	return &layeredOxide
}

// maxSeries is the longest string of groups that is looked for.
const maxSeries = 200

// seriesCandidates are the first and last of the group counts that put the mean
// group voltage between the bounds of a chemistry; ok is false where there is none.
// The small allowance keeps 42.5 V = 10 × 4.25 V in despite binary fractions.
func seriesCandidates(v float64, l *packLimits) (first, last int, ok bool) {
	first = int(max(math.Ceil(v/l.high-1e-9), 1))
	last = int(min(math.Floor(v/l.low+1e-9), maxSeries))
	return first, last, first <= last
}

// onlySeries returns the group count that a voltage leaves no choice in. Where the
// chemistry is not known, the other chemistry must not allow a count of its own:
// 4.1 V is one full group of layered oxide, or two of iron phosphate all but dead.
func onlySeries(v float64, chemistry any) (float64, bool) {
	first, last, ok := seriesCandidates(v, limitsOf(chemistry))
	if !ok || first != last {
		return 0, false
	}
	if chemistry == nil {
		if a, b, other := seriesCandidates(v, &ironPhosphateCells); other && (a != first || b != first) {
			return 0, false
		}
	}
	return float64(first), true
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
	out := verdict{outcome: packOutcome(c, limit, v, cell)}
	if c.quiet {
		return out, nil
	}
	out.text = fmt.Sprintf("%.4g V over %g groups = %.3f V per group", v, n, cell)
	out.extra = []NamedValue{value("series", "Cells in series", n, "")}
	out.warnings = packWarnings(c, limit, n, cell)
	switch out.outcome {
	case "report_wrong":
		reported := c.must("v_reported")
		out.text += fmt.Sprintf(", reported %.4g V is off by %.1f %% (limit 2 %%)", reported, 100*(reported-v)/v)
	case "in_range":
		if soc, ok := c.num("soc_pct"); ok {
			out.text += fmt.Sprintf(", about %.0f %% charged", soc)
		}
	}
	return out, nil
}

func packOutcome(c *algCall, limit *packLimits, v, cell float64) string {
	switch {
	case cell > limit.overFull:
		return "over_full"
	case cell < limit.dead:
		return "dead_low"
	case cell < limit.recovery:
		return "below_recovery"
	case cell < limit.empty:
		return "empty"
	}
	if reported, ok := c.num("v_reported"); ok && math.Abs(reported-v) > 0.02*v {
		return "report_wrong"
	}
	return "in_range"
}

// packWarnings says what makes the judgement doubtful.
func packWarnings(c *algCall, limit *packLimits, n, cell float64) []string {
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

func unknownSeries(c *algCall, v float64, limit *packLimits) (verdict, error) {
	first, last, ok := seriesCandidates(v, limit)
	if c.quiet {
		if !ok {
			return verdict{}, errRefused
		}
		return verdict{outcome: "series_unknown"}, nil
	}
	if !ok {
		return verdict{}, c.refuse(fmt.Sprintf("no whole number of groups between %g and %g V makes %.3g V: measure again, and give series from the label or the balance plug", limit.low, limit.high, v), "v_pack", "series")
	}
	words := make([]string, 0, last-first+1)
	for n := first; n <= last; n++ {
		words = append(words, strconv.Itoa(n))
	}
	out := verdict{outcome: "series_unknown", detail: strings.Join(words, ",")}
	out.text = fmt.Sprintf("%.4g V fits any of %s groups of %s", v, strings.Join(words, ", "), limit.name)
	if len(words) == 1 {
		out.text = fmt.Sprintf("%.4g V fits a single group count of %s, %s, but the chemistry is not known", v, limit.name, words[0])
	}
	if a, b, ok := seriesCandidates(v, &ironPhosphateCells); ok && c.env["chemistry"] == nil {
		out.warnings = append(out.warnings, fmt.Sprintf("The chemistry is not known: of iron phosphate it would be %d to %d groups.", a, b))
	}
	if hint, pins := pinHint(c); hint > 0 {
		out.warnings = append(out.warnings, fmt.Sprintf("A charge port with %d pins hints at %d groups (common practice, no source): never rely on it, settle the number by the label, the balance plug or the charger's label.", pins, hint))
	}
	return out, nil
}
