package main

import (
	"context"
	"fmt"
	"log/slog"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
	"nextprobe/store"
)

// filler copies a history into a migrated, empty database.
type filler struct {
	conn    *pgx.Conn
	shops   []shop.ID
	library []shop.ID
	parts   [][]uuid.UUID // by shop and article
}

// place is a database as its owner and as the cluster's superuser reach it.
type place struct{ url, admin string }

// fill migrates a database and copies a chain of the given scale into it, as
// a dump would be restored: triggers and foreign keys are not asked again, every board
// is marked for the sums of the report, and statistics are made.
func fill(ctx context.Context, db place, s scale, log *slog.Logger) error {
	if err := store.Migrate(ctx, db.url); err != nil {
		return err
	}
	st, err := store.Open(ctx, db.url, store.Options{Log: log})
	if err != nil {
		return err
	}
	defer st.Close()
	conn, err := pgx.Connect(ctx, db.admin)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	f := &filler{conn: conn}
	for i := range s.shops {
		if err := f.shop(ctx, st, i); err != nil {
			return err
		}
	}
	lib, issues := faultlib.Load(faultlib.Embedded())
	if lib == nil {
		return fmt.Errorf("the library this program came with: %v", issues)
	}
	h := invent(lib, s)
	if _, err := conn.Exec(ctx, "set session_replication_role = replica; set maintenance_work_mem = '1GB'"); err != nil {
		return err
	}
	for _, t := range f.tables(h) {
		n, err := conn.CopyFrom(ctx, pgx.Identifier{t.name}, t.columns, pgx.CopyFromSlice(t.rows, t.row))
		if err != nil {
			return fmt.Errorf("%s: %w", t.name, err)
		}
		log.Info("copied", "table", t.name, "rows", n)
	}
	_, err = conn.Exec(ctx, `
insert into recurrence_dirty (shop_id, board_id) select shop_id, id from boards;
update shop_counters c set last_job = (select coalesce(max(number), 0) from jobs j where j.shop_id = c.shop_id)`)
	if err != nil {
		return err
	}
	_, err = conn.Exec(ctx, "vacuum analyze")
	return err
}

func (f *filler) shop(ctx context.Context, st *store.Store, i int) error {
	svc := shop.New(st, shop.Options{})
	s, err := svc.Setup(ctx, fmt.Sprintf("shop-%d", i+1), fmt.Sprintf("Shop %d", i+1))
	if err != nil {
		return err
	}
	lib, err := st.CurrentLibrary(ctx, s.ID)
	if err != nil {
		return err
	}
	f.shops, f.library = append(f.shops, s.ID), append(f.library, lib.ID)
	parts := make([]uuid.UUID, articles)
	batch := &pgx.Batch{}
	for n := range parts {
		parts[n] = uuid.Must(uuid.NewV7())
		batch.Queue(`insert into parts (shop_id, id, number, name, currency, created_at) values ($1, $2, $3, $4, 'EUR', $5)`,
			s.ID, parts[n], fmt.Sprintf("A-%03d", n), partName(n), end.AddDate(-years, 0, 0))
	}
	f.parts = append(f.parts, parts)
	return f.conn.SendBatch(ctx, batch).Close()
}

func partName(article int) string { return fmt.Sprintf("Article %03d", article) }

type copied struct {
	name    string
	columns []string
	rows    int
	row     func(int) ([]any, error)
}

func table[T any](name string, columns []string, list []T, row func(T) []any) copied {
	return copied{name, columns, len(list), func(i int) ([]any, error) { return row(list[i]), nil }}
}

func (f *filler) tables(h *history) []copied {
	of := func(b *boardRow) uuid.UUID { return f.shops[b.shop] }
	return []copied{
		table("boards", []string{"shop_id", "id", "serial", "make", "model", "odometer_km", "odometer_at", "created_at", "updated_at"}, h.boards,
			func(b *boardRow) []any {
				var km, at any
				if !b.kmAt.IsZero() {
					km, at = b.km, b.kmAt
				}
				return []any{of(b), b.id, fmt.Sprintf("NP-%07d", b.n+1), "Fennmark", b.model, km, at, b.created, b.created}
			}),
		table("connectors", []string{"shop_id", "id", "board_id", "place", "family", "sealing", "fitted_at", "removed_at", "updated_at"}, h.connectors,
			func(c *connectorRow) []any {
				return []any{of(c.board), c.id, c.board.id, c.place, c.family, c.sealing, c.fitted, c.removed, c.fitted}
			}),
		table("job_states", []string{"shop_id", "job_id", "step", "id", "to_state", "at"}, h.jobs, func(j *jobRow) []any {
			return []any{of(j.board), j.id, 1, j.id, j.state(), j.opened}
		}),
		table("jobs", []string{"shop_id", "id", "number", "board_id", "state", "complaint", "odometer_km", "comeback_of", "library_id", "opened_at",
			"closed_at", "updated_at"}, h.jobs, func(j *jobRow) []any {
			return []any{of(j.board), j.id, j.number, j.board.id, j.state(), "Stutters after rain", j.km, j.comebackOf, f.library[j.board.shop],
				j.opened, j.closed, j.closed}
		}),
		table("faults", []string{"shop_id", "job_id", "id", "board_id", "cause", "component", "failure_mode", "connector_id", "installed_part_id",
			"probability", "at"}, h.faults, func(x *faultRow) []any {
			return []any{of(x.job.board), x.job.id, x.id, x.job.board.id, x.cause.ID, x.cause.Component, x.cause.Mode, x.connector, x.installed, 0.9, x.at}
		}),
		table("repairs", []string{"shop_id", "job_id", "id", "fault_id", "action", "minutes", "at"}, h.repairs, func(r *repairRow) []any {
			return []any{of(r.fault.job.board), r.fault.job.id, r.id, r.fault.id, r.action, 20, r.at}
		}),
		table("installed_parts", []string{"shop_id", "id", "board_id", "part_id", "part_name", "lot", "installed_at", "removed_at"}, h.installed,
			func(p *installedRow) []any {
				return []any{of(p.board), p.id, p.board.id, f.parts[p.board.shop][p.article], partName(p.article), p.lot, p.installed, p.removed}
			}),
	}
}

func (j *jobRow) state() string {
	if j.scrapped {
		return "scrapped"
	}
	return "returned"
}
