package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// sessionInstrument is the instrument last measured with, by id.
const sessionInstrument = "instrument"

// InstrumentsPage lists the measuring instruments.
type InstrumentsPage struct {
	Layout
	Instruments []InstrumentRow
	Overdue     int // in use
}

// InstrumentRow is an instrument in the list.
type InstrumentRow struct {
	shop.Instrument
	Late   bool // its calibration ran out
	Limits []string
}

// InstrumentFormPage adds or edits an instrument.
type InstrumentFormPage struct {
	Layout
	Form    *Form
	Action  string
	Ranges  []RangeLine
	New     bool
	Retired bool
}

// RangeLine is one range in the form.
type RangeLine struct {
	Number                                  int
	Unit, From, To, Resolution, Pct, Counts Field
}

// rangeFields are a range's fields in the form and in the use case.
var rangeFields = []string{"unit", "from", "to", "resolution", "plus_minus_pct", "counts"}

func rangeName(i int, field string) string { return fmt.Sprintf("ranges[%d].%s", i, field) }

// rangeText says a range's limit of error as an instrument's sheet does.
func rangeText(r shop.InstrumentRange) string {
	u := unitText(r.Unit)
	span := "to " + formatFloat(&r.High) + " " + u
	if r.Low != 0 {
		span = formatFloat(&r.Low) + " " + span
	}
	digits := fmt.Sprintf("%d digits of %s %s", r.Counts, formatFloat(&r.Resolution), u)
	switch r.Counts {
	case 0:
		digits = fmt.Sprintf("half a digit of %s %s", formatFloat(&r.Resolution), u)
	case 1:
		digits = fmt.Sprintf("1 digit of %s %s", formatFloat(&r.Resolution), u)
	}
	return fmt.Sprintf("%s: ±(%s %% + %s)", span, formatFloat(&r.PlusMinusPct), digits)
}

// withText says what a reading was taken with and how far it may be off; "" when
// it was not said.
func withText(u *shop.InstrumentUse) string {
	if u == nil {
		return ""
	}
	var limits []string
	for _, r := range u.Ranges {
		limits = append(limits, rangeText(r))
	}
	if len(limits) == 0 {
		return u.Name
	}
	return u.Name + ", " + strings.Join(limits, "; ")
}

