package web

import (
	"strconv"
	"strings"

	"nextprobe/internal/faultlib"
)

// readingValues turns what was typed into readings: a bare number is in the
// unit the field shows, anything else stays as the technician wrote it.
func readingValues(f *Form, m *faultlib.Measurement) map[string]any {
	out := map[string]any{}
	for i := range m.Inputs {
		in := &m.Inputs[i]
		name := "r." + in.ID
		var v any
		switch {
		case in.Unit == "list":
			if v = elementValues(f, name); v == nil {
				v = pasted(f.Get(name))
			}
			if m.Algorithm == "alg_hall_sequence" {
				v = hallStates(f.Get(name))
			}
		case in.Unit == "map":
			v = pinMap(f.Get(name))
		case in.Unit == "bool":
			switch f.Text(name) {
			case "yes":
				v = true
			case "no":
				v = false
			}
		case len(in.Choice) > 0:
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

// elementValues are the fields of a list, nil when none is filled.
func elementValues(f *Form, name string) any {
	list := make([]any, elementCount(f, name))
	some := false
	for i := range list {
		list[i] = typed(f.Get(name + "." + strconv.Itoa(i)))
		some = some || list[i] != nil
	}
	if !some {
		return nil
	}
	return list
}

// hallStates reads states as numbers 0 to 7, as three binary digits, or as one
// run of digits such as 132645.
func hallStates(s string) any {
	var out []any
	for _, w := range strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(" \t\r\n,;>-→", r) }) {
		switch {
		case len(w) == 3 && strings.Trim(w, "01") == "":
			n, _ := strconv.ParseInt(w, 2, 8) // three binary digits always fit
			out = append(out, float64(n))
		case len(w) > 3 && strings.Trim(w, "01234567") == "":
			for _, d := range w {
				out = append(out, float64(d-'0'))
			}
		default:
			out = append(out, typed(w))
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out
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
			parts := []string{strings.TrimSuffix(w, ",")}
			if strings.Contains(w, ".") || strings.Count(w, ",") > 1 {
				parts = strings.Split(parts[0], ",") // where the point is decimal, the comma separates
			}
			for _, part := range parts {
				if blankMark(part) {
					list = append(list, nil)
				} else {
					list = append(list, typed(part))
				}
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
