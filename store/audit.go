package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const insertAudit = `
insert into audit_events (shop_id, id, at, by_name, actor_id, action, subject_kind, subject_id, detail)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`

func auditArgs(shopID shop.ID, a shop.AuditEvent) []any {
	return []any{shopID, newID(a.ID), a.At, a.By, a.ActorID, a.Action, a.SubjectKind, a.SubjectID, object(a.Detail)}
}

// queueAudit adds the log entry to a batch.
func queueAudit(b *pgx.Batch, shopID shop.ID, a shop.AuditEvent) {
	b.Queue(insertAudit, auditArgs(shopID, a)...)
}

// writeAudit writes the log entry in a transaction.
func writeAudit(ctx context.Context, tx pgx.Tx, shopID shop.ID, a shop.AuditEvent) error {
	_, err := tx.Exec(ctx, insertAudit, auditArgs(shopID, a)...)
	return err
}

func scanAudit(row pgx.CollectableRow) (a shop.AuditEvent, err error) {
	err = row.Scan(&a.ID, &a.At, &a.By, &a.ActorID, &a.Action, &a.SubjectKind, &a.SubjectID, &a.Detail)
	return a, err
}

// timeKey is the cursor of lists that are ordered by time.
type timeKey struct {
	At time.Time `json:"at"`
	ID shop.ID   `json:"id"`
}

// Audit lists the log entries about one thing, newest first.
func (s *Store) Audit(ctx context.Context, shopID, subjectID shop.ID, p shop.Page) (shop.List[shop.AuditEvent], error) {
	limit, err := limitOf(p.Limit)
	if err != nil {
		return shop.List[shop.AuditEvent]{}, err
	}
	key, more, err := decodeCursor[timeKey]("audit", p.Cursor)
	if err != nil {
		return shop.List[shop.AuditEvent]{}, err
	}
	rows, err := all(ctx, s.pool, scanAudit, `
select id, at, by_name, actor_id, action, subject_kind, subject_id, detail
  from audit_events
 where shop_id = @shop and subject_id = @subject and (not @more or (at, id) < (@at, @id))
 order by at desc, id desc
 limit @limit`,
		pgx.NamedArgs{"shop": shopID, "subject": subjectID, "more": more, "at": key.At, "id": key.ID, "limit": limit + 1})
	if err != nil {
		return shop.List[shop.AuditEvent]{}, err
	}
	return page(rows, limit, "audit", func(a shop.AuditEvent) any { return timeKey{a.At, a.ID} }), nil
}
