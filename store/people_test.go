package store_test

import (
	"bytes"
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func TestShops(t *testing.T) {
	t.Parallel()
	b := setup(t)
	again, err := b.store.EnsureShop(b.ctx, shop.Shop{ID: newID(), Slug: "first", Name: "Another", Currency: "USD", CreatedAt: t0})
	b.ok(err)
	same(t, again, b.shop)
	got, err := b.store.ShopBySlug(b.ctx, "first")
	b.ok(err)
	same(t, got, b.shop)
	want := b.shop
	want.Name, want.LabourMinor, want.WarrantyDays = "Renamed", 7200, 30
	b.ok(b.store.UpdateShop(b.ctx, want, b.audit("shop.edit", want.ID)))
	got, err = b.store.ShopByID(b.ctx, b.shop.ID)
	b.ok(err)
	same(t, got, want)

	_, err = b.store.ShopByID(b.ctx, newID())
	refused(t, err, problem.NotFound, "")
	_, err = b.store.ShopBySlug(b.ctx, "none")
	refused(t, err, problem.NotFound, "")
	want.ID = newID()
	refused(t, b.store.UpdateShop(b.ctx, want, b.audit("shop.edit", want.ID)), problem.NotFound, "")
	_, err = b.store.EnsureShop(b.ctx, shop.Shop{Slug: "Bad Slug", Name: "x", Currency: "EUR"})
	refused(t, err, problem.Invalid, "slug")
}

func TestEnsureShopAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	ids := make(chan shop.ID, 8)
	for range cap(ids) {
		go func() {
			v, err := b.store.EnsureShop(b.ctx, shop.Shop{ID: newID(), Slug: "new", Name: "New", Currency: "EUR", CreatedAt: t0})
			if err != nil {
				t.Error(err)
			}
			ids <- v.ID
		}()
	}
	first := <-ids
	for range cap(ids) - 1 {
		if id := <-ids; id != first {
			t.Errorf("two shops of one slug: %s and %s", first, id)
		}
	}
}

func TestUsers(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s, id := b.store, b.shop.ID
	u := shop.User{ID: newID(), Login: "Kim", Name: "Kim Invented", Role: shop.Technician, PasswordHash: "hash", CreatedAt: t0}
	b.ok(s.AddUser(b.ctx, id, u, b.audit("user.add", u.ID)))
	other := shop.User{ID: newID(), Login: "alex", Name: "Alex", Role: shop.Counter, PasswordHash: "hash", CreatedAt: t0}
	b.ok(s.AddUser(b.ctx, id, other, b.audit("user.add", other.ID)))
	refused(t, s.AddUser(b.ctx, id, shop.User{ID: newID(), Login: " KIM", Role: shop.Owner, PasswordHash: "h", CreatedAt: t0},
		b.audit("user.add", newID())), problem.Conflict, "login")

	got, err := s.UserByLogin(b.ctx, id, " kim ")
	b.ok(err)
	same(t, got, u)
	b.ok(s.SetPassword(b.ctx, id, "KIM", "new hash", b.audit("user.password", u.ID)))
	b.ok(s.DisableUser(b.ctx, id, "kim", days(1), b.audit("user.disable", u.ID)))
	b.ok(s.DisableUser(b.ctx, id, "kim", days(2), b.audit("user.disable", u.ID)))
	u.PasswordHash, u.DisabledAt = "new hash", ptr(days(1))
	got, err = s.UserByID(b.ctx, id, u.ID)
	b.ok(err)
	same(t, got, u)
	users, err := s.Users(b.ctx, id)
	b.ok(err)
	same(t, users, []shop.User{other, u})

	_, err = s.UserByLogin(b.ctx, id, "nobody")
	refused(t, err, problem.NotFound, "")
	refused(t, s.SetPassword(b.ctx, id, "nobody", "h", b.audit("user.password", newID())), problem.NotFound, "")
	refused(t, s.DisableUser(b.ctx, id, "nobody", t0, b.audit("user.disable", newID())), problem.NotFound, "")
	log, err := s.Audit(b.ctx, id, u.ID, shop.Page{})
	b.ok(err)
	if len(log.Items) != 4 {
		t.Errorf("the log has %d entries about the user, want 4", len(log.Items))
	}
}

