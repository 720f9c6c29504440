package workbook

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

func ref[T any](v T) *T { return &v }

func sample() (shop.Recurrence, shop.RecurrenceDetail) {
	from, to := time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	b := func(v, lo, hi float64) shop.Bounds { return shop.Bounds{Value: &v, Lower: &lo, Upper: &hi} }
	good := shop.RecurrenceRow{GroupCount: shop.GroupCount{Key: "gasket", Failures: 2, Boards: 2, Carriers: 40}, Exposure: 60, Share: 0.25, Rank: 2, Sentence: "2 failures."}
	bad := shop.RecurrenceRow{GroupCount: shop.GroupCount{Key: "family_b", Name: "=Family B", Failures: 6, AtEntry: 1, Boards: 4, RepeatBoards: 2, Carriers: 20, Comebacks: 2, LastAt: to.AddDate(0, 0, -9)},
		Exposure: 30, Share: 0.75, Rank: 1, Rate: ref(0.2), Lower: ref(0.073), Upper: ref(0.44), Shrunk: ref(b(0.19, 0.08, 0.4)), BadActor: &shop.BadActor{AdjustedP: 0.01},
		Trend:    &shop.RowTrend{Direction: "worse", Earlier: shop.HalfCount{Failures: 0, BoardYears: 15}, Later: shop.HalfCount{Failures: 6, BoardYears: 15}, Ratio: shop.Bounds{Lower: ref(1.18)}, P: ref(0.031), AdjustedP: ref(0.031)},
		Sentence: "6 failures on 4 boards; getting worse (p = 0.031)."}
	list := shop.Recurrence{Group: shop.ByConnectorFamily, Exposure: "time", Unit: "1/board-year", Query: shop.RecurrenceQuery{Group: shop.ByConnectorFamily, From: from, To: to.AddDate(1, 0, 0), Now: to},
		Total: 8, Rows: []shop.RecurrenceRow{good, bad}, TrendNote: "Trend: halves compared.", Narrowed: "boards of the model Otterling 20"}
	repair := shop.RepairSurvival{Action: "cleaned", Repairs: 3, Comebacks: 1, Steps: []shop.SurvivalStep{{Age: 40, AtRisk: 3, Failed: 1, Survival: b(0.67, 0.05, 0.94)}}, Median: shop.Bounds{Lower: ref(40.0)}}
	detail := shop.RecurrenceDetail{Row: bad, Unit: list.Unit, Against: &shop.RecurrenceComparison{Key: "gasket", Name: "gasket", P: 0.02, PKind: "exact test", Ratio: b(6, 1.1, 61)},
		Events: []shop.FaultEvent{{JobNumber: 7, BoardSerial: "+12", Cause: "interbox_burned", Component: "interbox_connector", At: to.AddDate(0, 0, -9), OdometerKM: ref(812.5), Action: "cleaned", ComebackOf: &shop.ID{1}},
			{JobNumber: 9, Cause: "no_such_cause", At: to.AddDate(0, 0, -8)}},
		ByMonth: []shop.MonthCount{{Month: "2026-01", Count: 1}, {Month: "2026-02", Count: 5}},
		Life: shop.RecurrenceLife{Sentence: "6 failures.", AgeUnit: "d", Failures: 5, Mean: []shop.MeanStep{{Age: 40, Boards: 9, Events: 1, Mean: b(0.11, 0.01, 0.6)}},
			First: &shop.RepairSurvival{Action: "from fitting", Steps: []shop.SurvivalStep{{Age: 10, AtRisk: 2, Failed: 1}}}, Repairs: []shop.RepairSurvival{repair},
			LogRank: &shop.RepairComparison{P: ref(0.4)}, Comebacks: []shop.RepairLife{{Action: "cleaned", JobNumber: 5, At: from, Comeback: &shop.CameBack{JobNumber: 7, At: to}}}}}
	return list, detail
}

func TestRecurrenceBook(t *testing.T) {
	t.Parallel()
	lib, issues := faultlib.Load(faultlib.Embedded())
	if lib == nil {
		t.Fatal(issues)
	}
	list, detail := sample()
	if got := open(t, Recurrence(list, nil, lib)).GetSheetList(); !slices.Equal(got, []string{"How to read", "List"}) {
		t.Errorf("sheets of the list %v", got)
	}
	f := open(t, Recurrence(list, &detail, lib))
	if got := f.GetSheetList(); !slices.Equal(got, []string{"How to read", "List", "Figures", "Curves", "Jobs", "Comebacks", "Months"}) {
		t.Errorf("sheets %v", got)
	}
	// The worst stands first; figures are under their titles.
	at := columns(t, f, "List")
	for title, want := range map[string]string{"Rank": "1", "Group": "=Family B", "Failures": "6", "There when first seen": "1", "Share of all": "75.0%", "Rate (1/board-year)": "0.2", "Lower 95 % (Garwood)": "0.073", "Bad actor, corrected p": "0.01",
		"Trend": "worse", "Earlier half, failures": "0", "Later half, failures": "6", "Later over earlier rate": "", "Ratio, lower 95 %": "1.18", "Trend, p": "0.031", "Last failure (UTC)": "2026-02-20 00:00"} {
		if got := shown(t, f, "List", at[title]+"2"); at[title] == "" || got != want {
			t.Errorf("%s (column %s) is %q, want %q", title, at[title], got, want)
		}
	}
	if got := shown(t, f, "List", at["Rank"]+"3") + shown(t, f, "List", at["Group"]+"3") + shown(t, f, "List", at["Trend"]+"3"); got != "2gasket" {
		t.Errorf("second row %q", got)
	}
	at = columns(t, f, "Jobs")
	for title, want := range map[string]string{"Job": "7", "Board": "+12", "Cause": lib.Cause("interbox_burned").Name, "Cause, id": "interbox_burned", "Odometer (km)": "812.5", "Comeback": "yes"} {
		if got := shown(t, f, "Jobs", at[title]+"2"); got != want {
			t.Errorf("%s is %q, want %q", title, got, want)
		}
	}
	for sheet, rows := range map[string]int{"List": 3, "Jobs": 3, "Comebacks": 2, "Months": 3, "Curves": 4} {
		if got, err := f.GetRows(sheet); err != nil || len(got) != rows {
			t.Errorf("%s has %d rows, want %d (%v)", sheet, len(got), rows, err)
		}
	}
	guide, err := f.GetRows("How to read")
	if err != nil {
		t.Fatal(err)
	}
	said := ""
	for _, r := range guide {
		said += strings.Join(r, " ") + "\n"
	}
	for _, want := range []string{"From 2024-03-01 00:00 to 2026-03-01 00:00", "connector_family", "boards of the model Otterling 20", "Garwood", "Lawless and Nadeau", "log-log", "likelihood-ratio", "halves compared", "Benjamini and Hochberg"} {
		if !strings.Contains(said, want) {
			t.Errorf("the guide does not say %q:\n%s", want, said)
		}
	}
}

// columns finds the letter of each title.
func columns(t *testing.T, f *excelize.File, sheet string) map[string]string {
	t.Helper()
	rows, err := f.GetRows(sheet)
	if err != nil || len(rows) == 0 {
		t.Fatalf("%s: %v", sheet, err)
	}
	at := map[string]string{}
	for i, title := range rows[0] {
		name, err := excelize.ColumnNumberToName(i + 1)
		if err != nil {
			t.Fatal(err)
		}
		at[title] = name
	}
	return at
}
