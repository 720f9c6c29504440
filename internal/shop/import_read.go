package shop

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// importer turns rows into a plan, and notes what is wrong with them.
type importer struct {
	lib      *faultlib.Library
	library  ID
	now      time.Time
	by       string
	known    ImportKnown
	records  map[string]map[string]*importTarget // by kind, then reference
	serials  map[string]string                   // of this import, to where it stands
	owners   map[[2]string]*Customer
	plan     ImportPlan
	counts   []ImportCount
	faults   map[importPlace]bool // causes confirmed so far
	mistakes []importMistake
}

// importMistake is a mistake with its line, by which those of a file are sorted.
type importMistake struct {
	line int
	problem.Field
}

// importPlace is what may be confirmed once.
type importPlace struct {
	job             ID
	cause           string
	connector, part ID
}

// importTarget is a record of this import, or one that is there already.
type importTarget struct {
	ImportRecord
	where   string // the row that made it, "" for one that is there
	job     ID     // of a fault
	open    bool   // of a job that is not closed, which is passed over
	already bool
	broken  bool // its row has a mistake, so nothing can be said of what it names
}

func newImporter(lib *faultlib.Library, library ID, known ImportKnown, now time.Time, by string) *importer {
	im := &importer{lib: lib, library: library, now: now, by: by, known: known, records: map[string]map[string]*importTarget{}, serials: map[string]string{}, owners: map[[2]string]*Customer{},
		faults: map[importPlace]bool{}}
	im.plan.At, im.plan.By = now, by
	for _, f := range importForms {
		im.records[f.Kind] = map[string]*importTarget{}
	}
	for i, c := range known.Owners {
		im.owners[[2]string{c.Name, c.Contact}] = &known.Owners[i]
	}
	return im
}

var importReaders = map[string]func(*importer, *importRow) *importTarget{
	"boards": (*importer).board, "connectors": (*importer).connector, "installed_parts": (*importer).installed,
	"jobs": (*importer).job, "faults": (*importer).fault, "repairs": (*importer).repair,
}

// read reads the files by kind, jobs by the time of their opening so that one may name
// an earlier one wherever it stands.
func (im *importer) read(files []ImportFile) {
	for _, form := range importForms {
		count := ImportCount{Kind: form.Kind}
		seen := false
		for _, f := range files {
			if f.Kind != form.Kind {
				continue
			}
			seen = true
			rows := f.Rows
			if f.Kind == "jobs" {
				rows = slices.Clone(rows)
				slices.SortStableFunc(rows, func(x, y ImportRow) int {
					a, _ := importTime(x.Values["opened_at"])
					b, _ := importTime(y.Values["opened_at"])
					return a.Compare(b)
				})
			}
			first := len(im.mistakes)
			for _, r := range rows {
				im.row(f, r, &count)
			}
			slices.SortStableFunc(im.mistakes[first:], func(x, y importMistake) int { return cmp.Compare(x.line, y.line) })
		}
		if seen {
			im.counts = append(im.counts, count)
		}
	}
}

func (im *importer) row(f ImportFile, r ImportRow, count *ImportCount) {
	row := &importRow{im: im, values: r.Values, where: fmt.Sprintf("%s line %d", f.Name, r.Line)}
	defer func() {
		for _, x := range row.c.fields {
			im.mistakes = append(im.mistakes, importMistake{r.Line, problem.Field{Field: row.where + ", " + x.Field, Message: x.Message}})
		}
	}()
	reference := row.c.line("reference", r.Values["reference"], 1, maxName)
	if reference == "" {
		return
	}
	if before := im.records[f.Kind][reference]; before != nil {
		row.c.failf("reference", "%q stands twice, first in %s", reference, before.where)
		return
	}
	if have, there := im.known.References[f.Kind][reference]; there {
		count.Already++
		im.records[f.Kind][reference] = &importTarget{ImportRecord: have, where: row.where, already: true}
		return
	}
	made := importReaders[f.Kind](im, row)
	if made == nil {
		// The row stays nameable, so that its mistake is not told again by every row
		// that names it.
		made = &importTarget{ImportRecord: ImportRecord{ID: newID()}, broken: true}
	}
	made.where = row.where
	im.records[f.Kind][reference] = made
	switch {
	case made.open:
		count.Open++
	case len(row.c.fields) == 0:
		count.New++
		im.plan.References = append(im.plan.References, ImportReference{f.Kind, reference, made.ID})
	}
}

