package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

// importedTables says where the records of each kind are, with their board and time.
var importedTables = map[string]string{
	"boards":          `select x.shop_id, x.id, x.id as board_id, x.created_at as at from boards x`,
	"connectors":      `select x.shop_id, x.id, x.board_id, x.fitted_at as at from connectors x`,
	"installed_parts": `select x.shop_id, x.id, x.board_id, x.installed_at as at from installed_parts x`,
	"jobs":            `select x.shop_id, x.id, x.board_id, x.opened_at as at from jobs x`,
	"faults":          `select x.shop_id, x.id, x.board_id, x.at from faults x`,
	"repairs":         `select x.shop_id, x.id, '00000000-0000-0000-0000-000000000000'::uuid as board_id, x.at from repairs x`,
}

// ImportKnown finds what an import names and is there already: records by the
// reference of an earlier import or by their id, boards by serial, owners by name.
func (s *Store) ImportKnown(ctx context.Context, shopID shop.ID, q shop.ImportQuery) (shop.ImportKnown, error) {
	known := shop.ImportKnown{References: map[string]map[string]shop.ImportRecord{}, Serials: map[string]shop.ID{}}
	type found struct {
		reference string
		shop.ImportRecord
	}
	for _, form := range shop.ImportForms() {
		at := map[string]shop.ImportRecord{}
		known.References[form.Kind] = at
		var ids []shop.ID
		for _, r := range q.References[form.Kind] {
			if id, err := uuid.Parse(r); err == nil {
				ids = append(ids, id)
			}
		}
		table := importedTables[form.Kind]
		rows, err := all(ctx, s.pool, func(row pgx.CollectableRow) (f found, err error) {
			err = row.Scan(&f.reference, &f.ID, &f.BoardID, &f.At)
			return f, err
		}, `
select r.reference, t.id, t.board_id, t.at
  from imported_records r join (`+table+`) t on t.shop_id = r.shop_id and t.id = r.record_id
 where r.shop_id = @shop and r.kind = @kind and r.reference = any(@references)
union all
select t.id::text, t.id, t.board_id, t.at from (`+table+`) t where t.shop_id = @shop and t.id = any(@ids)`,
			pgx.NamedArgs{"shop": shopID, "kind": form.Kind, "references": list(q.References[form.Kind]), "ids": list(ids)})
		if err != nil {
			return known, err
		}
		for _, f := range rows {
			at[f.reference] = f.ImportRecord
		}
	}
	if err := s.knownSerials(ctx, shopID, q.Serials, known.Serials); err != nil {
		return known, err
	}
	var err error
	known.Owners, err = all(ctx, s.pool, pgx.RowToStructByPos[shop.Customer],
		`select id, name, contact, created_at from customers where shop_id = $1 and name = any($2) order by id desc`, shopID, list(q.Owners))
	return known, err
}

func (s *Store) knownSerials(ctx context.Context, shopID shop.ID, serials []string, into map[string]shop.ID) error {
	small := make([]string, 0, len(serials))
	for _, x := range serials {
		if x = strings.ToLower(strings.TrimSpace(x)); x != "" {
			small = append(small, x)
		}
	}
	type board struct {
		Serial string
		ID     shop.ID
	}
	rows, err := all(ctx, s.pool, pgx.RowToStructByPos[board],
		`select lower(btrim(serial)), id from boards where shop_id = $1 and lower(btrim(serial)) = any($2)`, shopID, small)
	for _, b := range rows {
		into[b.Serial] = b.ID
	}
	return err
}

// Import writes a plan in one transaction, by COPY: a shop's past may be long. Jobs get
// their numbers in the order of the plan, and a history of two steps. Conflict when a
// reference of the plan was imported in the meantime.
func (s *Store) Import(ctx context.Context, shopID shop.ID, p shop.ImportPlan, audit shop.AuditEvent) error {
	return s.tx(ctx, func(tx pgx.Tx) error {
		var last int
		// The lock orders imports and the opening of jobs one after the other.
		err := tx.QueryRow(ctx, `update shop_counters set last_job = last_job + $2 where shop_id = $1 returning last_job`, shopID, len(p.Jobs)).Scan(&last)
		if err != nil {
			return err
		}
		for _, t := range importTables(shopID, p, last-len(p.Jobs)) {
			n, err := tx.CopyFrom(ctx, pgx.Identifier{t.table}, append([]string{"shop_id"}, t.columns...), t.rows)
			if err != nil {
				return err
			}
			if n != int64(t.count) {
				return fmt.Errorf("%d rows of %s were written, not %d", n, t.table, t.count)
			}
		}
		return writeAudit(ctx, tx, shopID, audit)
	})
}

