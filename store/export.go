package store

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

// exportResult are the parts of a result that stand in columns of their own.
const exportResult = `coalesce(x.result->>'outcome', '') as outcome, coalesce(x.result->>'detail', '') as detail,
  coalesce(x.result->>'readings', '') as readings, coalesce(x.result->>'values', '') as values, coalesce(x.result->>'text', '') as text,
  coalesce(x.result->>'instrument', '') as instrument`

// exportSQL selects the columns of shop.ExportTables under their names, of x.shop_id = $1.
var exportSQL = map[string]string{
	"owners": `select x.id::text as reference, x.name, x.contact, x.created_at from customers x where x.shop_id = $1 order by x.id`,
	"boards": `
select x.id::text as reference, x.serial, x.make, x.model, x.series_cells, x.parallel_cells, x.chemistry, x.controller, x.firmware,
       x.odometer_km, x.odometer_at, x.facts::text as facts, x.owner_id::text as owner, coalesce(c.name, '') as owner_name,
       coalesce(c.contact, '') as owner_contact, x.note, x.created_at as first_seen_at
  from boards x left join customers c on c.shop_id = x.shop_id and c.id = x.owner_id where x.shop_id = $1 order by x.id`,
	"connectors": `
select x.id::text as reference, x.board_id::text as board, x.place, x.component, x.family, x.poles, x.polarity, x.pin_map::text as pin_map,
       x.sealing, x.note, x.fitted_at, x.removed_at from connectors x where x.shop_id = $1 order by x.id`,
	"parts": `
select x.id::text as reference, x.number, x.name, x.component, x.supplier, x.unit_cost_minor, x.currency, x.min_stock, x.stock, x.note, x.created_at
  from parts x where x.shop_id = $1 order by x.id`,
	"jobs": `
select x.id::text as reference, x.number, x.board_id::text as board, b.serial as board_serial, x.state, x.complaint, x.odometer_km,
       array_to_string(x.exposures, ' ') as exposures, x.condition, x.warranty_of::text as warranty_of, x.comeback_of::text as comeback_of,
       v.number as library_number, x.opened_at, x.ready_at, x.closed_at
  from jobs x join boards b on b.shop_id = x.shop_id and b.id = x.board_id
  join library_versions v on v.shop_id = x.shop_id and v.id = x.library_id where x.shop_id = $1 order by x.number`,
	"job_states": `
select x.job_id::text as job, x.step, coalesce(x.from_state, '') as from_state, x.to_state, x.reason, x.at, x.by_name as by
  from job_states x where x.shop_id = $1 order by x.job_id, x.step`,
	"observations": `
select x.id::text as reference, x.job_id::text as job, x.kind, x.symptom, x.present, x.measurement, x.cause, x.unavailable, x.unavailable_reason,
       ` + exportResult + `, x.note, x.from_exposure, x.at, x.by_name as by, x.retracted_at, x.retracted_by, x.superseded_by::text as superseded_by,
       x.invalidated_at, x.invalidated_by
  from observations x where x.shop_id = $1 order by x.job_id, x.at, x.id`,
	"openings": `
select x.job_id::text as job, x.opening, x.state, x.implied, x.at, x.by_name as by
  from access_events x where x.shop_id = $1 order by x.job_id, x.at, x.id`,
	"installed_parts": `
select x.id::text as reference, x.board_id::text as board, coalesce(p.number, '') as part_number, x.part_name, x.component, x.serial, x.lot,
       x.installed_at, x.installed_km, x.removed_at, x.removed_km, x.repair_id::text as repair
  from installed_parts x left join parts p on p.shop_id = x.shop_id and p.id = x.part_id where x.shop_id = $1 order by x.id`,
	"faults": `
select x.id::text as reference, x.job_id::text as job, x.cause, x.component, x.failure_mode, x.connector_id::text as connector,
       x.installed_part_id::text as installed_part, x.note, x.probability, x.advised, x.disagreement, x.grounds, x.basis, x.at, x.by_name as by,
       x.waived_at, x.waived_by, x.waive_reason
  from faults x where x.shop_id = $1 order by x.job_id, x.at, x.id`,
	"repairs": `
select x.id::text as reference, x.job_id::text as job, x.fault_id::text as fault, x.action, x.minutes, x.note, x.at, x.by_name as by
  from repairs x where x.shop_id = $1 order by x.job_id, x.at, x.id`,
	"repair_parts": `
select x.repair_id::text as repair, x.line, p.number as part_number, x.part_name, x.quantity, x.lot, x.serial
  from repair_parts x join parts p on p.shop_id = x.shop_id and p.id = x.part_id where x.shop_id = $1 order by x.job_id, x.repair_id, x.line`,
	"verifications": `
select x.id::text as reference, x.job_id::text as job, x.measurement, ` + exportResult + `, x.passed, x.at, x.by_name as by, x.invalidated_at, x.invalidated_by
  from verifications x where x.shop_id = $1 order by x.job_id, x.at, x.id`,
	"stock_movements": `
select p.number as part_number, x.entry, x.quantity, x.balance, x.reason, x.lot, x.unit_cost_minor, x.repair_id::text as repair, x.at, x.by_name as by, x.note
  from stock_movements x join parts p on p.shop_id = x.shop_id and p.id = x.part_id where x.shop_id = $1 order by x.part_id, x.entry`,
	"instruments": `
select x.name, x.kind, x.serial, x.calibration_due::text as calibration_due, x.retired_at, x.note, x.created_at
  from instruments x where x.shop_id = $1 order by x.id`,
	"instrument_ranges": `
select i.name as instrument, x.line, x.unit, x.low, x.high, x.resolution, x.plus_minus_pct, x.counts
  from instrument_ranges x join instruments i on i.shop_id = x.shop_id and i.id = x.instrument_id where x.shop_id = $1 order by x.instrument_id, x.line`,
	"audit": `
select x.at, x.by_name as by, x.action, x.subject_kind, x.subject_id::text as subject, x.detail::text as detail
  from audit_events x where x.shop_id = $1 order by x.at, x.id`,
}

