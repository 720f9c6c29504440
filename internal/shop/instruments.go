package shop

import (
	"context"
	"fmt"
	"math"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/units"
)

// Bounds of an instrument's record.
const (
	maxRanges     = 64
	maxRangeLimit = 1e12
	maxCounts     = 10_000
)

// Instrument is a measuring instrument of the shop.
type Instrument struct {
	ID           ID
	Name         string
	Kind, Serial string
	Ranges       []InstrumentRange
	// CalibrationDue is the last day on which the calibration holds, at midnight
	// UTC; nil where the shop keeps none.
	CalibrationDue *time.Time
	RetiredAt      *time.Time
	Note           string
	CreatedAt      time.Time
	Version        int
}

// InstrumentRange is the stated limit of error within a range: ±(PlusMinusPct %
// of the reading + Counts last digits). Low, High and Resolution are in Unit, a
// UCUM code. Without Counts the error is half of the last digit.
type InstrumentRange struct {
	Unit         string  `json:"unit"`
	Low          float64 `json:"from"`
	High         float64 `json:"to"`
	Resolution   float64 `json:"resolution"`
	PlusMinusPct float64 `json:"plus_minus_pct"`
	Counts       int     `json:"counts"`
}

// Overdue reports whether the calibration no longer held on the day of t (UTC).
func (i *Instrument) Overdue(t time.Time) bool {
	return i.CalibrationDue != nil && dayOf(t).After(dayOf(*i.CalibrationDue))
}

func dayOf(t time.Time) time.Time { return t.UTC().Truncate(24 * time.Hour) }

// AddInstrument adds a measuring instrument.
func (s *Service) AddInstrument(ctx context.Context, a Actor, in InstrumentInput) (Instrument, error) {
	if err := a.may(mayInstruments); err != nil {
		return Instrument{}, err
	}
	i := Instrument{ID: newID(), Name: in.Name, Kind: in.Kind, Serial: in.Serial, Ranges: in.Ranges, CalibrationDue: in.CalibrationDue,
		Note: in.Note, CreatedAt: s.time(), Version: 1}
	var c checker
	c.instrument(&i)
	if err := c.err(); err != nil {
		return Instrument{}, err
	}
	if err := s.store.AddInstrument(ctx, a.ShopID, i, s.audit(a, "instrument.create", "instrument", i.ID, map[string]any{"name": i.Name})); err != nil {
		return Instrument{}, err
	}
	return s.store.Instrument(ctx, a.ShopID, i.ID)
}

func (c *checker) instrument(i *Instrument) {
	i.Name = c.line("name", i.Name, 1, maxName)
	i.Kind = c.line("kind", i.Kind, 0, maxShort)
	i.Serial = c.line("serial", i.Serial, 0, maxSerial)
	i.Note = c.note("note", i.Note, maxLong)
	if d := i.CalibrationDue; d != nil {
		if d.Year() < 1970 || d.Year() > 2200 {
			c.failf("calibration_due", "must be a date such as 2027-01-31")
		}
		day := dayOf(*d)
		i.CalibrationDue = &day
	}
	if len(i.Ranges) > maxRanges {
		c.failf("ranges", "must be at most %d, are %d", maxRanges, len(i.Ranges))
		return
	}
	ranges := make([]InstrumentRange, len(i.Ranges))
	for k, r := range i.Ranges {
		ranges[k] = c.instrumentRange(fmt.Sprintf("ranges[%d].", k), r)
	}
	i.Ranges = ranges
}

