package web

import (
	"math"
	"strings"
	"testing"

	"nextprobe/internal/measure"
)

// line is a deciding value for the tests, in volts.
func line(value, low, high float64, limits ...measure.Limit) *measure.Deciding {
	return &measure.Deciding{Label: "rail voltage", Unit: "V", Value: value, Low: low, High: high, Limits: limits}
}

// at finds the shapes of a class.
func at(p *Picture, class string) []Shape {
	var out []Shape
	for _, s := range p.Shapes {
		if s.Class == class {
			out = append(out, s)
		}
	}
	return out
}

func says(p *Picture) string {
	var out []string
	for _, s := range p.Shapes {
		if s.El == "text" {
			out = append(out, s.Text)
		}
	}
	return strings.Join(out, " ")
}

func idWords(id string) string { return words(id) }

func TestNumberLine(t *testing.T) {
	t.Parallel()
	low, high := measure.Limit{At: 4.6, Below: "five_low", Above: "good"}, measure.Limit{At: 5.5, Below: "good", Above: "over"}
	for name, c := range map[string]struct {
		d      *measure.Deciding
		limits int
		shows  string
	}{
		"on the edge":      {line(4.62, 4.55, 4.69, low, high), 1, "five low"},
		"between":          {line(5, 4.97, 5.03, low, high), 2, "good"},
		"exact":            {line(5, 5, 5, low, high), 2, "over"},
		"exactly a limit":  {line(4.6, 4.6, 4.6, low), 1, "4.6 V"},
		"zero on a limit":  {line(0, 0, 0, measure.Limit{Below: "a", Above: "b"}), 1, "0 V"},
		"far limit":        {line(4.7, 4.7, 4.7, low, measure.Limit{At: 900, Below: "good", Above: "over"}), 1, "five low"},
		"below everything": {line(0.1, 0.1, 0.1, low, high), 1, "0.1 V"},
		"above everything": {line(40, 39, 41, low, high), 1, "over"},
	} {
		p := numberLine(c.d, idWords)
		if p == nil {
			t.Errorf("%s: nothing is drawn", name)
			continue
		}
		inside(t, p)
		stretches := len(at(p, "stretch")) + len(at(p, "stretch-next"))
		if n := len(at(p, "limit")); n != c.limits || stretches != n+1 || !strings.Contains(says(p), c.shows) {
			t.Errorf("%s: %d limits and %d stretches, %q", name, n, stretches, says(p))
		}
		if whiskers := len(at(p, "whisker")); (whiskers == 3) != (c.d.High > c.d.Low) {
			t.Errorf("%s: %d strokes for the interval", name, whiskers)
		}
	}
	p := numberLine(line(4.62, 4.55, 4.69, low, high), idWords)
	if want := "4.62 V, with 95 % between 4.55 and 4.69 V. Limits: below 4.6 V five low, from 4.6 to 5.5 V good, above 5.5 V over."; p.Desc != want {
		t.Errorf("in words: %q", p.Desc)
	}
	// The interval is seen to reach over the limit.
	bar, mark := at(p, "whisker")[0], at(p, "limit")[0]
	if !(bar.X < mark.X-10 && bar.W > mark.X+10) {
		t.Errorf("a bar from %g to %g over a limit at %g", bar.X, bar.W, mark.X)
	}
	// The outcome the value itself comes to is the one in bold.
	if s := at(p, "mid strong"); len(s) != 2 || s[0].Text != "good" {
		t.Errorf("in bold: %+v", s)
	}
	if numberLine(nil, idWords) != nil || numberLine(line(1, 1, 1), idWords) != nil || numberLine(line(5, 5, math.Inf(1), low), idWords) != nil {
		t.Error("a line without a limit or without an end")
	}
}

func TestWrappedWords(t *testing.T) {
	t.Parallel()
	for in, want := range map[string][]string{"extra end": {"extra", "end"}, "a b c": {"a b c"}, "unbreakable": {"unbreakable"}, "": nil} {
		if got := wrapWords(in, 6); !equal(got, want) {
			t.Errorf("%q in rows of 6: %q", in, got)
		}
	}
}
