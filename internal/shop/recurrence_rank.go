package shop

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/problem"
	"nextprobe/internal/reliability"
)

// Bounds are a value with its two-sided bounds; what cannot be estimated is nil.
type Bounds struct{ Value, Lower, Upper *float64 }

func boundsOf(e reliability.Estimate) Bounds {
	return Bounds{known(e.Value), known(e.Lower), known(e.Upper)}
}

func known(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// BadActor says that a key fails more than the rest of its report: an exact
// one-sided test of the two rates, corrected for the number of keys by Benjamini
// and Hochberg so that on average at most 5 % of such flags are false.
type BadActor struct {
	Ratio     Bounds // its rate over that of the rest, 95 %
	P         float64
	AdjustedP float64
	Sentence  string
}

const (
	rankConfidence  = 0.90
	falseDiscovery  = 0.05
	kindOfRatioTest = "exact test, twice the smaller tail"
)

// rankRows sets the rank of every row. Rows without exposure come last, in the order
// of their failures.
func rankRows(rows []RecurrenceRow) error {
	var with []int
	var counts []reliability.Count
	for i, r := range rows {
		if r.Exposure > 0 {
			with = append(with, i)
			counts = append(counts, reliability.Count{Events: r.Observed(), Exposure: r.Exposure})
		}
	}
	shrunk, err := reliability.ShrinkRates(counts, rankConfidence)
	if err != nil {
		return err
	}
	for place, i := range shrunk.Order {
		b := boundsOf(shrunk.Groups[i].Rate)
		rows[with[i]].Rank, rows[with[i]].Shrunk = place+1, &b
	}
	rank := len(with)
	for i := range rows {
		if rows[i].Rank == 0 {
			rank++
			rows[i].Rank = rank
		}
	}
	return nil
}

// carriedBySome are the groups in which boards differ in what they carry, so that the
// other keys are a rest to compare with. Every board has every component, and the
// components that never failed are not in the report.
var carriedBySome = []RecurrenceGroup{ByConnectorFamily, BySealing, ByPart, ByLot, ByAction}

// restTest is the exact test of one row's rate against that of all other rows of its
// report, corrected for the number of rows tested.
type restTest struct {
	row         int // index into the rows
	ratio       reliability.Estimate
	p, adjusted float64
	found       bool // the false discovery rate holds at falseDiscovery
}

// testAgainstRest tests every row that has exposure and a rest to compare with, in the
// order of the rows. It tests nothing in a group that every board carries.
func testAgainstRest(rows []RecurrenceRow, group RecurrenceGroup) ([]restTest, error) {
	if !slices.Contains(carriedBySome, group) {
		return nil, nil
	}
	var all reliability.Count
	for _, r := range rows {
		if r.Exposure > 0 {
			all.Events, all.Exposure = all.Events+r.Observed(), all.Exposure+r.Exposure
		}
	}
	var tests []restTest
	var p []float64
	for i, r := range rows {
		rest := reliability.Count{Events: all.Events - r.Observed(), Exposure: all.Exposure - r.Exposure}
		if !(r.Exposure > 0) || !(rest.Exposure > all.Exposure*1e-9) {
			continue
		}
		t, err := reliability.RateRatio(reliability.Count{Events: r.Observed(), Exposure: r.Exposure}, rest, confidence)
		if err != nil {
			return nil, err
		}
		tests, p = append(tests, restTest{row: i, ratio: t.Ratio, p: t.P.Greater}), append(p, t.P.Greater)
	}
	adjusted, found, err := reliability.BenjaminiHochberg(p, falseDiscovery)
	if err != nil {
		return nil, err
	}
	for i := range tests {
		tests[i].adjusted, tests[i].found = adjusted[i], found[i]
	}
	return tests, nil
}

// markBadActors marks the rows that fail more than the rest, and returns all tests.
func markBadActors(rows []RecurrenceRow, group RecurrenceGroup) ([]restTest, error) {
	tests, err := testAgainstRest(rows, group)
	if err != nil {
		return nil, err
	}
	for _, t := range tests {
		if t.found {
			rows[t.row].BadActor = &BadActor{Ratio: boundsOf(t.ratio), P: t.p, AdjustedP: t.adjusted,
				Sentence: badSentence(t.ratio, t.adjusted, len(tests))}
		}
	}
	return tests, nil
}

func badSentence(ratio reliability.Estimate, p float64, tests int) string {
	much := fmt.Sprintf("Fails %s times as often as the rest (at least %s times with 95 %% bounds)", digits(ratio.Value), digits(ratio.Lower))
	if math.IsInf(ratio.Value, 1) {
		much = "Only this one failed, the rest never did"
	}
	return fmt.Sprintf("%s; exact test, corrected for %s: %s.", much, plural(tests, "comparison", "comparisons"), pText(p))
}

// pText prints a p-value; below a thousandth it says no more than that.
func pText(p float64) string {
	switch {
	case math.IsNaN(p):
		return "p not known"
	case p < 0.001:
		return "p < 0.001"
	case p < 0.1:
		return "p = " + digits(p)
	}
	return fmt.Sprintf("p = %.2f", p)
}

// RecurrenceComparison is one row beside another.
type RecurrenceComparison struct {
	Key, Name string
	Failures  int // of the other, without those that were there when first seen
	Exposure  float64
	Rate      Bounds // of the other
	Ratio     Bounds // of the row's rate to the other's, 95 %; nil what is infinite or unknown
	P         float64
	PKind     string
	Sentence  string
	Lives     *LifeComparison // nil where neither has a life that was followed
}

// compare fills what the row can be compared with, and the comparison asked for.
func (d *RecurrenceDetail) compare(rows []RecurrenceRow, against string) error {
	for _, r := range rows {
		if r.Key != d.Row.Key && r.Exposure > 0 {
			d.Others = append(d.Others, r)
		}
	}
	if against == "" {
		return nil
	}
	at := slices.IndexFunc(d.Others, func(r RecurrenceRow) bool { return r.Key == against })
	if at < 0 {
		return problem.InField("against", "must be another row of this report with a known exposure, not %q", against)
	}
	if !(d.Row.Exposure > 0) {
		return problem.InField("against", "cannot be asked: no exposure of %q is known in this time", d.Row.Key)
	}
	o := d.Others[at]
	t, err := reliability.RateRatio(reliability.Count{Events: d.Row.Observed(), Exposure: d.Row.Exposure},
		reliability.Count{Events: o.Observed(), Exposure: o.Exposure}, confidence)
	if err != nil {
		return err
	}
	c := &RecurrenceComparison{Key: o.Key, Name: o.Name, Failures: o.Observed(), Exposure: o.Exposure, Rate: Bounds{o.Rate, o.Lower, o.Upper},
		Ratio: boundsOf(t.Ratio), P: t.P.Doubled, PKind: kindOfRatioTest}
	c.Sentence = ratioSentence(d.Row, o, t)
	d.Against = c
	return nil
}

func ratioSentence(r, o RecurrenceRow, t reliability.RateComparison) string {
	name, other := r.Title(), o.Title()
	p := kindOfRatioTest + ", " + pText(t.P.Doubled)
	switch {
	case r.Observed()+o.Observed() == 0:
		return fmt.Sprintf("Neither %s nor %s failed in this time, so they cannot be told apart.", name, other)
	case o.Observed() == 0:
		return fmt.Sprintf("%s failed %s and %s never; the rate is at least %s times the other's (95 %% bound; %s).",
			name, plural(r.Observed(), "time", "times"), other, digits(t.Ratio.Lower), p)
	}
	said := fmt.Sprintf("%s fails %s times as often as %s (95 %% bounds %s to %s; %s).", name, digits(t.Ratio.Value), other,
		digits(t.Ratio.Lower), digits(t.Ratio.Upper), p)
	if t.P.Doubled >= 1-confidence {
		said += " That may be chance."
	}
	return said
}

// Title is the row's name, or its key where it has none.
func (r RecurrenceRow) Title() string { return cmp.Or(r.Name, r.Key) }
