package shop

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"nextprobe/internal/reliability"
)

// RowTrend compares the later half of a report's period with the earlier half: the
// rates of failures per board-year in service, by the exact test of two Poisson rates
// given their sum (Przyborowski and Wilenski, Biometrika 31 (1940) 313-323).
//
// It is time in service also in a report by distance: between two visits nobody knows
// the odometer, so that the end of the period has less distance than was ridden, and
// every rate per km would seem to rise. Failures that were there when observation
// began are left out, as in the drill-down: boards come to a shop because they failed,
// so that counting them would make every young shop seem to improve. The test takes
// failures as independent of one another; the drill-down's trend, which follows each
// board, is the second look.
type RowTrend struct {
	Direction      string // worse, better, none, or unknown with too few failures
	Earlier, Later HalfCount
	AtEntry        int    // failures left out of both halves
	Ratio          Bounds // later rate over earlier rate, 95 %; nil what is infinite or unknown
	// P is two-sided, of the kind PKind; AdjustedP is it after Benjamini and Hochberg
	// for all rows that were tested. Both are nil where nothing was tested.
	P, AdjustedP *float64
	PKind        string
	Sentence     string
	words        string // what the row's own sentence ends with
}

// HalfCount is one half of the period.
type HalfCount struct {
	Failures   int // without those at entry
	BoardYears float64
}

// trendFailures is from how many failures on halves are compared: five, all in one of
// two halves of equal exposure, have the two-sided p of 2/2^5 = 0.0625, so that fewer
// than six can show nothing at 5 %. The number does not depend on how the failures fell
// into the halves, so that leaving rows out by it does not favour any answer.
const trendFailures = 6

// Word is the direction for a narrow column.
func (t RowTrend) Word() string {
	return map[string]string{"worse": "worse", "better": "better", "none": "none seen"}[t.Direction]
}

// earlierHalf is the query for the first half of the time that was seen; false where
// the period has not begun.
func earlierHalf(q RecurrenceQuery) (RecurrenceQuery, bool) {
	end := q.End()
	if !q.From.Before(end) {
		return q, false
	}
	q.To, q.SumsOnly = q.From.Add(end.Sub(q.From)/2), true
	return q, q.From.Before(q.To)
}

// trends adds to every row of a report whether it is getting worse. It costs one
// count more: the later half is the whole less the earlier half.
func (s *Service) trends(ctx context.Context, a Actor, r *Recurrence) error {
	half, begun := earlierHalf(r.Query)
	if !begun {
		return nil
	}
	earlier, err := s.store.Recurrence(ctx, a.ShopID, half)
	if err != nil {
		return err
	}
	tested, err := markTrends(r.Rows, earlier)
	r.TrendNote = trendNote(tested, half)
	return err
}

// markTrends sets the trend of each row of a whole period from the counts of its
// earlier half, and ends the row's sentence with it. It returns how many rows were
// tested. With many rows some seem to change by chance, one of twenty at p < 0.05:
// "worse" and "better" are said where Benjamini and Hochberg's correction leaves p at
// 5 % or less, as for the bad actors, because the list is read from top to bottom and
// acted on where it says worse.
func markTrends(rows []RecurrenceRow, earlier []GroupCount) (tested int, err error) {
	before := make(map[string]GroupCount, len(earlier))
	for _, g := range earlier {
		before[g.Key] = g
	}
	var at []int
	var p []float64
	for i := range rows {
		t, err := compareHalves(rows[i].GroupCount, before[rows[i].Key])
		if err != nil {
			return 0, err
		}
		rows[i].Trend = &t
		if t.P != nil {
			at, p = append(at, i), append(p, *t.P)
		}
	}
	adjusted, found, err := reliability.BenjaminiHochberg(p, falseDiscovery)
	if err != nil {
		return 0, err
	}
	for k, i := range at {
		rows[i].Trend.judge(adjusted[k], found[k], len(at))
	}
	for i := range rows {
		rows[i].Sentence = strings.TrimSuffix(rows[i].Sentence, ".") + "; " + rows[i].Trend.words + "."
	}
	return len(at), nil
}

