package store_test

import (
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store/storetest"
)

func (b *bench) addInstrument(name string) shop.Instrument {
	b.t.Helper()
	i := shop.Instrument{ID: newID(), Name: name, Kind: "multimeter", Serial: "S-1", Note: "n", CreatedAt: t0, Version: 1,
		CalibrationDue: ptr(time.Date(2026, 1, 3, 0, 0, 0, 0, time.UTC)),
		Ranges: []shop.InstrumentRange{{Unit: "V", High: 60, Resolution: 0.01, PlusMinusPct: 0.5, Counts: 2},
			{Unit: "V", High: 6, Resolution: 0.001, PlusMinusPct: 0.5, Counts: 2}, {Unit: "Cel", Low: -20, High: 400, Resolution: 0.1, PlusMinusPct: 1}}}
	b.ok(b.store.AddInstrument(b.ctx, b.shop.ID, i, b.audit("instrument.create", i.ID)))
	return i
}

func TestInstruments(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s, id := b.store, b.shop.ID
	want := b.addInstrument("Meter 2")
	got, err := s.Instrument(b.ctx, id, want.ID)
	b.ok(err)
	same(t, got, want)

	dup := want
	dup.ID, dup.Name = newID(), " METER 2"
	refused(t, s.AddInstrument(b.ctx, id, dup, b.audit("instrument.create", dup.ID)), problem.Conflict, "name")
	if l, err := s.Instruments(b.ctx, id); err != nil || len(l) != 1 {
		t.Errorf("after a refused one the list is %+v, %v", l, err)
	}

	edit := want
	edit.Name, edit.CalibrationDue, edit.Ranges, edit.RetiredAt = "Meter 2b", nil, want.Ranges[1:], ptr(days(1))
	got, err = s.UpdateInstrument(b.ctx, id, edit, b.audit("instrument.edit", edit.ID))
	b.ok(err)
	edit.Version = 2
	same(t, got, edit)
	got, err = s.Instrument(b.ctx, id, want.ID)
	b.ok(err)
	same(t, got, edit)
	_, err = s.UpdateInstrument(b.ctx, id, want, b.audit("instrument.edit", want.ID))
	refused(t, err, problem.Stale, "")

	bare := shop.Instrument{ID: newID(), Name: "Zeta clamp", CreatedAt: t0, Version: 1, Ranges: []shop.InstrumentRange{}}
	b.ok(s.AddInstrument(b.ctx, id, bare, b.audit("instrument.create", bare.ID)))
	l, err := s.Instruments(b.ctx, id)
	b.ok(err)
	same(t, l, []shop.Instrument{bare, edit}) // The retired one comes last.
	_, err = s.Instrument(b.ctx, id, newID())
	refused(t, err, problem.NotFound, "")
	_, err = s.UpdateInstrument(b.ctx, id, shop.Instrument{ID: newID(), Name: "x", Version: 1}, b.audit("instrument.edit", id))
	refused(t, err, problem.NotFound, "")
}

// What a reading was taken with comes back with the job, from the record of the
// reading itself: an edit of the instrument changes nothing of it.
func TestJobFileKeepsTheInstrument(t *testing.T) {
	t.Parallel()
	b := setup(t)
	i := b.addInstrument("Meter 1")
	job := b.openJob(b.board.ID, t0, nil)
	use := &shop.InstrumentUse{ID: i.ID, Name: i.Name, CalibrationDue: "2026-01-03", Overdue: true, Ranges: i.Ranges[:1]}
	b.change(&job, t0, func(c *shop.JobChange) {
		c.Add = []shop.Observation{{ID: newID(), Kind: shop.ObservedMeasurement, Measurement: "pack_voltage", InstrumentID: &i.ID,
			Result: &shop.Result{Outcome: "normal", Instrument: use}}}
		c.Verify = &shop.Verification{ID: newID(), Measurement: "pack_voltage", InstrumentID: &i.ID, Result: shop.Result{Outcome: "normal", Instrument: use}, Passed: true}
	})
	i.Name, i.Ranges = "Other", nil
	_, err := b.store.UpdateInstrument(b.ctx, b.shop.ID, i, b.audit("instrument.edit", i.ID))
	b.ok(err)
	f, err := b.store.JobFile(b.ctx, b.shop.ID, job.ID)
	b.ok(err)
	same(t, f.Observations[0].Result.Instrument, use)
	same(t, f.Observations[0].InstrumentID, &i.ID)
	same(t, f.Verifications[0].Result.Instrument, use)
	same(t, f.Verifications[0].InstrumentID, &i.ID)
}

func TestInstrumentsStayInTheShop(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	a, b := newBench(t, s, "alpha"), newBench(t, s, "beta")
	meter := a.addInstrument("Meter 1")
	own := b.addInstrument("Meter 1") // The same name is free in another shop.
	_, err := s.Instrument(b.ctx, b.shop.ID, meter.ID)
	refused(t, err, problem.NotFound, "")
	_, err = s.UpdateInstrument(b.ctx, b.shop.ID, meter, b.audit("instrument.edit", meter.ID))
	refused(t, err, problem.NotFound, "")
	l, err := s.Instruments(b.ctx, b.shop.ID)
	b.ok(err)
	same(t, l, []shop.Instrument{own})
	job := b.openJob(b.board.ID, t0, nil)
	err = b.tryChange(&job, t0, func(c *shop.JobChange) {
		c.Add = []shop.Observation{{ID: newID(), Kind: shop.ObservedMeasurement, Measurement: "pack_voltage", InstrumentID: &meter.ID, Result: &shop.Result{Outcome: "normal"}}}
	})
	refused(t, err, problem.Invalid, "instrument")
	err = b.tryChange(&job, t0, func(c *shop.JobChange) {
		c.Verify = &shop.Verification{ID: newID(), Measurement: "pack_voltage", InstrumentID: &meter.ID, Result: shop.Result{Outcome: "normal"}}
	})
	refused(t, err, problem.Invalid, "instrument")
}
