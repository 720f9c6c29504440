package units

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxText is the longest quantity, in characters, that Parse reads.
const MaxText = 64

// Reading is one quantity as read off an instrument.
type Reading struct {
	// Value is in the wanted unit; it is 0 when Over is set.
	Value float64
	// Over: the instrument showed over-range or an open circuit.
	Over bool
	// Text is what was typed, without surrounding blanks.
	Text string
	// Warning is a sentence when the reading was accepted but looks odd.
	Warning string
	// Step is one unit of the last digit that was typed, in the wanted unit; 0
	// where it is not known (a number that came as a JSON number). Of a range it is
	// that of the coarser end.
	Step float64
	// HalfWidth is half of the interval that a range spans (`3.2-3.4 V`), in the wanted
	// unit; Value is its middle. It is 0 for a single number.
	HalfWidth float64
}

var (
	overWords = regexp.MustCompile(`(?i)^(?:\.?o\.?l\.?|0\.?l|over[ -]?range|overload|over|open circuit|open|∞)(?:\s*(.*))?$`)
	iec60062  = regexp.MustCompile(`^([+-]?)(\d*)([RrKkMGTpnumVA])(\d*)\s*(.*)$`)
	tolerance = regexp.MustCompile(`^[A-Z]$`)
	plain     = regexp.MustCompile(`^([+-]?)((?:\d{1,3}(?: \d{3})+|\d+)?)(?:([.,])(\d*))?(?:[eE]([+-]?\d{1,3}))?\s*(.*)$`)
)

// Parse reads a quantity as a technician writes it and returns it in want:
// `4k7`, `0R15`, `2M2` (IEC 60062), `12,4 mV`, `62.4V`, `1e-3 ohm`, `OL`, `open`.
// A bare number is in want. A unit of another dimension is an error that says
// what was expected; one of the right dimension whose prefix makes the value
// implausible is accepted with a Warning.
//
// A display that flickers is written as a range: `3.2-3.4 V`, `3,2…3,4 V`, `12 to
// 15 mohm`, `980 mV-1.1 V`, from the lower end to the upper one; see Reading.HalfWidth.
func Parse(text string, want Unit) (Reading, error) {
	r := Reading{Text: strings.TrimSpace(text)}
	if !utf8.ValidString(text) || utf8.RuneCountInString(text) > MaxText {
		return r, fmt.Errorf("a quantity is at most %d characters long; %s was expected", MaxText, want.expectation())
	}
	if strings.ContainsFunc(text, unicode.IsControl) {
		return r, fmt.Errorf("the text holds control characters; %s was expected", want.expectation())
	}
	s := normalise(r.Text)
	if s == "" {
		return r, fmt.Errorf("nothing was given; %s was expected", want.expectation())
	}
	out, err := parseOne(r, s, want)
	if err == nil {
		return out, nil
	}
	if span, ok, spanErr := parseRange(r, s, want); ok {
		return span, spanErr
	}
	return out, err
}

// parseOne reads a single quantity from the folded text s.
func parseOne(r Reading, s string, want Unit) (Reading, error) {
	if m := overWords.FindStringSubmatch(s); m != nil {
		return parseOver(r, m[1], want)
	}
	if m := iec60062.FindStringSubmatch(s); m != nil && (m[2] != "" || m[4] != "") {
		if out, handled, err := parseCode(r, m, want); handled {
			return out, err
		}
	}
	return parsePlain(r, s, want)
}

func parseOver(r Reading, unit string, want Unit) (Reading, error) {
	if unit != "" {
		u, err := ParseUnit(unit)
		if err != nil {
			return r, fmt.Errorf("%q: %w; %s was expected", r.Text, err, want.expectation())
		}
		if !u.Compatible(want) {
			return r, mismatch(u, want)
		}
	}
	r.Over = true
	return r, nil
}