// importRow reads the fields of one row.
type importRow struct {
	im     *importer
	values map[string]string
	where  string
	c      checker
}

var importTimes = []string{time.RFC3339, "2006-01-02 15:04", time.DateOnly}

func importTime(s string) (time.Time, bool) {
	for _, form := range importTimes {
		if t, err := time.Parse(form, s); err == nil {
			return t.UTC(), true
		}
	}
	return time.Time{}, false
}

// moment reads a time; without an offset it is in UTC, without an hour midnight.
func (r *importRow) moment(column string) time.Time {
	if t := r.optional(column); t != nil {
		return *t
	}
	if r.values[column] == "" {
		r.c.failf(column, "must not be empty: a date as 2025-03-31, or a time as 2025-03-31T14:05:00Z")
	}
	return time.Time{}
}

func (r *importRow) optional(column string) *time.Time {
	s := r.values[column]
	if s == "" {
		return nil
	}
	t, ok := importTime(s)
	switch {
	case !ok:
		r.c.failf(column, "must be a date as 2025-03-31, or a time as 2025-03-31T14:05:00Z, is %q", s)
		return nil
	case t.After(r.im.now):
		r.c.failf(column, "lies in the future: %s", s)
		return nil
	}
	return &t
}

// notBefore refuses an end before its beginning, where both are known.
func (r *importRow) notBefore(column string, end *time.Time, begin time.Time, what string) {
	if end != nil && !end.IsZero() && end.Before(begin) {
		r.c.failf(column, "lies before %s (%s)", what, begin.Format(time.RFC3339))
	}
}

func (r *importRow) number(column string) *float64 {
	s := r.values[column]
	if s == "" {
		return nil
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		r.c.failf(column, "must be a number such as 812.5, is %q", s)
		return nil
	}
	r.c.odometer(column, &x)
	return &x
}

func (r *importRow) whole(column string, hi int) *int {
	s := r.values[column]
	if s == "" {
		return nil
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		r.c.failf(column, "must be a whole number, is %q", s)
		return nil
	}
	r.c.integer(column, n, 0, hi)
	return &n
}

// pairs reads a JSON object of texts.
func (r *importRow) pairs(column string) map[string]string {
	out := map[string]string{}
	if s := r.values[column]; s != "" && json.Unmarshal([]byte(s), &out) != nil {
		r.c.failf(column, `must be names with texts, such as {"motor_plug": "external"}`)
	}
	return out
}

// target finds the record that a column names; nil, and a mistake noted, when there is
// none. An empty column names none and is a mistake only when the record is needed.
func (r *importRow) target(column string, need bool) *importTarget {
	kind, reference := importLinks[column], r.values[column]
	if reference == "" {
		if need {
			r.c.failf(column, "must name a record of the %s", kind)
		}
		return nil
	}
	if t := r.im.records[kind][reference]; t != nil {
		return t
	}
	if have, there := r.im.known.References[kind][reference]; there {
		return &importTarget{ImportRecord: have, already: true}
	}
	if id, there := r.im.known.Serials[strings.ToLower(reference)]; there && kind == "boards" {
		return &importTarget{ImportRecord: ImportRecord{ID: id, BoardID: id}, already: true}
	}
	if column == "comeback_of" {
		r.c.failf(column, "names %q, which is no earlier job of the file, nor imported before", reference)
		return nil
	}
	r.c.failf(column, "names %q, which is neither in the file of the %s nor imported before", reference, kind)
	return nil
}

// component checks a component of the library; empty is allowed.
func (r *importRow) component(column, id string) string {
	if id != "" && r.im.lib.Component(id) == nil {
		r.c.failf(column, "%q is no component of the fault library", id)
	}
	return id
}

// causeOf finds the cause; near ones are named when it is not in the library.
func (r *importRow) causeOf(id string) *faultlib.Cause {
	if c := r.im.lib.Cause(id); c != nil {
		return c
	}
	hint := ""
	var near []string
	for i := range r.im.lib.Causes {
		c := &r.im.lib.Causes[i]
		if c.Component == r.values["component"] || id != "" && strings.Contains(strings.ToLower(c.ID+" "+c.Name), strings.ToLower(strings.ReplaceAll(id, " ", "_"))) {
			near = append(near, c.ID)
		}
	}
	if len(near) > 0 {
		hint = "; near it are " + strings.Join(near[:min(3, len(near))], ", ")
	}
	r.c.failf("cause", "%q is no cause of the fault library%s", id, hint)
	return nil
}

