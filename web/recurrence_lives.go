package web

import (
	"fmt"
	"strings"

	"nextprobe/internal/shop"
)

// maxMoved is how many pieces the page names; the files have them all.
const maxMoved = 50

// shownMoved are the pieces that the page names, contradictions first.
func shownMoved(all []shop.PieceHistory) (shown []shop.PieceHistory, more int) {
	for _, wrong := range []bool{true, false} {
		for _, p := range all {
			if (p.Contradiction != "") == wrong {
				shown = append(shown, p)
			}
		}
	}
	if more = len(shown) - maxMoved; more > 0 {
		return shown[:maxMoved], more
	}
	return shown, 0
}

// newAgainstPlot draws the lives of two keys; nil where neither was followed.
func newAgainstPlot(c *shop.RecurrenceComparison, unit string) *StepPlot {
	if c == nil || c.Lives == nil {
		return nil
	}
	curves, said := survivalCurves(c.Lives.Sides)
	g := newStepPlot("two-lives", "Share that lasts, of the two", ageName(unit)+" "+c.Lives.Of, "share that lasts", 1, curves)
	if g != nil {
		g.Description = said + ". Each curve falls at a failure; the shade is its 95 % bounds."
	}
	return g
}

// newModesPlot draws the share that failed in each mode; nil with fewer than two.
func newModesPlot(l shop.RecurrenceLife) *StepPlot {
	if l.First == nil || len(l.First.Modes) < 2 {
		return nil
	}
	var curves []curve
	var said []string
	top := 0.0
	for i, m := range l.First.Modes {
		if i < maxCurves {
			curves = append(curves, curve{name: curveLetter(i), end: l.First.Longest, steps: stepsOf(m.Steps)})
			top = max(top, orNaN(m.Share.Value))
		}
		said = append(said, fmt.Sprintf("%s, %s: %s (95 %% bounds %s)", curveLetter(i), m.Name, significant(orNaN(m.Share.Value), 2), boundsOf95(m.Share)))
	}
	g := newStepPlot("modes", "Share that failed in each mode", ageName(l.AgeUnit)+" since fitting", "share failed", top, curves)
	if g != nil {
		g.Description = strings.Join(said, "; ") + ". Each curve is the share that failed in this mode first, the other modes being at work beside it; together they make what the curve above has lost."
	}
	return g
}

// lifeRows are the figures of lives for a file: of two keys, of modes, of pieces.
func lifeRows(d shop.RecurrenceDetail, add func(figure, of, age string, risk, events int, b shop.Bounds, unit, p, note string)) {
	unit := d.Life.AgeUnit
	if f := d.Life.First; f != nil {
		for _, m := range f.Modes {
			for _, s := range m.Steps {
				add("Aalen-Johansen from fitting", m.Name, csvNumber(&s.Age), -1, -1, s.Survival, "", "", "")
			}
			add("share failed by mode", m.Name, "", f.Repairs, m.Failures, m.Share, "", "", "")
		}
	}
	for _, p := range d.Life.Moved {
		for _, s := range p.Stays {
			add("stay of a piece", p.Serial, "", -1, -1, shop.Bounds{Value: &s.Age}, unit, "", "board "+s.BoardSerial)
		}
		add("piece on several boards", p.Serial, "", -1, -1, shop.Bounds{}, "", "", p.Sentence)
	}
	if d.Against == nil || d.Against.Lives == nil {
		return
	}
	for _, side := range d.Against.Lives.Sides {
		for _, s := range side.Steps {
			add("Kaplan-Meier "+d.Against.Lives.Of, side.Action, csvNumber(&s.Age), s.AtRisk, s.Failed, s.Survival, "", "", "")
		}
		add("median life "+d.Against.Lives.Of, side.Action, "", side.Repairs, side.Comebacks, side.Median, unit, "", side.Sentence)
	}
	if t := d.Against.Lives.Test; t != nil {
		add("log-rank chi-square of the two", d.Against.Name, "", -1, -1, shop.Bounds{Value: t.Chi2}, "", csvNumber(t.P), t.PKind+". "+t.Sentence)
	}
}
