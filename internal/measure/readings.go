package measure

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/problem"
	"nextprobe/internal/units"
)

// maxValue bounds every number that is accepted, in the unit of its input.
const maxValue = 1e12

// Accuracy is an instrument's stated limit of error: ±(PlusMinusPct % of the
// reading + Counts digits of Resolution). Resolution is in the input's unit;
// where it is 0 and the reading came as text, the last digit typed is taken.
// A Resolution without Counts means half a digit either way. The error is taken
// as rectangular within the limit (JCGM 100:2008, 4.3.7).
type Accuracy struct {
	PlusMinusPct, Counts, Resolution float64

	stated bool // by the reading itself
}

func (a Accuracy) zero() bool { return a.PlusMinusPct == 0 && a.Counts == 0 && a.Resolution == 0 }

// halfWidth returns the half width of the interval, in the input's unit.
func (a Accuracy) halfWidth(value, lastDigit float64) float64 {
	w := math.Abs(value) * a.PlusMinusPct / 100
	digit := a.Resolution
	if digit == 0 {
		digit = lastDigit
	}
	if a.Counts > 0 {
		return w + a.Counts*digit
	}
	return w + a.Resolution/2
}

// ParseOptions is what Parse needs beside the raw readings.
type ParseOptions struct {
	// Params override the definition's parameters (a board type's own limits).
	Params map[string]float64
	// Facts of the board fill inputs not given, or given as null: an input of the same id,
	// and series_cells and parallel_cells for series, parallel and n.
	Facts map[string]any
	// Accuracy per input id, used where a reading states none of its own.
	Accuracy map[string]Accuracy
	// HalfWidth, when set, is asked for every measured number that has no accuracy
	// from elsewhere: half of the interval in which the true value lies, in unit,
	// which is the input's; 0 where it is not known. field is the input's id, with
	// an index in a list. An instrument's limits differ from range to range, so that
	// the value must be known before its accuracy is. It is not asked for counts, for
	// plain numbers, for over-range readings and for what a board's record states.
	HalfWidth func(field string, unit units.Unit, value float64) float64
	// Prefix of field names in errors; "readings" when empty.
	Prefix string
}

// Warning is an accepted reading that looks odd.
type Warning struct {
	Field, Message string
}

// Readings are checked raw values, ready for Evaluate.
type Readings struct {
	values map[string]any       // float64, bool, string, []float64, []string, map[string][]string or nil
	width  map[string][]float64 // half widths of the instrument's error
	spread map[string][]float64 // half widths of what was typed as a range
	params map[string]float64
	filled []string
	prefix string
}

// Value returns the value read for an input: float64 in the input's unit, bool,
// string, []float64, []string, map[string][]string, or nil where it is unknown.
func (r Readings) Value(id string) any { return r.values[id] }

// Filled names the inputs that came from the board's facts, in input order.
func (r Readings) Filled() []string { return slices.Clone(r.filled) }

// HasAccuracy reports whether any reading carries an accuracy, or is a range.
func (r Readings) HasAccuracy() bool { return len(r.width)+len(r.spread) > 0 }

type reader struct {
	m        *Measurement
	opt      ParseOptions
	out      Readings
	fields   []problem.Field
	warnings []Warning
}

// Parse checks raw readings, decoded from JSON, against the inputs. Every mistake
// is collected; the error is a problem.Invalid whose fields are named
// `readings.r_ab` or `readings.taps[3]`. A range (`3.2-3.4 V`) is its
// middle with a rectangular distribution over it. Over-range readings become OpenOhms on
// resistance inputs and OverDiode on diode-range inputs.
func (m *Measurement) Parse(raw map[string]any, opt ParseOptions) (Readings, []Warning, error) {
	if opt.Prefix == "" {
		opt.Prefix = "readings"
	}
	rd := &reader{m: m, opt: opt, out: Readings{values: map[string]any{}, width: map[string][]float64{}, spread: map[string][]float64{}, prefix: opt.Prefix}}
	for _, id := range sortedNames(raw) {
		if m.byID[id] == nil {
			rd.fail(id, "this is no input of %s; its inputs are %s", m.def.ID, m.inputNames())
		}
	}
	for i := range m.inputs {
		rd.input(&m.inputs[i], raw)
	}
	rd.sameLengths()
	rd.params()
	if err := problem.InFields(rd.fields); err != nil {
		return Readings{}, rd.warnings, err
	}
	return rd.out, rd.warnings, nil
}

