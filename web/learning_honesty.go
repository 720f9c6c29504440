package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"nextprobe/internal/shop"
)

// Honesty says in sentences, a table and a picture how far the probabilities
// could be believed.
type Honesty struct {
	Jobs      int
	Sentences []string
	Bins      []BinRow
	Diagram   *Reliability
}

// BinRow is the forecasts of one range.
type BinRow struct {
	Range           string
	N, Happened     int
	Mean, Rate      string
	Bounds, Verdict string
}

// Reliability is the diagram of how often what was forecast happened, against
// the forecast. On the diagonal both agree. Lengths are in drawing units.
type Reliability struct {
	Width, Height, Left, Right, Top, Base int
	Points                                []ReliabilityPoint
	Ticks                                 []Tick
	Marks                                 []Mark // at the lower axis
	Description                           string
}

// Mark is a mark at the lower axis.
type Mark struct {
	X    int
	Text string
}

// ReliabilityPoint is one range of forecasts; its area grows with their number.
type ReliabilityPoint struct {
	X, Y, YLow, YHigh int
	R                 string
	Title             string
}

func newHonesty(v shop.CalibrationView) Honesty {
	h := Honesty{Jobs: v.Jobs}
	if v.Jobs == 0 {
		return h
	}
	h.Sentences = honestWords(v)
	for _, b := range v.Bins {
		row := BinRow{Range: strconv.Itoa(int(math.Round(b.Low*100))) + " to " + percent(b.High), N: b.N, Happened: b.Happened, Mean: share(b.Mean), Rate: share(b.Rate),
			Bounds: boundsText(b.Lower, b.Upper), Verdict: "agrees"}
		switch {
		case b.Mean > b.Upper:
			row.Verdict = "too high"
		case b.Mean < b.Lower:
			row.Verdict = "too low"
		}
		h.Bins = append(h.Bins, row)
	}
	h.Diagram = newReliability(v)
	return h
}

func honestWords(v shop.CalibrationView) []string {
	lead := v.Leading
	out := []string{
		fmt.Sprintf("In %d of %s the most probable cause was there (%s, 95 %% bounds %s). It had been given %s on average.", lead.Right, plural(lead.Jobs, "job", "jobs"),
			share(float64(lead.Right)/float64(lead.Jobs)), boundsText(lead.Lower, lead.Upper), share(lead.MeanForecast)),
		fmt.Sprintf("Of %s of 1 %% or more, %s came true; %s had been given on average.", plural(v.N, "probability", "probabilities"), share(v.BaseRate), share(v.MeanForecast)),
	}
	if v.BrierBase > 0 {
		out = append(out,
			fmt.Sprintf("The mean squared error (Brier score) is %s; always naming the same %s would score %s. %s", significant(v.Brier, 2), share(v.BaseRate), significant(v.BrierBase, 2), skillWords(v.Skill)),
			fmt.Sprintf("Of it, %s comes from probabilities that were off (reliability, best 0); telling the cases apart won back %s (resolution) of the %s that chance alone would cost (uncertainty).",
				significant(v.Reliability, 2), significant(v.Resolution, 2), significant(v.Uncertainty, 2)),
			fmt.Sprintf("The log score is %s nats, against %s for always naming the same.", significant(v.Log, 2), significant(v.LogBase, 2)))
	}
	if v.Missed > 0 {
		out = append(out, fmt.Sprintf("%s had been given less than 1 %%.", plural(v.Missed, "confirmed fault", "confirmed faults")))
	}
	if v.LeftOut > 0 {
		out = append(out, fmt.Sprintf("%s left out: what was really there is not known, because a board came back or a fault was left unrepaired.", plural(v.LeftOut, "judged job is", "judged jobs are")))
	}
	return out
}

func skillWords(skill float64) string {
	switch {
	case skill >= 0.005:
		return fmt.Sprintf("That is %s better.", percent(skill))
	case skill <= -0.005:
		return "That is worse: the probabilities were no help."
	}
	return "That is no better."
}

func newReliability(v shop.CalibrationView) *Reliability {
	g := &Reliability{Width: 420, Height: 400, Left: 68, Right: 404, Top: 16, Base: 352}
	x := func(p float64) int { return g.Left + int(math.Round(float64(g.Right-g.Left)*p)) }
	y := func(p float64) int { return g.Base - int(math.Round(float64(g.Base-g.Top)*p)) }
	for _, s := range []int{0, 25, 50, 75, 100} {
		g.Ticks = append(g.Ticks, Tick{y(float64(s) / 100), strconv.Itoa(s) + " %"})
		g.Marks = append(g.Marks, Mark{x(float64(s) / 100), strconv.Itoa(s)})
	}
	most := 1
	for _, b := range v.Bins {
		most = max(most, b.N)
	}
	var off []string
	for _, b := range v.Bins {
		r := 3 + 7*math.Sqrt(float64(b.N)/float64(most))
		g.Points = append(g.Points, ReliabilityPoint{X: x(b.Mean), Y: y(b.Rate), YLow: y(b.Lower), YHigh: y(b.Upper), R: strconv.FormatFloat(r, 'f', 1, 64),
			Title: fmt.Sprintf("given %s on average, came true %d of %d", share(b.Mean), b.Happened, b.N)})
		if b.Mean > b.Upper || b.Mean < b.Lower {
			off = append(off, share(b.Mean))
		}
	}
	g.Description = "Each point is a range of probabilities: to the right what was given, upwards how often it came true, with 95 % bounds. On the line both agree."
	if len(off) == 0 {
		g.Description += " The bounds of every point reach the line."
	} else {
		g.Description += " The line lies outside the bounds at " + strings.Join(off, ", ") + "."
	}
	return g
}
