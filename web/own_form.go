package web

import (
	"fmt"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// ownSection is a list of rows in the form of a shop's own measurement.
type ownSection struct {
	Name   string
	fields []string
	// first is how many rows a new form has, more how many a button adds.
	first, more, most int
	// one names a row in the summary of mistakes.
	one string
}

var ownSections = []ownSection{
	{"inputs", []string{"id", "label", "unit", "choice", "note", "nullable"}, 2, 2, shop.MaxOwnInputs, "Reading"},
	{"params", []string{"id", "value"}, 1, 2, shop.MaxOwnParams, "Limit"},
	{"compute", []string{"id", "label", "unit", "expr"}, 1, 2, shop.MaxOwnSteps, "Computed value"},
	{"outcomes", []string{"id", "label", "meaning", "when", "inconclusive"}, 3, 2, shop.MaxOwnOutcomes, "Outcome"},
	{"examples", []string{"out"}, 3, 3, shop.MaxOwnExamples, "Example"},
	{"links", []string{"cause", "outcome", "p"}, 1, 3, shop.MaxOwnLinks, "Cause"},
}

var (
	ownRowName  = regexp.MustCompile(`^(inputs|params|compute|outcomes|examples|links)\[(\d{1,3})\](?:\.in\[(\d{1,3})\]|\.?([a-z]*))`)
	ownReading  = regexp.MustCompile(`^(examples\[\d+\])\.in(?:\.([a-z0-9_]+))?`)
	plainNumber = regexp.MustCompile(`^-?\d+(\.\d+)?([eE][-+]?\d+)?$`)
)

// ownRows counts the rows of each section that a form was sent with.
func ownRows(v url.Values) map[string]int {
	n := map[string]int{}
	for k := range v {
		if m := ownRowName.FindStringSubmatch(k); m != nil {
			i, _ := strconv.Atoi(m[2])
			n[m[1]] = max(n[m[1]], i+1)
		}
	}
	return n
}

// closeRows moves rows up over those that were left or made empty, so that a
// row's number on the page is its number in the measurement. The readings of the
// examples move with the readings they belong to.
func closeRows(f *Form) {
	had := ownRows(f.Values)
	readings := had["inputs"]
	moved := map[int]int{} // reading's number before -> after
	out := url.Values{}
	for k, vs := range f.Values {
		if !ownRowName.MatchString(k) {
			out[k] = vs
		}
	}
	for _, s := range ownSections {
		kept := 0
		for i := range had[s.Name] {
			row := fmt.Sprintf("%s[%d].", s.Name, i)
			if emptyRow(f, s, row, readings) {
				continue
			}
			to := fmt.Sprintf("%s[%d].", s.Name, kept)
			for _, name := range s.fields {
				if vs, ok := f.Values[row+name]; ok {
					out[to+name] = vs
				}
			}
			if s.Name == "inputs" {
				moved[i] = kept
			}
			if s.Name == "examples" {
				for from, k := range moved {
					if vs, ok := f.Values[fmt.Sprintf("%sin[%d]", row, from)]; ok {
						out[fmt.Sprintf("%sin[%d]", to, k)] = vs
					}
				}
			}
			kept++
		}
	}
	f.Values = out
}

func emptyRow(f *Form, s ownSection, row string, readings int) bool {
	for _, name := range s.fields {
		if f.Text(row+name) != "" && name != "nullable" && name != "inconclusive" {
			return false
		}
	}
	for i := range readings {
		if s.Name == "examples" && f.Text(fmt.Sprintf("%sin[%d]", row, i)) != "" {
			return false
		}
	}
	return true
}

// readOwn takes the measurement out of the form. What is no number is rejected
// at its field and left out.
func readOwn(f *Form) shop.OwnMeasurementInput {
	n := ownRows(f.Values)
	m := faultlib.OwnMeasurement{ID: f.Text("id"), Title: f.Text("title"), Kind: measure.Kind(f.Get("kind")), Of: f.Get("of"), Points: f.Text("points"),
		Instrument: f.Text("instrument"), Access: f.Get("access"), Hazard: f.Int("hazard"), Caution: f.Text("caution"), Note: f.Text("note")}
	m.Minutes = needFloat(f, "minutes", "Enter the minutes at the bench, for example 5.")
	for i := range n["inputs"] {
		m.Inputs = append(m.Inputs, readOwnInput(f, fmt.Sprintf("inputs[%d].", i)))
	}
	for i := range n["params"] {
		at := fmt.Sprintf("params[%d].", i)
		m.Params = append(m.Params, faultlib.OwnParam{ID: f.Text(at + "id"), Value: needFloat(f, at+"value", "Enter the limit, for example 0.05.")})
	}
	for i := range n["compute"] {
		at := fmt.Sprintf("compute[%d].", i)
		m.Compute = append(m.Compute, measure.Step{ID: f.Text(at + "id"), Label: f.Text(at + "label"), Unit: f.Text(at + "unit"), Expr: f.Text(at + "expr")})
	}
	for i := range n["outcomes"] {
		at := fmt.Sprintf("outcomes[%d].", i)
		m.Outcomes = append(m.Outcomes, measure.Outcome{ID: f.Text(at + "id"), Label: f.Text(at + "label"), Meaning: f.Text(at + "meaning"), When: f.Text(at + "when"), Inconclusive: f.Get(at+"inconclusive") != ""})
	}
	for i := range n["examples"] {
		ex := measure.Example{In: map[string]any{}, Out: f.Text(fmt.Sprintf("examples[%d].out", i))}
		for k, in := range m.Inputs {
			if s := f.Text(fmt.Sprintf("examples[%d].in[%d]", i, k)); s != "" && in.ID != "" {
				ex.In[in.ID] = typedReading(in, s)
			}
		}
		m.Examples = append(m.Examples, ex)
	}
	for i := range n["links"] {
		m.Links = append(m.Links, readOwnLink(f, fmt.Sprintf("links[%d].", i)))
	}
	in := shop.OwnMeasurementInput{OwnMeasurement: m}
	if base := f.OptID("base"); base != nil {
		in.Base = *base
	}
	return in
}

func readOwnInput(f *Form, at string) measure.Input {
	in := measure.Input{ID: f.Text(at + "id"), Label: f.Text(at + "label"), Unit: f.Text(at + "unit"), Note: f.Text(at + "note"), Nullable: f.Get(at+"nullable") != ""}
	if element, ok := strings.CutPrefix(in.Unit, "list of "); ok {
		in.Unit, in.Element = "list", strings.TrimSpace(element)
	}
	if in.Unit == "yes or no" {
		in.Unit = "bool"
	}
	for _, c := range strings.Split(f.Get(at+"choice"), ",") {
		if c = strings.TrimSpace(c); c != "" {
			in.Choice = append(in.Choice, c)
		}
	}
	return in
}

func readOwnLink(f *Form, at string) faultlib.OwnLink {
	share := needFloat(f, at+"p", "Enter how often this cause shows it, from 0 to 100 %.")
	if (share < 0 || share > 100) && f.Error(at+"p") == "" {
		f.reject(at+"p", "Enter a share from 0 to 100 %.")
		share = 0
	}
	// Through decimals, so that 7 % is stored as 0.07.
	p, _ := strconv.ParseFloat(strconv.FormatFloat(share/100, 'g', 12, 64), 64)
	return faultlib.OwnLink{Cause: f.Get(at + "cause"), Outcome: f.Text(at + "outcome"), P: p}
}

func needFloat(f *Form, name, want string) float64 {
	x := f.OptFloat(name)
	if x == nil {
		if f.Error(name) == "" {
			f.reject(name, want)
		}
		return 0
	}
	return *x
}

// typedReading gives an example's reading the shape its input has; numbers with
// units stay as typed, for the library reads them as the bench does.
func typedReading(in measure.Input, s string) any {
	switch {
	case len(in.Choice) > 0:
		return s
	case in.Unit == "bool" && (s == "yes" || s == "no"):
		return s == "yes"
	case in.Unit == "list":
		parts := strings.Split(s, ";")
		if len(parts) == 1 {
			parts = strings.Fields(s)
		}
		list := []any{}
		for _, e := range parts {
			if e = strings.TrimSpace(e); e != "" {
				list = append(list, typedNumber(e))
			}
		}
		return list
	}
	return typedNumber(s)
}

func typedNumber(s string) any {
	if plainNumber.MatchString(s) {
		if x, err := strconv.ParseFloat(s, 64); err == nil {
			return x
		}
	}
	return s
}

func ownReadingText(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case bool:
		if x {
			return "yes"
		}
		return "no"
	case []any:
		parts := make([]string, len(x))
		for i, e := range x {
			parts[i] = ownReadingText(e)
		}
		return strings.Join(parts, "; ")
	}
	return fmt.Sprint(v)
}

