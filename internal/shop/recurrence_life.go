package shop

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/reliability"
)

// RecurrenceLife is what the dates of one key's failures say. Ages are in AgeUnit.
type RecurrenceLife struct {
	Sentence string // the whole in one sentence
	AgeUnit  string // UCUM: d in service, or km
	Units    int    // boards under observation, one for each span without a gap
	Failures int    // under observation
	AtEntry  int    // failures that were there when observation began: they have no age
	Exposure float64
	Longest  float64 // the highest age under observation, in AgeUnit
	Rate     Bounds  // failures under observation, in the unit of the report
	Trend    RecurrenceTrend
	Mean     []MeanStep
	MeanNote string
	// First is the life from fitting to the first failure of what can be fitted, as if
	// it were one way of repairing; nil for whole boards.
	First *RepairSurvival
	// Moved are the pieces that were on more than one board.
	Moved   []PieceHistory
	Repairs []RepairSurvival // by action
	// RepairsNote says what the lives do not show.
	RepairsNote string
	LogRank     *RepairComparison // nil with fewer than two actions to compare
	Comebacks   []RepairLife      // by action, then by time
}

// RecurrenceTrend says whether failures become more frequent.
type RecurrenceTrend struct {
	Direction string // worse, better, none, or unknown with too few failures
	Events    int
	Laplace   *float64 // normal deviate of all boards together, above 0 when failures come more often
	P         *float64 // two-sided
	// Shape is the exponent of a power-law process, from 3 failures on that did not end
	// the observation of their board, and are not the fewer: above 1 failures
	// come more often with age. ShapeExact: the bounds are exact, else of the likelihood
	// ratio.
	Shape      Bounds
	ShapeExact bool
	Sentence   string
}

// MeanStep is a step of the mean cumulative function.
type MeanStep struct {
	Age            float64
	Boards, Events int
	Mean           Bounds
}

// RepairSurvival is the life of what was repaired in one way.
type RepairSurvival struct {
	Action             string
	Repairs, Comebacks int
	Exposure           float64 // in AgeUnit
	Steps              []SurvivalStep
	Longest            float64 // the longest life seen, in AgeUnit
	Median             Bounds
	Shape, B10         Bounds // Weibull; nil where not estimable
	Sentence           string
	Lives              []RepairLife
	Modes              []ModeShare // where what was fitted failed in two modes or more
}

// ModeShare is what failed in one mode while the others were at work beside it (Aalen
// and Johansen).
type ModeShare struct {
	Mode, Name string
	Failures   int
	Steps      []SurvivalStep // Survival is the share that failed in this mode by the age
	Share      Bounds         // by the last failure
}

// SurvivalStep is a step of a Kaplan-Meier curve.
type SurvivalStep struct {
	Age            float64
	AtRisk, Failed int
	Survival       Bounds
}

// RepairComparison is the log-rank test of all actions together.
type RepairComparison struct {
	Chi2     *float64
	DF       int
	P        *float64
	PKind    string
	Sentence string
}

const (
	// trendEvents is where the normal approximation of Laplace's test becomes usable.
	trendEvents = 4
	// shapeEvents is from where a power-law shape is shown.
	shapeEvents = 3
	// weibullFailures is from where a shape and a B10 life are shown.
	weibullFailures = 3
)

// studyLife computes what the drill-down of a row shows.
func studyLife(d LifeData, group RecurrenceGroup, row RecurrenceRow, e exposureKind) (RecurrenceLife, error) {
	out := RecurrenceLife{AgeUnit: "d", Trend: RecurrenceTrend{Direction: "unknown"}}
	per := e.per
	distance := e.id == distanceExposure
	if distance {
		out.AgeUnit = "km"
	}
	a := newAges(d.Readings, distance)
	if group != ByAction {
		boardWide := group == ByComponent || group == ByFailureMode || group == ByCause
		if err := out.studyEvents(underObservation(d, a, boardWide), per); err != nil {
			return out, err
		}
	}
	if fittedGroup(group) {
		if err := out.studyFirst(livesOfFitted(d.Fittings, a, out.AgeUnit)); err != nil {
			return out, err
		}
	}
	if group == ByAction {
		d.Repairs = besideOthers(d.Repairs, row.Key)
	}
	if err := out.studyRepairs(livesAfterRepair(d, a)); err != nil {
		return out, err
	}
	out.Sentence = lifeSentence(row, out.Trend, group, e)
	return out, nil
}

// fittedGroup says whether a group's keys are things that are fitted to a board.
func fittedGroup(g RecurrenceGroup) bool {
	return slices.Contains([]RecurrenceGroup{ByConnectorFamily, BySealing, ByPart, ByLot}, g)
}

