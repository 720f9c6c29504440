package web

import (
	"fmt"
	"math"
	"strings"

	"nextprobe/internal/shop"
)

// StepPlot is a step function with its bounds, drawn on the server so that it prints
// and needs no script. Its figures stand in a table beside it.
type StepPlot struct {
	ID, Title, Description   string
	Width, Height            int
	Left, Right, Top, Base   int
	Ticks                    []Tick  // of the vertical axis
	Across                   []XTick // of the horizontal axis
	XLabel, YLabel           string
	LabelX, LabelY, YLabelAt int
	Series                   []StepSeries
}

// XTick is a mark at the horizontal axis.
type XTick struct {
	X    int
	Text string
}

// StepSeries is one curve; Line and Band are paths. Kind picks its stroke, which
// differs in dashes, too, so that it can be told in print.
type StepSeries struct {
	Name, Line, Band string
	Kind             int
	NameX, NameY     int
}

// step is a point from which the curve has the value.
type step struct{ x, value, lower, upper float64 }

type curve struct {
	name  string
	start float64 // value before the first step
	end   float64 // where observation ends
	steps []step
}

// maxCurves keeps the picture legible; the list and the table beside it show them all.
const maxCurves = 8

// kindsOfStroke is how many curves can be told apart.
const kindsOfStroke = 4

func newStepPlot(id, title, xLabel, yLabel string, top float64, curves []curve) *StepPlot {
	g := &StepPlot{ID: id, Title: title, Width: 640, Height: 280, Left: 56, Right: 600, Top: 34, Base: 236, XLabel: xLabel, YLabel: yLabel}
	right := 0.0
	for _, c := range curves {
		right = max(right, c.end)
	}
	if !(right > 0) || !(top > 0) {
		return nil
	}
	x := func(v float64) float64 {
		return float64(g.Left) + float64(g.Right-g.Left)*math.Min(1, math.Max(0, v/right))
	}
	y := func(v float64) float64 {
		return float64(g.Base) - float64(g.Base-g.Top)*math.Min(1, math.Max(0, v/top))
	}
	for _, v := range evenMarks(top) {
		g.Ticks = append(g.Ticks, Tick{int(math.Round(y(v))), significant(v, 3)})
	}
	for _, v := range evenMarks(right) {
		g.Across = append(g.Across, XTick{int(math.Round(x(v))), significant(v, 4)})
	}
	g.LabelX, g.LabelY, g.YLabelAt = (g.Left+g.Right)/2, g.Base+42, g.Top-16
	for i, c := range curves {
		s := StepSeries{Name: c.name, Kind: i % kindsOfStroke, Line: stepPath(c, x, y), Band: bandPath(c, x, y)}
		last := c.start
		if n := len(c.steps); n > 0 {
			last = c.steps[n-1].value
		}
		s.NameX, s.NameY = int(x(c.end))+6, int(y(last))+4
		// Names of curves that end close to each other stand side by side.
		for _, o := range g.Series {
			if d := s.NameY - o.NameY; d > -18 && d < 18 && s.NameX-o.NameX < 24 && o.NameX-s.NameX < 24 {
				s.NameX = o.NameX + 24
			}
		}
		g.Series = append(g.Series, s)
	}
	return g
}

// evenMarks are 0 and up to five steps of 1, 2 or 5 times a power of ten below top.
func evenMarks(top float64) []float64 {
	base := math.Pow(10, math.Floor(math.Log10(top))-1)
	for _, m := range []float64{1, 2, 5, 10, 20, 50} {
		if d := m * base; top/d <= 5 {
			var out []float64
			for n := 0; float64(n)*d <= top*(1+1e-9); n++ {
				out = append(out, float64(n)*d)
			}
			return out
		}
	}
	return []float64{0, top}
}

func stepPath(c curve, x, y func(float64) float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "M%.1f %.1f", x(0), y(c.start))
	for _, s := range c.steps {
		fmt.Fprintf(&b, "H%.1fV%.1f", x(s.x), y(s.value))
	}
	fmt.Fprintf(&b, "H%.1f", x(c.end))
	return b.String()
}

