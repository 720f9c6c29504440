package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"nextprobe/internal/shop"
)

// Pareto is the picture beside the recurrence table: bars of failures, largest
// first, and the line of their cumulative share. Lengths are in drawing units.
type Pareto struct {
	Width, Height   int
	Left, Right     int // x of the axes
	Top, Base       int // y of 100 % and of 0
	Bars            []ParetoBar
	Line            string // points of the cumulative share
	Ticks           []Tick // failures, at the left axis
	Shares          []Tick // per cent, at the right axis
	Description     string
	MoreThanPicture int
}

// ParetoBar is one bar with its label under it.
type ParetoBar struct {
	X, Y, W, H int
	LabelX     int
	Label      string // its rank, as in the table
	Dot        string // y of the cumulative point
	DotX       int
	Title      string
}

// Tick is a mark at an axis.
type Tick struct {
	Y    int
	Text string
}

func newPareto(rows []RecurrenceRow, total int) *Pareto {
	rows = slices.Clone(rows)
	slices.SortStableFunc(rows, func(x, y RecurrenceRow) int { return cmp.Compare(y.Failures, x.Failures) })
	sum := 0.0
	for i := range rows {
		sum += rows[i].Share
		rows[i].Cumulative = sum
	}
	// A group carried by boards but never hit belongs in the table only.
	hit := 0
	for hit < len(rows) && rows[hit].Failures > 0 {
		hit++
	}
	if rows = rows[:hit]; hit == 0 || total == 0 {
		return nil
	}
	g := &Pareto{Width: 640, Height: 260, Left: 40, Right: 572, Top: 16, Base: 226, MoreThanPicture: max(0, len(rows)-maxBars)}
	if g.MoreThanPicture > 0 {
		rows = rows[:maxBars]
	}
	most := 0
	for _, r := range rows {
		most = max(most, r.Failures)
	}
	step := tickStep(most)
	top := (most + step - 1) / step * step
	height := float64(g.Base - g.Top)
	for v := 0; v <= top; v += step {
		g.Ticks = append(g.Ticks, Tick{g.Base - int(height*float64(v)/float64(top)), strconv.Itoa(v)})
	}
	for _, s := range []int{0, 50, 80, 100} {
		g.Shares = append(g.Shares, Tick{g.Base - int(height*float64(s)/100), strconv.Itoa(s) + " %"})
	}
	pitch := float64(g.Right-g.Left) / float64(len(rows))
	w := int(math.Min(pitch*0.72, 64))
	var points []string
	for i, r := range rows {
		mid := g.Left + int(pitch*(float64(i)+0.5))
		h := int(math.Round(height * float64(r.Failures) / float64(top)))
		y := g.Base - int(math.Round(height*math.Min(1, r.Cumulative)))
		g.Bars = append(g.Bars, ParetoBar{X: mid - w/2, Y: g.Base - h, W: w, H: h, LabelX: mid, Label: strconv.Itoa(r.Rank),
			DotX: mid, Dot: strconv.Itoa(y), Title: fmt.Sprintf("%s: %d, together %s", r.Name, r.Failures, percent(r.Cumulative))})
		points = append(points, fmt.Sprintf("%d,%d", mid, y))
	}
	g.Line = strings.Join(points, " ")
	n := min(3, len(rows))
	names := make([]string, n)
	for i := range n {
		names[i] = fmt.Sprintf("%s (%d)", rows[i].Name, rows[i].Failures)
	}
	g.Description = fmt.Sprintf("Bars show the failures of each group, largest first: %s. The line adds up their shares; the first %d make %s of %d failures. The table beside it has every figure.",
		strings.Join(names, ", "), n, percent(rows[n-1].Cumulative), total)
	return g
}

// tickStep is a step of 1, 2 or 5 times a power of ten that gives at most five marks.
func tickStep(most int) int {
	for base := 1; ; base *= 10 {
		for _, m := range []int{1, 2, 5} {
			if most <= 5*m*base {
				return m * base
			}
		}
	}
}

// MonthChart is failures per calendar month.
type MonthChart struct {
	Width, Height, Base int
	Bars                []MonthBar
	Description         string
}

// MonthBar is one month.
type MonthBar struct {
	X, Y, W, H, LabelX, LabelY int
	Month, Count               string
	// Label is the month under the bar, "" where there is no room.
	Label string
}

func newMonthChart(months []shop.MonthCount) *MonthChart {
	if len(months) == 0 {
		return nil
	}
	g := &MonthChart{Width: 640, Height: 170, Base: 136}
	most, total := 1, 0
	for _, m := range months {
		most, total = max(most, m.Count), total+m.Count
	}
	pitch := 620.0 / float64(len(months))
	every := (len(months) + 5) / 6
	for i, m := range months {
		h := int(math.Round(110 * float64(m.Count) / float64(most)))
		b := MonthBar{X: 10 + int(pitch*float64(i)+pitch*0.14), W: max(2, int(pitch*0.72)), H: h, Y: g.Base - h, Month: m.Month}
		b.LabelX, b.LabelY = b.X+b.W/2, b.Y-5
		if m.Count > 0 {
			b.Count = strconv.Itoa(m.Count)
		}
		if i%every == 0 && len(m.Month) == len("2026-03") {
			b.Label = m.Month[5:] + "/" + m.Month[2:4]
		}
		g.Bars = append(g.Bars, b)
	}
	g.Description = fmt.Sprintf("%s from %s to %s; the busiest month had %d.", plural(total, "failure", "failures"), months[0].Month, months[len(months)-1].Month, most)
	return g
}
