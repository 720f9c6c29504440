package web

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// OwnMeasurementPage adds or changes a measurement of the shop's own.
type OwnMeasurementPage struct {
	Layout
	Form     *Form
	Action   string
	Back     string
	New      bool
	Name     string // the title as stored, of one being changed
	Kinds    []Option
	Parts    []Option // of the board
	Accesses []Option
	Levels   []Option
	Causes   []Option
	Hazards  []faultlib.Hazard
	Help     []FormulaHelp
	Trials   []shop.ExampleTrial
	Warnings []problem.Field
	// Clean: the last try had nothing to mend, so that it can be saved.
	Clean bool

	rows map[string]int
}

// OwnRow is a row of the form.
type OwnRow struct {
	Number int
	At     string // the prefix of its fields' names
	Trial  *shop.ExampleTrial
	// Section, Name (`inputs[0]`), Title ("Reading 1") and Of, how many rows there
	// are, are for the buttons that move it.
	Section, Name, Title string
	Of                   int
}

// Rows are the rows of a section, filled and empty ones.
func (pg *OwnMeasurementPage) Rows(section string) []OwnRow {
	var out []OwnRow
	for i := range pg.rows[section] {
		name := fmt.Sprintf("%s[%d]", section, i)
		r := OwnRow{Number: i + 1, At: name + ".", Section: section, Name: name, Title: fmt.Sprintf("%s %d", ownOne(section), i+1), Of: pg.rows[section]}
		if section == "examples" && i < len(pg.Trials) {
			r.Trial = &pg.Trials[i]
		}
		out = append(out, r)
	}
	return out
}

// ownOne is the word for a row of a section.
func ownOne(section string) string {
	for _, s := range ownSections {
		if s.Name == section {
			return s.one
		}
	}
	return ""
}

// More reports whether a section takes more rows.
func (pg *OwnMeasurementPage) More(section string) bool {
	for _, s := range ownSections {
		if s.Name == section {
			return pg.rows[section] < s.most
		}
	}
	return false
}

// OwnColumn is a reading of an example.
type OwnColumn struct{ Name, Label, Hint string }

// Columns are the readings an example of the row needs, one for each reading
// that has a name.
func (pg *OwnMeasurementPage) Columns(r OwnRow) []OwnColumn {
	var out []OwnColumn
	for i := range pg.rows["inputs"] {
		in := readOwnInput(pg.Form, fmt.Sprintf("inputs[%d].", i))
		label := in.Label
		if label == "" {
			label = in.ID
		}
		if label == "" {
			continue
		}
		c := OwnColumn{Name: fmt.Sprintf("%sin[%d]", r.At, i), Label: label}
		switch {
		case len(in.Choice) > 0:
			c.Hint = strings.Join(in.Choice, " or ")
		case in.Unit == "bool":
			c.Hint = "yes or no"
		case in.Unit == "list":
			c.Hint = strings.TrimSpace("values with ; between them " + in.Element)
		case in.Unit != "" && in.Unit != "count" && in.Unit != "1":
			c.Hint = "in " + in.Unit
		}
		out = append(out, c)
	}
	return out
}

var ownKinds = []Option{{Value: "numeric", Label: "readings, with formulas"}, {Value: "inspection", Label: "inspection, judged by eye"}}

func ownerOnly(a shop.Actor) error {
	if a.Role != shop.Owner {
		return problem.New(problem.Forbidden, "Only the owner may change the fault library.")
	}
	return nil
}

// showOwn fills in what the form chooses from. shown is how many rows it had.
func (p *Pages) showOwn(c echo.Context, status int, pg *OwnMeasurementPage, shown map[string]int) error {
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	look := newLookup(lib)
	pg.Section, pg.Kinds, pg.Hazards, pg.Help = "/library", ownKinds, lib.Hazards, formulaHelp
	pg.Parts = look.componentOptions("choose")
	for _, o := range lib.Openings {
		pg.Accesses = append(pg.Accesses, Option{Value: o.ID, Label: words(o.ID)})
	}
	for _, h := range lib.Hazards {
		pg.Levels = append(pg.Levels, Option{Value: strconv.Itoa(h.Level), Label: fmt.Sprintf("%d, %s", h.Level, h.Name)})
	}
	pg.Causes = []Option{{Label: "choose"}}
	for i := range lib.Causes {
		pg.Causes = append(pg.Causes, Option{Value: lib.Causes[i].ID, Label: lib.Causes[i].Name})
	}
	filled := ownRows(pg.Form.Values)
	pg.rows = map[string]int{}
	for _, s := range ownSections {
		pg.rows[s.Name] = max(filled[s.Name], shown[s.Name])
		if shown == nil {
			pg.rows[s.Name] = max(s.first, filled[s.Name])
		}
	}
	return p.render(c, status, "own-measurement", pg)
}

func newOwnPage(f *Form) *OwnMeasurementPage {
	return &OwnMeasurementPage{Layout: Layout{Title: "A measurement of your own"}, Form: f, Action: "/library/measurements/new", Back: "/library", New: true}
}

func changeOwnPage(m faultlib.OwnMeasurement, f *Form) *OwnMeasurementPage {
	return &OwnMeasurementPage{Layout: Layout{Title: "Change a measurement"}, Form: f, Action: "/library/measurements/" + m.ID + "/own",
		Back: "/library/measurements/" + m.ID, Name: m.Title}
}

func (p *Pages) newMeasurementPage(c echo.Context) error {
	a := actorOf(c)
	if err := ownerOnly(a); err != nil {
		return err
	}
	_, v, err := p.svc.Library(c.Request().Context(), a)
	if err != nil {
		return err
	}
	f := filledForm("own", "base", v.ID.String(), "kind", "numeric", "hazard", "0", "access", "outside")
	return p.showOwn(c, http.StatusOK, newOwnPage(f), nil)
}