func (l *RecurrenceLife) studyEvents(o observed, per float64) error {
	ev, err := reliability.NewEvents(o.units)
	if err != nil {
		return err
	}
	l.Units, l.Failures, l.AtEntry, l.Exposure = len(o.units), o.events, o.atEntry, ev.Exposure()/per
	for _, u := range o.units {
		l.Longest = max(l.Longest, u.End)
	}
	if l.Exposure > 0 {
		r, lower, upper, err := reliability.Garwood(o.events, l.Exposure, confidence)
		if err != nil {
			return err
		}
		l.Rate = boundsOf(reliability.Estimate{Value: r, Lower: lower, Upper: upper})
	}
	m, err := ev.MeanCumulative(confidence)
	if err != nil {
		return err
	}
	for i, t := range m.Time {
		l.Mean = append(l.Mean, MeanStep{t, m.AtRisk[i], m.Events[i], boundsOf(reliability.Estimate{Value: m.Mean[i], Lower: m.Lower[i], Upper: m.Upper[i]})})
	}
	l.MeanNote = l.meanNote()
	if l.AgeUnit == "km" && l.Failures > 0 {
		l.MeanNote = strings.TrimSpace(l.MeanNote + " By distance a board is followed to its last reading only, which is often that of a failure: the right end of the curve lies too high.")
	}
	return l.Trend.study(ev)
}

func (l *RecurrenceLife) meanNote() string {
	said := ""
	if l.AtEntry > 0 {
		said = fmt.Sprintf("%s there when the board was first seen in this time; nobody knows how long it had been coming, so trend and curve leave %s out. ",
			plural(l.AtEntry, "failure was", "failures were"), one(l.AtEntry, "it", "them"))
	}
	switch {
	case l.Units == 0:
		return said + "No board was under observation, so there is no curve."
	case l.Failures == 0:
		return said + fmt.Sprintf("No failure under observation on %s.", plural(l.Units, "board", "boards"))
	case l.Units < 2:
		return said + "One board only: the curve has no bounds, because these come from how boards differ."
	case l.Units < 20:
		return said + fmt.Sprintf("Few boards (%d): the bounds are narrower than they should be.", l.Units)
	}
	return said
}

func one(n int, single, many string) string {
	if n == 1 {
		return single
	}
	return many
}

func (t *RecurrenceTrend) study(ev *reliability.Events) error {
	lap := ev.Laplace()
	t.Events = lap.Events
	if lap.Events < trendEvents {
		t.Sentence = fmt.Sprintf("Too few failures under observation (%d) to tell a trend.", lap.Events)
		if ends := ev.Count() - lap.Events; ends > 0 {
			t.Sentence = fmt.Sprintf("Too few failures (%d) to tell a trend: %s left out, because each was the last that was known of its board.", lap.Events,
				plural(ends, "more is", "more are"))
		}
	} else {
		t.Laplace, t.P = known(lap.Statistic), known(lap.P)
		t.Direction, t.Sentence = trendOf(lap)
	}
	// Where most failures ended the observation of their board, the likelihood takes
	// the way boards were followed for a trend: each seems to fail at its end.
	if lap.Events < shapeEvents || 2*lap.Events < ev.Count() {
		return nil
	}
	p, err := ev.PowerLaw(confidence)
	if err != nil {
		return err
	}
	t.Shape, t.ShapeExact = boundsOf(p.Shape), p.Exact
	return nil
}

func trendOf(lap reliability.Trend) (direction, sentence string) {
	p := pText(lap.P)
	switch {
	case math.IsNaN(lap.P):
		return "unknown", "A trend cannot be told."
	case lap.P >= 1-confidence:
		return "none", "No trend is to be seen (Laplace test, " + p + "); with so few failures a slow one would not be."
	case lap.Statistic > 0:
		return "worse", "Getting worse: failures come more often as time goes on (Laplace test, " + p + ")."
	}
	return "better", "Getting better: failures come more rarely as time goes on (Laplace test, " + p + ")."
}

func lifeSentence(r RecurrenceRow, t RecurrenceTrend, group RecurrenceGroup, e exposureKind) string {
	said := fmt.Sprintf("%s: %s on %s", upperFirst(r.Title()), plural(r.Failures, "failure", "failures"), plural(r.Boards, "board", "boards"))
	if r.RepeatBoards > 0 {
		said += fmt.Sprintf(", %s twice or more", plural(r.RepeatBoards, "board", "boards"))
	}
	if r.Rate != nil {
		if r.AtEntry > 0 {
			said += fmt.Sprintf(", %d there when first seen", r.AtEntry)
		}
		said += fmt.Sprintf("; %s %s (%s to %s)", digits(*r.Rate), e.each, digits(*r.Lower), digits(*r.Upper))
	} else {
		said += "; no exposure is known, so there is no rate"
	}
	if group != ByAction {
		said += map[string]string{"worse": "; getting worse", "better": "; getting better", "none": "; no trend to be seen", "unknown": "; too few to tell a trend"}[t.Direction]
		if t.P != nil {
			said += " (" + pText(*t.P) + ")"
		}
	}
	if r.Observed() < fewFailures {
		said += ". Few data, wide bounds"
	}
	return said + "."
}
