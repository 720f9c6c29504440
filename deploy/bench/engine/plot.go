package main

import (
	"bytes"
	"fmt"
	"html"
	"math"
	"time"
)

// line is one curve: milliseconds over the number of abnormal findings or causes.
type line struct {
	name string
	x, y []float64
}

func (l *line) add(x float64, took time.Duration) {
	l.x, l.y = append(l.x, x), append(l.y, took.Seconds()*1000)
}

// panel is one diagram within the picture; the vertical axis is logarithmic, the
// horizontal one where wide is set.
type panel struct {
	left, width float64
	title, axis string
	lines       []line
	ticks       []int
	wide        bool
	low, high   float64 // milliseconds
	top, bottom float64
}

var strokes = []struct{ colour, dash string }{{"#0b5cad", ""}, {"#b3491a", "6 3"}}

// draw is the picture of the growth over the number of abnormal findings (left)
// and over the number of causes (right).
func draw(byAbnormal []line, byCauses line) []byte {
	low, high := math.Inf(1), 0.0
	for _, l := range append(byAbnormal[:len(byAbnormal):len(byAbnormal)], byCauses) {
		for _, y := range l.y {
			low, high = math.Min(low, y), math.Max(high, y)
		}
	}
	low, high = math.Pow(10, math.Floor(math.Log10(low))), math.Pow(10, math.Ceil(math.Log10(high)))
	var b bytes.Buffer
	fmt.Fprint(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 860 360" width="860" height="360" role="img" font-family="sans-serif" font-size="13" fill="#222">`+"\n")
	fmt.Fprint(&b, `<title>Time of one full diagnosis step on one core, median</title><rect width="860" height="360" fill="#fff"/>`+"\n")
	for _, p := range []*panel{
		{left: 70, width: 400, title: "One diagnosis step, median, in ms of processor time", axis: "abnormal findings", lines: byAbnormal, ticks: abnormal},
		{left: 560, width: 270, axis: "causes in the library", lines: []line{byCauses}, ticks: causes, wide: true},
	} {
		p.low, p.high, p.top, p.bottom = low, high, 40, 290
		p.write(&b)
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

func (p *panel) atX(x float64) float64 {
	first, last := float64(p.ticks[0]), float64(p.ticks[len(p.ticks)-1])
	if p.wide {
		x, first, last = math.Log(x), math.Log(first), math.Log(last)
	}
	return p.left + p.width*(x-first)/(last-first)
}

func (p *panel) atY(y float64) float64 {
	return p.bottom - (p.bottom-p.top)*math.Log(y/p.low)/math.Log(p.high/p.low)
}

func (p *panel) write(b *bytes.Buffer) {
	fmt.Fprintf(b, `<text x="%.0f" y="20">%s</text>`+"\n", p.left, html.EscapeString(p.title))
	for y := p.low; y <= p.high*1.001; y *= 10 {
		fmt.Fprintf(b, `<path d="M%.0f %.1fh%.0f" stroke="#ccc"/><text x="%.0f" y="%.1f" text-anchor="end">%g</text>`+"\n", p.left, p.atY(y), p.width, p.left-8, p.atY(y)+4, y)
	}
	for _, x := range p.ticks {
		fmt.Fprintf(b, `<path d="M%.1f %.0fv5" stroke="#666"/><text x="%.1f" y="%.0f" text-anchor="middle">%d</text>`+"\n", p.atX(float64(x)), p.bottom, p.atX(float64(x)), p.bottom+20, x)
	}
	fmt.Fprintf(b, `<text x="%.0f" y="%.0f" text-anchor="middle">%s</text>`+"\n", p.left+p.width/2, p.bottom+38, p.axis)
	for k, l := range p.lines {
		s := strokes[k]
		fmt.Fprintf(b, `<polyline fill="none" stroke="%s" stroke-width="2" stroke-dasharray="%s" points="`, s.colour, s.dash)
		for n := range l.x {
			fmt.Fprintf(b, "%.1f,%.1f ", p.atX(l.x[n]), p.atY(l.y[n]))
		}
		fmt.Fprintf(b, `"/>`+"\n")
		for n := range l.x {
			fmt.Fprintf(b, `<circle cx="%.1f" cy="%.1f" r="3" fill="%s"/>`, p.atX(l.x[n]), p.atY(l.y[n]), s.colour)
		}
		y := 48 + 18*float64(k)
		fmt.Fprintf(b, "\n"+`<path d="M%.0f %.0fh24" stroke="%s" stroke-width="2" stroke-dasharray="%s"/><text x="%.0f" y="%.0f">%s</text>`+"\n", p.left+10, y, s.colour, s.dash, p.left+40, y+4, html.EscapeString(l.name))
	}
}