func TestTokens(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s, id := b.store, b.shop.ID
	tok := shop.Token{ID: newID(), Name: "Scanner", Role: shop.Counter, CreatedAt: t0}
	hash := bytes.Repeat([]byte{7}, 32)
	b.ok(s.AddToken(b.ctx, id, tok, hash, b.audit("token.add", tok.ID)))
	refused(t, s.AddToken(b.ctx, id, shop.Token{ID: newID(), Name: "scanner ", Role: shop.Counter, CreatedAt: t0},
		bytes.Repeat([]byte{8}, 32), b.audit("token.add", newID())), problem.Conflict, "name")

	for _, use := range []struct {
		at   time.Time
		last time.Time
	}{
		{t0, t0},
		{t0.Add(30 * time.Second), t0}, // Within the minute nothing is written.
		{t0.Add(2 * time.Minute), t0.Add(2 * time.Minute)},
	} {
		a, err := s.ActorByToken(b.ctx, hash, use.at)
		b.ok(err)
		same(t, a, shop.Actor{ShopID: id, ID: tok.ID, Name: "Scanner", Role: shop.Counter})
		list, err := s.Tokens(b.ctx, id)
		b.ok(err)
		tok.LastUsedAt = ptr(use.last)
		same(t, list, []shop.Token{tok})
	}
	b.ok(s.RevokeToken(b.ctx, id, "scanner", days(1), b.audit("token.revoke", tok.ID)))
	_, err := s.ActorByToken(b.ctx, hash, t0)
	refused(t, err, problem.NotFound, "")
	_, err = s.ActorByToken(b.ctx, []byte("no such hash"), t0)
	refused(t, err, problem.NotFound, "")
	refused(t, s.RevokeToken(b.ctx, id, "scanner", days(2), b.audit("token.revoke", tok.ID)), problem.NotFound, "")
	// The name is free again.
	b.ok(s.AddToken(b.ctx, id, shop.Token{ID: newID(), Name: "Scanner", Role: shop.Owner, CreatedAt: t0},
		bytes.Repeat([]byte{9}, 32), b.audit("token.add", newID())))
	list, err := s.Tokens(b.ctx, id)
	b.ok(err)
	if len(list) != 2 || list[0].RevokedAt != nil || list[1].RevokedAt == nil {
		t.Errorf("live tokens come first: %+v", list)
	}
}

func TestSessions(t *testing.T) {
	t.Parallel()
	b := setup(t)
	ss := b.store.Sessions()
	// The expiry is compared with the database's clock, so these lie far off.
	future, past := time.Now().Add(time.Hour), time.Now().Add(-time.Hour)
	b.ok(ss.Commit("a", []byte("one"), future))
	b.ok(ss.Commit("a", []byte("two"), future))
	b.ok(ss.Commit("old", []byte("x"), past))
	data, found, err := ss.Find("a")
	if string(data) != "two" || !found || err != nil {
		t.Errorf("got %q %t %v", data, found, err)
	}
	for _, token := range []string{"old", "never"} {
		if _, found, err := ss.Find(token); found || err != nil {
			t.Errorf("%s: found %t, %v", token, found, err)
		}
	}
	n, err := ss.DeleteExpired(b.ctx)
	if n != 1 || err != nil {
		t.Errorf("swept %d, %v", n, err)
	}
	b.ok(ss.Delete("a"))
	b.ok(ss.Delete("a"))
	if _, found, _ := ss.Find("a"); found {
		t.Error("a deleted session is found")
	}
}
