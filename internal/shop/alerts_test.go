package shop

import (
	"strings"
	"testing"
	"time"
)

// checked is a report of two families in equal service: given n failures in all, those
// of B are binomial with one half when the rates are equal, and two keys are compared.
func checked(t *testing.T, b, a int) []checkedGroup {
	t.Helper()
	rows := []RecurrenceRow{
		{GroupCount: GroupCount{Key: "B", Name: "B", Failures: b, Boards: 4, Carriers: 9}, Exposure: 10},
		{GroupCount: GroupCount{Key: "A", Name: "A", Failures: a, Boards: 2, Carriers: 8}, Exposure: 10},
	}
	tests, err := testAgainstRest(rows, ByConnectorFamily)
	if err != nil {
		t.Fatal(err)
	}
	return []checkedGroup{{ByConnectorFamily, rows, tests}}
}

// An alert is raised at a corrected p of 5 % and clears above 10 %. The tails are summed
// by hand (Przyborowski and Wilenski, Biometrika 31 (1940) 313-323); Benjamini and
// Hochberg double the smaller of two.
func TestAlertsDoNotFlicker(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	open := []RecurrenceAlert{{ID: ID{7}, Group: ByConnectorFamily, Key: "B", Name: "B", RaisedAt: now.AddDate(0, -1, 0), SetAside: &SetAside{By: "Odile"}}}
	for _, c := range []struct {
		b, a                 int
		adjusted             float64
		open                 []RecurrenceAlert
		raise, update, clear int
	}{
		{10, 2, 2 * 79.0 / 4096, nil, 1, 0, 0},  // P(X ≥ 10), n = 12: (66 + 12 + 1)/2^12
		{10, 2, 2 * 79.0 / 4096, open, 0, 1, 0}, // It is raised once.
		{9, 2, 2 * 67.0 / 2048, nil, 0, 0, 0},   // P(X ≥ 9), n = 11: (55 + 11 + 1)/2^11; 6.5 % raises nothing
		{9, 2, 2 * 67.0 / 2048, open, 0, 1, 0},  // and clears nothing.
		{9, 3, 2 * 299.0 / 4096, open, 0, 0, 1}, // P(X ≥ 9), n = 12: (220 + 66 + 12 + 1)/2^12
		{9, 3, 2 * 299.0 / 4096, nil, 0, 0, 0},
	} {
		groups := checked(t, c.b, c.a)
		near(t, "corrected p", &groups[0].tests[0].adjusted, c.adjusted, 1e-12)
		got := alertChanges(c.open, groups, now.AddDate(0, -alertMonths, 0), now, func() ID { return ID{1} })
		if len(got.Raise) != c.raise || len(got.Update) != c.update || len(got.Clear) != c.clear || !got.At.Equal(now) {
			t.Errorf("%d and %d failures: %+v", c.b, c.a, got)
			continue
		}
		for _, x := range got.Raise {
			if x.Key != "B" || !x.RaisedAt.Equal(now) || x.Raised.Failures != c.b || x.Raised.Compared != 2 || x.Figures != x.Raised || x.ClearedAt != nil {
				t.Errorf("raised %+v", x)
			}
		}
		for _, x := range append(got.Update, got.Clear...) {
			if x.ID != (ID{7}) || x.Figures.Failures != c.b || !x.UpdatedAt.Equal(now) || x.SetAside == nil || (x.ClearedAt != nil) != (c.clear > 0) {
				t.Errorf("changed %+v", x)
			}
		}
	}
}

// What has left the report clears with its last figures; a group that was not looked at
// keeps its alerts.
func TestAlertsOfWhatIsGone(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	gone := RecurrenceAlert{ID: ID{1}, Group: ByConnectorFamily, Key: "C", Figures: AlertFigures{Failures: 5}}
	other := RecurrenceAlert{ID: ID{2}, Group: ByLot, Key: "B"}
	got := alertChanges([]RecurrenceAlert{gone, other}, checked(t, 1, 1), now.AddDate(-2, 0, 0), now, newID)
	if len(got.Raise)+len(got.Update) != 0 || len(got.Clear) != 1 || got.Clear[0].Key != "C" || got.Clear[0].Figures.Failures != 5 || got.Clear[0].ClearedAt == nil {
		t.Errorf("%+v", got)
	}
}

func TestAlertSentences(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	num := func(x float64) *float64 { return &x }
	f := AlertFigures{From: now.AddDate(0, -24, 0), To: now, Failures: 14, Boards: 9, Carriers: 31, Ratio: num(3.14), Lower: num(1.6), Upper: num(5.8), AdjustedP: 0.0004, Compared: 4}
	never := f
	never.Ratio, never.Upper, never.Failures, never.Boards, never.AdjustedP = nil, nil, 4, 1, 0.03
	for _, c := range []struct {
		alert RecurrenceAlert
		want  string
	}{
		{RecurrenceAlert{Group: ByConnectorFamily, Key: "B", Name: "B", Figures: f},
			"Connector family B: 14 failures on 9 of 31 boards in 24 months, 3.1 times the rate of the others (95 % bounds 1.6 to 5.8); exact test against all others, corrected for 4 comparisons: p < 0.001."},
		{RecurrenceAlert{Group: ByAction, Key: "Cleaned", Name: "Cleaned", Figures: f},
			"Repair “Cleaned”: failed again 14 times, on 9 of 31 boards in 24 months, 3.1 times the rate after the other repairs (95 % bounds 1.6 to 5.8); exact test against all others, corrected for 4 comparisons: p < 0.001."},
		{RecurrenceAlert{Group: ByLot, Key: "L7", Name: "Seal kit, lot L7", Figures: never},
			"Seal kit, lot L7: 4 failures on 1 of 31 boards in 24 months, the others never; at least 1.6 times their rate (95 % bound); exact test against all others, corrected for 4 comparisons: p = 0.03. All on one board: it may be that board."},
	} {
		if got := c.alert.Sentence(); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

// FuzzAlertChanges: whatever the figures, an alert is changed once at most, and a key
// with an open alert is not raised again.
func FuzzAlertChanges(f *testing.F) {
	f.Add(10, 2, true)
	f.Add(0, 0, false)
	f.Fuzz(func(t *testing.T, b, a int, isOpen bool) {
		if b < 0 || a < 0 || b > 500 || a > 500 {
			return
		}
		now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
		var open []RecurrenceAlert
		if isOpen {
			open = []RecurrenceAlert{{ID: ID{7}, Group: ByConnectorFamily, Key: "B"}}
		}
		got := alertChanges(open, checked(t, b, a), now.AddDate(-2, 0, 0), now, newID)
		if n := len(got.Update) + len(got.Clear); n != len(open) {
			t.Errorf("%d changes of %d open alerts", n, len(open))
		}
		for _, r := range got.Raise {
			if isOpen && r.Key == "B" {
				t.Error("raised twice")
			}
			if s := r.Sentence(); strings.Contains(s, "NaN") || strings.Contains(s, "Inf") {
				t.Error(s)
			}
		}
	})
}
