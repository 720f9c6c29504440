package units

import (
	"math"
	"strconv"
	"strings"
)

// ranges lists, per atom, the prefixes the trade uses when it prints; units not
// listed are printed as they are (nobody reads kilominutes).
var ranges = map[string]string{
	"V": "um k", "A": "num ", "Ohm": "um kMG", "W": "um k", "J": "um k", "F": "pnum", "H": "num ",
	"Wb": "um ", "m": "um ", "s": "num ", "Hz": "m kM", "Pa": " kM", "N": "m k", "l": "um ",
}

// Format prints a value with its symbol, sig significant digits (1 to 17,
// trailing zeros dropped) and a prefix that keeps the number between 1 and 1000
// where the trade uses such prefixes.
func Format(v float64, u Unit, sig int) string {
	sig = min(max(sig, 1), 17)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "not finite"
	}
	v, u = readable(v, u, sig)
	num := Number(v, sig)
	switch u.symbol {
	case "":
		return num
	case "°":
		return num + "°"
	}
	return num + " " + u.symbol
}

// FormatUncertain prints a value with its uncertainty u, both in unit, as
// `(62.40 ± 0.12) V`: the uncertainty with two significant digits, the value to the
// same place (JCGM 100:2008, 7.2.6 and 7.2.2). Where u is not a positive number the
// value is printed with six digits.
func FormatUncertain(v, u float64, unit Unit) string {
	if math.IsNaN(u) || math.IsInf(u, 0) || u <= 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return Format(v, unit, 6)
	}
	// The larger of the two picks the prefix; a difference scales like the value.
	shown := unit
	if big := max(math.Abs(v), u); unit.offset == 0 {
		_, shown = readable(big, unit, 6)
	}
	ratio := unit.scale() / shown.scale()
	v, u = v*ratio, u*ratio
	text := strconv.FormatFloat(u, 'e', 1, 64) // rounds 0.0996 to 0.10
	exp, _ := strconv.Atoi(text[strings.IndexByte(text, 'e')+1:])
	places := 1 - exp
	value, spread := fixed(v, places), fixed(u, places)
	if shown.symbol == "" {
		return value + " ± " + spread
	}
	return "(" + value + " ± " + spread + ") " + shown.symbol
}

// fixed rounds to a decimal place, before the decimal sign where places is negative.
func fixed(x float64, places int) string {
	if places < 0 {
		unit := math.Pow10(-places)
		x = math.RoundToEven(x/unit) * unit
	}
	s := strconv.FormatFloat(x, 'f', max(places, 0), 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// Number prints a plain number with sig significant digits, trailing zeros
// dropped, and an exponent only beyond ten digits.
func Number(v float64, sig int) string {
	if v == 0 {
		return "0"
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', sig-1, 64), 64)
	if err != nil {
		return strconv.FormatFloat(v, 'g', sig, 64)
	}
	mag := int(math.Floor(math.Log10(math.Abs(rounded))))
	if mag < -6 || mag > 10 {
		return strconv.FormatFloat(v, 'e', -1, 64)
	}
	s := strconv.FormatFloat(rounded, 'f', max(sig-1-mag, 0), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// readable picks the prefix; it returns v and u unchanged where none applies.
func readable(v float64, u Unit, sig int) (float64, Unit) {
	base, ok := bare(u)
	if !ok || v == 0 {
		return v, u
	}
	best, bestUnit := v, u
	for _, p := range ranges[base] {
		name := strings.TrimSpace(string(p)) + base
		cand := MustUnit(name)
		w, err := u.Convert(v, cand)
		if err != nil {
			return v, u
		}
		// Compare the number as it will be printed, so that 999.96 does not become 1000.
		w2, _ := strconv.ParseFloat(strconv.FormatFloat(w, 'e', sig-1, 64), 64)
		if math.Abs(w2) >= 1 {
			best, bestUnit = w, cand
		}
		if math.Abs(w2) >= 1 && math.Abs(w2) < 1000 {
			return w, cand
		}
	}
	return best, bestUnit
}

// bare returns the single atom of a unit that is printed with prefixes.
func bare(u Unit) (string, bool) {
	if _, ok := ranges[u.code]; ok {
		return u.code, true
	}
	if len(u.code) < 2 {
		return "", false
	}
	_, isPrefix := prefixes[u.code[:1]]
	_, ok := ranges[u.code[1:]]
	return u.code[1:], ok && isPrefix
}