func compareHalves(whole, earlier GroupCount) (RowTrend, error) {
	const year = 365.25
	t := RowTrend{Direction: "unknown", PKind: kindOfRatioTest, AtEntry: whole.AtEntry,
		Earlier: HalfCount{earlier.Failures - earlier.AtEntry, earlier.BoardDays / year}}
	// A fault may have been recorded between the two counts, and exposures are sums of
	// fractions: neither may come out below zero.
	t.Later = HalfCount{max(0, whole.Failures-whole.AtEntry-t.Earlier.Failures), max(0, whole.BoardDays-earlier.BoardDays) / year}
	const least = 1.0 / year // less than a day on one board is no half to compare with
	switch n := t.Earlier.Failures + t.Later.Failures; {
	case n < trendFailures:
		t.words = "too few to say whether it gets better or worse"
		t.Sentence = fmt.Sprintf("Too few failures to compare (%d seen to come, %d needed).", n, trendFailures) + t.leftOut()
		return t, nil
	case t.Earlier.BoardYears < least || t.Later.BoardYears < least:
		t.words = "no earlier time to compare with"
		if t.Later.BoardYears < least {
			t.words = "no later time to compare with"
		}
		t.Sentence = "One half of the period has no exposure, so that there is nothing to compare." + t.leftOut()
		return t, nil
	}
	c, err := reliability.RateRatio(reliability.Count{Events: t.Later.Failures, Exposure: t.Later.BoardYears},
		reliability.Count{Events: t.Earlier.Failures, Exposure: t.Earlier.BoardYears}, confidence)
	if err != nil {
		return t, err
	}
	t.Ratio, t.P = boundsOf(c.Ratio), known(c.P.Doubled)
	return t, nil
}

// judge words a comparison once it is known how many were made.
func (t *RowTrend) judge(adjusted float64, found bool, tests int) {
	t.AdjustedP = &adjusted
	more := t.Later.Failures > 0 && (t.Ratio.Value == nil || *t.Ratio.Value > 1)
	p := pText(adjusted)
	if tests > 1 {
		p += fmt.Sprintf(", corrected for %d rows", tests)
	}
	towards := "better"
	if more {
		towards = "worse"
	}
	switch {
	case found:
		t.Direction, t.words = towards, fmt.Sprintf("getting %s (%s)", towards, p)
	case *t.P < 1-confidence:
		t.Direction, t.words = "none", fmt.Sprintf("perhaps %s, or chance (%s alone; %s)", towards, pText(*t.P), p)
	default:
		t.Direction, t.words = "none", fmt.Sprintf("no trend to be seen (%s)", p)
	}
	t.Sentence = fmt.Sprintf("%s: %s in %s board-years in the later half, %d in %s in the earlier; %s; %s, %s.", upperFirst(t.words),
		plural(t.Later.Failures, "failure", "failures"), digits(t.Later.BoardYears), t.Earlier.Failures, digits(t.Earlier.BoardYears),
		t.ratioText(), kindOfRatioTest, pText(*t.P)) + t.leftOut()
}

func (t RowTrend) ratioText() string {
	lower, upper := 0.0, math.Inf(1)
	if t.Ratio.Lower != nil {
		lower = *t.Ratio.Lower
	}
	if t.Ratio.Upper != nil {
		upper = *t.Ratio.Upper
	}
	if t.Ratio.Value == nil {
		return fmt.Sprintf("the rate rose at least %s times (95 %% bound)", digits(lower))
	}
	return fmt.Sprintf("the rate became %s times as high (95 %% bounds %s to %s)", digits(*t.Ratio.Value), digits(lower), digits(upper))
}

func (t RowTrend) leftOut() string {
	if t.AtEntry == 0 {
		return ""
	}
	return fmt.Sprintf(" Left out: %s there when the board or the part was first seen.", plural(t.AtEntry, "failure that was", "failures that were"))
}

// trendNote says how trends were found, and what they cannot tell.
func trendNote(tested int, half RecurrenceQuery) string {
	said := fmt.Sprintf("Trend: failures per board-year in service since %s against those before, %s; those that were there when a board was first seen are left out.",
		half.To.UTC().Format(time.DateOnly), kindOfRatioTest)
	switch {
	case tested == 0:
		said += fmt.Sprintf(" No row has the %d failures that a comparison needs.", trendFailures)
	case tested > 1:
		said += fmt.Sprintf(" Of %d rows compared, %s would seem to change by chance alone (p < 0.05), so p is corrected for their number (Benjamini and Hochberg, 5 %%).",
			tested, about(tested))
	}
	if years := half.To.Sub(half.From).Hours() / 24 / 365.25; math.Abs(years-math.Round(years)) > 0.05 || years < 0.5 {
		said += " The halves are not whole years, so that one may have more of the wet or cold season than the other."
	}
	return said
}

// about words how many of so many rows are below 5 % by chance.
func about(tests int) string {
	if n := math.Round(float64(tests) * (1 - confidence)); n > 1 {
		return fmt.Sprintf("about %.0f", n)
	}
	return "one now and then"
}
