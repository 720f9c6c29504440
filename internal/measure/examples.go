package measure

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// CheckExamples runs the definition's own worked examples and reports each that
// comes out differently: another outcome, another detail (where the example
// states one), or a value that differs by more than half a unit of the last digit
// printed and by more than one part in a thousand.
func (m *Measurement) CheckExamples() []Issue {
	var out []Issue
	for i, ex := range m.def.Examples {
		for _, msg := range m.checkExample(ex) {
			out = append(out, Issue{Path: fmt.Sprintf("examples[%d]", i), Message: msg})
		}
	}
	return out
}

func (m *Measurement) checkExample(ex Example) []string {
	if m.def.Kind == Inspection {
		return []string{"an inspection has no readings to work an example with"}
	}
	r, _, err := m.Parse(ex.In, ParseOptions{Prefix: "in"})
	if err != nil {
		return []string{err.Error()}
	}
	res, err := m.Evaluate(r)
	if err != nil {
		return []string{err.Error()}
	}
	var out []string
	if res.Outcome != ex.Out {
		out = append(out, fmt.Sprintf("comes out as %s, not %s (%s)", res.Outcome, ex.Out, res.Text))
	}
	if ex.Detail != "" && res.Detail != ex.Detail {
		out = append(out, fmt.Sprintf("has the detail %q, not %q", res.Detail, ex.Detail))
	}
	for _, id := range sortedNames(ex.Values) {
		if msg := checkValue(res.Values, id, ex.Values[id]); msg != "" {
			out = append(out, msg)
		}
	}
	return out
}

func checkValue(values []NamedValue, id string, want float64) string {
	for _, v := range values {
		if v.ID != id {
			continue
		}
		got, ok := v.Value.(float64)
		if !ok {
			return fmt.Sprintf("%s has no number", id)
		}
		if math.Abs(got-want) > max(halfDigit(want), 1e-3*math.Abs(want)) {
			return fmt.Sprintf("%s comes out as %s, not %s", id, strconv.FormatFloat(got, 'g', 6, 64), strconv.FormatFloat(want, 'g', -1, 64))
		}
		return ""
	}
	return fmt.Sprintf("%s is not among the computed values", id)
}

// halfDigit returns half a unit of the last digit a number is printed with; a
// number printed without decimals is taken as exact.
func halfDigit(x float64) float64 {
	_, frac, ok := strings.Cut(strconv.FormatFloat(x, 'f', -1, 64), ".")
	if !ok {
		return 1e-9
	}
	return 0.5 * math.Pow10(-len(frac))
}
