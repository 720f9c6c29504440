package units

import (
	"fmt"
	"math"
	"regexp"
	"strings"
)

var (
	// spelledOut are the signs between the two ends of a range that can be nothing
	// else, unlike the hyphen, which is a minus as well.
	spelledOut  = []string{"...", "…", "..", "~"}
	toWord      = regexp.MustCompile(`(?i)to(?:\s|[\d+.,-])`)
	leadingZero = regexp.MustCompile(`^[+-]?0\d`)
)

// wide is how many times its lower end the upper end of a range may be before it is
// doubted that one and the same display moved so far.
const wide = 2

// parseRange reads the two ends of a range. ok is false where the text does not look
// like one. The text is no single quantity, or it would not be asked here, so that
// `1e-3` and `-3.2 V` do not come this way.
func parseRange(r Reading, s string, want Unit) (_ Reading, ok bool, _ error) {
	if strings.Contains(s, "±") || strings.Contains(s, "+/-") || strings.Contains(s, "+-") {
		return r, false, nil
	}
	var first error
	pairs := ends(s)
	for _, p := range pairs {
		out, err := parseEnds(r, p[0], p[1], want)
		if err == nil {
			return out, true, nil
		}
		if first == nil {
			first = err
		}
	}
	if len(pairs) > 1 {
		first = fmt.Errorf("%q is neither one reading nor one range: give one number, or the two ends of what the display shows, such as 3.2 to 3.4; %s was expected", r.Text, want.expectation())
	}
	return r, len(pairs) > 0, first
}

// ends lists the places where the text may part into two ends, both of which begin
// like a reading.
func ends(s string) [][2]string {
	var out [][2]string
	add := func(l, r string) {
		l, r = strings.TrimSpace(l), strings.TrimSpace(r)
		if !strings.HasSuffix(l, "-") && beginsLikeReading(l) && beginsLikeReading(r) {
			out = append(out, [2]string{l, r})
		}
	}
	for _, sign := range spelledOut {
		if l, r, found := strings.Cut(s, sign); found {
			add(l, r)
			return out
		}
	}
	if at := toWord.FindStringIndex(s); at != nil {
		add(s[:at[0]], s[at[0]+2:])
		return out
	}
	for i := 1; i < len(s); i++ {
		if s[i] == '-' && !inExponent(s, i) {
			add(s[:i], s[i+1:])
		}
	}
	return out
}

// inExponent reports that the hyphen at i is the sign of an exponent, as in 1e-3.
func inExponent(s string, i int) bool {
	return i >= 2 && i+1 < len(s) && (s[i-1] == 'e' || s[i-1] == 'E') && (isDigit(s[i-2]) || s[i-2] == '.' || s[i-2] == ',') && isDigit(s[i+1])
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func beginsLikeReading(s string) bool {
	if m := plain.FindStringSubmatch(s); m != nil && (m[2] != "" || m[4] != "") {
		return true
	}
	return overWords.MatchString(s) || isCode(s)
}

// isCode reports an IEC 60062 letter code, in which the letter stands for the decimal sign.
func isCode(s string) bool {
	m := iec60062.FindStringSubmatch(s)
	return m != nil && m[4] != ""
}

// parseEnds reads both ends. A unit that stands at one end only is that of both.
func parseEnds(r Reading, low, high string, want Unit) (Reading, error) {
	if overWords.MatchString(low) || overWords.MatchString(high) {
		return r, fmt.Errorf("%q is over range at one end, and an interval needs two numbers: choose a wider range and read again, or give OL alone; %s was expected", r.Text, want.expectation())
	}
	if leadingZero.MatchString(low) || leadingZero.MatchString(high) {
		return r, fmt.Errorf("%q does not look like a reading: no display shows zeros before a number; %s was expected", r.Text, want.expectation())
	}
	lowUnit, highUnit := unitWord(low), unitWord(high)
	switch {
	case isCode(low) != isCode(high):
		if lowUnit == "" || highUnit == "" {
			return r, fmt.Errorf("%q: write both ends alike, such as 4k7 to 5k1 or 4.7 to 5.1 kΩ", r.Text)
		}
	case lowUnit == "":
		low += " " + highUnit
	case highUnit == "":
		high += " " + lowUnit
	}
	a, err := parseOne(Reading{Text: low}, low, want)
	b, err2 := parseOne(Reading{Text: high}, high, want)
	if err := mixed(r, lowUnit, highUnit, want); err != nil {
		return r, err
	}
	if err == nil {
		err = err2
	}
	if err != nil {
		return r, err
	}
	return join(r, a, b, want)
}

// unitWord is what follows the number of an end. Of a letter code it is what follows
// the whole, or the letter.
func unitWord(s string) string {
	if m := iec60062.FindStringSubmatch(s); m != nil && m[4] != "" {
		if m[5] != "" {
			return m[5]
		}
		return m[3]
	}
	if m := plain.FindStringSubmatch(s); m != nil {
		return m[6]
	}
	return ""
}

// mixed refuses ends of two different quantities.
func mixed(r Reading, low, high string, want Unit) error {
	u, uErr := parseFor(low, want)
	v, vErr := parseFor(high, want)
	known := low != "" && high != "" && uErr == nil && vErr == nil
	if !known || u.Compatible(v) {
		return nil // what is wrong with a single end is said elsewhere
	}
	return fmt.Errorf("%q is %s at one end and %s at the other; %s was expected", r.Text, u.Quantity(), v.Quantity(), want.expectation())
}

// join makes one reading of two ends.
func join(r, a, b Reading, want Unit) (Reading, error) {
	if a.Value > b.Value {
		return r, fmt.Errorf("%q runs from high to low: write %s", r.Text, FormatRange(b.Value, a.Value, want))
	}
	r.HalfWidth = (b.Value - a.Value) / 2
	r.Value = a.Value + r.HalfWidth
	if math.IsInf(r.HalfWidth, 0) {
		return r, fmt.Errorf("%q is out of range; %s was expected", r.Text, want.expectation())
	}
	r.Step = max(a.Step, b.Step)
	switch {
	case a.Warning == "" || strings.HasSuffix(b.Warning, "?"):
		r.Warning = b.Warning
	case b.Warning == "" || strings.HasSuffix(a.Warning, "?"):
		r.Warning = a.Warning
	default:
		r.Warning = a.Warning + " " + b.Warning
	}
	if r.Warning == "" && a.Value > 0 && b.Value > wide*a.Value && !want.IsTemperature() {
		r.Warning = fmt.Sprintf("%s is a wide range for one display: is the contact firm, and is it one reading?", FormatRange(a.Value, b.Value, want))
	}
	return r, nil
}

// FormatRange prints the two ends of a range in unit u as it stands, with every digit
// that a reading can have: `3.2 to 3.4 V`. Parse reads it back.
func FormatRange(low, high float64, u Unit) string {
	text := Number(low, 12) + " to " + Number(high, 12)
	switch u.symbol {
	case "":
		return text
	case "°":
		return text + "°"
	}
	return text + " " + u.symbol
}