// codeLetters gives the power of ten and the dimension each IEC 60062 letter
// stands for. K, M, G and T stand in resistances; p, n, u and m in capacitances
// (inductances are marked alike); V and A as the decimal sign are trade usage.
func codeLetter(letter string, want Unit) (exp int, base Unit, ok bool) {
	isCap := want.Compatible(farad) || want.Compatible(henry)
	switch letter {
	case "R", "r":
		return 0, ohm, true
	case "K", "k":
		return 3, ohm, true
	case "M":
		return 6, ohm, true
	case "G":
		return 9, ohm, true
	case "T":
		return 12, ohm, true
	case "V":
		return 0, volt, true
	case "A":
		return 0, ampere, true
	}
	if !isCap {
		return 0, Unit{}, false
	}
	base = farad
	if want.Compatible(henry) {
		base = henry
	}
	return map[string]int{"p": -12, "n": -9, "u": -6, "m": -3}[letter], base, true
}

var ohm, volt, ampere, farad, henry = MustUnit("Ohm"), MustUnit("V"), MustUnit("A"), MustUnit("F"), MustUnit("H")

// parseCode reads a letter code. handled is false when the text is an ordinary
// number with a unit that merely begins with such a letter (`5 kPa`, `12 V`).
func parseCode(r Reading, m []string, want Unit) (_ Reading, handled bool, _ error) {
	sign, whole, letter, frac, rest := m[1], m[2], m[3], m[4], m[5]
	if frac == "" && (rest != "" || letter == "V" || letter == "A" || strings.Contains("pnum", letter)) { //nolint:gocritic // The letter is looked for among the small prefixes.
		return r, false, nil
	}
	exp, base, ok := codeLetter(letter, want)
	if !ok {
		return r, false, nil
	}
	if frac == "" && !want.Compatible(base) {
		return r, false, nil // `3 K` where a temperature is wanted
	}
	if tolerance.MatchString(rest) && rest != "V" && rest != "A" {
		return r, true, fmt.Errorf("%q ends in the tolerance letter %s (IEC 60062): leave it out, %s was expected", r.Text, rest, want.expectation())
	}
	if rest != "" {
		u, err := ParseUnit(rest)
		if err != nil {
			return r, true, fmt.Errorf("%q: %w; %s was expected", r.Text, err, want.expectation())
		}
		if u != base {
			return r, true, fmt.Errorf("%q: after a letter code only %s can follow", r.Text, base)
		}
	}
	if !want.Compatible(base) {
		return r, true, mismatch(base, want)
	}
	out, err := assemble(r, sign, whole, frac, exp, base, want)
	return out, true, err
}

func parsePlain(r Reading, s string, want Unit) (Reading, error) {
	m := plain.FindStringSubmatch(s)
	if m == nil || (m[2] == "" && m[4] == "") {
		switch strings.ToLower(strings.TrimLeft(s, "+-")) {
		case "nan", "inf", "infinity":
			return r, fmt.Errorf("%q is not a reading; write OL when the instrument is over range", r.Text)
		}
		return r, fmt.Errorf("%q does not begin with a number; %s was expected", r.Text, want.expectation())
	}
	sign, whole, frac, rest := m[1], strings.ReplaceAll(m[2], " ", ""), m[4], m[6]
	if err := withUncertainty(r, s, want); err != nil {
		return r, err
	}
	if rest != "" && strings.ContainsAny(rest[:1], ".,0123456789+-") {
		return r, fmt.Errorf("%q is not one number (write 1234.5 or 1234,5, without signs between thousands); %s was expected", r.Text, want.expectation())
	}
	exp := 0
	if m[5] != "" {
		exp, _ = strconv.Atoi(m[5])
	}
	unit := want
	if rest != "" {
		u, err := parseFor(rest, want)
		if err != nil {
			return r, fmt.Errorf("%w; %s was expected", err, want.expectation())
		}
		if !u.Compatible(want) {
			return r, mismatch(u, want)
		}
		unit = u
	}
	return assemble(r, sign, whole, frac, exp, unit, want)
}

var gravity = MustUnit("[g]")

