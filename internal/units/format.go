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