func (m *Measurement) inputNames() string {
	if len(m.inputs) == 0 {
		return "none (it is judged by eye: give the outcome)"
	}
	ids := make([]string, len(m.inputs))
	for i, in := range m.inputs {
		ids[i] = in.ID
	}
	return strings.Join(ids, ", ")
}

func (rd *reader) fail(id, format string, args ...any) {
	rd.fields = append(rd.fields, problem.Field{Field: rd.opt.Prefix + "." + id, Message: fmt.Sprintf(format, args...)})
}

func (rd *reader) warn(id, text string) {
	if text != "" {
		rd.warnings = append(rd.warnings, Warning{Field: rd.opt.Prefix + "." + id, Message: text})
	}
}

// factAliases maps an input to the board fact that states the same thing.
var factAliases = map[string]string{"series": "series_cells", "n": "series_cells", "parallel": "parallel_cells"}

func (rd *reader) input(in *input, raw map[string]any) {
	v, given := raw[in.ID]
	fact, ok := rd.opt.Facts[in.ID]
	if !ok {
		fact, ok = rd.opt.Facts[factAliases[in.ID]]
	}
	ok = ok && fact != nil && fact != ""
	switch {
	case ok && v == nil: // not given, or not known at the bench: the record knows
		v, given = fact, true
		rd.out.filled = append(rd.out.filled, in.ID)
	case ok && in.contradicts(fact, v):
		rd.warn(in.ID, fmt.Sprintf("the board's record says %s: correct the one that is wrong", strings.ReplaceAll(fmt.Sprint(fact), "_", " ")))
	}
	if v == nil {
		switch {
		case in.Nullable:
			rd.out.values[in.ID] = nil
			if in.ID == "chemistry" {
				rd.warn(in.ID, "not on record: the limits of layered oxide were used; an iron-phosphate group is full at 3.65 V")
			}
		case given:
			rd.fail(in.ID, "null (not known) will not do here; %s is needed", in.expects())
		default:
			rd.fail(in.ID, "is missing; %s is needed", in.expects())
		}
		return
	}
	switch in.kind {
	case kindText:
		rd.choice(in, v)
	case kindBool:
		rd.yesNo(in, v)
	case kindList:
		rd.list(in, v)
	case kindTextList:
		if l, ok := rd.names(in.ID, v); ok {
			rd.out.values[in.ID] = l
		}
	case kindMap:
		rd.pins(in, v)
	default:
		if x, ok := rd.quantity(in, in.ID, v, rd.opt.Accuracy[in.ID]); ok {
			rd.out.values[in.ID] = x.value
			if x.accuracy > 0 {
				rd.out.width[in.ID] = []float64{x.accuracy}
			}
			if x.spread > 0 {
				rd.out.spread[in.ID] = []float64{x.spread}
			}
		}
	}
}

// contradicts reports that a choice or a count was typed that is not the record's.
func (in *input) contradicts(fact, typed any) bool {
	if in.kind == kindText {
		return !strings.EqualFold(strings.TrimSpace(fmt.Sprint(typed)), fmt.Sprint(fact))
	}
	x, record := number(typed), number(fact)
	return in.integer && !math.IsNaN(x) && !math.IsNaN(record) && x != record
}

func (rd *reader) choice(in *input, v any) {
	s, ok := v.(string)
	s = strings.ToLower(strings.TrimSpace(s))
	if !ok || !slices.Contains(in.Choice, s) {
		rd.fail(in.ID, "must be %s", in.expects())
		return
	}
	rd.out.values[in.ID] = s
}

func (rd *reader) yesNo(in *input, v any) {
	var word string
	switch x := v.(type) {
	case bool:
		rd.out.values[in.ID] = x
		return
	case string:
		word = strings.ToLower(strings.TrimSpace(x))
	case float64, int, json.Number:
		word = fmt.Sprint(x)
	}
	switch word {
	case "true", "yes", "1":
		rd.out.values[in.ID] = true
	case "false", "no", "0":
		rd.out.values[in.ID] = false
	default:
		rd.fail(in.ID, "must be yes or no")
	}
}

var accuracyKeys = []string{"plus_minus_pct", "counts", "resolution"}

