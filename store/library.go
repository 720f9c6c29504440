package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

const libraryColumns = `
id, number, sha256, edition, note, is_current, stored_at, by_name`

func libraryTargets(v *shop.LibraryVersion) []any {
	return []any{&v.ID, &v.Number, &v.SHA256, &v.Edition, &v.Note, &v.Current, &v.StoredAt, &v.By}
}

func scanLibrary(row pgx.CollectableRow) (v shop.LibraryVersion, err error) {
	err = row.Scan(libraryTargets(&v)...)
	return v, err
}

// SaveLibrary stores an edition and numbers it. An edition with the same SHA-256
// is not stored again but returned. It becomes current when v.Current, or when
// the shop has none yet. Only a call that changed something is logged.
func (s *Store) SaveLibrary(ctx context.Context, shopID shop.ID, v shop.LibraryVersion, content []byte, audit shop.AuditEvent) (shop.LibraryVersion, error) {
	return s.saveLibrary(ctx, shopID, nil, v, content, audit)
}

// SaveLibraryOver is SaveLibrary for an edition made from another: Stale when
// over is no longer the current one.
func (s *Store) SaveLibraryOver(ctx context.Context, shopID, over shop.ID, v shop.LibraryVersion, content []byte, audit shop.AuditEvent) (shop.LibraryVersion, error) {
	return s.saveLibrary(ctx, shopID, &over, v, content, audit)
}

func (s *Store) saveLibrary(ctx context.Context, shopID shop.ID, over *shop.ID, v shop.LibraryVersion, content []byte, audit shop.AuditEvent) (shop.LibraryVersion, error) {
	var got shop.LibraryVersion
	err := s.tx(ctx, func(tx pgx.Tx) error {
		// The counter's row orders the imports of a shop.
		last, err := one(ctx, tx, "shop", pgx.RowTo[int], `
select last_library from shop_counters where shop_id = $1 for update`, shopID)
		if err != nil {
			return err
		}
		if over != nil {
			if err := stillCurrent(ctx, tx, shopID, *over); err != nil {
				return err
			}
		}
		var changed bool
		got, changed, err = storeEdition(ctx, tx, shopID, v, content, last+1, audit)
		if err != nil {
			return err
		}
		if v.Current && !got.Current || last == 0 && changed {
			if err := makeCurrent(ctx, tx, shopID, got.ID); err != nil {
				return err
			}
			got.Current, changed = true, true
		}
		if !changed {
			return nil
		}
		return writeAudit(ctx, tx, shopID, audit)
	})
	if err != nil {
		return shop.LibraryVersion{}, err
	}
	return got, nil
}

// storeEdition finds the edition by its hash, or stores it under number.
func storeEdition(ctx context.Context, tx pgx.Tx, shopID shop.ID, v shop.LibraryVersion, content []byte, number int, audit shop.AuditEvent) (shop.LibraryVersion, bool, error) {
	found, err := all(ctx, tx, scanLibrary, `select`+libraryColumns+` from library_versions
 where shop_id = $1 and sha256 = $2`, shopID, v.SHA256)
	if err != nil {
		return v, false, err
	}
	if len(found) > 0 {
		return found[0], false, nil
	}
	if _, err := tx.Exec(ctx, `update shop_counters set last_library = $2 where shop_id = $1`, shopID, number); err != nil {
		return v, false, err
	}
	v, err = one(ctx, tx, "library version", scanLibrary, `
insert into library_versions (shop_id, id, number, sha256, edition, note, content, is_current, stored_at, by_name)
values ($1, $2, $3, $4, $5, $6, $7, false, $8, $9) returning`+libraryColumns,
		shopID, newID(v.ID), number, v.SHA256, v.Edition, v.Note, content, firstTime(v.StoredAt, audit.At), firstText(v.By, audit.By))
	return v, true, err
}

// stillCurrent is asked under the lock on the shop's counter, so that two who
// build on the same edition cannot both pass.
func stillCurrent(ctx context.Context, tx pgx.Tx, shopID, id shop.ID) error {
	cur, err := one(ctx, tx, "library version", pgx.RowTo[shop.ID], `
select id from library_versions where shop_id = $1 and is_current`, shopID)
	if err == nil && cur != id {
		err = problem.New(problem.Stale, "Another edition of the library is current now; nothing was stored.")
	}
	return err
}

// makeCurrent takes the mark off the edition that had it first: the index allows one.
func makeCurrent(ctx context.Context, tx pgx.Tx, shopID, id shop.ID) error {
	if _, err := tx.Exec(ctx, `update library_versions set is_current = false where shop_id = $1 and is_current`, shopID); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `update library_versions set is_current = true where shop_id = $1 and id = $2`, shopID, id)
	return err
}

// Libraries lists the editions of a shop, newest first.
func (s *Store) Libraries(ctx context.Context, shopID shop.ID) ([]shop.LibraryVersion, error) {
	return all(ctx, s.pool, scanLibrary, `select`+libraryColumns+` from library_versions
 where shop_id = $1 order by number desc`, shopID)
}

// CurrentLibrary finds the edition that new jobs use.
func (s *Store) CurrentLibrary(ctx context.Context, shopID shop.ID) (shop.LibraryVersion, error) {
	return one(ctx, s.pool, "library version", scanLibrary, `select`+libraryColumns+` from library_versions
 where shop_id = $1 and is_current`, shopID)
}

// LibraryContent reads an edition's file.
func (s *Store) LibraryContent(ctx context.Context, shopID, id shop.ID) ([]byte, shop.LibraryVersion, error) {
	var content []byte
	v, err := one(ctx, s.pool, "library version", func(row pgx.CollectableRow) (v shop.LibraryVersion, err error) {
		err = row.Scan(append(libraryTargets(&v), &content)...)
		return v, err
	}, `select`+libraryColumns+`, content from library_versions where shop_id = $1 and id = $2`, shopID, id)
	return content, v, err
}
