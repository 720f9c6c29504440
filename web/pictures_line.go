package web

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"nextprobe/internal/measure"
)

// The number line's own measures, in drawing units.
const (
	lineLeft, lineRight = 8.0, 312.0
	lineTop, lineDeep   = 40.0, 16.0
	// letter is the usual width of one letter at 12 px.
	letter = 6.4
)

// numberLine draws the value as a bar over a line on which the limits stand, with
// the outcome of each stretch, as say words it, beneath it; nil where there is nothing to draw.
func numberLine(d *measure.Deciding, say func(outcome string) string) *Picture {
	if d == nil || len(d.Limits) == 0 || math.Abs(d.High) >= measure.OpenOhms || math.Abs(d.Low) >= measure.OpenOhms {
		return nil
	}
	from, to := lineWindow(d)
	at := func(v float64) float64 {
		return lineLeft + (math.Min(math.Max(v, from), to)-from)/(to-from)*(lineRight-lineLeft)
	}
	p := &Picture{Kind: "line", Title: strings.TrimSuffix(sentence(d.Label), "."), Width: 320}
	shown := limitsWithin(d.Limits, from, to)
	edges := []float64{lineLeft}
	for _, l := range shown {
		edges = append(edges, at(l.At))
	}
	edges = append(edges, lineRight)
	rows, end := 0, 0.0
	for i := range len(edges) - 1 {
		word := say(shown[max(i-1, 0)].Above)
		if i < len(shown) {
			word = say(shown[i].Below)
		}
		here := at(d.Value) >= edges[i] && (at(d.Value) < edges[i+1] || i == len(shown))
		var down int
		down, end = p.stretch(edges[i], edges[i+1], word, i, here, end)
		rows = max(rows, down)
	}
	for _, l := range shown {
		p.add("line", "limit", at(l.At), lineTop-10, at(l.At), lineTop+lineDeep+4)
	}
	p.limitTexts(shown, at, d.Unit)
	p.interval(d, at)
	p.Height = int(lineTop+lineDeep) + 40 + 14*(rows-1)
	p.Desc, p.Caption = lineWords(d, say), "Where the value lies between its limits."
	if d.High > d.Low {
		p.Caption = "The bar holds the true value in 95 % of cases, by the instrument’s accuracy."
	}
	return p
}

// stretch draws the part of the line where one outcome holds; neighbours differ in
// shade. Its words begin a row lower where they would run into those that end at
// taken. It returns the last row and where the words end.
func (p *Picture) stretch(from, to float64, word string, i int, here bool, taken float64) (rows int, end float64) {
	class, name := [2]string{"stretch", "stretch-next"}[i%2], "mid name"
	if here {
		name = "mid strong"
	}
	p.add("rect", class, from, lineTop, to-from, lineDeep)
	first, wrapped := 0, wrapWords(word, int((to-from)/letter))
	for k, r := range wrapped {
		half := letter * float64(utf8.RuneCountInString(r)) / 2
		x := clamp((from+to)/2, 2+half, 318-half)
		if k == 0 && x-half < taken {
			first = 2
		}
		end = math.Max(end, x+half+4)
		p.text(name, x, lineTop+lineDeep+32+14*float64(first+k), "%s", r)
	}
	return first + len(wrapped), end
}

// limitTexts writes the limits under their marks; one that would stand on its
// neighbour is left to the words.
func (p *Picture) limitTexts(shown []measure.Limit, at func(float64) float64, unit string) {
	end := 0.0
	for _, l := range shown {
		s := withUnitText(l.At, unit)
		half := letter * float64(utf8.RuneCountInString(s)) / 2
		x := clamp(at(l.At), 2+half, 318-half)
		if x-half < end {
			continue
		}
		end = x + half + 4
		p.text("mid limit-text", x, lineTop+lineDeep+16, "%s", s)
	}
}

