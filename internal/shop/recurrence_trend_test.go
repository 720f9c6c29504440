package shop

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// halves is a row of a whole period with its earlier half. Exposures are in board-years.
func halves(key string, earlier int, earlierYears float64, later int, laterYears float64) (RecurrenceRow, GroupCount) {
	const year = 365.25
	first := GroupCount{Key: key, Failures: earlier, BoardDays: earlierYears * year}
	whole := GroupCount{Key: key, Failures: earlier + later, BoardDays: (earlierYears + laterYears) * year}
	return RecurrenceRow{GroupCount: whole, Sentence: "Counted."}, first
}

func TestTrendOfHalves(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name           string
		earlier        int
		earlierYears   float64
		later          int
		laterYears     float64
		direction      string
		p, ratio       float64 // NaN: not there
		lower, upper   float64
		sentence, word string
	}{
		// By hand: with equal exposures each of n failures is in the later half like a
		// coin. 6 of 6: p = 2/2^6. 8 of 10: p = 2(45 + 10 + 1)/2^10.
		{"all later", 0, 1, 6, 1, "worse", 2. / 64, math.NaN(), 1.17742472572418, math.NaN(), "Counted; getting worse (p = 0.031).", "worse"},
		{"all earlier", 6, 1, 0, 1, "better", 2. / 64, 0, 0, 1 / 1.17742472572418, "Counted; getting better (p = 0.031).", "better"},
		{"eight of ten", 2, 5, 8, 5, "none", 112. / 1024, 4, 0.798252400496631, 38.665656079715369, "Counted; no trend to be seen (p = 0.11).", "none seen"},
		// Half as long under observation: each failure is in the later half with 1/3.
		// 6 of 6: p = 2/3^6.
		{"less exposure", 0, 2, 6, 1, "worse", 2. / 729, math.NaN(), 2 * 1.17742472572418, math.NaN(), "Counted; getting worse (p = 0.0027).", "worse"},
		// R 4.2.2, example of stats::poisson.test (eba1977: 11 in 800 against 21 in 3011);
		// the p is twice the smaller of its one-sided ones.
		{"poisson.test", 21, 3011, 11, 800, "none", 0.112017319575399, 1.971488095238095, 0.858426403391639, 4.277265943654071, "Counted; no trend to be seen (p = 0.11).", "none seen"},
		{"poisson.test, small", 5, 8, 14, 9.5, "none", 0.138138514233232, 2.357894736842105, 0.802537316046345, 8.364673687112838, "Counted; no trend to be seen (p = 0.14).", "none seen"},
		// Five of five could not be told from chance: p = 2/2^5 = 0.0625.
		{"too few", 0, 1, 5, 1, "unknown", math.NaN(), math.NaN(), math.NaN(), math.NaN(), "Counted; too few to say whether it gets better or worse.", ""},
		{"nothing", 0, 1, 0, 1, "unknown", math.NaN(), math.NaN(), math.NaN(), math.NaN(), "Counted; too few to say whether it gets better or worse.", ""},
		{"new boards", 0, 0, 9, 1, "unknown", math.NaN(), math.NaN(), math.NaN(), math.NaN(), "Counted; no earlier time to compare with.", ""},
		{"gone boards", 9, 1, 0, 0, "unknown", math.NaN(), math.NaN(), math.NaN(), math.NaN(), "Counted; no later time to compare with.", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			row, first := halves("k", c.earlier, c.earlierYears, c.later, c.laterYears)
			rows := []RecurrenceRow{row}
			if _, err := markTrends(rows, []GroupCount{first}); err != nil {
				t.Fatal(err)
			}
			got := rows[0].Trend
			if got.Direction != c.direction || rows[0].Sentence != c.sentence || got.Word() != c.word {
				t.Errorf("%s, %q, %q", got.Direction, rows[0].Sentence, got.Word())
			}
			if got.Earlier.Failures != c.earlier || got.Later.Failures != c.later || math.Abs(got.Later.BoardYears-c.laterYears) > 1e-9 {
				t.Errorf("halves %+v and %+v", got.Earlier, got.Later)
			}
			for what, x := range map[string]struct {
				got  *float64
				want float64
			}{"p": {got.P, c.p}, "corrected p": {got.AdjustedP, c.p}, "ratio": {got.Ratio.Value, c.ratio}, "lower": {got.Ratio.Lower, c.lower}, "upper": {got.Ratio.Upper, c.upper}} {
				if math.IsNaN(x.want) {
					if x.got != nil {
						t.Errorf("%s is %g, want none", what, *x.got)
					}
					continue
				}
				near(t, what, x.got, x.want, 1e-9)
			}
			if got.P != nil && (!strings.Contains(got.Sentence, kindOfRatioTest) || !strings.Contains(got.Sentence, "bound")) {
				t.Errorf("a bare number: %q", got.Sentence)
			}
		})
	}
}

