// Package workbook writes tables as a spreadsheet file (Office Open XML, ISO/IEC
// 29500): typed cells, so that a date is a date and a share a percentage, and texts
// that stay texts whatever they begin with.
package workbook

import (
	"fmt"
	"io"
	"time"

	"github.com/xuri/excelize/v2"

	"nextprobe/internal/problem"
)

// MediaType is the registered type of the file (IANA), Extension its usual ending.
const (
	MediaType = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	Extension = ".xlsx"
)

// Kind says what a column holds and how it is shown.
type Kind int

// Kinds of columns. A cell of nil, of a nil pointer or of the zero time is empty.
const (
	Text    Kind = iota // string
	Prose               // string in full sentences, wrapped
	Integer             // int
	Number              // float64 or *float64, shown with up to four decimals
	Percent             // float64 or *float64; 0.25 is shown as 25.0%
	Moment              // time.Time, shown in UTC to the minute
	Month               // time.Time, shown as year and month
)

// Column is a column with its title in the first row.
type Column struct {
	Title string
	Kind  Kind
	Width float64 // characters; 0 chooses by kind
}

// Sheet is a table. Names are at most 31 characters, without : \ / ? * [ ].
type Sheet struct {
	Name    string
	Columns []Column
	Rows    [][]any
}

// Limits of the file format: rows of a sheet, and characters of a cell.
const (
	maxRows = 1 << 20
	maxText = 32767
)

var widths = map[Kind]float64{Text: 24, Prose: 70, Integer: 11, Number: 13, Percent: 10, Moment: 17, Month: 14}

// Write writes the sheets, each with its first row in bold and frozen. It returns an
// Invalid error for a table that the format cannot hold, an error of w, or one that
// names a cell whose value does not fit its column, which is a slip of the caller.
func Write(w io.Writer, title string, sheets []Sheet) error {
	f := excelize.NewFile()
	defer func() { _ = f.Close() }() // It removes temporary files of its own only.
	if err := f.SetDocProps(&excelize.DocProperties{Title: title, Creator: "nextprobe", LastModifiedBy: "nextprobe"}); err != nil {
		return err
	}
	styles, err := newStyles(f)
	if err != nil {
		return err
	}
	for i, s := range sheets {
		if i == 0 {
			err = f.SetSheetName(f.GetSheetName(0), s.Name)
		} else {
			_, err = f.NewSheet(s.Name)
		}
		if err != nil {
			return fmt.Errorf("sheet %q: %w", s.Name, err)
		}
		if err := styles.write(f, s); err != nil {
			return err
		}
	}
	_, err = f.WriteTo(w)
	return err
}

// styles are the style of each kind, and of the titles.
type styles struct {
	of   map[Kind]int
	head int
}

func newStyles(f *excelize.File) (styles, error) {
	const textFormat, wholeFormat = 49, 1 // built-in formats "@" and "0"
	number, percent, moment, month := "0.####", "0.0%", "yyyy-mm-dd hh:mm", "yyyy-mm"
	top := &excelize.Alignment{Vertical: "top"}
	wrap := &excelize.Alignment{Vertical: "top", WrapText: true}
	out := styles{of: map[Kind]int{}}
	for _, k := range []struct {
		kind  Kind
		style excelize.Style
	}{
		// The text format also keeps a text from being taken for a formula when
		// somebody edits the cell.
		{Text, excelize.Style{NumFmt: textFormat, Alignment: top}},
		{Prose, excelize.Style{NumFmt: textFormat, Alignment: wrap}},
		{Integer, excelize.Style{NumFmt: wholeFormat, Alignment: top}},
		{Number, excelize.Style{CustomNumFmt: &number, Alignment: top}},
		{Percent, excelize.Style{CustomNumFmt: &percent, Alignment: top}},
		{Moment, excelize.Style{CustomNumFmt: &moment, Alignment: top}},
		{Month, excelize.Style{CustomNumFmt: &month, Alignment: top}},
	} {
		id, err := f.NewStyle(&k.style)
		if err != nil {
			return out, err
		}
		out.of[k.kind] = id
	}
	var err error
	out.head, err = f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}, NumFmt: textFormat, Alignment: wrap,
		Border: []excelize.Border{{Type: "bottom", Color: "000000", Style: 1}}})
	return out, err
}

func (st styles) write(f *excelize.File, s Sheet) error {
	if len(s.Rows) >= maxRows {
		return problem.New(problem.Invalid, "The sheet %q has %d rows, a spreadsheet holds %d: choose a shorter period.", s.Name, len(s.Rows), maxRows-1)
	}
	out, err := f.NewStreamWriter(s.Name)
	if err != nil {
		return err
	}
	head := make([]any, len(s.Columns))
	for i, c := range s.Columns {
		width := c.Width
		if width == 0 {
			width = widths[c.Kind]
		}
		if err := out.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
		head[i] = excelize.Cell{StyleID: st.head, Value: c.Title}
	}
	if err := out.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	if err := out.SetRow("A1", head); err != nil {
		return err
	}
	cells := make([]any, len(s.Columns))
	for n, row := range s.Rows {
		if len(row) != len(s.Columns) {
			return fmt.Errorf("sheet %q, row %d: %d cells in %d columns", s.Name, n+2, len(row), len(s.Columns))
		}
		for i, v := range row {
			if cells[i], err = st.cell(s.Columns[i].Kind, v); err != nil {
				return fmt.Errorf("sheet %q, row %d, %s: %w", s.Name, n+2, s.Columns[i].Title, err)
			}
		}
		if err := out.SetRow(fmt.Sprintf("A%d", n+2), cells); err != nil {
			return err
		}
	}
	return out.Flush()
}

// cell is a value in the style of its column, nil when it is empty.
func (st styles) cell(k Kind, v any) (any, error) {
	c := excelize.Cell{StyleID: st.of[k]}
	switch x := v.(type) {
	case nil:
		return nil, nil
	case string:
		if k != Text && k != Prose {
			return nil, fmt.Errorf("a text in a column of numbers: %q", x)
		}
		if x == "" {
			return nil, nil
		}
		if r := []rune(x); len(r) > maxText {
			x = string(r[:maxText-1]) + "…"
		}
		c.Value = x
	case int:
		if k != Integer {
			return nil, fmt.Errorf("a whole number in a column of another kind: %d", x)
		}
		c.Value = x
	case float64:
		if k != Number && k != Percent {
			return nil, fmt.Errorf("a number in a column of another kind: %v", x)
		}
		c.Value = x
	case *float64:
		if x == nil {
			return nil, nil
		}
		return st.cell(k, *x)
	case time.Time:
		if k != Moment && k != Month {
			return nil, fmt.Errorf("a time in a column of another kind: %v", x)
		}
		if x.IsZero() {
			return nil, nil
		}
		c.Value = x.UTC()
	default:
		return nil, fmt.Errorf("cannot be written: %T", v)
	}
	return c, nil
}