func (p *Pages) instrumentsPage(c echo.Context) error {
	list, err := p.svc.Instruments(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	pg := &InstrumentsPage{Layout: Layout{Title: "Instruments", Section: "/instruments"}}
	for _, i := range list {
		row := InstrumentRow{Instrument: i, Late: i.Overdue(p.opt.Now())}
		for _, r := range i.Ranges {
			row.Limits = append(row.Limits, rangeText(r))
		}
		if row.Late && i.RetiredAt == nil {
			pg.Overdue++
		}
		pg.Instruments = append(pg.Instruments, row)
	}
	return p.render(c, http.StatusOK, "instruments", pg)
}

func (p *Pages) instrumentForm(c echo.Context, status int, pg *InstrumentFormPage) error {
	pg.Section = "/instruments"
	rows := 0 // the last row with something in it
	for i := range maxRangeRows {
		for _, name := range rangeFields {
			if pg.Form.Get(rangeName(i, name)) != "" {
				rows = i + 1
			}
		}
	}
	for i := range min(rows+3, maxRangeRows) {
		f := func(name, label string, opts ...string) Field {
			return newField(pg.Form, rangeName(i, name), label, opts...)
		}
		pg.Ranges = append(pg.Ranges, RangeLine{Number: i + 1, Unit: f("unit", "Unit", "placeholder=V"), From: f("from", "From", "mode=decimal", "placeholder=0"),
			To: f("to", "To", "mode=decimal"), Resolution: f("resolution", "One digit is", "mode=decimal"),
			Pct: f("plus_minus_pct", "± of reading", "unit=%", "mode=decimal"), Counts: f("counts", "± digits", "mode=numeric")})
	}
	return p.render(c, status, "instrument-form", pg)
}

// maxRangeRows is how many ranges the form takes; the use case has the same bound.
const maxRangeRows = 64

// instrumentInput reads the form; rows of ranges left empty count for none.
func instrumentInput(f *Form) shop.InstrumentInput {
	in := shop.InstrumentInput{Name: f.Text("name"), Kind: f.Text("kind"), Serial: f.Text("serial"), Note: f.Text("note")}
	if s := f.Text("calibration_due"); s != "" {
		t, err := time.Parse(time.DateOnly, s)
		if err != nil {
			f.reject("calibration_due", "Enter a date, for example 2027-01-31.")
		}
		in.CalibrationDue = &t
	}
	number := func(name string) float64 {
		if x := f.OptFloat(name); x != nil {
			return *x
		}
		return 0
	}
	for i := range maxRangeRows {
		name := func(field string) string { return rangeName(i, field) }
		if !slices.ContainsFunc(rangeFields, func(field string) bool { return f.Text(name(field)) != "" }) {
			continue
		}
		for _, field := range rangeFields {
			f.alias(rangeName(len(in.Ranges), field), name(field))
		}
		in.Ranges = append(in.Ranges, shop.InstrumentRange{Unit: f.Text(name("unit")), Low: number(name("from")), High: number(name("to")),
			Resolution: number(name("resolution")), PlusMinusPct: number(name("plus_minus_pct")), Counts: f.Int(name("counts"))})
	}
	return in
}

func (p *Pages) newInstrumentPage(c echo.Context) error {
	return p.instrumentForm(c, http.StatusOK, instrumentAdder(emptyForm("instrument")))
}

func instrumentAdder(f *Form) *InstrumentFormPage {
	return &InstrumentFormPage{Layout: Layout{Title: "New instrument"}, Form: f, Action: "/instruments/new", New: true}
}

func (p *Pages) addInstrument(c echo.Context) error {
	f, err := readForm(c, "instrument")
	if err != nil {
		return err
	}
	in := instrumentInput(f)
	if err := f.save(func() error { _, err := p.svc.AddInstrument(c.Request().Context(), actorOf(c), in); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.instrumentForm(c, http.StatusUnprocessableEntity, instrumentAdder(f))
	}
	p.flash(c, "Instrument "+in.Name+" added.")
	return redirect(c, "/instruments")
}

func (p *Pages) editInstrumentPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	i, err := p.svc.Instrument(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	f := filledForm("instrument", "name", i.Name, "kind", i.Kind, "serial", i.Serial, "note", i.Note, "version", formatInt(&i.Version))
	if i.CalibrationDue != nil {
		f.Values.Set("calibration_due", i.CalibrationDue.UTC().Format(time.DateOnly))
	}
	for k, r := range i.Ranges {
		for n, v := range []string{r.Unit, formatFloat(&r.Low), formatFloat(&r.High), formatFloat(&r.Resolution), formatFloat(&r.PlusMinusPct), formatInt(&r.Counts)} {
			f.Values.Set(rangeName(k, rangeFields[n]), v)
		}
	}
	return p.instrumentForm(c, http.StatusOK, instrumentEditor(i, f))
}

func instrumentEditor(i shop.Instrument, f *Form) *InstrumentFormPage {
	return &InstrumentFormPage{Layout: Layout{Title: "Edit " + i.Name}, Form: f, Action: "/instruments/" + i.ID.String() + "/edit", Retired: i.RetiredAt != nil}
}

func (p *Pages) editInstrument(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "instrument")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	i, err := p.svc.Instrument(ctx, a, id)
	if err != nil {
		return err
	}
	in := instrumentInput(f)
	patch := shop.InstrumentPatch{Version: f.Int("version"), Name: set(in.Name), Kind: set(in.Kind), Serial: set(in.Serial), Ranges: set(in.Ranges),
		CalibrationDue: set(in.CalibrationDue), Note: set(in.Note), Retired: set(f.Get("retired") != "")}
	if err := f.save(func() error { _, err := p.svc.EditInstrument(ctx, a, id, patch); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.instrumentForm(c, http.StatusUnprocessableEntity, instrumentEditor(i, f))
	}
	p.flash(c, "Instrument "+in.Name+" saved.")
	return redirect(c, "/instruments")
}

// instrumentChoice is the select "Measured with": the last used one first.
type instrumentChoice struct {
	options []Option
	last    string
}

func (p *Pages) instrumentChoice(c echo.Context) (instrumentChoice, error) {
	ctx := c.Request().Context()
	list, err := p.svc.Instruments(ctx, actorOf(c))
	if err != nil {
		return instrumentChoice{}, err
	}
	out := instrumentChoice{last: p.sessions.GetString(ctx, sessionInstrument)}
	known := false
	for _, i := range list {
		if i.RetiredAt != nil {
			continue
		}
		o := Option{Value: i.ID.String(), Label: i.Name}
		if i.Overdue(p.opt.Now()) {
			// "overdue" comes early: on a phone the end of a long entry is cut off.
			o.Label += " · overdue since " + i.CalibrationDue.UTC().Format("2 Jan 2006") + " (calibration)"
		}
		if o.Value == out.last {
			known = true
			out.options = slices.Insert(out.options, 0, o)
			continue
		}
		out.options = append(out.options, o)
	}
	if !known {
		out.last = ""
	}
	if len(out.options) > 0 {
		none := 0
		if known {
			none = 1
		}
		out.options = slices.Insert(out.options, none, Option{Label: "not said: readings count as exact"})
	}
	return out, nil
}

// field is the select for a form; nil where the shop has no instruments or
// nothing is read off one.
func (ic instrumentChoice) field(f *Form, card *MeasureCard) *Field {
	if len(ic.options) == 0 || card.Inspection {
		return nil
	}
	if !f.Values.Has("instrument") {
		f.Values.Set("instrument", ic.last)
	}
	d := choiceField(f, "instrument", "Measured with", ic.options)
	return &d
}

// measuredWith reads the instrument of a form that has readings.
func measuredWith(f *Form) *shop.ID {
	id, err := uuid.Parse(f.Text("instrument"))
	if err != nil {
		return nil
	}
	return &id
}

// remember keeps what was chosen for the next reading of this person.
func (p *Pages) remember(c echo.Context, f *Form) {
	if f.Values.Has("instrument") {
		p.sessions.Put(c.Request().Context(), sessionInstrument, f.Text("instrument"))
	}
}
