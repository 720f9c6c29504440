package web

import (
	"fmt"
	"strconv"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// Reading is one raw reading to type at the bench.
type Reading struct {
	Field
	// Kind: text, yesno, choice, elements (one field each), triangle (three, between
	// the phases), column (one for each cell group), hall, paste (a column), pins.
	Kind     string
	Elements []Field
	// Symbol is the library's id of the reading, as formulas name it.
	Symbol string
	// Drawn says what the page draws beside a column while it is typed: "step" from
	// the field before, or "spread" from the median of all.
	Drawn string
	// Clock is the unit a start and stop button counts in, "" where there is none.
	Clock string
	// PerGroup marks a list that follows the number of cell groups.
	PerGroup bool
	// Paste is the field that takes a whole column at once.
	Paste *Field
}

// maxElements is the longest list of fixed length that gets a field per element,
// maxColumn the longest that follows the number of cell groups; longer ones are
// pasted.
const maxElements, maxColumn = 6, 48

// readingFields lays out the readings of a measurement. series is the board's
// number of cell groups, 0 when it is not known.
func readingFields(f *Form, m *faultlib.Measurement, series int) []Reading {
	out := make([]Reading, 0, len(m.Inputs))
	for i := range m.Inputs {
		out = append(out, readingField(f, m, &m.Inputs[i], series))
	}
	return out
}

func readingField(f *Form, m *faultlib.Measurement, in *measure.Input, series int) Reading {
	name := "r." + in.ID
	// The file speaks of null; at the bench that is an empty field.
	hint := strings.ReplaceAll(in.Note, "null if", "leave empty if")
	if in.Nullable && !strings.Contains(hint, "empty") {
		hint = strings.TrimPrefix(hint+"; may stay empty", "; ")
	}
	if in.Label != "" && strings.Contains(strings.ToLower(in.Label), strings.ToLower(hint)) {
		hint = "" // the label says it already
	}
	hint = strings.TrimSuffix(hint, "; E") // the file's mark of an estimate
	switch hint {
	case "two", "three", "four", "six": // as many fields stand there
		hint = ""
	}
	opts := []string{"hint=" + hint}
	r := Reading{Symbol: in.ID, Kind: "text"}
	switch {
	case len(in.Choice) > 0:
		r.Kind = "choice"
		for _, c := range in.Choice {
			r.Options = append(r.Options, Option{Value: c, Label: words(c), Selected: f.Get(name) == c})
		}
	case in.Unit == "bool":
		r.Kind = "yesno"
		r.Options = []Option{{Value: "yes", Label: "yes", Selected: f.Get(name) == "yes"}, {Value: "no", Label: "no", Selected: f.Get(name) == "no"}}
	case in.Unit == "map":
		r.Kind = "pins"
		opts = append(opts, "rows=4", "placeholder=1: 1\n2: 3, 4")
	case in.Unit == "list":
		opts = append(opts, r.list(f, m, in, series)...)
	default:
		opts = append(opts, "unit="+unitText(in.Unit), "mode="+keypad(in), "placeholder="+notation(in.Unit))
		if (in.Unit == "s" || in.Unit == "min" || in.Unit == "h") && twoTimes(m) {
			r.Clock = in.Unit
		}
		if series > 0 && (in.ID == "n" || in.ID == "series") {
			opts = append(opts, fmt.Sprintf("placeholder=%d by the board’s record", series))
		}
	}
	options := r.Options
	label := readingLabel(in)
	if in.Label == "" && len(in.ID) == 1 && in.Note != "" {
		// One letter says nothing at the bench; the note does.
		label, opts[0] = strings.TrimSuffix(sentence(hint), "."), ""
	}
	r.Field = newField(f, name, label, opts...)
	r.Options = options
	r.helped()
	if r.Kind == "column" {
		paste := newField(f, name, "Paste a column from a meter or a spreadsheet", "rows=3")
		r.Paste = &paste
		r.Hint = ""
		if in.ID == "taps" {
			r.Hint = hint
		}
	}
	return r
}

// helped leads the fields of a quantity to the help that stands above them all.
func (r *Reading) helped() {
	if !r.quantity() {
		return
	}
	r.Help = r.Form.ID + "-typing"
	for i := range r.Elements {
		r.Elements[i].Help = r.Help
	}
}

// quantity reports a reading that is typed as a number with or without a unit.
func (r *Reading) quantity() bool {
	return r.Unit != "" && r.Kind != "yesno" && r.Kind != "choice"
}

// notation shows how technicians write a value of the unit (IEC 60062 for resistances).
func notation(unit string) string {
	switch unit {
	case "ohm":
		return "0R15 or 4k7"
	case "kohm":
		return "4k7"
	case "mohm":
		return "150"
	case "Mohm":
		return "2M2 or OL"
	}
	return ""
}

// keypad is the phone keyboard for a reading. Only a count is always bare digits: a
// phone's pad of decimals has no letters for 4k7, no sign, and on some no dash for
// 3.2-3.4.
func keypad(in *measure.Input) string {
	if in.Unit == "count" {
		return "numeric"
	}
	return "text"
}

// readingLabel is the library's label. Where it has none, an id such as r_ab
// becomes "R A–B": the unit at its end stands beside the field already.
func readingLabel(in *measure.Input) string {
	if in.Label != "" {
		return in.Label
	}
	parts := strings.Split(in.ID, "_")
	if n := len(parts); n > 1 {
		last := parts[n-1]
		if strings.EqualFold(last, in.Unit) || strings.EqualFold(strings.ReplaceAll(in.Unit, "/", ""), last) || (last == "c" && in.Unit == "C") {
			parts = parts[:n-1]
		}
	}
	for i, p := range parts {
		switch {
		case p == "ab" || p == "bc" || p == "ca":
			parts[i] = strings.ToUpper(p[:1]) + "–" + strings.ToUpper(p[1:])
		case len(p) == 1 || p == "led":
			parts[i] = strings.ToUpper(p)
		}
	}
	s := strings.Join(parts, " ")
	return strings.ToUpper(s[:1]) + s[1:]
}

// failReadings maps the fields of an evaluation's problem to the form's.
func failReadings(f *Form, m *faultlib.Measurement, pe *problem.Error) {
	if pe == nil {
		return
	}
	mapped := *pe
	mapped.Fields = nil
	for _, fe := range pe.Fields {
		name := strings.TrimPrefix(fe.Field, "readings.")
		for i := range m.Inputs {
			id := m.Inputs[i].ID
			if rest, ok := strings.CutPrefix(name, id); ok && (rest == "" || rest[0] == '[' || rest[0] == '.') {
				name = "r." + id
				if k, err := strconv.Atoi(strings.Trim(rest, "[]")); err == nil && m.Inputs[i].Unit == "list" {
					place := fmt.Sprintf("value %d", k+1)
					if id == "taps" {
						place = fmt.Sprintf("pin %d", k)
					}
					fe.Message = place + ": " + fe.Message
				}
				break
			}
		}
		mapped.Fields = append(mapped.Fields, problem.Field{Field: name, Message: fe.Message})
	}
	f.fail(&mapped)
}
