package units

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
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
	// where it is not known (a number that came as a JSON number).
	Step float64
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
	if err := severalNumbers(r, s, want); err != nil {
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

var severalRe = regexp.MustCompile(`^([+-]?\d+(?:[.,]\d+)?)\s*(\pL*|[°%]|°C)\s*(\.{2,3}|…|\bto\b|-|~|±|\+/-|\+-)\s*(\d+(?:[.,]\d+)?)\s*(\D*)$`)

// severalNumbers refuses a range and a value with its uncertainty, and says what to
// type instead: a reading is one number, its accuracy is stated beside it.
func severalNumbers(r Reading, s string, want Unit) error {
	m := severalRe.FindStringSubmatch(s)
	if m == nil || m[2] == "e" || m[2] == "E" {
		return nil
	}
	// The pattern lets nothing but digits through; what overflows prints as it is.
	a, _ := strconv.ParseFloat(strings.ReplaceAll(m[1], ",", "."), 64)
	b, _ := strconv.ParseFloat(strings.ReplaceAll(m[4], ",", "."), 64)
	unit := strings.TrimSpace(m[5])
	if unit == "" {
		unit = m[2]
	}
	if unit == "" {
		unit = want.Symbol()
	}
	if strings.ContainsAny(m[3], "±+") {
		return fmt.Errorf("%q is a reading with its uncertainty: give %s here and the accuracy with the instrument", r.Text, strings.TrimSpace(Number(a, 12)+" "+unit))
	}
	return fmt.Errorf("%q is a range: give one reading, such as %s; %s was expected", r.Text, strings.TrimSpace(Number((a+b)/2, 12)+" "+unit), want.expectation())
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

// ParseJSON reads a quantity from decoded JSON: a string as Parse takes it, a
// number in the wanted unit, or an object {"value": …, "unit": …} whose value
// is either. Anything else is an error.
func ParseJSON(v any, want Unit) (Reading, error) {
	switch x := v.(type) {
	case string:
		return Parse(x, want)
	case float64:
		return fromFloat(x, want)
	case int:
		return fromFloat(float64(x), want)
	case int64:
		return fromFloat(float64(x), want)
	case json.Number:
		return Parse(x.String(), want)
	case map[string]any:
		return fromObject(x, want)
	case nil:
		return Reading{}, fmt.Errorf("nothing was given; %s was expected", want.expectation())
	case bool:
		return Reading{}, fmt.Errorf("%v is no quantity; %s was expected", x, want.expectation())
	}
	return Reading{}, fmt.Errorf("this is no quantity; %s was expected, as a number, a text or {\"value\", \"unit\"}", want.expectation())
}

func fromFloat(v float64, want Unit) (Reading, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Reading{}, fmt.Errorf("the number is not finite; %s was expected", want.expectation())
	}
	return Reading{Value: v, Text: strconv.FormatFloat(v, 'g', -1, 64)}, nil
}

func fromObject(m map[string]any, want Unit) (Reading, error) {
	for _, k := range sortedKeys(m) {
		if k != "value" && k != "unit" {
			return Reading{}, fmt.Errorf("unknown key %q; a quantity has \"value\" and \"unit\"", k)
		}
	}
	value, ok := m["value"]
	if !ok {
		return Reading{}, fmt.Errorf("\"value\" is missing; %s was expected", want.expectation())
	}
	if _, nested := value.(map[string]any); nested {
		return Reading{}, fmt.Errorf("\"value\" must be a number or a text; %s was expected", want.expectation())
	}
	word, ok := m["unit"]
	if !ok || word == nil {
		return ParseJSON(value, want)
	}
	name, ok := word.(string)
	if !ok {
		return Reading{}, fmt.Errorf("\"unit\" must be a text; %s was expected", want.expectation())
	}
	u, err := parseFor(name, want)
	if err != nil {
		return Reading{}, fmt.Errorf("%w; %s was expected", err, want.expectation())
	}
	if !u.Compatible(want) {
		return Reading{}, mismatch(u, want)
	}
	if f, ok := value.(float64); ok {
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return Reading{}, fmt.Errorf("the number is not finite; %s was expected", want.expectation())
		}
		// The shortest decimal text of the number keeps the decimal shift exact.
		value = json.Number(strconv.FormatFloat(f, 'g', -1, 64))
	}
	r, err := ParseJSON(value, u)
	if err != nil || r.Over {
		return r, err
	}
	text := r.Text + " " + u.String()
	out, err := Parse(r.Text, u)
	if err != nil {
		return r, err
	}
	return rescale(out, text, u, want)
}

// rescale moves a reading in from to the unit want.
func rescale(r Reading, text string, from, want Unit) (Reading, error) {
	out, err := Parse(strconv.FormatFloat(r.Value, 'g', -1, 64)+" "+from.Code(), want)
	if err != nil {
		return r, err
	}
	out.Text = text
	out.Step = r.Step * from.scale() / want.scale()
	if out.Warning != "" {
		out.Warning = doubt(out, from, want, from.scale()/want.scale())
	}
	return out, nil
}

func sortedKeys(m map[string]any) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