// ownOf finds the own measurement of the address.
func (p *Pages) ownOf(c echo.Context) (faultlib.OwnMeasurement, shop.LibraryVersion, error) {
	var none faultlib.OwnMeasurement
	if err := ownerOnly(actorOf(c)); err != nil {
		return none, shop.LibraryVersion{}, err
	}
	lib, v, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return none, v, err
	}
	m, ok := lib.Own(c.Param("mid"))
	if !ok {
		return none, v, problem.New(problem.NotFound, "The library has no measurement of your own by this name. Those of the edition itself are changed by taking in another edition, under Settings.")
	}
	return m, v, nil
}

func (p *Pages) changeMeasurementPage(c echo.Context) error {
	m, v, err := p.ownOf(c)
	if err != nil {
		return err
	}
	return p.showOwn(c, http.StatusOK, changeOwnPage(m, ownForm(m, v.ID)), nil)
}

func (p *Pages) newMeasurement(c echo.Context) error {
	if err := ownerOnly(actorOf(c)); err != nil {
		return err
	}
	f, err := readForm(c, "own")
	if err != nil {
		return err
	}
	return p.takeOwn(c, newOwnPage(f), "")
}

func (p *Pages) changeMeasurement(c echo.Context) error {
	m, _, err := p.ownOf(c)
	if err != nil {
		return err
	}
	f, err := readForm(c, "own")
	if err != nil {
		return err
	}
	f.Values.Set("id", m.ID)
	return p.takeOwn(c, changeOwnPage(m, f), m.ID)
}

// takeOwn answers the form: more rows, a try, or the saving.
func (p *Pages) takeOwn(c echo.Context, pg *OwnMeasurementPage, replaces string) error {
	f, ctx, a := pg.Form, c.Request().Context(), actorOf(c)
	do := f.Get("do")
	f.Values.Del("do")
	shown := ownRows(f.Values)
	moved := moveRow(f, do)
	closeRows(f)
	if moved {
		return p.showOwn(c, http.StatusOK, pg, shown)
	}
	if section, ok := strings.CutPrefix(do, "more."); ok {
		for _, s := range ownSections {
			if s.Name == section {
				shown[section] = min(shown[section]+s.more, s.most)
			}
		}
		return p.showOwn(c, http.StatusOK, pg, shown)
	}
	in := readOwn(f)
	in.Replaces = replaces
	trial, err := p.svc.TryMeasurement(ctx, a, in)
	if err != nil && userMistake(err) == nil {
		return err
	}
	pg.Trials, pg.Warnings = trial.Examples, trial.Warnings
	failOwn(f, in, userMistake(err))
	if invalid(f) && f.Message == "" {
		f.Message = "Not saved: what is marked below needs another look."
	}
	if !f.Failed() && do == "save" {
		v, err := p.svc.SaveMeasurement(ctx, a, in)
		if err == nil {
			p.flash(c, fmt.Sprintf("Saved as version %d of the library. Jobs opened from now on can use it; open jobs keep theirs.", v.Number))
			return redirect(c, "/library/measurements/"+in.ID)
		}
		if userMistake(err) == nil {
			return err
		}
		failOwn(f, in, userMistake(err))
		// The next save is meant for the version that is current now.
		f.Values.Set("base", trial.Base.ID.String())
	}
	if f.Failed() {
		return p.showOwn(c, http.StatusUnprocessableEntity, pg, shown)
	}
	pg.Clean = true
	return p.showOwn(c, http.StatusOK, pg, shown)
}

func (p *Pages) removeMeasurement(c echo.Context) error {
	m, _, err := p.ownOf(c)
	if err != nil {
		return err
	}
	f, err := readForm(c, "own")
	if err != nil {
		return err
	}
	base := f.OptID("base")
	if base == nil {
		return problem.New(problem.Stale, "Open the measurement again before it is taken out.")
	}
	v, err := p.svc.RemoveOwnMeasurement(c.Request().Context(), actorOf(c), m.ID, *base)
	if err != nil {
		return err
	}
	p.flash(c, fmt.Sprintf("“%s” is out of the library, which is version %d again or anew. Open jobs keep theirs.", m.Title, v.Number))
	return redirect(c, "/library")
}

// FormulaHelp explains a piece of the formula language by an example.
type FormulaHelp struct{ Example, Says string }

// formulaHelp uses u and t for numbers, taps and loads for lists, ok for yes or
// no; a test compiles every example.
var formulaHelp = []FormulaHelp{
	{"(u - t) / 2", "plus, minus, times and divided by: + - * / and round brackets"},
	{"u > 3 and not ok", "comparing with == != < <= > >= and joining with and, or, not; for conditions"},
	{"abs(u - t)", "without the sign"},
	{"min(u, t, 5)", "the smallest; max is the largest; of numbers or of one list"},
	{"mean(taps)", "the average of a list; median is the middle one, sum the total, len how many there are"},
	{"argmax(taps)", "the place of the largest in a list, counted from 1; argmin that of the smallest"},
	{"max(abs_dev(taps))", "abs_dev: how far each value of a list is from the average"},
	{"count(taps, 4.2)", "how many values lie above a number; count_below how many lie below"},
	{"max(sub(taps, u))", "sub takes a number off each value of a list; scale multiplies each"},
	{"sum(sub2(taps, loads))", "sub2 takes one list off another, value by value; mul and div multiply and divide so"},
	{"sqrt(pow(u, 2) + 1)", "root and power; ln is the natural logarithm, exp its inverse, pi the number 3.14159…"},
	{"sel(ok, u, t)", "the second where the first is true, else the third"},
}