func (im *importer) owner(r *importRow) *Customer {
	name, contact := r.c.line("owner_name", r.values["owner_name"], 0, maxName), r.c.line("owner_contact", r.values["owner_contact"], 0, maxName)
	if name == "" {
		if contact != "" {
			r.c.failf("owner_name", "must not be empty where there is a contact")
		}
		return nil
	}
	key := [2]string{name, contact}
	if im.owners[key] == nil {
		im.owners[key] = &Customer{ID: newID(), Name: name, Contact: contact, CreatedAt: im.now}
		im.plan.Customers = append(im.plan.Customers, *im.owners[key])
	}
	return im.owners[key]
}

func (im *importer) board(r *importRow) *importTarget {
	b := ImportedBoard{Board: Board{ID: newID(), Serial: r.values["serial"], Make: r.values["make"], Model: r.values["model"], SeriesCells: r.whole("series_cells", maxCells), ParallelCells: r.whole("parallel_cells", maxCells),
		Chemistry: r.values["chemistry"], Controller: r.values["controller"], Firmware: r.values["firmware"], OdometerKM: r.number("odometer_km"), Facts: r.pairs("facts"),
		Owner: im.owner(r), Note: r.values["note"], CreatedAt: r.moment("first_seen_at"), UpdatedAt: im.now}, OdometerAt: r.optional("odometer_at")}
	n := len(r.c.fields)
	r.c.board(&b.Board, im.lib)
	serial := strings.ToLower(b.Serial)
	if len(r.c.fields) == n {
		if first, twice := im.serials[serial]; twice {
			r.c.failf("serial", "%q stands twice, first in %s", b.Serial, first)
		} else if _, there := im.known.Serials[serial]; there {
			r.c.failf("serial", "a board with the serial %q is in this shop already; leave this row out, and name the board by its serial in the other files", b.Serial)
		}
		im.serials[serial] = r.where
	}
	switch {
	case b.OdometerKM != nil && b.OdometerAt == nil:
		b.OdometerAt = &b.CreatedAt
	case b.OdometerKM == nil && b.OdometerAt != nil:
		r.c.failf("odometer_km", "must be there where odometer_at is")
	}
	im.plan.Boards = append(im.plan.Boards, b)
	return &importTarget{ImportRecord: ImportRecord{ID: b.ID, BoardID: b.ID, At: b.CreatedAt}}
}

func (im *importer) connector(r *importRow) *importTarget {
	board := r.target("board", true)
	k := Connector{ID: newID(), Place: r.values["place"], Component: r.component("component", r.values["component"]), Family: r.values["family"], Poles: r.whole("poles", maxCount), Polarity: cmp.Or(r.values["polarity"], "unknown"),
		PinMap: r.pairs("pin_map"), Sealing: r.values["sealing"], Note: r.values["note"], FittedAt: r.moment("fitted_at"), RemovedAt: r.optional("removed_at"), UpdatedAt: im.now}
	r.notBefore("removed_at", k.RemovedAt, k.FittedAt, "fitted_at")
	if board == nil || len(r.c.fields) > 0 {
		return nil
	}
	r.c.connector(&k, im.lib, im.now)
	k.BoardID = board.BoardID
	im.plan.Connectors = append(im.plan.Connectors, k)
	return &importTarget{ImportRecord: ImportRecord{ID: k.ID, BoardID: k.BoardID, At: k.FittedAt}}
}

func (im *importer) installed(r *importRow) *importTarget {
	board := r.target("board", true)
	p := InstalledPart{ID: newID(), PartName: r.c.line("part_name", r.values["part_name"], 1, maxName), Component: r.component("component", r.values["component"]),
		Serial: r.c.line("serial", r.values["serial"], 0, maxSerial), Lot: r.c.line("lot", r.values["lot"], 0, maxSerial),
		InstalledAt: r.moment("installed_at"), InstalledKM: r.number("installed_km"), RemovedAt: r.optional("removed_at"), RemovedKM: r.number("removed_km")}
	r.notBefore("removed_at", p.RemovedAt, p.InstalledAt, "installed_at")
	if p.RemovedKM != nil && p.RemovedAt == nil {
		r.c.failf("removed_at", "must be there where removed_km is")
	}
	if board == nil || len(r.c.fields) > 0 {
		return nil
	}
	p.BoardID = board.BoardID
	im.plan.Installed = append(im.plan.Installed, p)
	return &importTarget{ImportRecord: ImportRecord{ID: p.ID, BoardID: p.BoardID, At: p.InstalledAt}}
}
