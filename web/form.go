package web

import (
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// Form keeps what was typed, so that a mistake loses nothing, and the errors
// beside the fields they belong to.
type Form struct {
	// ID tells the forms of one page apart and prefixes the ids of their fields.
	ID      string
	Values  url.Values
	Message string // of the whole form
	Errors  []FieldError
	named   map[string]string // problem field -> form field, where they differ
}

// FieldError is one field's error.
type FieldError struct{ Field, Label, Message string }

func emptyForm(id string) *Form { return &Form{ID: id, Values: url.Values{}} }

func filledForm(id string, pairs ...string) *Form {
	f := emptyForm(id)
	for i := 0; i+1 < len(pairs); i += 2 {
		f.Values.Set(pairs[i], pairs[i+1])
	}
	return f
}

func readForm(c echo.Context, id string) (*Form, error) {
	v, err := c.FormParams()
	if err != nil {
		var he *echo.HTTPError
		if errors.As(err, &he) && he.Code == http.StatusRequestEntityTooLarge {
			return nil, problem.New(problem.TooLarge, "This is more than the server takes at once (%s).", maxForm)
		}
		return nil, problem.New(problem.Invalid, "The form could not be read; reload the page and send it again.").Because(err)
	}
	f := &Form{ID: id, Values: url.Values{}}
	for k, vs := range v {
		if k != "_csrf" {
			f.Values[k] = append([]string(nil), vs...)
		}
	}
	return f, nil
}

// Get returns a field as typed.
func (f *Form) Get(name string) string { return f.Values.Get(name) }

// Text returns a field without the space around it.
func (f *Form) Text(name string) string { return strings.TrimSpace(f.Values.Get(name)) }

// Has reports whether a checkbox or multiple choice holds the value.
func (f *Form) Has(name, value string) bool {
	for _, v := range f.Values[name] {
		if v == value {
			return true
		}
	}
	return false
}

// FieldID is the element id of a field.
func (f *Form) FieldID(name string) string {
	return f.ID + "-" + strings.NewReplacer("[", "-", "]", "", " ", "-").Replace(name)
}

// Error returns the message of a field, "" when it is well.
func (f *Form) Error(name string) string {
	for _, e := range f.Errors {
		if e.Field == name {
			return e.Message
		}
	}
	return ""
}

// Failed reports whether the form has anything to mend.
func (f *Form) Failed() bool { return f.Message != "" || len(f.Errors) > 0 }

func (f *Form) reject(field, message string) {
	f.Errors = append(f.Errors, FieldError{Field: field, Message: message})
}

// alias says that the use case's field is shown by another form field.
func (f *Form) alias(from, to string) {
	if f.named == nil {
		f.named = map[string]string{}
	}
	f.named[from] = to
}

// fail takes over the fields and the message of a problem.
func (f *Form) fail(pe *problem.Error) {
	if pe == nil {
		return
	}
	f.Message = pe.Message
	for _, fe := range pe.Fields {
		name := fe.Field
		if to, ok := f.named[name]; ok {
			name = to
		}
		f.Errors = append(f.Errors, FieldError{Field: name, Message: fe.Message})
	}
	if len(f.Errors) == 1 && strings.HasSuffix(pe.Message, f.Errors[0].Message) {
		f.Message = ""
	}
}

// save hands what reads well to a use case. A mistake the person can mend is then the
// form's own, which the caller shows again; every other error comes back.
func (f *Form) save(do func() error) error {
	if invalid(f) {
		return nil
	}
	err := do()
	pe := userMistake(err)
	if pe == nil {
		return err
	}
	f.fail(pe)
	if pe.Code == problem.Stale {
		f.Message = "Somebody else changed this since the page was opened. What you typed is still here: note it, reload the page and enter it again."
	}
	return nil
}

func invalid(f *Form) bool { return len(f.Errors) > 0 }

// Int reads a whole number; empty is 0.
func (f *Form) Int(name string) int {
	n := f.OptInt(name)
	if n == nil {
		return 0
	}
	return *n
}

// OptInt reads a whole number; empty is nil.
func (f *Form) OptInt(name string) *int {
	s := f.Text(name)
	if s == "" {
		return nil
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		f.reject(name, "Enter a whole number, for example 20.")
		return nil
	}
	return &n
}

// OptFloat reads a decimal number with point or comma; empty is nil.
func (f *Form) OptFloat(name string) *float64 {
	s := f.Text(name)
	if s == "" {
		return nil
	}
	x, ok := parseNumber(s)
	if !ok {
		f.reject(name, "Enter a number, for example 1250.5.")
		return nil
	}
	return &x
}

// Money reads an amount in major units into minor units; empty is nil.
func (f *Form) Money(name, currency string) *int64 {
	s := f.Text(name)
	if s == "" {
		return nil
	}
	x, ok := parseNumber(s)
	minor := math.Round(x * math.Pow10(currencyScale(currency)))
	if !ok || x < 0 || minor > 1e12 {
		f.reject(name, "Enter an amount, for example 12.50.")
		return nil
	}
	m := int64(minor)
	return &m
}

// OptID reads a reference chosen from a list; empty is nil.
func (f *Form) OptID(name string) *shop.ID {
	s := f.Text(name)
	if s == "" {
		return nil
	}
	id, err := uuid.Parse(s)
	if err != nil {
		f.reject(name, "Choose one from the list.")
		return nil
	}
	return &id
}

// parseNumber reads a plain decimal; a comma counts as the decimal point.
func parseNumber(s string) (float64, bool) {
	x, err := strconv.ParseFloat(strings.Replace(strings.ReplaceAll(strings.TrimSpace(s), " ", ""), ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, false
	}
	return x, true
}

func formatFloat(x *float64) string {
	if x == nil {
		return ""
	}
	return strconv.FormatFloat(*x, 'f', -1, 64)
}

func formatInt(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

// Field is what the field templates draw.
type Field struct {
	Form                    *Form
	Name, Label, Hint, Unit string
	Type, Mode, Placeholder string
	Help                    string // id of an element that describes the field too
	Rows                    int
	Required, Wide, Auto    bool
	Options                 []Option
}

// Option is an entry of a choice.
type Option struct {
	Value, Label string
	Selected     bool
}

// Options of the field templates are written as words: "required",
// "hint=…", "unit=km", "type=number", "mode=decimal", "rows=3".
func newField(f *Form, name, label string, opts ...string) Field {
	d := Field{Form: f, Name: name, Label: label, Type: "text"}
	for _, o := range opts {
		k, v, _ := strings.Cut(o, "=")
		switch k {
		case "required":
			d.Required = true
		case "wide":
			d.Wide = true
		case "focus":
			d.Auto = true
		case "hint":
			d.Hint = v
		case "unit":
			d.Unit = v
		case "type":
			d.Type = v
		case "mode":
			d.Mode = v
		case "placeholder":
			d.Placeholder = v
		case "rows":
			d.Rows, _ = strconv.Atoi(v)
		}
	}
	for i := range f.Errors {
		if f.Errors[i].Field == name {
			f.Errors[i].Label = label
		}
	}
	return d
}

// choiceField is newField with the entries of a select.
func choiceField(f *Form, name, label string, options []Option, opts ...string) Field {
	d := newField(f, name, label, opts...)
	d.Options = append([]Option(nil), options...)
	for i := range d.Options {
		d.Options[i].Selected = d.Options[i].Value == f.Get(name)
	}
	return d
}

// ID is the element id of the field.
func (d Field) ID() string { return d.Form.FieldID(d.Name) }

// Value is what was typed.
func (d Field) Value() string { return d.Form.Get(d.Name) }

// Error is the field's message, "" when it is well.
func (d Field) Error() string { return d.Form.Error(d.Name) }

// Described names the elements that describe the field.
func (d Field) Described() string {
	var ids []string
	if d.Help != "" {
		ids = append(ids, d.Help)
	}
	if d.Hint != "" {
		ids = append(ids, d.ID()+"-hint")
	}
	if d.Error() != "" {
		ids = append(ids, d.ID()+"-error")
	}
	return strings.Join(ids, " ")
}

// fieldNames word fields whose name alone would puzzle.
var fieldNames = map[string]string{
	"odometer_km": "Odometer", "odometer_reason": "Why it went backwards", "series_cells": "Cells in series", "parallel_cells": "Cells in parallel",
	"owner_name": "Owner’s name", "owner_contact": "Owner’s contact", "pin_map": "Pins", "unit_cost": "Cost", "min_stock": "Minimum", "to": "State",
	"connector_id": "Connector", "installed_part_id": "Installed part", "fault_id": "Fault", "labour_rate": "Labour rate", "warranty_days": "Warranty",
}

// Shows reports whether the form has the field, so that the summary can lead
// there: the forms of plain buttons have none but a reason.
func (f *Form) Shows(field string) bool {
	switch f.ID {
	case "state", "access", "observations", "people", "tokens":
		return field == "reason"
	}
	return true
}

// Name words a field for the summary of mistakes.
func (f *Form) Name(field string) string {
	if n, ok := fieldNames[field]; ok {
		return n
	}
	if n, ok := ownFieldName(field); ok {
		return n
	}
	s := strings.NewReplacer("r.", "", "s.", "", "fact.", "", "_", " ", ".", " ").Replace(field)
	if s == "" {
		return "Form"
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