// splitAccuracy takes the accuracy keys off an object; rest is what remains.
func (rd *reader) splitAccuracy(field string, v any, unit units.Unit, fallback Accuracy) (rest any, a Accuracy, ok bool) {
	m, isMap := v.(map[string]any)
	if !isMap {
		return v, fallback, true
	}
	left := make(map[string]any, len(m))
	for k, x := range m {
		left[k] = x
	}
	var got [3]float64
	stated := false
	for i, k := range accuracyKeys {
		x, has := m[k]
		if !has {
			continue
		}
		delete(left, k)
		want := unit
		if k != "resolution" {
			want = units.Unit{}
		}
		q, err := units.ParseJSON(x, want)
		if err != nil || q.Over || q.HalfWidth > 0 || q.Value < 0 || q.Value > 1e6 {
			rd.fail(field, "%s must be a number of zero or more", k)
			return nil, a, false
		}
		got[i], stated = q.Value, true
	}
	if !stated {
		return left, fallback, true
	}
	return left, Accuracy{PlusMinusPct: got[0], Counts: got[1], Resolution: got[2], stated: true}, true
}

// quantity reads one number with its accuracy, or a range.
func (rd *reader) quantity(in *input, field string, v any, fallback Accuracy) (figure, bool) {
	v, acc, ok := rd.splitAccuracy(field, v, in.unit, fallback)
	if !ok {
		return figure{}, false
	}
	q, err := units.ParseJSON(v, in.unit)
	if err != nil {
		rd.fail(field, "%v", err)
		return figure{}, false
	}
	if q.Over {
		if in.over == 0 {
			rd.fail(field, "over range is no value here: choose a wider range and read again; %s is needed", in.expects())
			return figure{}, false
		}
		return figure{value: in.over}, true
	}
	rd.warn(field, q.Warning)
	for _, msg := range []string{in.interval(q), in.refuse(q.Value)} {
		if msg != "" {
			rd.fail(field, "%s", msg)
			return figure{}, false
		}
	}
	out := figure{value: q.Value, spread: q.HalfWidth}
	switch {
	case in.integer || (in.over > 0 && q.Value >= in.over):
	case acc.zero():
		out.accuracy = rd.instrument(in, field, q.Value, acc)
	case acc.Counts > 0 && acc.Resolution == 0 && q.Step == 0:
		rd.fail(field, "counts need a resolution, because a bare number does not show its last digit")
		return figure{}, false
	default:
		out.accuracy = acc.halfWidth(q.Value, q.Step)
	}
	return out, true
}

// instrument asks the caller's instrument for the half width of a reading.
func (rd *reader) instrument(in *input, field string, value float64, acc Accuracy) float64 {
	if rd.opt.HalfWidth == nil || acc.stated || in.unit == (units.Unit{}) || slices.Contains(rd.out.filled, in.ID) {
		return 0
	}
	return rd.opt.HalfWidth(field, in.unit, value)
}

// refuse says why a number cannot be this input's value, or "".
func (in *input) refuse(v float64) string {
	switch {
	case math.IsNaN(v) || math.Abs(v) > maxValue:
		return fmt.Sprintf("is beyond what can be measured; %s is needed", in.expects())
	case in.integer && v != math.Trunc(v):
		return fmt.Sprintf("must be a whole number, not %s", units.Number(v, 6))
	case in.limited && (v < in.low || v > in.hi):
		if v < in.low && in.low == 0 {
			if in.unit.IsResistance() {
				return "a resistance cannot be negative: zero the meter leads and read again"
			}
			return fmt.Sprintf("cannot be negative; %s is needed", in.expects())
		}
		return fmt.Sprintf("must be from %s to %s", units.Number(in.low, 6), units.Number(in.hi, 6))
	case in.unit.IsTemperature() && in.unit.Code() == "Cel" && v < -273.15:
		return "is below absolute zero"
	}
	return ""
}

func (rd *reader) params() {
	p := make(map[string]float64, len(rd.m.def.Params))
	if rd.m.alg != nil {
		for k, v := range rd.m.alg.params {
			p[k] = v
		}
	}
	for k, v := range rd.m.def.Params {
		p[k] = v
	}
	for _, k := range sortedNames(rd.opt.Params) {
		v := rd.opt.Params[k]
		if _, ok := p[k]; !ok {
			rd.fields = append(rd.fields, problem.Field{Field: "params." + k, Message: fmt.Sprintf("%s has no parameter of that name; known are %s", rd.m.def.ID, strings.Join(sortedNames(p), ", "))})
			continue
		}
		if math.IsNaN(v) || math.Abs(v) > maxValue {
			rd.fields = append(rd.fields, problem.Field{Field: "params." + k, Message: "must be a finite number"})
			continue
		}
		p[k] = v
	}
	rd.out.params = p
}