func (c *checker) instrumentRange(at string, r InstrumentRange) InstrumentRange {
	u, err := units.ParseUnit(r.Unit)
	switch {
	case r.Unit == "" || err != nil:
		c.failf(at+"unit", "must be a unit such as V, mV, Ohm, kOhm, A or Cel, is %.20q", r.Unit)
	case u == units.Unit{}:
		c.failf(at+"unit", "must be the unit of what is measured, such as V, Ohm, A or Cel")
	default:
		r.Unit = u.Code()
	}
	within := func(x float64) bool { return math.Abs(x) <= maxRangeLimit }
	ordered := within(r.Low) && within(r.High) && r.Low < r.High
	if !within(r.Low) {
		c.failf(at+"from", "must be a number")
	}
	switch {
	case !within(r.High):
		c.failf(at+"to", "must be a number")
	case !(r.Low < r.High):
		c.failf(at+"to", "must be above where the range begins")
	}
	if !(r.Resolution > 0) || ordered && r.Resolution > r.High-r.Low {
		c.failf(at+"resolution", "must be the value of one last digit: above 0 and no more than the range")
	}
	if !(r.PlusMinusPct >= 0 && r.PlusMinusPct <= 100) {
		c.failf(at+"plus_minus_pct", "must be from 0 to 100 %% of the reading")
	}
	c.integer(at+"counts", r.Counts, 0, maxCounts)
	return r
}

// EditInstrument changes the fields that are set in the patch. Readings taken
// before keep the accuracy they were judged with.
func (s *Service) EditInstrument(ctx context.Context, a Actor, id ID, patch InstrumentPatch) (Instrument, error) {
	if err := a.may(mayInstruments); err != nil {
		return Instrument{}, err
	}
	return again(patch.Version, func() (Instrument, error) {
		i, err := s.store.Instrument(ctx, a.ShopID, id)
		if err != nil {
			return Instrument{}, err
		}
		if patch.Version != 0 && i.Version != patch.Version {
			return Instrument{}, stale("instrument")
		}
		set(&i.Name, patch.Name)
		set(&i.Kind, patch.Kind)
		set(&i.Serial, patch.Serial)
		set(&i.Ranges, patch.Ranges)
		set(&i.CalibrationDue, patch.CalibrationDue)
		set(&i.Note, patch.Note)
		action := "instrument.edit"
		if patch.Retired.Set && patch.Retired.Value != (i.RetiredAt != nil) {
			action, i.RetiredAt = "instrument.restore", nil
			if patch.Retired.Value {
				now := s.time()
				action, i.RetiredAt = "instrument.retire", &now
			}
		}
		var c checker
		c.instrument(&i)
		if err := c.err(); err != nil {
			return Instrument{}, err
		}
		return s.store.UpdateInstrument(ctx, a.ShopID, i, s.audit(a, action, "instrument", i.ID, map[string]any{"name": i.Name}))
	})
}

// RetireInstrument takes an instrument out of use; its readings keep its name.
func (s *Service) RetireInstrument(ctx context.Context, a Actor, id ID) (Instrument, error) {
	return s.EditInstrument(ctx, a, id, InstrumentPatch{Retired: Change[bool]{Set: true, Value: true}})
}

// Instruments lists the shop's instruments by name, retired ones last.
func (s *Service) Instruments(ctx context.Context, a Actor) ([]Instrument, error) {
	if err := a.may(mayRead); err != nil {
		return nil, err
	}
	return s.store.Instruments(ctx, a.ShopID)
}

// Instrument returns an instrument.
func (s *Service) Instrument(ctx context.Context, a Actor, id ID) (Instrument, error) {
	if err := a.may(mayRead); err != nil {
		return Instrument{}, err
	}
	return s.store.Instrument(ctx, a.ShopID, id)
}

// usable reads the instrument that a reading names; nil when it names none.
func (s *Service) usable(ctx context.Context, a Actor, id *ID) (*Instrument, error) {
	if id == nil {
		return nil, nil
	}
	i, err := s.store.Instrument(ctx, a.ShopID, *id)
	switch {
	case problem.Is(err, problem.NotFound):
		return nil, problem.InField("instrument", "there is no such instrument in this shop")
	case err != nil:
		return nil, err
	case i.RetiredAt != nil:
		return nil, problem.InField("instrument", "%s is retired; choose the one you measured with", i.Name)
	}
	return &i, nil
}
