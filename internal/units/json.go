package units

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// ParseJSON reads a quantity from decoded JSON: a string as Parse takes it, a
// number in the wanted unit, or an object {"value": …, "unit": …} whose value
// is either. Anything else is an error.
func ParseJSON(v any, want Unit) (Reading, error) {
	switch x := v.(type) {
	case string:
		return Parse(x, want)
	case float64:
		return fromFloat(x, want)
	case int:
		return fromFloat(float64(x), want)
	case int64:
		return fromFloat(float64(x), want)
	case json.Number:
		return Parse(x.String(), want)
	case map[string]any:
		return fromObject(x, want)
	case nil:
		return Reading{}, fmt.Errorf("nothing was given; %s was expected", want.expectation())
	case bool:
		return Reading{}, fmt.Errorf("%v is no quantity; %s was expected", x, want.expectation())
	}
	return Reading{}, fmt.Errorf("this is no quantity; %s was expected, as a number, a text or {\"value\", \"unit\"}", want.expectation())
}

func fromFloat(v float64, want Unit) (Reading, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Reading{}, fmt.Errorf("the number is not finite; %s was expected", want.expectation())
	}
	return Reading{Value: v, Text: strconv.FormatFloat(v, 'g', -1, 64)}, nil
}

func fromObject(m map[string]any, want Unit) (Reading, error) {
	for _, k := range sortedKeys(m) {
		if k != "value" && k != "unit" {
			return Reading{}, fmt.Errorf("unknown key %q; a quantity has \"value\" and \"unit\"", k)
		}
	}
	value, ok := m["value"]
	if !ok {
		return Reading{}, fmt.Errorf("\"value\" is missing; %s was expected", want.expectation())
	}
	if _, nested := value.(map[string]any); nested {
		return Reading{}, fmt.Errorf("\"value\" must be a number or a text; %s was expected", want.expectation())
	}
	word, ok := m["unit"]
	if !ok || word == nil {
		return ParseJSON(value, want)
	}
	name, ok := word.(string)
	if !ok {
		return Reading{}, fmt.Errorf("\"unit\" must be a text; %s was expected", want.expectation())
	}
	u, err := parseFor(name, want)
	if err != nil {
		return Reading{}, fmt.Errorf("%w; %s was expected", err, want.expectation())
	}
	if !u.Compatible(want) {
		return Reading{}, mismatch(u, want)
	}
	if f, ok := value.(float64); ok {
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return Reading{}, fmt.Errorf("the number is not finite; %s was expected", want.expectation())
		}
		// The shortest decimal text of the number keeps the decimal shift exact.
		value = json.Number(strconv.FormatFloat(f, 'g', -1, 64))
	}
	r, err := ParseJSON(value, u)
	if err != nil || r.Over {
		return r, err
	}
	text := r.Text + " " + u.String()
	out, err := Parse(r.Text, u)
	if err != nil {
		return r, err
	}
	return rescale(out, text, u, want)
}

// rescale moves a reading in from to the unit want.
func rescale(r Reading, text string, from, want Unit) (Reading, error) {
	out, err := Parse(strconv.FormatFloat(r.Value, 'g', -1, 64)+" "+from.Code(), want)
	if err != nil {
		return r, err
	}
	out.Text = text
	out.Step = r.Step * from.scale() / want.scale()
	out.HalfWidth = r.HalfWidth * from.scale() / want.scale()
	if r.HalfWidth > 0 && out.Warning == "" {
		out.Warning = r.Warning
	}
	if out.Warning != "" {
		out.Warning = doubt(out, from, want, from.scale()/want.scale())
	}
	return out, nil
}

func sortedKeys(m map[string]any) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