// Export reads everything that the shop has recorded, as it stood at one moment, in
// the form of shop.ExportTables. Rows are given one by one: a shop need not fit into
// memory. It is not tried again, because rows were handed out already.
func (s *Store) Export(ctx context.Context, shopID shop.ID, begin func(shop.ExportTable) (row func([]string) error, err error)) error {
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		for _, t := range shop.ExportTables() {
			row, err := begin(t)
			if err != nil {
				return err
			}
			if err := exportTable(ctx, tx, shopID, t, row); err != nil {
				return fmt.Errorf("export %s: %w", t.Name, err)
			}
		}
		return nil
	})
	return mapError(err)
}

func exportTable(ctx context.Context, tx pgx.Tx, shopID shop.ID, t shop.ExportTable, row func([]string) error) error {
	rows, err := tx.Query(ctx, exportSQL[t.Name], shopID)
	if err != nil {
		return err
	}
	defer rows.Close()
	texts := make([]string, len(t.Columns))
	for rows.Next() {
		fields := rows.FieldDescriptions()
		if len(fields) != len(t.Columns) {
			return fmt.Errorf("%d columns are selected, %d described", len(fields), len(t.Columns))
		}
		values, err := rows.Values()
		if err != nil {
			return err
		}
		for i, v := range values {
			if fields[i].Name != t.Columns[i].Name {
				return fmt.Errorf("column %d is %s, described is %s", i+1, fields[i].Name, t.Columns[i].Name)
			}
			if texts[i], err = exportText(v); err != nil {
				return fmt.Errorf("%s: %w", fields[i].Name, err)
			}
		}
		if err := row(texts); err != nil {
			return err
		}
	}
	return rows.Err()
}

// exportText is a value as it stands in a file: numbers to their last digit, times in
// RFC 3339, UTC.
func exportText(v any) (string, error) {
	switch x := v.(type) {
	case nil:
		return "", nil
	case string:
		return x, nil
	case bool:
		return strconv.FormatBool(x), nil
	case int32:
		return strconv.FormatInt(int64(x), 10), nil
	case int64:
		return strconv.FormatInt(x, 10), nil
	case float64:
		return strconv.FormatFloat(x, 'f', -1, 64), nil
	case time.Time:
		return x.UTC().Format(time.RFC3339Nano), nil
	}
	return "", fmt.Errorf("values of type %T have no form in a file", v)
}