// ownForm fills the form with a measurement.
func ownForm(m faultlib.OwnMeasurement, base shop.ID) *Form {
	f := filledForm("own", "base", base.String(), "id", m.ID, "title", m.Title, "kind", string(m.Kind), "of", m.Of, "points", m.Points, "instrument", m.Instrument,
		"access", m.Access, "minutes", formatFloat(&m.Minutes), "hazard", strconv.Itoa(m.Hazard), "caution", m.Caution, "note", m.Note)
	set := func(section string, i int, pairs ...string) {
		for k := 0; k < len(pairs); k += 2 {
			f.Values.Set(fmt.Sprintf("%s[%d].%s", section, i, pairs[k]), pairs[k+1])
		}
	}
	for i, in := range m.Inputs {
		unit := in.Unit
		if in.Element != "" {
			unit = "list of " + in.Element
		}
		set("inputs", i, "id", in.ID, "label", in.Label, "unit", unit, "choice", strings.Join(in.Choice, ", "), "note", in.Note)
		if in.Nullable {
			set("inputs", i, "nullable", "1")
		}
	}
	for i, p := range m.Params {
		set("params", i, "id", p.ID, "value", formatFloat(&p.Value))
	}
	for i, s := range m.Compute {
		set("compute", i, "id", s.ID, "label", s.Label, "unit", s.Unit, "expr", s.Expr)
	}
	for i, o := range m.Outcomes {
		set("outcomes", i, "id", o.ID, "label", o.Label, "meaning", o.Meaning, "when", o.When)
		if o.Inconclusive {
			set("outcomes", i, "inconclusive", "1")
		}
	}
	for i, e := range m.Examples {
		set("examples", i, "out", e.Out)
		for k, in := range m.Inputs {
			set("examples", i, fmt.Sprintf("in[%d]", k), ownReadingText(e.In[in.ID]))
		}
	}
	for i, l := range m.Links {
		set("links", i, "cause", l.Cause, "outcome", l.Outcome, "p", strconv.FormatFloat(l.P*100, 'g', 10, 64))
	}
	return f
}

