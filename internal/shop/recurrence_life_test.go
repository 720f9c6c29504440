package shop

import (
	"math"
	"strings"
	"testing"
	"time"
)

// lifeExample is the example at the head of store/lifedata.go.
func lifeExample() LifeData {
	zero := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	day := func(n int) time.Time { return zero.AddDate(0, 0, n) }
	b1, b2, b3 := ID{1}, ID{2}, ID{3}
	life := func(b ID, action string, at, ends int, back bool) RepairLife {
		r := RepairLife{Action: action, BoardID: b, At: day(at), Starts: day(at), Ends: day(ends)}
		if back {
			r.Comeback = &CameBack{At: r.Ends}
		}
		return r
	}
	return LifeData{
		Units: []LifeUnit{{BoardID: b1, Origin: day(-80), Starts: day(-80), Ends: day(0)}, {BoardID: b2, Origin: day(-100), Starts: day(-100), Ends: day(0)},
			{BoardID: b3, Origin: day(-50), Starts: day(-50), Ends: day(0)}},
		Events: []LifeEvent{{BoardID: b1, At: day(-80)}, {BoardID: b2, At: day(-60)}, {BoardID: b1, At: day(-50)}, {BoardID: b3, At: day(-50)},
			{BoardID: b2, At: day(-40)}, {BoardID: b1, At: day(-20)}},
		Repairs: []RepairLife{life(b1, "cleaned", -80, -50, true), life(b2, "cleaned", -60, -40, true), life(b1, "replaced", -50, -20, true),
			life(b3, "cleaned", -50, 0, false), life(b2, "replaced", -40, 0, false), life(b1, "replaced", -20, 0, false)},
		Readings: []OdometerReading{{b1, day(-80), 1000}, {b1, day(-50), 1300}, {b1, day(-20), 1900}, {b2, day(-60), 500}, {b2, day(-40), 700},
			{b3, day(-50), 2000}, {b3, day(-10), 2400}},
	}
}

func near(t *testing.T, what string, got *float64, want, within float64) {
	t.Helper()
	if got == nil || !(math.Abs(*got-want) <= within) {
		if got == nil {
			t.Errorf("%s is not there, want %g", what, want)
			return
		}
		t.Errorf("%s is %.6g, want %g", what, *got, want)
	}
}

// TestLifeExample checks the figures worked by hand at the head of store/lifedata.go.
func TestLifeExample(t *testing.T) {
	t.Parallel()
	l, err := studyLife(lifeExample(), ByComponent, RecurrenceRow{GroupCount: GroupCount{Key: "motor_connector", Failures: 6, Boards: 3, RepeatBoards: 2}}, recurrenceExposures[0])
	if err != nil {
		t.Fatal(err)
	}
	if l.AgeUnit != "d" || l.Units != 3 || l.Failures != 4 || l.AtEntry != 2 {
		t.Fatalf("%d units, %d failures, %d at entry in %s", l.Units, l.Failures, l.AtEntry, l.AgeUnit)
	}
	near(t, "exposure in board-years", &l.Exposure, 230/365.25, 1e-12)
	want := []struct {
		age            float64
		boards, events int
		mean           float64
	}{{30, 3, 1, 1. / 3}, {40, 3, 1, 2. / 3}, {60, 2, 2, 5. / 3}}
	if len(l.Mean) != len(want) {
		t.Fatalf("%d steps of the mean cumulative function", len(l.Mean))
	}
	for i, w := range want {
		if g := l.Mean[i]; g.Age != w.age || g.Boards != w.boards || g.Events != w.events {
			t.Errorf("step %+v, want %+v", g, w)
		}
		near(t, "mean", l.Mean[i].Mean.Value, w.mean, 1e-12)
	}
	near(t, "Laplace", l.Trend.Laplace, 0.1913, 5e-5)
	near(t, "p of Laplace", l.Trend.P, 0.848, 5e-4)
	if l.Trend.Direction != "none" {
		t.Errorf("direction %s", l.Trend.Direction)
	}
	if len(l.Repairs) != 2 || l.Repairs[0].Action != "cleaned" || l.Repairs[0].Comebacks != 2 || l.Repairs[1].Comebacks != 1 {
		t.Fatalf("repairs %+v", l.Repairs)
	}
	cleaned, replaced := l.Repairs[0].Steps, l.Repairs[1].Steps
	if len(cleaned) != 2 || cleaned[0].Age != 20 || cleaned[1].Age != 30 || len(replaced) != 1 || replaced[0].Age != 30 || replaced[0].AtRisk != 2 {
		t.Fatalf("steps %+v and %+v", cleaned, replaced)
	}
	near(t, "cleaned after 20 days", cleaned[0].Survival.Value, 2./3, 1e-12)
	near(t, "cleaned after 30 days", cleaned[1].Survival.Value, 1./3, 1e-12)
	near(t, "replaced after 30 days", replaced[0].Survival.Value, 0.5, 1e-12)
	// Three lives each: few enough for all C(6,3) = 20 arrangements.
	if l.LogRank == nil || !strings.Contains(l.LogRank.PKind, "arrangements") || l.LogRank.P == nil || *l.LogRank.P < 0.05 {
		t.Errorf("log-rank %+v", l.LogRank)
	}
	if len(l.Comebacks) != 3 {
		t.Errorf("%d comebacks", len(l.Comebacks))
	}
}

