package shop

import (
	"fmt"
	"math"
	"slices"
	"time"

	"nextprobe/internal/units"
)

// InstrumentUse is the instrument of a reading as it stood when the reading was
// taken: a later edit of the instrument does not change what was concluded.
type InstrumentUse struct {
	ID             ID     `json:"id"`
	Name           string `json:"name"`
	CalibrationDue string `json:"calibration_due,omitempty"` // 2006-01-02
	Overdue        bool   `json:"overdue,omitempty"`
	// Ranges are those whose accuracy was used, in the order of the readings.
	Ranges []InstrumentRange `json:"ranges,omitempty"`
}

// usage follows which of an instrument's ranges the readings fall in.
type usage struct {
	of       *Instrument
	at       time.Time
	used     []InstrumentRange
	warnings []string
}

// usageOf begins the use of an instrument at a moment; nil of none.
func usageOf(i *Instrument, at time.Time) *usage {
	if i == nil {
		return nil
	}
	return &usage{of: i, at: at}
}

// halfWidth is the measure.ParseOptions.HalfWidth of the instrument. A reading
// that no range holds has no accuracy, which is said once.
func (u *usage) halfWidth(field string, unit units.Unit, value float64) float64 {
	r, w, known := u.of.rangeFor(unit, value)
	if r == nil {
		text := fmt.Sprintf("%s is outside the ranges of %s: it is taken as exact", units.Format(value, unit, 4), u.of.Name)
		if !known {
			text = fmt.Sprintf("%s has no range in %s: such readings are taken as exact", u.of.Name, unit.Symbol())
		}
		if !slices.Contains(u.warnings, text) {
			u.warnings = append(u.warnings, text)
		}
		return 0
	}
	if !slices.Contains(u.used, *r) {
		u.used = append(u.used, *r)
	}
	return w
}

// rangeFor finds the range a reading in unit was taken in: the narrowest that
// holds it, as a technician or an auto-ranging meter chooses, and of equal ones
// the finest. The sign of an electrical reading is its polarity and does not
// matter to a range that begins at zero or above; that of a temperature does.
// width is the half width of the error, in unit; known says whether any range
// is in such a unit at all.
func (i *Instrument) rangeFor(unit units.Unit, value float64) (r *InstrumentRange, width float64, known bool) {
	best := math.Inf(1)
	for k := range i.Ranges {
		c := &i.Ranges[k]
		cu, err := units.ParseUnit(c.Unit)
		if err != nil || !cu.Compatible(unit) {
			continue
		}
		known = true
		v, err := unit.Convert(value, cu)
		if err != nil {
			continue
		}
		if c.Low >= 0 && !unit.IsTemperature() {
			v = math.Abs(v)
		}
		one, err := scaleOf(cu, unit)
		// A limit that is itself a rounded number must hold the reading that stands on it.
		slack := 1e-9 * (c.High - c.Low)
		if err != nil || v < c.Low-slack || v > c.High+slack {
			continue
		}
		span := (c.High - c.Low) * one
		if r != nil && (span > best || span == best && c.Resolution >= r.Resolution) {
			continue
		}
		r, best, width = c, span, c.halfWidth(v)*one
	}
	return r, width, known
}

// halfWidth is half of the interval in which the true value lies, in the range's unit.
func (r *InstrumentRange) halfWidth(v float64) float64 {
	w := math.Abs(v) * r.PlusMinusPct / 100
	if r.Counts > 0 {
		return w + float64(r.Counts)*r.Resolution
	}
	return w + r.Resolution/2
}

// scaleOf is how many of `to` one step of `from` is; for temperatures the
// zero points fall away.
func scaleOf(from, to units.Unit) (float64, error) {
	zero, err := from.Convert(0, to)
	if err != nil {
		return 0, err
	}
	one, err := from.Convert(1, to)
	return one - zero, err
}

// record is what the result keeps of the use, with the warnings to go beside it.
func (u *usage) record() (*InstrumentUse, []string) {
	if u == nil {
		return nil, nil
	}
	out := &InstrumentUse{ID: u.of.ID, Name: u.of.Name, Overdue: u.of.Overdue(u.at), Ranges: u.used}
	warnings := u.warnings
	if d := u.of.CalibrationDue; d != nil {
		out.CalibrationDue = d.UTC().Format(time.DateOnly)
		if out.Overdue {
			warnings = append([]string{fmt.Sprintf("%s: calibration was due %s", u.of.Name, d.UTC().Format("2 Jan 2006"))}, warnings...)
		}
	}
	return out, warnings
}
