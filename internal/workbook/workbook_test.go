package workbook

import (
	"bytes"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"nextprobe/internal/problem"
)

func open(t *testing.T, sheets []Sheet) *excelize.File {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, "A title", sheets); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

// value is what a cell holds, without its format.
func value(t *testing.T, f *excelize.File, sheet, cell string) string {
	t.Helper()
	v, err := f.GetCellValue(sheet, cell, excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func shown(t *testing.T, f *excelize.File, sheet, cell string) string {
	t.Helper()
	v, err := f.GetCellValue(sheet, cell)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestCellsHaveTheirTypes(t *testing.T) {
	t.Parallel()
	x := 0.25
	// Serial of the date in the 1900 date system (ISO/IEC 29500-1, 18.17.4): 1 March 1900
	// is 61, and 2 March 2026 is 46083 (days from 30 December 1899); 18:00 is 0.75.
	at := time.Date(2026, 3, 2, 19, 0, 0, 0, time.FixedZone("east", 3600))
	f := open(t, []Sheet{{Name: "One", Columns: []Column{{Title: "Text"}, {Title: "Prose", Kind: Prose, Width: 33}, {Title: "n", Kind: Integer}, {Title: "x", Kind: Number}, {Title: "share", Kind: Percent},
		{Title: "at", Kind: Moment}, {Title: "month", Kind: Month}},
		Rows: [][]any{{"a", "b", 3, &x, &x, at, at}, {"", nil, nil, (*float64)(nil), nil, time.Time{}, nil}}}, {Name: "Two", Columns: []Column{{Title: "Alone"}}}})
	for cell, want := range map[string][2]string{"A1": {"Text", "Text"}, "A2": {"a", "a"}, "C2": {"3", "3"}, "D2": {"0.25", "0.25"}, "E2": {"0.25", "25.0%"},
		"F2": {"46083.75", "2026-03-02 18:00"}, "G2": {"46083.75", "2026-03"}, "A3": {"", ""}, "D3": {"", ""}, "F3": {"", ""}} {
		if raw, said := value(t, f, "One", cell), shown(t, f, "One", cell); raw != want[0] || said != want[1] {
			t.Errorf("%s holds %q and shows %q, want %v", cell, raw, said, want)
		}
	}
	for _, cell := range []string{"C2", "D2", "E2", "F2", "G2"} {
		// A number is the type of a cell that names none.
		if k, err := f.GetCellType("One", cell); err != nil || k != excelize.CellTypeUnset && k != excelize.CellTypeNumber {
			t.Errorf("%s is of type %v, %v", cell, k, err)
		}
	}
	for _, sheet := range []string{"One", "Two"} {
		if p, err := f.GetPanes(sheet); err != nil || !p.Freeze || p.YSplit != 1 || p.TopLeftCell != "A2" {
			t.Errorf("%s: the first row is not frozen: %+v %v", sheet, p, err)
		}
	}
	if w, err := f.GetColWidth("One", "B"); err != nil || w != 33 {
		t.Errorf("width %v %v", w, err)
	}
	if list := f.GetSheetList(); len(list) != 2 || list[0] != "One" {
		t.Errorf("sheets %v", list)
	}
	if p, err := f.GetDocProps(); err != nil || p.Title != "A title" {
		t.Errorf("properties %+v %v", p, err)
	}
}

// What somebody typed is no formula and no number, whatever it begins with (CWE-1236).
func TestTextsStayTexts(t *testing.T) {
	t.Parallel()
	texts := []string{"=1+1", "+49 123", "-3", "@SUM(A1)", "\t=1", " =1", "00123", "1e5", "TRUE", "=HYPERLINK(\"x\")", "<b>&amp;", "two\nlines", "#REF!", "'quoted", "_x0041_"}
	s := Sheet{Name: "T", Columns: []Column{{Title: "=1+1"}}}
	for _, x := range texts {
		s.Rows = append(s.Rows, []any{x})
	}
	f := open(t, []Sheet{s})
	for i, want := range append([]string{"=1+1"}, texts...) {
		cell, err := excelize.CoordinatesToCellName(1, i+1)
		if err != nil {
			t.Fatal(err)
		}
		if got := value(t, f, "T", cell); got != want {
			t.Errorf("%q came back as %q", want, got)
		}
		if formula, err := f.GetCellFormula("T", cell); err != nil || formula != "" {
			t.Errorf("%q is the formula %q (%v)", want, formula, err)
		}
		if k, err := f.GetCellType("T", cell); err != nil || k != excelize.CellTypeInlineString && k != excelize.CellTypeSharedString {
			t.Errorf("%q is of type %v (%v)", want, k, err)
		}
		style, err := f.GetCellStyle("T", cell)
		if err != nil {
			t.Fatal(err)
		}
		if st, err := f.GetStyle(style); err != nil || st.NumFmt != 49 {
			t.Errorf("%q has the number format %v, not that of texts (%v)", want, st.NumFmt, err)
		}
	}
}

func TestWhatDoesNotFit(t *testing.T) {
	t.Parallel()
	f := open(t, []Sheet{{Name: "T", Columns: []Column{{Title: "long"}}, Rows: [][]any{{strings.Repeat("ä", maxText+5)}, {"\x00nul"}}}})
	if got := []rune(value(t, f, "T", "A2")); len(got) != maxText || got[maxText-1] != '…' {
		t.Errorf("%d characters", len(got))
	}
	if got := value(t, f, "T", "A3"); !strings.HasSuffix(got, "nul") {
		t.Errorf("a text with a control character came back as %q", got)
	}
	for name, s := range map[string]Sheet{
		"text among numbers": {Name: "T", Columns: []Column{{Title: "n", Kind: Number}}, Rows: [][]any{{"x"}}},
		"number among texts": {Name: "T", Columns: []Column{{Title: "n"}}, Rows: [][]any{{1.5}}},
		"count among texts":  {Name: "T", Columns: []Column{{Title: "n"}}, Rows: [][]any{{1}}},
		"time among texts":   {Name: "T", Columns: []Column{{Title: "n"}}, Rows: [][]any{{time.Unix(0, 0)}}},
		"unknown":            {Name: "T", Columns: []Column{{Title: "n"}}, Rows: [][]any{{[]int{1}}}},
		"ragged":             {Name: "T", Columns: []Column{{Title: "n"}}, Rows: [][]any{{"a", "b"}}},
		"name":               {Name: "a/b", Columns: []Column{{Title: "n"}}},
	} {
		if err := Write(io.Discard, "", []Sheet{s}); err == nil {
			t.Errorf("%s is written", name)
		}
	}
	err := Write(io.Discard, "", []Sheet{{Name: "T", Columns: []Column{{Title: "n"}}, Rows: make([][]any, maxRows)}})
	if problem.As(err) == nil || !strings.Contains(err.Error(), "shorter period") {
		t.Errorf("too many rows: %v", err)
	}
}