// By distance, as at the head of store/lifedata.go.
func TestLifeExampleByDistance(t *testing.T) {
	t.Parallel()
	l, err := studyLife(lifeExample(), ByComponent, RecurrenceRow{}, recurrenceExposures[1])
	if err != nil {
		t.Fatal(err)
	}
	if l.AgeUnit != "km" || l.Units != 3 || l.Failures != 3 || l.AtEntry != 3 {
		t.Fatalf("%d units, %d failures, %d at entry in %s", l.Units, l.Failures, l.AtEntry, l.AgeUnit)
	}
	near(t, "exposure in thousands of km", &l.Exposure, 1.5, 1e-12)
	ages := []float64{700, 1300, 1900}
	for i, s := range l.Mean {
		if s.Age != ages[i] {
			t.Errorf("failure at %g km, want %g", s.Age, ages[i])
		}
	}
	// Repairs at a board's last reading have no distance: both last ones of NP-0001 and NP-0002.
	if !strings.Contains(l.RepairsNote, "2 repairs were not followed") {
		t.Errorf("note %q", l.RepairsNote)
	}
}

func TestOdometerAges(t *testing.T) {
	t.Parallel()
	zero := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	day := func(n int) time.Time { return zero.AddDate(0, 0, n) }
	b := ID{1}
	a := newAges([]OdometerReading{{b, day(0), 100}, {b, day(10), 200}, {b, day(20), 5}, {b, day(30), 55}}, true)
	for _, tc := range []struct {
		day  int
		want float64
	}{{-5, 100}, {0, 100}, {5, 150}, {10, 200}, {15, 200}, {20, 200}, {25, 225}, {30, 250}, {90, 250}} {
		if got := a.odometer(b, day(tc.day)); math.Abs(got-tc.want) > 1e-9 {
			t.Errorf("day %d: %g km, want %g", tc.day, got, tc.want)
		}
	}
	if got := a.at(ID{2}, day(0), day(20)); got != 0 {
		t.Errorf("a board without readings has the age %g", got)
	}
}

