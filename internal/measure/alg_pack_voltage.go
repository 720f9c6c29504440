package measure

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"nextprobe/internal/units"
)

// packVoltage judges a pack's rested voltage by the mean voltage of its groups.
// The limits are the library's (its sources overdischarge and expert margins): above
// 4.23 V over-full, below 2.0 V copper dissolution is to be feared, 2.0 to 2.5 V
// only a supervised trial, below 3.0 V empty. One voltage does not give the number
// of groups: every n with 2.5 V ≤ V/n ≤ 4.25 V fits (derived), so an unknown count
// is only settled where a single n does.
var packVoltage = &algorithm{
	needs: []need{
		{id: "v_pack", kind: kindNumber, unit: "V"},
		{id: "series", kind: kindNumber, nullable: true, integer: true, low: 1, hi: 200},
		{id: "v_reported", kind: kindNumber, unit: "V", nullable: true},
	},
	units:    map[string]units.Unit{"v_cell": units.MustUnit("V"), "soc_pct": units.MustUnit("%"), "report_err_pct": units.MustUnit("%")},
	outcomes: []string{"over_full", "dead_low", "below_recovery", "empty", "report_wrong", "series_unknown", "in_range"},
	prepare: func(env map[string]any) {
		if v, ok := env["v_pack"].(float64); ok && env["series"] == nil {
			if n := seriesCandidates(v); len(n) == 1 {
				env["series"] = float64(n[0])
			}
		}
	},
	run: judgePack,
}

// seriesCandidates lists the group counts that put the mean group voltage between
// 2.5 and 4.25 V. The small allowance keeps 42.5 V = 10 × 4.25 V in despite
// binary fractions.
func seriesCandidates(v float64) []int {
	var out []int
	for n := int(math.Ceil(v/4.25 - 1e-9)); n <= int(math.Floor(v/2.5+1e-9)) && n <= 200; n++ {
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
	n, known := c.num("series")
	if !known {
		return unknownSeries(c, v)
	}
	cell := v / n
	out := verdict{text: fmt.Sprintf("%.4g V over %g groups = %.3f V per group", v, n, cell), extra: []NamedValue{value("series", "Cells in series", n, "1")}}
	out.extra[0].Unit = ""
	reported, isReported := c.num("v_reported")
	switch {
	case cell > 4.23:
		out.outcome = "over_full"
		if cell > 4.6 {
			out.warnings = append(out.warnings, fmt.Sprintf("%.2f V per group is more than a cell can hold: check the group count before anything else.", cell))
		}
	case cell < 2.0:
		out.outcome = "dead_low"
	case cell < 2.5:
		out.outcome = "below_recovery"
	case cell < 3.0:
		out.outcome = "empty"
	case isReported && math.Abs(reported-v) > 0.02*v:
		out.outcome = "report_wrong"
		out.text += fmt.Sprintf(", reported %.4g V is off by %.1f %% (limit 2 %%)", reported, 100*(reported-v)/v)
	default:
		out.outcome = "in_range"
		if soc, ok := c.num("soc_pct"); ok {
			out.text += fmt.Sprintf(", about %.0f %% charged", soc)
		}
	}
	return out, nil
}

func unknownSeries(c *algCall, v float64) (verdict, error) {
	n := seriesCandidates(v)
	if len(n) == 0 {
		return verdict{}, c.refuse(fmt.Sprintf("no whole number of groups between 2.5 and 4.25 V makes %.3g V: measure again, and give series from the label or the balance plug", v), "v_pack", "series")
	}
	words := make([]string, len(n))
	for i, x := range n {
		words[i] = strconv.Itoa(x)
	}
	d := strings.Join(words, ",")
	return verdict{outcome: "series_unknown", detail: d, text: fmt.Sprintf("%.4g V fits any of %s groups", v, strings.Join(words, ", "))}, nil
}
