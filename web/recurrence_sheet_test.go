package web

import (
	"slices"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"nextprobe/internal/workbook"
)

func readWorkbook(t *testing.T, a answer, name string) *excelize.File {
	t.Helper()
	if got := a.Header.Get("Content-Type"); got != workbook.MediaType || a.Header.Get("Content-Disposition") != `attachment; filename="`+name+`.xlsx"` {
		t.Errorf("content type %q, disposition %q", got, a.Header.Get("Content-Disposition"))
	}
	f, err := excelize.OpenReader(strings.NewReader(a.Body))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

// The links on the pages lead to workbooks of what the page shows.
func TestRecurrenceWorkbooks(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	link := func(page, ending string) string {
		t.Helper()
		for _, n := range c.get(page).nodes("a") {
			if h := attr(n, "href"); strings.Contains(h, ending) {
				return h
			}
		}
		t.Fatalf("no link to a workbook on %s", page)
		return ""
	}
	f := readWorkbook(t, c.get(link("/recurrence?group=cause", "list.xlsx?")), "recurrence-cause")
	if rows, err := f.GetRows("List"); err != nil || len(rows) != 6 || rows[1][1] != "power connector between boxes" {
		t.Errorf("list %v %v", rows, err)
	}
	f = readWorkbook(t, c.get(link(sampleDetail+"&against=gasket", "detail.xlsx?")), "recurrence-detail")
	if got := f.GetSheetList(); !slices.Equal(got, []string{"How to read", "List", "Figures", "Curves", "Jobs", "Comebacks", "Months"}) {
		t.Errorf("sheets %v", got)
	}
	rows, err := f.GetRows("Figures")
	if err != nil || !slices.ContainsFunc(rows, func(r []string) bool { return r[0] == "rate ratio" && r[1] == "lid gasket" }) {
		t.Errorf("the comparison asked for is not in the figures: %v %v", rows, err)
	}
	if rows, err = f.GetRows("Jobs"); err != nil || len(rows) != 2 || rows[1][0] != "97" {
		t.Errorf("jobs %v %v", rows, err)
	}
}