// One of thirty rows at p = 0.03 is what chance gives: it is not called a trend. The
// same row alone is one.
func TestTrendOfManyRows(t *testing.T) {
	t.Parallel()
	row, first := halves("odd", 0, 1, 6, 1)
	rows, earlier := []RecurrenceRow{row}, []GroupCount{first}
	for i := range 29 {
		row, first = halves(fmt.Sprint(i), 5, 1, 5, 1)
		rows, earlier = append(rows, row), append(earlier, first)
	}
	few, first := halves("few", 1, 1, 1, 1)
	rows, earlier = append(rows, few), append(earlier, first)
	tested, err := markTrends(rows, earlier)
	if err != nil || tested != 30 {
		t.Fatalf("%d rows compared, %v", tested, err)
	}
	got := rows[0].Trend
	// By hand: the smallest of 30 is corrected to 30·2/64, the others are 1.
	near(t, "corrected p", got.AdjustedP, 30*2./64, 1e-12)
	if got.Direction != "none" || rows[0].Sentence != "Counted; perhaps worse, or chance (p = 0.031 alone; p = 0.94, corrected for 30 rows)." {
		t.Errorf("%s: %q", got.Direction, rows[0].Sentence)
	}
	q := RecurrenceQuery{From: time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC), To: time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)}
	for _, want := range []string{"Of 30 rows compared, about 2 would", "since 2025-03-01", "Benjamini and Hochberg", kindOfRatioTest} {
		if note := trendNote(tested, q); !strings.Contains(note, want) || strings.Contains(note, "season") {
			t.Errorf("%q lacks %q, or speaks of seasons", note, want)
		}
	}
	q.To = q.To.AddDate(0, -6, 0)
	if note := trendNote(0, q); !strings.Contains(note, "season") || !strings.Contains(note, "No row has the 6 failures") {
		t.Errorf("note %q", note)
	}
	// Strong trends are found among many rows.
	row, first = halves("strong", 2, 1, 20, 1)
	rows[0], earlier[0] = row, first
	if _, err = markTrends(rows, earlier); err != nil || rows[0].Trend.Direction != "worse" || !strings.Contains(rows[0].Sentence, "getting worse (p = 0.0036, corrected for 30 rows)") {
		t.Errorf("%v %q", err, rows[0].Sentence)
	}
}

// A young shop gets most boards in the first half, each with a failure: without these
// nothing has changed.
func TestTrendLeavesOutWhatWasThereAtEntry(t *testing.T) {
	t.Parallel()
	row, first := halves("k", 20, 4, 6, 6)
	row.AtEntry, first.AtEntry = 18, 16
	rows := []RecurrenceRow{row}
	if _, err := markTrends(rows, []GroupCount{first}); err != nil {
		t.Fatal(err)
	}
	got := rows[0].Trend
	if got.Earlier.Failures != 4 || got.Later.Failures != 4 || got.AtEntry != 18 || got.Direction != "none" || !strings.Contains(got.Sentence, "Left out: 18 failures") {
		t.Errorf("%+v", got)
	}
}

func TestEarlierHalf(t *testing.T) {
	t.Parallel()
	day := func(n int) time.Time { return time.Date(2026, 1, 1+n, 0, 0, 0, 0, time.UTC) }
	for _, c := range []struct{ from, to, now, half int }{{0, 10, 20, 5}, {0, 10, 6, 3}, {0, 10, 0, -1}, {5, 10, 4, -1}} {
		q, ok := earlierHalf(RecurrenceQuery{From: day(c.from), To: day(c.to), Now: day(c.now)})
		if ok != (c.half >= 0) || ok && !q.To.Equal(day(c.half)) {
			t.Errorf("%+v: %v %v", c, q.To, ok)
		}
	}
}
