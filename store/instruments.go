package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const selectInstrument = `
select id, name, kind, serial, calibration_due, retired_at, note, created_at, version from instruments`

const selectRanges = `
select instrument_id, unit, low, high, resolution, plus_minus_pct, counts from instrument_ranges`

func scanInstrument(row pgx.CollectableRow) (i shop.Instrument, err error) {
	err = row.Scan(&i.ID, &i.Name, &i.Kind, &i.Serial, &i.CalibrationDue, &i.RetiredAt, &i.Note, &i.CreatedAt, &i.Version)
	i.Ranges = []shop.InstrumentRange{}
	return i, err
}

// rangeOf is a range with the instrument it belongs to.
type rangeOf struct {
	instrument shop.ID
	shop.InstrumentRange
}

func scanRange(row pgx.CollectableRow) (r rangeOf, err error) {
	err = row.Scan(&r.instrument, &r.Unit, &r.Low, &r.High, &r.Resolution, &r.PlusMinusPct, &r.Counts)
	return r, err
}

func queueRanges(b *pgx.Batch, shopID, instrument shop.ID, ranges []shop.InstrumentRange) {
	for k, r := range ranges {
		b.Queue(`
insert into instrument_ranges (shop_id, instrument_id, line, unit, low, high, resolution, plus_minus_pct, counts)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			shopID, instrument, k+1, r.Unit, r.Low, r.High, r.Resolution, r.PlusMinusPct, r.Counts)
	}
}

// AddInstrument adds an instrument with its ranges; Conflict when the name is taken.
func (s *Store) AddInstrument(ctx context.Context, shopID shop.ID, i shop.Instrument, audit shop.AuditEvent) error {
	id := newID(i.ID)
	return s.batch(ctx, func(b *pgx.Batch) {
		b.Queue(`
insert into instruments (shop_id, id, name, kind, serial, calibration_due, retired_at, note, created_at)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			shopID, id, i.Name, i.Kind, i.Serial, i.CalibrationDue, i.RetiredAt, i.Note, firstTime(i.CreatedAt, audit.At))
		queueRanges(b, shopID, id, i.Ranges)
		queueAudit(b, shopID, audit)
	})
}

// UpdateInstrument writes an instrument and replaces its ranges where the stored
// version is i.Version, else Stale, and returns it as stored.
func (s *Store) UpdateInstrument(ctx context.Context, shopID shop.ID, i shop.Instrument, audit shop.AuditEvent) (shop.Instrument, error) {
	var got shop.Instrument
	err := s.tx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
update instruments set name = $4, kind = $5, serial = $6, calibration_due = $7, retired_at = $8, note = $9, version = version + 1
where shop_id = $1 and id = $2 and version = $3`,
			shopID, i.ID, i.Version, i.Name, i.Kind, i.Serial, i.CalibrationDue, i.RetiredAt, i.Note)
		if err != nil {
			return err
		}
		got, err = one(ctx, tx, "instrument", scanInstrument, selectInstrument+` where shop_id = $1 and id = $2`, shopID, i.ID)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return stale("instrument")
		}
		got.Ranges = list(i.Ranges)
		b := &pgx.Batch{}
		b.Queue(`delete from instrument_ranges where shop_id = $1 and instrument_id = $2`, shopID, i.ID)
		queueRanges(b, shopID, i.ID, i.Ranges)
		queueAudit(b, shopID, audit)
		return tx.SendBatch(ctx, b).Close()
	})
	if err != nil {
		return shop.Instrument{}, err
	}
	return got, nil
}

// Instruments lists all instruments with their ranges, those in use by name and
// then the retired ones.
func (s *Store) Instruments(ctx context.Context, shopID shop.ID) ([]shop.Instrument, error) {
	var out []shop.Instrument
	var ranges []rangeOf
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(selectInstrument+` where shop_id = $1 order by retired_at is not null, lower(btrim(name)), id`, shopID).
			Query(into(&out, scanInstrument))
		b.Queue(selectRanges+` where shop_id = $1 order by instrument_id, line`, shopID).Query(into(&ranges, scanRange))
	})
	if err != nil {
		return nil, err
	}
	of := make(map[shop.ID][]shop.InstrumentRange, len(out))
	for _, r := range ranges {
		of[r.instrument] = append(of[r.instrument], r.InstrumentRange)
	}
	for i := range out {
		out[i].Ranges = list(of[out[i].ID])
	}
	return list(out), nil
}

// Instrument finds an instrument with its ranges.
func (s *Store) Instrument(ctx context.Context, shopID, id shop.ID) (shop.Instrument, error) {
	var out shop.Instrument
	var ranges []rangeOf
	err := s.snapshot(ctx, func(b *pgx.Batch) {
		b.Queue(selectInstrument+` where shop_id = $1 and id = $2`, shopID, id).Query(intoOne(&out, "instrument", scanInstrument))
		b.Queue(selectRanges+` where shop_id = $1 and instrument_id = $2 order by line`, shopID, id).Query(into(&ranges, scanRange))
	})
	if err != nil {
		return shop.Instrument{}, err
	}
	for _, r := range ranges {
		out.Ranges = append(out.Ranges, r.InstrumentRange)
	}
	return out, nil
}
