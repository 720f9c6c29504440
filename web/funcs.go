package web

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"

	"golang.org/x/text/currency"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
	"nextprobe/internal/units"
)

func templateFuncs(a *assets) template.FuncMap {
	return template.FuncMap{
		"asset":      a.url,
		"field":      newField,
		"choice":     choiceField,
		"emptyForm":  emptyForm,
		"percent":    percent,
		"likely":     likely,
		"bar":        barWidth,
		"money":      money,
		"minutes":    minutes,
		"number":     formatNumber,
		"optfloat":   formatFloat,
		"optint":     formatInt,
		"rate":       func(x *float64) string { return significant(*x, 2) },
		"bounds":     boundsOf95,
		"letter":     curveLetter,
		"unit":       unitText,
		"date":       func(t time.Time) string { return t.Local().Format("2 Jan 2006") },
		"clock":      func(t time.Time) string { return t.Local().Format("2 Jan 2006 15:04") },
		"iso":        func(t time.Time) string { return t.Format(time.RFC3339) },
		"state":      stateText,
		"words":      words,
		"sentence":   sentence,
		"hazard":     hazardName,
		"plural":     plural,
		"value":      valueText,
		"signed":     func(n int) string { return fmt.Sprintf("%+d", n) },
		"dict":       pair,
		"join":       strings.Join,
		"perUnit":    func(u string) string { return strings.Replace(u, "1/", "per ", 1) },
		"valueLabel": valueLabel,
		"partLine":   partLine,
		"plus1":      func(i int) int { return i + 1 },
	}
}

// Pair hands a page and one of its parts to a shared template.
type Pair struct{ Page, Item any }

func pair(page, item any) Pair { return Pair{page, item} }

// percent prints a probability; the ends of the scale are never claimed.
func percent(p float64) string {
	switch {
	case math.IsNaN(p):
		return "–"
	case p > 0 && p < 0.005:
		return "<1\u00a0%"
	case p < 1 && p >= 0.995:
		return ">99\u00a0%"
	}
	return strconv.Itoa(int(math.Round(p*100))) + "\u00a0%"
}

// likely puts a probability in words (bounds: common practice, no source).
func likely(p float64) string {
	for _, w := range []struct {
		from float64
		text string
	}{{0.95, "almost certain"}, {0.75, "very likely"}, {0.5, "likely"}, {0.25, "possible"}, {0.1, "less likely"}, {0.02, "unlikely"}} {
		if p >= w.from {
			return w.text
		}
	}
	return "very unlikely"
}

// barWidth is a bar's length in a 100 wide drawing; what is above 0 is seen.
func barWidth(p float64) string {
	if p <= 0 || math.IsNaN(p) {
		return "0"
	}
	return strconv.FormatFloat(math.Min(100, math.Max(0.8, p*100)), 'f', 1, 64)
}

func currencyScale(code string) int {
	u, err := currency.ParseISO(code)
	if err != nil {
		return 2
	}
	scale, _ := currency.Standard.Rounding(u)
	return scale
}

// money prints minor units with the currency's own number of decimals (ISO 4217).
func money(minor any, code string) string {
	var m float64
	switch v := minor.(type) {
	case int64:
		m = float64(v)
	case *int64:
		if v == nil {
			return "–"
		}
		m = float64(*v)
	case float64:
		m = v
	default:
		return "–"
	}
	scale := currencyScale(code)
	return strings.TrimSpace(strconv.FormatFloat(m/math.Pow10(scale), 'f', scale, 64) + " " + code)
}

// moneyInput is an amount as it stands in a field.
func moneyInput(minor *int64, code string) string {
	if minor == nil {
		return ""
	}
	scale := currencyScale(code)
	return strconv.FormatFloat(float64(*minor)/math.Pow10(scale), 'f', scale, 64)
}

func minutes(v any) string {
	var m float64
	switch n := v.(type) {
	case float64:
		m = n
	case int:
		m = float64(n)
	}
	whole := int(math.Round(m))
	if whole < 60 {
		return strconv.Itoa(whole) + " min"
	}
	if whole%60 == 0 {
		return strconv.Itoa(whole/60) + " h"
	}
	return fmt.Sprintf("%d h %d min", whole/60, whole%60)
}

