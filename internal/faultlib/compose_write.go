package faultlib

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"nextprobe/internal/measure"
)

// plainWord is what YAML reads as itself without quotes, reserved words aside.
var (
	plainWord     = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)
	reservedWords = []string{"true", "false", "null", "yes", "no", "on", "off", "y", "n"}
)

// quoted writes a text so that YAML gives it back as it was: JSON's strings are
// YAML's double-quoted ones.
func quoted(s string) string {
	if plainWord.MatchString(s) && !slices.Contains(reservedWords, s) {
		return s
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if e.Encode(s) != nil {
		return `""`
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func numberText(x float64) string {
	s := strconv.FormatFloat(x, 'g', -1, 64)
	// YAML takes 1e+09 for a number only with a point in it.
	if mantissa, exp, ok := strings.Cut(s, "e"); ok && !strings.Contains(mantissa, ".") {
		return mantissa + ".0e" + exp
	}
	return s
}

// valueText writes a reading in flow style.
func valueText(v any) string {
	switch x := v.(type) {
	case nil:
		return "null"
	case bool:
		return strconv.FormatBool(x)
	case float64:
		return numberText(x)
	case string:
		return quoted(x)
	case []any:
		parts := make([]string, len(x))
		for i, e := range x {
			parts[i] = valueText(e)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case map[string]any:
		var f flow
		for _, k := range slices.Sorted(maps.Keys(x)) {
			f.put(quoted(k), valueText(x[k]))
		}
		return f.String()
	}
	return quoted(fmt.Sprint(v))
}

// flow is a mapping in flow style being written.
type flow struct{ pairs []string }

func (f *flow) put(key, value string) { f.pairs = append(f.pairs, key+": "+value) }

// text leaves an empty text out.
func (f *flow) text(key, value string) {
	if value != "" {
		f.put(key, quoted(value))
	}
}

func (f *flow) String() string { return "{" + strings.Join(f.pairs, ", ") + "}" }

// yamlLines writes the measurement as an entry of a block list whose dashes
// stand at depth. What the form does not hold is taken over from its older self,
// which is nil for a new one.
func (m *OwnMeasurement) yamlLines(old *node, depth int, eol string) string {
	lines := []string{"- id: " + quoted(m.ID)}
	add := func(format string, args ...any) { lines = append(lines, "  "+fmt.Sprintf(format, args...)) }
	words := func(key, s string) {
		if s != "" {
			add("%s: %s", key, quoted(s))
		}
	}
	words("title", m.Title)
	words("kind", string(m.Kind))
	add("own: true")
	words("of", m.Of)
	words("points", m.Points)
	words("instrument", m.Instrument)
	words("access", m.Access)
	add("minutes: %s", numberText(m.Minutes))
	add("hazard: %d", m.Hazard)
	words("caution", m.Caution)
	words("note", m.Note)
	section := func(key string, n int, row func(i int) string) {
		if n > 0 {
			add("%s:", key)
		}
		for i := range n {
			add("  - %s", row(i))
		}
	}
	section("inputs", len(m.Inputs), func(i int) string { return inputText(m.Inputs[i], oldRow(old, "inputs", m.Inputs[i].ID)) })
	if len(m.Params) > 0 {
		var f flow
		for _, p := range m.Params {
			f.put(quoted(p.ID), numberText(p.Value))
		}
		add("params: %s", f.String())
	}
	section("compute", len(m.Compute), func(i int) string {
		s, f := m.Compute[i], flow{}
		f.put("id", quoted(s.ID))
		f.text("label", s.Label)
		f.text("unit", s.Unit)
		f.text("expr", s.Expr)
		f.text("note", s.Note)
		f.keepKeys(oldRow(old, "compute", s.ID), heldStep)
		return f.String()
	})
	section("outcomes", len(m.Outcomes), func(i int) string {
		o, f := m.Outcomes[i], flow{}
		f.put("id", quoted(o.ID))
		f.text("label", o.Label)
		f.text("when", o.When)
		f.text("meaning", o.Meaning)
		if o.Inconclusive {
			f.put("inconclusive", "true")
		}
		f.keepKeys(oldRow(old, "outcomes", o.ID), heldOutcome)
		return f.String()
	})
	section("examples", len(m.Examples), func(i int) string {
		e, f := m.Examples[i], flow{}
		if e.In == nil {
			e.In = map[string]any{}
		}
		f.put("in", valueText(e.In))
		f.put("out", quoted(e.Out))
		f.text("detail", e.Detail)
		if len(e.Values) > 0 {
			values := map[string]any{}
			for k, x := range e.Values {
				values[k] = x
			}
			f.put("values", valueText(values))
		}
		f.keepKeys(oldExample(old, e), heldExample)
		return f.String()
	})
	for _, line := range m.restOfEntry(old) {
		add("%s", line)
	}
	pad := strings.Repeat(" ", depth)
	return pad + strings.Join(lines, eol+pad) + eol
}

func inputText(in measure.Input, old *node) string {
	var f flow
	f.put("id", quoted(in.ID))
	f.text("label", in.Label)
	f.text("unit", in.Unit)
	f.text("element", in.Element)
	if len(in.Choice) > 0 {
		list := make([]any, len(in.Choice))
		for i, c := range in.Choice {
			list[i] = c
		}
		f.put("choice", valueText(list))
	}
	f.text("note", in.Note)
	if in.Nullable {
		f.put("nullable", "true")
	}
	f.keepKeys(old, heldInput)
	return f.String()
}

// rowText is what one cause makes of the measurement.
func (m *OwnMeasurement) rowText(cause string) string {
	var f flow
	for _, l := range m.Links {
		if l.Cause == cause {
			f.put(quoted(l.Outcome), numberText(l.P))
		}
	}
	return m.ID + ": " + f.String()
}