// bandPath runs along the upper bound and back along the lower; it leaves out the
// stretches without bounds.
func bandPath(c curve, x, y func(float64) float64) string {
	var b strings.Builder
	for i, s := range c.steps {
		if math.IsNaN(s.lower) || math.IsNaN(s.upper) {
			continue
		}
		end := c.end
		if i+1 < len(c.steps) {
			end = c.steps[i+1].x
		}
		fmt.Fprintf(&b, "M%.1f %.1fH%.1fV%.1fH%.1fZ", x(s.x), y(s.upper), x(end), y(s.lower), x(s.x))
	}
	return b.String()
}

func orNaN(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

func stepOf(age float64, b shop.Bounds) step {
	return step{age, orNaN(b.Value), orNaN(b.Lower), orNaN(b.Upper)}
}

func stepsOf(list []shop.SurvivalStep) []step {
	out := make([]step, len(list))
	for i, s := range list {
		out[i] = stepOf(s.Age, s.Survival)
	}
	return out
}

func ageName(unit string) string {
	if unit == "km" {
		return "km"
	}
	return "days"
}

// newMeanPlot draws the mean cumulative function; nil without a failure.
func newMeanPlot(l shop.RecurrenceLife) *StepPlot {
	if len(l.Mean) == 0 {
		return nil
	}
	var c curve
	top := 0.0
	for _, s := range l.Mean {
		c.steps = append(c.steps, stepOf(s.Age, s.Mean))
		top = max(top, orNaN(s.Mean.Value))
	}
	last := l.Mean[len(l.Mean)-1]
	// Bounds that would press the curve to the floor run out of the picture; the table has them.
	if u := orNaN(last.Mean.Upper); u > top {
		top = math.Min(u, 2.5*top)
	}
	c.end = math.Max(last.Age*1.02, l.Longest)
	g := newStepPlot("mean", "Failures of one board by its age", "age in "+ageName(l.AgeUnit), "failures of one board", top, []curve{c})
	if g != nil {
		g.Description = fmt.Sprintf("By the age of %s %s a board has had %s failures on average (95 %% bounds %s); steps are failures, the shade is the bounds.",
			significant(last.Age, 3), ageName(l.AgeUnit), significant(*last.Mean.Value, 2), boundsOf95(last.Mean))
	}
	return g
}

// newFirstPlot draws the life of what was fitted; nil for whole boards.
func newFirstPlot(l shop.RecurrenceLife) *StepPlot {
	if l.First == nil {
		return nil
	}
	c := curve{start: 1, end: l.First.Longest, steps: stepsOf(l.First.Steps)}
	g := newStepPlot("first-life", "Share of what was fitted that has not failed yet", ageName(l.AgeUnit)+" since fitting", "share without a failure", 1, []curve{c})
	if g != nil {
		g.Description = l.First.Sentence + " The curve falls at a first failure; the shade is its 95 % bounds."
	}
	return g
}

// curveLetter names a curve in the picture; the list beside it says which is which.
func curveLetter(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return curveLetter(i/26-1) + curveLetter(i%26)
}

// newRepairPlot draws the survival after each repair; nil without one.
func newRepairPlot(l shop.RecurrenceLife) *StepPlot {
	curves, said := survivalCurves(l.Repairs)
	g := newStepPlot("survival", "Share of repairs that still hold", ageName(l.AgeUnit)+" since the repair", "share that holds", 1, curves)
	if g != nil {
		g.Description = said + ". Each curve falls at a comeback and ends where the longest repair was last known to hold; the shade is its 95 % bounds."
	}
	return g
}

// survivalCurves are the curves of lives, as many as a picture bears, and all of them in
// words, without the last full stop.
func survivalCurves(lives []shop.RepairSurvival) ([]curve, string) {
	var curves []curve
	var said []string
	for i, r := range lives {
		if i < maxCurves {
			curves = append(curves, curve{name: curveLetter(i), start: 1, end: r.Longest, steps: stepsOf(r.Steps)})
		}
		said = append(said, curveLetter(i)+", "+strings.TrimSuffix(r.Sentence, "."))
	}
	return curves, strings.Join(said, ". ")
}

// boundsOf95 prints "lower to upper", or why there are none.
func boundsOf95(b shop.Bounds) string {
	if b.Lower == nil && b.Upper == nil {
		return "not known"
	}
	one := func(x *float64) string {
		if x == nil {
			return "no bound"
		}
		return significant(*x, 2)
	}
	return one(b.Lower) + " to " + one(b.Upper)
}
