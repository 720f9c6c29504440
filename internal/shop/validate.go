package shop

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"nextprobe/internal/problem"
)

// Longest texts, in characters. They bound what one row and one page can hold;
// an honest entry is far below them.
const (
	maxSerial = 64
	maxShort  = 80
	maxName   = 120
	maxAction = 200
	maxLong   = 4000

	maxOdometerKM = 1e7
	maxCount      = 1_000_000
	maxMinutes    = 10_000
	maxCells      = 60
	maxCostMinor  = 1_000_000_000_000
)

// checker collects every field at fault, so that a form comes back with all of
// its mistakes at once, under the names the API uses.
type checker struct{ fields []problem.Field }

func (c *checker) failf(field, format string, args ...any) {
	c.fields = append(c.fields, problem.Field{Field: field, Message: fmt.Sprintf(format, args...)})
}

func (c *checker) err() error { return problem.InFields(c.fields) }

// line checks a text of one line, trimmed: no control characters, lo to hi characters.
func (c *checker) line(field, s string, lo, hi int) string {
	return c.text(field, s, lo, hi, false)
}

// note checks a text that may have several lines.
func (c *checker) note(field, s string, hi int) string { return c.text(field, s, 0, hi, true) }

func (c *checker) text(field, s string, lo, hi int, lines bool) string {
	s = strings.TrimSpace(s)
	switch n := utf8.RuneCountInString(s); {
	case !utf8.ValidString(s):
		c.failf(field, "must be text in UTF-8")
	case n < lo && lo == 1:
		c.failf(field, "must not be empty")
	case n < lo:
		c.failf(field, "must have at least %d characters", lo)
	case n > hi:
		c.failf(field, "must have at most %d characters, has %d", hi, n)
	case hasControl(s, lines):
		c.failf(field, "must not contain control characters")
	}
	return s
}

func hasControl(s string, lines bool) bool {
	return strings.ContainsFunc(s, func(r rune) bool {
		if lines && (r == '\n' || r == '\r' || r == '\t') {
			return false
		}
		return unicode.IsControl(r)
	})
}

func (c *checker) integer(field string, n, lo, hi int) {
	if n < lo || n > hi {
		c.failf(field, "must be a whole number from %d to %d, is %d", lo, hi, n)
	}
}

func (c *checker) optionalInt(field string, n *int, lo, hi int) {
	if n != nil {
		c.integer(field, *n, lo, hi)
	}
}

func (c *checker) odometer(field string, km *float64) {
	if km != nil && !(*km >= 0 && *km < maxOdometerKM && !math.IsNaN(*km)) {
		c.failf(field, "must be 0 or more and below 10,000,000 km")
	}
}

func (c *checker) cost(field string, minor *int64) {
	if minor != nil && (*minor < 0 || *minor > maxCostMinor) {
		c.failf(field, "must be 0 or more minor units, at most %d", int64(maxCostMinor))
	}
}

func (c *checker) oneOf(field, s string, allowed ...string) {
	for _, a := range allowed {
		if s == a {
			return
		}
	}
	named := make([]string, 0, len(allowed))
	for _, a := range allowed {
		if a != "" {
			named = append(named, a)
		}
	}
	c.failf(field, "must be %s, is %q", orList(named), s)
}

// page refuses a limit outside what the lists serve.
func (c *checker) page(p Page) {
	if p.Limit < 0 || p.Limit > 200 {
		c.failf("limit", "must be from 1 to 200")
	}
}

// orList joins words as a sentence does: "a, b or c".
func orList(words []string) string {
	switch n := len(words); n {
	case 0:
		return "nothing"
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " or " + words[n-1]
	}
}

// andList joins words: "a, b and c".
func andList(words []string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}
