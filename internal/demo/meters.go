package demo

import (
	"context"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// instruments adds the invented instruments of the demo bench. The second one's
// calibration ran out in the middle of the history, so that older readings with
// it are in order and newer ones carry the warning.
func (f *filler) instruments(ctx context.Context) error {
	volts := []shop.InstrumentRange{
		{Unit: "mV", High: 600, Resolution: 0.1, PlusMinusPct: 0.5, Counts: 3},
		{Unit: "V", High: 6, Resolution: 0.001, PlusMinusPct: 0.5, Counts: 2},
		{Unit: "V", High: 60, Resolution: 0.01, PlusMinusPct: 0.5, Counts: 2},
		{Unit: "V", High: 600, Resolution: 0.1, PlusMinusPct: 0.5, Counts: 2},
	}
	ohms := []shop.InstrumentRange{
		{Unit: "Ohm", High: 600, Resolution: 0.1, PlusMinusPct: 0.9, Counts: 3},
		{Unit: "kOhm", High: 60, Resolution: 0.01, PlusMinusPct: 0.9, Counts: 2},
		{Unit: "MOhm", High: 60, Resolution: 0.01, PlusMinusPct: 1.5, Counts: 3},
	}
	day := func(months int) *time.Time { t := f.until.AddDate(0, months, 0); return &t }
	for _, in := range []shop.InstrumentInput{
		{Name: "Meter 1 (bench)", Kind: "multimeter", Serial: "INV-0101", CalibrationDue: day(7), Note: "Leads zeroed every morning.",
			Ranges: append(append(append([]shop.InstrumentRange{}, volts...), ohms...),
				shop.InstrumentRange{Unit: "A", High: 10, Resolution: 0.01, PlusMinusPct: 1.2, Counts: 5},
				shop.InstrumentRange{Unit: "Cel", Low: -20, High: 400, Resolution: 1, PlusMinusPct: 1, Counts: 2})},
		{Name: "Meter 2 (counter)", Kind: "multimeter", Serial: "INV-0102", CalibrationDue: day(-9), Ranges: append(append([]shop.InstrumentRange{}, volts...), ohms...)},
		{Name: "Four-wire meter", Kind: "milliohm meter, 1 A", Serial: "INV-0201", CalibrationDue: day(3),
			Ranges: []shop.InstrumentRange{{Unit: "mOhm", High: 200, Resolution: 0.01, PlusMinusPct: 0.2, Counts: 4}, {Unit: "mOhm", High: 2000, Resolution: 0.1, PlusMinusPct: 0.2, Counts: 4}}},
	} {
		i, err := f.svc.AddInstrument(ctx, f.owner, in)
		if err != nil {
			return err
		}
		f.meters = append(f.meters, i)
	}
	return nil
}

// meterFor is what a measurement is taken with: the four-wire meter for small
// resistances, one of the two multimeters for voltages. Which of them, follows
// from the job's number; nil where the readings are of another kind.
func (w *work) meterFor(m *faultlib.Measurement) *shop.ID {
	if m.Kind == measure.Inspection {
		return nil
	}
	for _, in := range m.Inputs {
		switch {
		case in.Unit == "mohm" || in.Element == "mohm":
			return &w.meters[2].ID
		case in.Unit == "V" || in.Unit == "mV" || in.Element == "V" || in.Element == "mV":
			return &w.meters[w.number%2].ID
		}
	}
	return nil
}
