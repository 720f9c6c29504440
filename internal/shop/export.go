package shop

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"strings"
)

// ExportColumn is a column of an exported file.
type ExportColumn struct{ Name, Meaning string }

// ExportTable is one kind of a shop's own records as a file.
type ExportTable struct {
	Name    string // of the file, without its ending
	About   string
	Columns []ExportColumn
}

// ExportStore reads everything that a shop has recorded.
type ExportStore interface {
	// Export gives every row of every table of ExportTables, in their order and as it
	// stood at one moment. begin is called once for each table, what it returns for
	// each of its rows; the values are valid until it returns. Their errors end it.
	Export(ctx context.Context, shopID ID, begin func(ExportTable) (row func(values []string) error, err error)) error
}

// ExportTables lists the files in the order in which they can be read: what a row
// names stands in an earlier file or in the same one.
func ExportTables() []ExportTable {
	out := make([]ExportTable, 0, len(exportTables))
	for _, t := range exportTables {
		out = append(out, t.table())
	}
	return out
}

// exportTable writes each column as "name: meaning", a line each.
type exportTable struct{ name, about, columns string }

func (t exportTable) table() ExportTable {
	out := ExportTable{Name: t.name, About: t.about}
	for line := range strings.Lines(strings.TrimSpace(t.columns)) {
		name, meaning, _ := strings.Cut(strings.TrimSpace(line), ": ")
		out.Columns = append(out.Columns, ExportColumn{name, meaning})
	}
	return out
}

// exportConventions stand at the top of the file that describes the others.
const exportConventions = "UTF-8, comma-separated, one header line. Times are RFC 3339 in UTC. A unit is in the column's name. An empty field is not known or does not apply. " +
	"A list is separated by blanks; {…} is JSON. A reference names a row of another file. Texts are as they were typed: open the files as text, for a spreadsheet may run one that begins with = + - or @."

// Export writes the shop's own records: a CSV file for each kind, about.csv, which
// says what each column means, and each stored edition of the library. create makes a
// file of the given name and is called for one file after another. People's sign-ins,
// tokens and passwords are no records and stay here.
func (s *Service) Export(ctx context.Context, a Actor, create func(name string) (io.Writer, error)) error {
	if err := a.may(mayShop); err != nil {
		return err
	}
	if err := writeAbout(create); err != nil {
		return err
	}
	var out *csv.Writer
	flush := func() error {
		if out == nil {
			return nil
		}
		out.Flush()
		return out.Error()
	}
	err := s.store.Export(ctx, a.ShopID, func(t ExportTable) (func([]string) error, error) {
		if err := flush(); err != nil {
			return nil, err
		}
		w, err := create(t.Name + ".csv")
		if err != nil {
			return nil, err
		}
		out = csv.NewWriter(w)
		head := make([]string, len(t.Columns))
		for i, c := range t.Columns {
			head[i] = c.Name
		}
		return out.Write, out.Write(head)
	})
	if err != nil {
		return err
	}
	if err := flush(); err != nil {
		return err
	}
	return s.exportLibraries(ctx, a, create)
}

func writeAbout(create func(string) (io.Writer, error)) error {
	w, err := create("about.csv")
	if err != nil {
		return err
	}
	rows := [][]string{{"file", "column", "meaning"}, {"", "", exportConventions}}
	for _, t := range ExportTables() {
		rows = append(rows, []string{t.Name + ".csv", "", t.About})
		for _, c := range t.Columns {
			rows = append(rows, []string{t.Name + ".csv", c.Name, c.Meaning})
		}
	}
	rows = append(rows, []string{"library-N.yaml", "", "Stored edition N of the fault library, to the letter; jobs.csv says which edition a job used."})
	return csv.NewWriter(w).WriteAll(rows)
}

func (s *Service) exportLibraries(ctx context.Context, a Actor, create func(string) (io.Writer, error)) error {
	list, err := s.store.Libraries(ctx, a.ShopID)
	if err != nil {
		return err
	}
	for _, v := range list {
		content, _, err := s.store.LibraryContent(ctx, a.ShopID, v.ID)
		if err != nil {
			return err
		}
		w, err := create(fmt.Sprintf("library-%d.yaml", v.Number))
		if err != nil {
			return err
		}
		if _, err := w.Write(content); err != nil {
			return err
		}
	}
	return nil
}