// interval draws the value over the line: a dot, and a bar with ends where an
// accuracy is known.
func (p *Picture) interval(d *measure.Deciding, at func(float64) float64) {
	const y = 24.0
	if d.High > d.Low {
		a, b := at(d.Low), at(d.High)
		p.add("line", "whisker", a, y, b, y)
		p.add("line", "whisker", a, y-6, a, y+6)
		p.add("line", "whisker", b, y-6, b, y+6)
	}
	p.add("line", "drop", at(d.Value), y, at(d.Value), lineTop+lineDeep)
	p.add("circle", "spot", at(d.Value), y, 5, 0)
	s := withUnitText(d.Value, d.Unit)
	half := (letter + 0.6) * float64(utf8.RuneCountInString(s)) / 2
	p.text("mid strong", clamp(at(d.Value), 2+half, 318-half), 12, "%s", s)
}

// lineWindow is the part of the number line worth drawing. On the edge of a limit it is
// the interval and nearly as much again on either side, so that the bar is seen to
// reach over it; else the interval and the nearest limit on either side, a much
// farther one left out.
func lineWindow(d *measure.Deciding) (from, to float64) {
	from, to = d.Low, d.High
	below, above, crossed := math.Inf(-1), math.Inf(1), false
	for _, l := range d.Limits {
		switch {
		case l.At < d.Low:
			below = math.Max(below, l.At)
		case l.At > d.High:
			above = math.Min(above, l.At)
		default:
			crossed = true
		}
	}
	if crossed && to > from {
		margin := 0.8 * (to - from)
		return from - margin, to + margin
	}
	const far = 12
	down, up := d.Low-below, above-d.High
	if !math.IsInf(down, 1) && down <= far*up {
		from = below
	}
	if !math.IsInf(up, 1) && up <= far*down {
		to = above
	}
	margin := 0.3 * (to - from)
	if margin == 0 { // a value without width on its only limit
		margin = math.Max(1e-9, 0.1*math.Abs(d.Value))
	}
	// No farther than to half way to the next limit out there.
	left, right := margin, margin
	for _, l := range d.Limits {
		if l.At < from {
			left = math.Min(left, (from-l.At)/2)
		} else if l.At > to {
			right = math.Min(right, (l.At-to)/2)
		}
	}
	return from - left, to + right
}

func limitsWithin(limits []measure.Limit, from, to float64) []measure.Limit {
	var out []measure.Limit
	for _, l := range limits {
		if l.At > from && l.At < to {
			out = append(out, l)
		}
	}
	return out
}

// lineWords is the drawing in words: the value, then every stretch from the lowest up,
// also those that lie outside the drawing.
func lineWords(d *measure.Deciding, say func(outcome string) string) string {
	out := withUnitText(d.Value, d.Unit)
	if d.High > d.Low {
		out += fmt.Sprintf(", with 95 %% between %s and %s", significant(d.Low, 4), withUnitText(d.High, d.Unit))
	}
	var parts []string
	first, last := d.Limits[0], d.Limits[len(d.Limits)-1]
	parts = append(parts, fmt.Sprintf("below %s %s", withUnitText(first.At, d.Unit), say(first.Below)))
	for i, l := range d.Limits[1:] {
		parts = append(parts, fmt.Sprintf("from %s to %s %s", significant(d.Limits[i].At, 4), withUnitText(l.At, d.Unit), say(l.Below)))
	}
	parts = append(parts, fmt.Sprintf("above %s %s", withUnitText(last.At, d.Unit), say(last.Above)))
	return out + ". Limits: " + strings.Join(parts, ", ") + "."
}

func withUnitText(x float64, unit string) string {
	return strings.TrimSpace(significant(x, 4) + " " + unitText(unit))
}

func clamp(x, low, high float64) float64 { return math.Min(math.Max(x, low), high) }

// wrapWords breaks words into rows of at most so many letters where spaces allow it.
func wrapWords(s string, letters int) []string {
	var rows []string
	for _, w := range strings.Fields(s) {
		if n := len(rows); n > 0 && utf8.RuneCountInString(rows[n-1]+" "+w) <= letters {
			rows[n-1] += " " + w
			continue
		}
		rows = append(rows, w)
	}
	return slices.Clip(rows)
}