// failOwn takes over a problem's fields under the names of the page; a field
// that has an error already keeps it.
func failOwn(f *Form, in shop.OwnMeasurementInput, pe *problem.Error) {
	if pe == nil {
		return
	}
	f.Message = "Not saved: what is marked below needs another look."
	if len(pe.Fields) == 0 {
		f.Message = pe.Message
	}
	for _, fe := range pe.Fields {
		name := ownFieldOf(in, fe.Field)
		switch {
		case name == "":
			f.Message = fe.Message
		case f.Error(name) == "":
			f.reject(name, fe.Message)
		}
	}
}

// ownFieldOf is the page's name for a field of the use case.
func ownFieldOf(in shop.OwnMeasurementInput, field string) string {
	if m := ownReading.FindStringSubmatch(field); m != nil {
		for k, x := range in.Inputs {
			if x.ID == m[2] {
				return fmt.Sprintf("%s.in[%d]", m[1], k)
			}
		}
		return m[1] + ".out"
	}
	m := ownRowName.FindStringSubmatch(field)
	if m == nil {
		return field
	}
	for _, s := range ownSections {
		if s.Name != m[1] {
			continue
		}
		if m[4] == "element" {
			m[4] = "unit"
		}
		if !contains(s.fields, m[4]) {
			m[4] = s.fields[0]
		}
	}
	return fmt.Sprintf("%s[%s].%s", m[1], m[2], m[4])
}

// ownFieldWords name fields whose word in the file is not the page's.
var ownFieldWords = map[string]string{"id": "short name", "label": "in words", "choice": "choices", "expr": "formula", "when": "condition", "out": "expected outcome", "p": "how often"}

// ownFieldName words a field of a row for the summary of mistakes.
func ownFieldName(field string) (string, bool) {
	m := ownRowName.FindStringSubmatch(field)
	if m == nil {
		word, ok := map[string]string{"id": "Short name", "of": "Component", "access": "What must be open", "hazard": "Hazard level"}[field]
		return word, ok
	}
	i, _ := strconv.Atoi(m[2])
	for _, s := range ownSections {
		if s.Name == m[1] {
			word := m[4]
			if w, ok := ownFieldWords[word]; ok {
				word = w
			}
			if m[3] != "" {
				k, _ := strconv.Atoi(m[3])
				word = fmt.Sprintf("reading %d", k+1)
			}
			return fmt.Sprintf("%s %d, %s", s.one, i+1, word), true
		}
	}
	return "", false
}
