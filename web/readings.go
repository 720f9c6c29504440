package web

import (
	"fmt"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// Reading is one raw reading to type at the bench.
type Reading struct {
	Field
	// Kind: text, yesno, choice, elements (one field each), paste (a column), pins.
	Kind     string
	Elements []Field
	// Symbol is the library's id of the reading, as formulas name it.
	Symbol string
}

// maxElements is the longest list that gets a field per element; longer ones
// are pasted as a column.
const maxElements = 6

// readingFields lays out the readings of a measurement.
func readingFields(f *Form, m *faultlib.Measurement) []Reading {
	out := make([]Reading, 0, len(m.Inputs))
	for i := range m.Inputs {
		out = append(out, readingField(f, m, &m.Inputs[i]))
	}
	return out
}

func readingField(f *Form, m *faultlib.Measurement, in *measure.Input) Reading {
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
		n := listLength(m, in.ID)
		unit := in.Element
		if n > 0 && n <= maxElements {
			r.Kind = "elements"
			for i := range n {
				e := newField(f, fmt.Sprintf("%s.%d", name, i), fmt.Sprint(i+1), "mode=text", "placeholder="+notation(unit))
				e.Unit = unitText(unit)
				r.Elements = append(r.Elements, e)
			}
		} else {
			r.Kind = "paste"
			opts = append(opts, "rows=5", "placeholder=one value on each line, or separated by spaces or semicolons; - for one not taken, none for an empty list")
		}
		opts = append(opts, "unit="+unitText(unit))
	default:
		opts = append(opts, "unit="+unitText(in.Unit), "mode="+keypad(in), "placeholder="+notation(in.Unit))
	}
	options := r.Options
	label := readingLabel(in)
	if in.Label == "" && len(in.ID) == 1 && in.Note != "" {
		// One letter says nothing at the bench; the note does.
		label, opts[0] = strings.TrimSuffix(sentence(hint), "."), ""
	}
	r.Field = newField(f, name, label, opts...)
	r.Options = options
	return r
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
	case "V":
		return "62.4"
	}
	return ""
}

// keypad is the phone keyboard for a reading: numbers only where neither a
// letter nor a sign is ever typed.
func keypad(in *measure.Input) string {
	switch in.Unit {
	case "mm", "kPa", "h", "s", "min", "d", "A", "kHz", "Hz", "us":
		if strings.Contains(in.Note, "sign") {
			return "text"
		}
		return "decimal"
	case "count":
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

// listLength is the number of elements a list has in all the worked examples,
// 0 when they differ: a count of cells is the board's, a count of phases is three.
func listLength(m *faultlib.Measurement, id string) int {
	n := -1
	for _, e := range m.Examples {
		var got int
		switch l := e.In[id].(type) {
		case []any:
			got = len(l)
		case []float64:
			got = len(l)
		default:
			continue
		}
		if n >= 0 && n != got {
			return 0
		}
		n = got
	}
	return max(n, 0)
}

// readingValues turns what was typed into readings: a bare number is in the
// unit the field shows, anything else stays as the technician wrote it.
func readingValues(f *Form, m *faultlib.Measurement) map[string]any {
	out := map[string]any{}
	for i := range m.Inputs {
		in := &m.Inputs[i]
		name := "r." + in.ID
		var v any
		switch r := readingField(f, m, in); r.Kind {
		case "elements":
			v = elementValues(f, r.Elements)
		case "paste":
			v = pasted(f.Get(name))
		case "pins":
			v = pinMap(f.Get(name))
		case "yesno":
			switch f.Text(name) {
			case "yes":
				v = true
			case "no":
				v = false
			}
		case "choice":
			if s := f.Text(name); s != "" {
				v = s
			}
		default:
			v = typed(f.Get(name))
		}
		if v != nil || in.Nullable {
			out[in.ID] = v
		}
	}
	return out
}

func typed(s string) any {
	s = strings.TrimSpace(s)
	if s == "" {
		return nil
	}
	if x, ok := parseNumber(s); ok {
		return x
	}
	return s
}

func elementValues(f *Form, elements []Field) any {
	list := make([]any, len(elements))
	some := false
	for i, e := range elements {
		list[i] = typed(f.Get(e.Name))
		some = some || list[i] != nil
	}
	if !some {
		return nil
	}
	return list
}

// pasted reads a column or a row of values. A comma between spaces or at a
// line's end separates, within a number it is the decimal point. "none" is a list
// that was looked for and is empty, which a field left empty is not.
func pasted(s string) any {
	if strings.EqualFold(strings.TrimSpace(s), "none") {
		return []any{}
	}
	var list []any
	for _, line := range strings.FieldsFunc(s, func(r rune) bool { return r == '\n' || r == '\r' || r == ';' || r == '\t' }) {
		line = strings.TrimSpace(strings.ReplaceAll(line, ", ", " "))
		if line == "" {
			continue
		}
		// "62.4 V" is one value with its unit, "3.61 3.62 3.60" are three.
		words := strings.Fields(line)
		if len(words) == 2 {
			if _, ok := parseNumber(words[1]); !ok && !blankMark(words[1]) {
				list = append(list, typed(line))
				continue
			}
		}
		for _, w := range words {
			if w = strings.TrimSuffix(w, ","); blankMark(w) {
				list = append(list, nil)
			} else {
				list = append(list, typed(w))
			}
		}
	}
	if len(list) == 0 {
		return nil
	}
	return list
}

// blankMark is how a reading that was not taken is written in a column.
func blankMark(s string) bool { return s == "-" || s == "–" || s == "?" }

// pinMap reads lines such as "1: 2, 3" into pin -> pins.
func pinMap(s string) any {
	m := map[string]any{}
	for line := range strings.Lines(s) {
		pin, to, ok := strings.Cut(strings.TrimSpace(line), ":")
		if !ok {
			pin, to, ok = strings.Cut(strings.TrimSpace(line), "=")
		}
		pin = strings.TrimSpace(pin)
		if !ok || pin == "" {
			if strings.TrimSpace(line) != "" {
				m[strings.TrimSpace(line)] = nil
			}
			continue
		}
		pins := []any{}
		for p := range strings.SplitSeq(to, ",") {
			if p = strings.TrimSpace(p); p != "" {
				pins = append(pins, p)
			}
		}
		m[pin] = pins
	}
	if len(m) == 0 {
		return nil
	}
	return m
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
				break
			}
		}
		mapped.Fields = append(mapped.Fields, problem.Field{Field: name, Message: fe.Message})
	}
	f.fail(&mapped)
}
