package measure

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"nextprobe/internal/units"
)

// list reads a list of quantities: an array, an object that states unit and
// accuracy once for all, or a text with the values separated by blanks or
// semicolons.
func (rd *reader) list(in *input, v any) {
	acc := rd.opt.Accuracy[in.ID]
	// {"values": […], "unit": "V", accuracy} states unit and accuracy once for all.
	if m, ok := v.(map[string]any); ok {
		rest, a, ok := rd.splitAccuracy(in.ID, m, in.unit, acc)
		if !ok {
			return
		}
		acc = a
		left := rest.(map[string]any)
		values, has := left["values"].([]any)
		unit, _ := left["unit"].(string)
		if !has || len(left) > 2 || (len(left) == 2 && unit == "") {
			rd.fail(in.ID, "must be %s, or an object with values, unit and accuracy", in.expects())
			return
		}
		v = withUnit(values, unit)
	}
	items, ok := asList(v, in.unit)
	if !ok {
		rd.fail(in.ID, "must be %s", in.expects())
		return
	}
	if msg := in.wrongLength(len(items)); msg != "" {
		rd.fail(in.ID, "%s", msg)
		return
	}
	out, widths, spreads := make([]float64, len(items)), make([]float64, len(items)), make([]float64, len(items))
	wide, spread, good := false, false, true
	for i, x := range items {
		field := fmt.Sprintf("%s[%d]", in.ID, i)
		if x == nil {
			rd.fail(field, "is missing; every value of the list is needed")
			good = false
			continue
		}
		n, ok := rd.quantity(in, field, x, acc)
		out[i], widths[i], spreads[i] = n.value, n.accuracy, n.spread
		good, wide, spread = good && ok, wide || n.accuracy > 0, spread || n.spread > 0
	}
	if !good {
		return
	}
	rd.out.values[in.ID] = out
	if wide {
		rd.out.width[in.ID] = widths
	}
	if spread {
		rd.out.spread[in.ID] = spreads
	}
}

func (in *input) wrongLength(n int) string {
	switch {
	case n > MaxList:
		return fmt.Sprintf("has %d values; at most %d are taken", n, MaxList)
	case n == 0 && !in.empty:
		return fmt.Sprintf("is empty; %s is needed", in.expects())
	case in.length > 0 && n != in.length:
		return fmt.Sprintf("has %d values, %d are needed", n, in.length)
	}
	return ""
}

func asList(v any, unit units.Unit) ([]any, bool) {
	switch x := v.(type) {
	case []any:
		return x, true
	case []float64:
		out := make([]any, len(x))
		for i, f := range x {
			out[i] = f
		}
		return out, true
	case string:
		if strings.TrimSpace(x) == "" || len(x) > 64*MaxList {
			return nil, false
		}
		parts := splitList(x, unit)
		out := make([]any, len(parts))
		for i, p := range parts {
			out[i] = p
		}
		return out, true
	}
	return nil, false
}

var (
	listBreak  = regexp.MustCompile(`[\r\n\t]+|,\s+`)
	rangeSigns = []string{"-", "–", "—", "−", "…", "...", "..", "~"}
)

// splitList parts a text into values: at semicolons where there are any; else at line
// ends, tabs (a spreadsheet's cells) and commas with a blank behind, and at the blanks
// that do not stand within a value (`3.2 to 3.4`, `3.7 V`).
func splitList(s string, unit units.Unit) []string {
	var out []string
	if strings.Contains(s, ";") {
		for p := range strings.SplitSeq(s, ";") {
			out = append(out, strings.TrimSpace(p))
		}
		return out
	}
	for _, piece := range listBreak.Split(strings.TrimSuffix(strings.TrimSpace(s), ","), -1) {
		open := true // nothing to join to yet
		for i, w := range strings.Fields(piece) {
			joined := i > 0 && (open || isSign(w) || strings.HasPrefix(w, "…") || strings.HasPrefix(w, "..") || isUnitWord(w, unit))
			if joined {
				out[len(out)-1] += " " + w
			} else {
				out = append(out, w)
			}
			open = endsOpen(w)
		}
	}
	return out
}

// isSign reports a sign, or the word, that stands between the ends of a range.
func isSign(w string) bool { return slices.Contains(rangeSigns, w) || strings.EqualFold(w, "to") }

// endsOpen reports a word behind which the upper end of a range must follow.
func endsOpen(w string) bool {
	return isSign(w) || slices.ContainsFunc(rangeSigns, func(sign string) bool { return strings.HasSuffix(w, sign) })
}

// isUnitWord reports a word that belongs to the number before it: it does not begin
// like a number and is no reading of its own (OL, R15).
func isUnitWord(w string, unit units.Unit) bool {
	if strings.ContainsAny(w[:1], "0123456789.,+-") || slices.ContainsFunc(rangeSigns, func(sign string) bool { return strings.HasPrefix(w, sign) }) {
		return false
	}
	_, err := units.Parse(w, unit)
	return err != nil
}

func withUnit(values []any, unit string) []any {
	if unit == "" {
		return values
	}
	out := make([]any, len(values))
	for i, x := range values {
		switch x.(type) {
		case float64, int, json.Number:
			x = map[string]any{"value": x, "unit": unit}
		}
		out[i] = x
	}
	return out
}

// names reads a list of names, such as pins.
func (rd *reader) names(field string, v any) ([]string, bool) {
	var items []any
	switch x := v.(type) {
	case []any:
		items = x
	case []string:
		for _, s := range x {
			items = append(items, s)
		}
	case string:
		items = []any{x}
	case nil:
	default:
		rd.fail(field, "must be a list of names")
		return nil, false
	}
	if len(items) > MaxList {
		rd.fail(field, "has %d names; at most %d are taken", len(items), MaxList)
		return nil, false
	}
	out := make([]string, 0, len(items))
	for i, x := range items {
		s := strings.TrimSpace(nameText(x))
		if s == "" || len(s) > 64 {
			rd.fail(fmt.Sprintf("%s[%d]", field, i), "must be a name of 1 to 64 characters")
			return nil, false
		}
		out = append(out, s)
	}
	return out, true
}

func nameText(x any) string {
	switch x := x.(type) {
	case string:
		return x
	case float64, int, json.Number:
		return fmt.Sprint(x) // pins are often just numbered
	}
	return ""
}

func (rd *reader) pins(in *input, v any) {
	m, ok := v.(map[string]any)
	if !ok || len(m) == 0 || len(m) > MaxList {
		rd.fail(in.ID, "must be an object of 1 to %d names with what each connects to", MaxList)
		return
	}
	out, good := make(map[string][]string, len(m)), true
	for _, k := range sortedNames(m) {
		l, ok := rd.names(in.ID+"."+k, m[k])
		out[strings.TrimSpace(k)], good = l, good && ok
	}
	if good {
		rd.out.values[in.ID] = out
	}
}

func (rd *reader) sameLengths() {
	for _, pair := range rd.m.sameLen {
		a, aok := rd.out.values[pair[0]].([]float64)
		b, bok := rd.out.values[pair[1]].([]float64)
		if aok && bok && len(a) != len(b) {
			rd.fail(pair[1], "has %d values, but %s has %d: both go with the same places", len(b), pair[0], len(a))
		}
	}
}
