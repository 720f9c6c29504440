package shop

import (
	"context"
	"fmt"
	"time"

	"nextprobe/internal/problem"
)

// ImportFile is a table of records from before this program, or of another shop's
// export.
type ImportFile struct {
	Kind string // of ImportForms
	Name string // as mistakes call it
	Rows []ImportRow
}

// ImportRow is a row by the names of its columns.
type ImportRow struct {
	Line   int
	Values map[string]string
}

// ImportForm says what columns the file of a kind has. Passed are those of an export
// that are understood and not taken over.
type ImportForm struct {
	Kind, About                string
	Required, Optional, Passed []string
}

// ImportForms lists the kinds in the order in which they are read: a row may name
// records of the kinds before its own, and jobs earlier jobs.
func ImportForms() []ImportForm { return importForms }

var importForms = []ImportForm{
	{"boards", "boards with the day they were first seen", []string{"reference", "serial", "first_seen_at"},
		[]string{"make", "model", "series_cells", "parallel_cells", "chemistry", "controller", "firmware", "odometer_km", "odometer_at", "facts", "owner_name", "owner_contact", "note"}, []string{"owner"}},
	{"connectors", "connectors of the boards", []string{"reference", "board", "place", "fitted_at"},
		[]string{"component", "family", "poles", "polarity", "pin_map", "sealing", "note", "removed_at"}, nil},
	{"installed_parts", "parts fitted to the boards", []string{"reference", "board", "part_name", "installed_at"},
		[]string{"component", "serial", "lot", "installed_km", "removed_at", "removed_km"}, []string{"part_number", "repair"}},
	{"jobs", "past jobs, with the confirmed cause and what was done where there is one", []string{"reference", "board", "opened_at", "closed_at"},
		[]string{"state", "complaint", "odometer_km", "exposures", "condition", "comeback_of", "cause", "component", "action", "minutes"}, []string{"number", "board_serial", "warranty_of", "library_number", "ready_at"}},
	{"faults", "further confirmed causes of these jobs", []string{"reference", "job", "cause", "at"},
		[]string{"component", "failure_mode", "connector", "installed_part", "note", "waived_at", "waived_by", "waive_reason"},
		[]string{"probability", "advised", "disagreement", "grounds", "basis", "by"}},
	{"repairs", "what was done about them", []string{"reference", "fault", "action", "at"}, []string{"minutes", "note"}, []string{"job", "by"}},
}

// ImportQuery names what an import must know of the shop: which references are there
// already (those of earlier imports, and ids), boards by serial, owners by name.
type ImportQuery struct {
	References map[string][]string // by kind
	Serials    []string
	Owners     []string
}

// ImportKnown answers an ImportQuery.
type ImportKnown struct {
	References map[string]map[string]ImportRecord // by kind, then reference
	Serials    map[string]ID                      // boards by serial in small letters
	Owners     []Customer
}

// ImportRecord is a record that a row may name.
type ImportRecord struct {
	ID, BoardID ID        // BoardID is zero for a repair
	At          time.Time // opened, fitted, confirmed
}

// ImportPlan is what an import writes, in one transaction.
type ImportPlan struct {
	Customers  []Customer
	Boards     []ImportedBoard
	Connectors []Connector
	Installed  []InstalledPart
	Jobs       []Job // by time of opening; numbered by the store
	Faults     []ImportedFault
	Repairs    []ImportedRepair
	References []ImportReference
	At         time.Time
	By         string
}

// ImportedBoard is a board with the time at which its odometer was read.
type ImportedBoard struct {
	Board
	OdometerAt *time.Time
}

// ImportedFault is a fault with the board of its job.
type ImportedFault struct {
	Fault
	BoardID ID
}

// ImportedRepair is a repair with its job.
type ImportedRepair struct {
	Repair
	JobID ID
}

// ImportReference is the name that a record had where it came from.
type ImportReference struct {
	Kind, Reference string
	ID              ID
}

// ImportCount says what became of the rows of one kind.
type ImportCount struct {
	Kind         string
	New, Already int
	// Open rows belong to jobs that are not closed: these are no history, and their
	// boards must be taken in again.
	Open int
}

// ImportStore writes records from before.
type ImportStore interface {
	ImportKnown(ctx context.Context, shopID ID, q ImportQuery) (ImportKnown, error)
	// Import writes a plan whole or not at all; Conflict when one of its references
	// was imported in the meantime.
	Import(ctx context.Context, shopID ID, p ImportPlan, audit AuditEvent) error
}

// maxImportMistakes bounds how many mistakes are named.
const maxImportMistakes = 200

// Import takes over records from before: all of the files or, where a row has a
// mistake, nothing; the Invalid error then names every row and column. What was
// imported before is counted and not touched. With check nothing is written.
//
// Imported jobs are closed ones. They count in the recurrence report; they teach the
// diagnosis nothing, because what was measured in them is not known.
func (s *Service) Import(ctx context.Context, a Actor, files []ImportFile, check bool) ([]ImportCount, error) {
	if err := a.may(mayShop); err != nil {
		return nil, err
	}
	lib, version, err := s.Library(ctx, a)
	if err != nil {
		return nil, err
	}
	known, err := s.store.ImportKnown(ctx, a.ShopID, importQuery(files))
	if err != nil {
		return nil, err
	}
	im := newImporter(lib, version.ID, known, s.time(), a.Name)
	im.read(files)
	if n := len(im.mistakes); n > 0 {
		e := &problem.Error{Code: problem.Invalid, Message: fmt.Sprintf("Nothing was imported: %s.", plural(n, "mistake", "mistakes"))}
		if n > maxImportMistakes {
			e.Message = fmt.Sprintf("Nothing was imported: %d mistakes; the first %d:", n, maxImportMistakes)
		}
		for _, m := range im.mistakes[:min(n, maxImportMistakes)] {
			e.Fields = append(e.Fields, m.Field)
		}
		return nil, e
	}
	if check || len(im.plan.References) == 0 {
		return im.counts, nil
	}
	detail := map[string]any{}
	for _, c := range im.counts {
		detail[c.Kind] = c.New
	}
	return im.counts, s.store.Import(ctx, a.ShopID, im.plan, s.audit(a, "shop.import", "shop", a.ShopID, detail))
}

// importLinks are the columns that name records, with the kind that they name.
var importLinks = map[string]string{"board": "boards", "job": "jobs", "comeback_of": "jobs", "fault": "faults", "connector": "connectors", "installed_part": "installed_parts"}

func importQuery(files []ImportFile) ImportQuery {
	q := ImportQuery{References: map[string][]string{}}
	ask := func(kind, reference string) {
		if reference != "" {
			q.References[kind] = append(q.References[kind], reference)
		}
	}
	for _, f := range files {
		for _, r := range f.Rows {
			ask(f.Kind, r.Values["reference"])
			for column, kind := range importLinks {
				ask(kind, r.Values[column])
			}
			q.Serials = append(q.Serials, r.Values["board"])
			if f.Kind == "boards" {
				q.Serials = append(q.Serials, r.Values["serial"])
				q.Owners = append(q.Owners, r.Values["owner_name"])
			}
		}
	}
	return q
}