// importTable is the rows of a plan for one table.
type importTable struct {
	table   string
	columns []string
	count   int
	rows    pgx.CopyFromSource
}

// rowsOf are the rows that fill makes, each after the shop's id.
func rowsOf[T any](shopID shop.ID, table, columns string, from []T, fill func(int, T) []any) importTable {
	return importTable{table, strings.Fields(columns), len(from), pgx.CopyFromSlice(len(from), func(i int) ([]any, error) {
		return append([]any{shopID}, fill(i, from[i])...), nil
	})}
}

// importTables gives the tables in the order of their foreign keys. number is that of
// the last job before.
func importTables(shopID shop.ID, p shop.ImportPlan, number int) []importTable {
	const reason = "taken over from earlier records"
	return []importTable{
		rowsOf(shopID, "imported_records", "kind reference record_id at", p.References, func(_ int, r shop.ImportReference) []any {
			return []any{r.Kind, r.Reference, r.ID, p.At}
		}),
		rowsOf(shopID, "customers", "id name contact created_at", p.Customers, func(_ int, c shop.Customer) []any {
			return []any{c.ID, c.Name, c.Contact, c.CreatedAt}
		}),
		rowsOf(shopID, "boards", "id serial make model series_cells parallel_cells chemistry controller firmware odometer_km odometer_at facts owner_id note created_at updated_at",
			p.Boards, func(_ int, b shop.ImportedBoard) []any {
				var owner *shop.ID
				if b.Owner != nil {
					owner = &b.Owner.ID
				}
				return []any{b.ID, b.Serial, b.Make, b.Model, b.SeriesCells, b.ParallelCells, b.Chemistry, b.Controller, b.Firmware, b.OdometerKM, b.OdometerAt,
					object(b.Facts), owner, b.Note, b.CreatedAt, b.UpdatedAt}
			}),
		rowsOf(shopID, "connectors", "id board_id place component family poles polarity pin_map sealing note fitted_at removed_at updated_at", p.Connectors,
			func(_ int, k shop.Connector) []any {
				return []any{k.ID, k.BoardID, k.Place, k.Component, k.Family, k.Poles, k.Polarity, object(k.PinMap), k.Sealing, k.Note, k.FittedAt, k.RemovedAt, k.UpdatedAt}
			}),
		rowsOf(shopID, "installed_parts", "id board_id part_name component serial lot installed_at installed_km removed_at removed_km", p.Installed,
			func(_ int, x shop.InstalledPart) []any {
				return []any{x.ID, x.BoardID, x.PartName, x.Component, x.Serial, x.Lot, x.InstalledAt, x.InstalledKM, x.RemovedAt, x.RemovedKM}
			}),
		rowsOf(shopID, "jobs", "id number board_id state state_step complaint odometer_km exposures condition comeback_of library_id opened_at closed_at updated_at", p.Jobs,
			func(i int, j shop.Job) []any {
				return []any{j.ID, number + 1 + i, j.BoardID, j.State, 2, j.Complaint, j.OdometerKM, list(j.Exposures), j.Condition, j.ComebackOf, j.LibraryID,
					j.OpenedAt, j.ClosedAt, j.UpdatedAt}
			}),
		rowsOf(shopID, "job_states", "job_id step id to_state reason at by_name", p.Jobs, func(_ int, j shop.Job) []any {
			return []any{j.ID, 1, newID(uuid.Nil), shop.Received, reason, j.OpenedAt, p.By}
		}),
		rowsOf(shopID, "job_states", "job_id step id from_state to_state reason at by_name", p.Jobs, func(_ int, j shop.Job) []any {
			return []any{j.ID, 2, newID(uuid.Nil), shop.Received, j.State, reason, *j.ClosedAt, p.By}
		}),
		rowsOf(shopID, "faults", "job_id id board_id cause component failure_mode connector_id installed_part_id note probability basis at by_name waived_at waived_by waive_reason",
			p.Faults, func(_ int, f shop.ImportedFault) []any {
				return []any{f.JobID, f.ID, f.BoardID, f.Cause, f.Component, f.FailureMode, f.ConnectorID, f.InstalledPartID, f.Note, f.Probability, f.Basis,
					f.At, f.By, f.WaivedAt, f.WaivedBy, f.WaiveReason}
			}),
		rowsOf(shopID, "repairs", "job_id id fault_id action minutes note at by_name", p.Repairs, func(_ int, r shop.ImportedRepair) []any {
			return []any{r.JobID, r.ID, r.FaultID, r.Action, r.Minutes, r.Note, r.At, r.By}
		}),
	}
}