// meant are words that say another unit in general, or none, but can only mean one
// where a certain quantity is wanted: a bare prefix on a resistance, F on a thermometer.
var meant = []struct {
	word string
	unit Unit
}{
	{"g", gravity}, {"F", MustUnit("[degF]")},
	{"k", MustUnit("kOhm")}, {"K", MustUnit("kOhm")}, {"M", MustUnit("MOhm")}, {"G", MustUnit("GOhm")}, {"meg", MustUnit("MOhm")}, {"Meg", MustUnit("MOhm")}, {"MEG", MustUnit("MOhm")},
	{"u", MustUnit("uF")}, {"n", MustUnit("nF")}, {"p", MustUnit("pF")}, {"u", MustUnit("uH")}, {"n", MustUnit("nH")},
}

// parseFor reads a unit where one of a known dimension is wanted.
func parseFor(word string, want Unit) (Unit, error) {
	word = normalise(strings.TrimSpace(word))
	for _, m := range meant {
		if m.word == word && m.unit.Compatible(want) {
			return m.unit, nil
		}
	}
	return ParseUnit(word)
}

var uncertainRe = regexp.MustCompile(`^([+-]?\d+(?:[.,]\d+)?)\s*(\pL*|[°%]|°C)\s*(?:±|\+/-|\+-)\s*(\d+(?:[.,]\d+)?)\s*(\D*)$`)

// withUncertainty refuses a value with its uncertainty, and says what to type instead:
// the accuracy is stated beside the reading.
func withUncertainty(r Reading, s string, want Unit) error {
	m := uncertainRe.FindStringSubmatch(s)
	if m == nil {
		return nil
	}
	// The pattern lets nothing but digits through; what overflows prints as it is.
	a, _ := strconv.ParseFloat(strings.ReplaceAll(m[1], ",", "."), 64)
	unit := strings.TrimSpace(m[4])
	if unit == "" {
		unit = m[2]
	}
	if unit == "" {
		unit = want.Symbol()
	}
	return fmt.Errorf("%q is a reading with its uncertainty: give %s here and the accuracy with the instrument", r.Text, strings.TrimSpace(Number(a, 12)+" "+unit))
}

// assemble turns digits, a power of ten and a unit into a value in want. Where
// the units differ by a power of ten it shifts the decimal sign in the text, so
// that 12.4 mV is exactly the float nearest to 0.0124.
func assemble(r Reading, sign, whole, frac string, exp int, unit, want Unit) (Reading, error) {
	digits := whole + "." + frac
	if whole == "" {
		digits = "0." + frac
	}
	ratio := unit.scale() / want.scale()
	shift := int(math.Round(math.Log10(ratio)))
	exact := unit.offset == want.offset && math.Abs(ratio/math.Pow10(shift)-1) < 1e-12
	total := exp
	if exact {
		total += shift
	}
	v, err := strconv.ParseFloat(sign+digits+"e"+strconv.Itoa(total), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return r, fmt.Errorf("%q is out of range; %s was expected", r.Text, want.expectation())
	}
	step := math.Pow10(total - len(frac))
	if !exact {
		if v, err = unit.Convert(v, want); err != nil {
			return r, err
		}
		step *= ratio
	}
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return r, fmt.Errorf("%q is out of range; %s was expected", r.Text, want.expectation())
	}
	r.Value, r.Step = v, step
	r.Warning = doubt(r, unit, want, ratio)
	return r, nil
}

// doubt returns a warning when the prefix typed makes the value so small or so
// large in the wanted unit that a slip of the prefix is likelier.
func doubt(r Reading, unit, want Unit, ratio float64) string {
	a := math.Abs(r.Value)
	switch {
	case unit.offset != want.offset:
		return fmt.Sprintf("%s was converted to %s.", r.Text, Format(r.Value, want, 6))
	case a == 0 || unit == want:
		return ""
	case (ratio < 1.001e-3 && a < 0.1) || (ratio > 0.999e3 && a >= 1e4):
		return fmt.Sprintf("%s is %s %s, and the reading is wanted in %s: is the prefix right?",
			r.Text, strconv.FormatFloat(r.Value, 'g', 6, 64), want.Symbol(), want.Symbol())
	}
	return ""
}