// formatNumber prints four significant digits.
func formatNumber(x float64) string { return significant(x, 4) }

// significant prints so many significant digits, without an exponent where that is readable.
func significant(x float64, digits int) string {
	a := math.Abs(x)
	switch {
	case x == 0:
		return "0"
	case a >= 1e9:
		return "open"
	case a >= 1e6 || a < 1e-4:
		return strconv.FormatFloat(x, 'g', digits, 64)
	}
	decimals := digits - 1 - int(math.Floor(math.Log10(a)))
	s := strconv.FormatFloat(x, 'f', max(0, decimals), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return strings.Replace(s, "-", "−", 1)
}

// valueText prints a reading or a computed value of whatever kind.
func valueText(v any) string {
	switch x := v.(type) {
	case nil:
		return "not taken"
	case float64:
		return formatNumber(x)
	case int:
		return strconv.Itoa(x)
	case int64:
		return strconv.FormatInt(x, 10)
	case bool:
		if x {
			return "yes"
		}
		return "no"
	case string:
		return x
	case []float64:
		parts := make([]string, len(x))
		for i, e := range x {
			parts[i] = formatNumber(e)
		}
		return strings.Join(parts, ", ")
	case []any:
		if len(x) == 0 {
			return "none"
		}
		parts := make([]string, len(x))
		for i, e := range x {
			parts[i] = valueText(e)
		}
		return strings.Join(parts, ", ")
	case map[string]any:
		keys := sortedKeys(x)
		parts := make([]string, len(keys))
		for i, k := range keys {
			parts[i] = k + ": " + valueText(x[k])
		}
		return strings.Join(parts, "; ")
	}
	return fmt.Sprint(v)
}

// valueLabel is the library's label of a computed value. Where it has none, the
// id is worded; the unit at its end stands behind the value already.
func valueLabel(v shop.ResultValue) string {
	if v.Label != "" {
		return v.Label
	}
	parts := strings.Split(v.ID, "_")
	if n := len(parts); n > 1 && (strings.EqualFold(parts[n-1], v.Unit) || (parts[n-1] == "pct" && v.Unit == "%") || (parts[n-1] == "c" && v.Unit == "C")) {
		parts = parts[:n-1]
	}
	return strings.Join(parts, " ")
}

// unitText prints the library's unit word as the trade writes it.
func unitText(u string) string {
	if t, ok := unitNames[u]; ok {
		return t
	}
	// A computed value carries a UCUM code.
	if parsed, err := units.ParseUnit(u); err == nil {
		return parsed.Symbol()
	}
	return u
}

var unitNames = map[string]string{
	"ohm": "Ω", "mohm": "mΩ", "kohm": "kΩ", "Mohm": "MΩ", "C": "°C", "Cel": "°C", "deg": "°", "uH": "µH", "uF": "µF", "us": "µs",
	"count": "", "bool": "", "list": "", "map": "", "l/min": "l/min", "K/W": "K/W",
}

func stateText(s shop.State) string { return strings.ReplaceAll(string(s), "_", " ") }

// words turns an id into words.
func words(s any) string { return strings.ReplaceAll(fmt.Sprint(s), "_", " ") }

// sentence gives a text a capital and a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.ContainsAny(s[len(s)-1:], ".!?:") {
		s += "."
	}
	return s
}

func hazardName(lib *faultlib.Library, level int) string {
	if lib != nil && level >= 0 && level < len(lib.Hazards) {
		return lib.Hazards[level].Name
	}
	return strconv.Itoa(level)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// waiting says how long ago t was, in the largest unit that fits.
func waiting(now, t time.Time) string {
	d := now.Sub(t)
	switch {
	case d < time.Hour:
		return plural(max(0, int(d.Minutes())), "minute", "minutes")
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour", "hours")
	default:
		return plural(int(d.Hours()/24), "day", "days")
	}
}