func TestSpansOfOnePlaceAreJoined(t *testing.T) {
	t.Parallel()
	zero := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	day := func(n int) time.Time { return zero.AddDate(0, 0, n) }
	b, c := ID{1}, ID{2}
	got := joined([]LifeUnit{{BoardID: b, Origin: day(-9), Starts: day(0), Ends: day(10)}, {BoardID: b, Origin: day(10), Starts: day(10), Ends: day(20)},
		{BoardID: b, Origin: day(30), Starts: day(30), Ends: day(40)}, {BoardID: c, Origin: day(35), Starts: day(35), Ends: day(35)}, {BoardID: c, Origin: day(35), Starts: day(36), Ends: day(50)}})
	want := []LifeUnit{{BoardID: b, Origin: day(-9), Starts: day(0), Ends: day(20)}, {BoardID: b, Origin: day(30), Starts: day(30), Ends: day(40)}, {BoardID: c, Origin: day(35), Starts: day(36), Ends: day(50)}}
	if len(got) != len(want) {
		t.Fatalf("got %+v", got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("unit %d is %+v, want %+v", i, got[i], want[i])
		}
	}
}

// One board with one failure in a short time must not top boards that fail often, and
// only what is beyond chance is called a bad actor.
func TestRanksAndBadActors(t *testing.T) {
	t.Parallel()
	row := func(key string, failures int, exposure float64) RecurrenceRow {
		return RecurrenceRow{GroupCount: GroupCount{Key: key, Failures: failures, Boards: 1}, Exposure: exposure}
	}
	rows := []RecurrenceRow{row("often", 20, 10), row("usual", 10, 30), row("usual too", 9, 30), row("good", 2, 30), row("unlucky", 1, 0.1), row("nothing known", 1, 0)}
	if err := rankRows(rows); err != nil {
		t.Fatal(err)
	}
	if _, err := markBadActors(rows, ByConnectorFamily); err != nil {
		t.Fatal(err)
	}
	// By the plain rate the unlucky one (10 a year) would be far ahead of 2 a year.
	if rows[0].Rank != 1 || rows[5].Rank != 6 || rows[5].Shrunk != nil {
		t.Errorf("ranks %+v", rows)
	}
	for _, r := range rows {
		if (r.BadActor != nil) != (r.Key == "often") {
			t.Errorf("%s: bad actor %+v", r.Key, r.BadActor)
		}
	}
	// 20 of 42 failures in 10 of 100.1 board-years: P(X ≥ 20), X ~ Bin(42, 0.0999), is about 4e-10;
	// five tests make 2e-9.
	if b := rows[0].BadActor; b != nil && !(b.AdjustedP < 1e-8 && math.Abs(b.AdjustedP-5*b.P) < 1e-12 && strings.Contains(b.Sentence, "corrected for 5 comparisons")) {
		t.Errorf("flag %+v", b)
	}
	if _, err := markBadActors(rows, ByComponent); err != nil {
		t.Fatal(err)
	}
}

// Given 20 failures in all, the 14 are binomial with 6.7/14.9 when the rates are equal
// (Przyborowski and Wilenski, Biometrika 31 (1940) 313-323): P(X ≥ 14) summed here.
func TestComparisonOfTwoRows(t *testing.T) {
	t.Parallel()
	rows := []RecurrenceRow{{GroupCount: GroupCount{Key: "B", Name: "Family B", Failures: 14}, Exposure: 6.7},
		{GroupCount: GroupCount{Key: "A", Name: "Family A", Failures: 6}, Exposure: 8.2}, {GroupCount: GroupCount{Key: "C", Name: "Family C"}, Exposure: 3}}
	d := RecurrenceDetail{Row: rows[0]}
	if err := d.compare(rows, "A"); err != nil {
		t.Fatal(err)
	}
	near(t, "ratio", d.Against.Ratio.Value, 14/6.7/(6/8.2), 1e-12)
	tail := 0.0
	for k := 14; k <= 20; k++ {
		choose, _ := math.Lgamma(21)
		a, _ := math.Lgamma(float64(k + 1))
		b, _ := math.Lgamma(float64(21 - k))
		tail += math.Exp(choose - a - b + float64(k)*math.Log(6.7/14.9) + float64(20-k)*math.Log(8.2/14.9))
	}
	near(t, "p", &d.Against.P, 2*tail, 1e-9)
	if !strings.Contains(d.Against.Sentence, kindOfRatioTest) || len(d.Others) != 2 {
		t.Errorf("comparison %+v", d.Against)
	}
	d = RecurrenceDetail{Row: rows[0]}
	if err := d.compare(rows, "C"); err != nil || !strings.Contains(d.Against.Sentence, "Family C never") || d.Against.Ratio.Value != nil {
		t.Errorf("comparison with one that never failed: %+v %v", d.Against, err)
	}
	if err := d.compare(rows, "Z"); err == nil {
		t.Error("an unknown key is compared")
	}
}

