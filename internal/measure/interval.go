package measure

import (
	"fmt"
	"math"
	"strings"

	"github.com/expr-lang/expr/ast"

	"nextprobe/internal/units"
)

// A reading that was typed as a range (`3.2-3.4 V`: the display flickers) is taken at
// its middle and has a rectangular distribution over the range (JCGM 100:2008,
// 4.3.7). The instrument's own error comes on top of it and is independent of it, so
// that both together have the trapezoidal distribution of JCGM 101:2008, 6.4.4. The
// instrument is asked for its accuracy at the middle.

// figure is one quantity read: its value, the half width of the instrument's error,
// and that of the range that was typed.
type figure struct{ value, accuracy, spread float64 }

// interval refuses a range that cannot be this input's, or "".
func (in *input) interval(q units.Reading) string {
	low, high := q.Value-q.HalfWidth, q.Value+q.HalfWidth
	switch {
	case q.HalfWidth == 0:
		return ""
	case in.integer:
		return fmt.Sprintf("a range will not do here; %s is needed", in.expects())
	case in.over > 0 && high >= in.over:
		return fmt.Sprintf("is over range at its upper end: choose a wider range and read again; %s is needed", in.expects())
	}
	// The ends come back from middle and half width; the rounding of that is no fault.
	slack := 1e-12 * max(math.Abs(low), math.Abs(high))
	if msg := in.refuse(low + slack); msg != "" {
		return "at its lower end: " + msg
	}
	if msg := in.refuse(high - slack); msg != "" {
		return "at its upper end: " + msg
	}
	return ""
}

// trapezoid is the inverse distribution function of the sum of two rectangular errors
// of half widths a and b about zero (JCGM 101:2008, 6.4.4), for u from 0 to 1.
func trapezoid(u, a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	// The share of the sloping part on each side; between them the density is 1/(2a).
	slope := b / (2 * a)
	switch {
	case u < slope:
		return -(a + b) + math.Sqrt(8*u*a*b)
	case u > 1-slope:
		return a + b - math.Sqrt(8*(1-u)*a*b)
	}
	return 2 * a * (u - 0.5)
}

// spoken prints the range that an input was typed as, "" for anything else.
func (ru *run) spoken(p *program) string {
	id, ok := p.node.(*ast.IdentifierNode)
	if !ok || len(ru.r.spread[id.Value]) != 1 || ru.m.byID[id.Value].kind != kindNumber {
		return ""
	}
	x, half := ru.r.values[id.Value].(float64), ru.r.spread[id.Value][0]
	return units.FormatRange(x-half, x+half, ru.m.byID[id.Value].unit)
}

// ranges prints what was typed as a range and does not stand in the sentence yet, so
// that nothing typed is lost; three at most.
func (m *Measurement) ranges(r Readings, text string) string {
	var out []string
	more := 0
	for i := range m.inputs {
		in := &m.inputs[i]
		for k, half := range r.spread[in.ID] {
			if half == 0 {
				continue
			}
			label, x := lowerFirst(m.Label(in.ID)), 0.0
			switch v := r.values[in.ID].(type) {
			case float64:
				x = v
			case []float64:
				x, label = v[k], fmt.Sprintf("%s, value %d,", label, k+1)
			}
			said := units.FormatRange(x-half, x+half, in.unit)
			switch {
			case strings.Contains(text, said):
			case len(out) == 3:
				more++
			default:
				out = append(out, label+" "+said)
			}
		}
	}
	if more > 0 {
		out = append(out, fmt.Sprintf("and %d more", more))
	}
	if len(out) == 0 {
		return ""
	}
	return "read as a range: " + strings.Join(out, ", ")
}
