package store_test

import (
	"crypto/sha256"
	"encoding/hex"
	"sync"
	"testing"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func TestLibraryVersions(t *testing.T) {
	t.Parallel()
	b := setup(t)
	first := b.library
	if first.Number != 1 || !first.Current {
		t.Errorf("first %+v", first)
	}
	second := b.edition("edition 2", false)
	if second.Number != 2 || second.Current {
		t.Errorf("second %+v", second)
	}
	cur, err := b.store.CurrentLibrary(b.ctx, b.shop.ID)
	b.ok(err)
	same(t, cur, first)
	again := b.edition("edition 2", true)
	second.Current = true
	same(t, again, second)
	cur, err = b.store.CurrentLibrary(b.ctx, b.shop.ID)
	b.ok(err)
	same(t, cur, second)
	same(t, b.edition("edition 2", true), second) // Nothing to do, nothing logged.
	list, err := b.store.Libraries(b.ctx, b.shop.ID)
	b.ok(err)
	first.Current = false
	same(t, list, []shop.LibraryVersion{second, first})
	content, v, err := b.store.LibraryContent(b.ctx, b.shop.ID, first.ID)
	b.ok(err)
	same(t, v, first)
	same(t, string(content), "edition 1")
	log, err := b.store.Audit(b.ctx, b.shop.ID, b.shop.ID, shop.Page{})
	b.ok(err)
	if len(log.Items) != 3 {
		t.Errorf("%d log entries, want 3: two stored, one made current", len(log.Items))
	}

	_, _, err = b.store.LibraryContent(b.ctx, b.shop.ID, newID())
	refused(t, err, problem.NotFound, "")
	_, err = b.store.SaveLibrary(b.ctx, b.shop.ID, shop.LibraryVersion{SHA256: "00"}, []byte("x"), b.audit("library.import", b.shop.ID))
	refused(t, err, problem.Invalid, "sha256")
	_, err = b.store.SaveLibrary(b.ctx, newID(), shop.LibraryVersion{SHA256: "00"}, []byte("x"), b.audit("library.import", b.shop.ID))
	refused(t, err, problem.NotFound, "")
	other, err := b.store.EnsureShop(b.ctx, shop.Shop{Slug: "empty", Name: "Empty", Currency: "EUR", CreatedAt: t0})
	b.ok(err)
	_, err = b.store.CurrentLibrary(b.ctx, other.ID)
	refused(t, err, problem.NotFound, "")
}

// TestLibrarySavedOverAnother: an edition made from one that is no longer current
// is refused, and leaves nothing behind.
func TestLibrarySavedOverAnother(t *testing.T) {
	t.Parallel()
	b := setup(t)
	sum := func(content string) shop.LibraryVersion {
		h := sha256.Sum256([]byte(content))
		return shop.LibraryVersion{ID: newID(), SHA256: hex.EncodeToString(h[:]), Edition: 1, Current: true, StoredAt: days(-1), By: "Kim"}
	}
	second, err := b.store.SaveLibraryOver(b.ctx, b.shop.ID, b.library.ID, sum("a"), []byte("a"), b.audit("library.measurement.add", b.shop.ID))
	b.ok(err)
	if second.Number != 2 || !second.Current {
		t.Errorf("%+v", second)
	}
	_, err = b.store.SaveLibraryOver(b.ctx, b.shop.ID, b.library.ID, sum("b"), []byte("b"), b.audit("library.measurement.add", b.shop.ID))
	refused(t, err, problem.Stale, "")
	list, err := b.store.Libraries(b.ctx, b.shop.ID)
	b.ok(err)
	if len(list) != 2 || list[0].ID != second.ID || !list[0].Current {
		t.Errorf("%+v", list)
	}
}

func TestLibrariesImportedAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	var wg sync.WaitGroup
	for _, content := range []string{"a", "b", "c", "a", "b", "c"} {
		wg.Go(func() { b.edition(content, true) })
	}
	wg.Wait()
	list, err := b.store.Libraries(b.ctx, b.shop.ID)
	b.ok(err)
	current := 0
	for i, v := range list {
		if v.Number != len(list)-i {
			t.Errorf("numbers have a gap: %+v", list)
		}
		if v.Current {
			current++
		}
	}
	if len(list) != 4 || current != 1 {
		t.Errorf("%d editions, %d current", len(list), current)
	}
}