// Failures that were there when first seen are in no rate, rank or test, here as in the
// drill-down.
func TestRatesLeaveOutWhatWasThere(t *testing.T) {
	t.Parallel()
	row := func(key string, failures, atEntry int, years float64) RecurrenceRow {
		r, err := recurrenceRow(GroupCount{Key: key, Failures: failures, AtEntry: atEntry, Boards: 1, Carriers: 1, BoardDays: years * 365.25}, 100, 0)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	seen := []RecurrenceRow{row("B", 20, 0, 10), row("A", 10, 0, 30)}
	there := []RecurrenceRow{row("B", 27, 7, 10), row("A", 13, 3, 30)}
	for _, rows := range [][]RecurrenceRow{seen, there} {
		if err := rankRows(rows); err != nil {
			t.Fatal(err)
		}
		if _, err := markBadActors(rows, ByConnectorFamily); err != nil {
			t.Fatal(err)
		}
		d := RecurrenceDetail{Row: rows[0]}
		if err := d.compare(rows, "A"); err != nil {
			t.Fatal(err)
		}
		near(t, "rate", rows[0].Rate, 2, 1e-12)
		near(t, "ratio of two rows", d.Against.Ratio.Value, 6, 1e-12)
		if rows[0].BadActor == nil || rows[0].Rank != 1 {
			t.Fatalf("%+v", rows[0])
		}
		near(t, "ratio to the rest", rows[0].BadActor.Ratio.Value, 6, 1e-12)
	}
	near(t, "p of the bad actor", &there[0].BadActor.P, seen[0].BadActor.P, 0)
	near(t, "shrunk rate", there[0].Shrunk.Value, *seen[0].Shrunk.Value, 0)
	near(t, "share of all failures", &there[0].Share, 0.27, 1e-12)
}

// Few data never give a bare number, and nothing gives a sentence, not a failure.
func TestFewLives(t *testing.T) {
	t.Parallel()
	d := lifeExample()
	d.Repairs = d.Repairs[3:]
	l, err := studyLife(d, ByAction, RecurrenceRow{GroupCount: GroupCount{Key: "cleaned", Failures: 0, Boards: 0}}, recurrenceExposures[0])
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Repairs) != 2 || l.Repairs[1].Action != otherRepairs || l.Repairs[1].Repairs != 2 {
		t.Errorf("one action beside the others: %+v", l.Repairs)
	}
	for _, r := range l.Repairs {
		if !strings.Contains(r.Sentence, "the mean life is above") || !strings.Contains(r.Sentence, "few data, wide bounds") {
			t.Errorf("sentence %q", r.Sentence)
		}
	}
	if l.LogRank == nil || l.LogRank.P != nil && *l.LogRank.P < 0.05 || !strings.Contains(l.LogRank.Sentence, "cannot be") {
		t.Errorf("log-rank without a comeback: %+v", l.LogRank)
	}
	if l, err = studyLife(LifeData{}, ByComponent, RecurrenceRow{}, recurrenceExposures[0]); err != nil || l.MeanNote == "" || l.Trend.Sentence == "" {
		t.Errorf("nothing gives %+v, %v", l, err)
	}
}
