package store_test

import (
	"sync"
	"sync/atomic"
	"testing"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func TestParts(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s, id := b.store, b.shop.ID
	want := shop.Part{ID: newID(), Number: "FET-75", Name: "Power stage", Component: "power_stage", Supplier: "Supplier B", Currency: "EUR",
		MinStock: 1, Note: "n", CreatedAt: t0, Version: 1, UnitCostMinor: ptr(int64(320))}
	first := shop.Movement{ID: newID(), Quantity: 4, Reason: "counted", Lot: "L1", At: t0, By: "Kim"}
	withoutCurrency := want
	withoutCurrency.Currency = ""
	b.ok(s.AddPart(b.ctx, id, withoutCurrency, &first, b.audit("part.create", want.ID)))
	want.Stock = 4
	got, err := s.Part(b.ctx, id, want.ID)
	b.ok(err)
	same(t, got, want)

	edit := want
	edit.Name, edit.MinStock, edit.Stock, edit.UnitCostMinor = "Power stage, selected", 3, 999, nil
	got, err = s.UpdatePart(b.ctx, id, edit, b.audit("part.edit", want.ID))
	b.ok(err)
	edit.Version, edit.Stock = 2, 4 // Stock is no matter of an edit.
	same(t, got, edit)
	_, err = s.UpdatePart(b.ctx, id, want, b.audit("part.edit", want.ID))
	refused(t, err, problem.Stale, "")
	dup := want
	dup.ID, dup.Number = newID(), " fet-75"
	refused(t, s.AddPart(b.ctx, id, dup, nil, b.audit("part.create", dup.ID)), problem.Conflict, "number")

	for _, tt := range []struct {
		f    shop.PartFilter
		want int
	}{
		{shop.PartFilter{}, 2}, {shop.PartFilter{Query: "power"}, 1}, {shop.PartFilter{Query: "supplier"}, 2},
		{shop.PartFilter{Component: "motor_connector"}, 1}, {shop.PartFilter{Query: "power", Component: "motor_connector"}, 0},
	} {
		l, err := s.Parts(b.ctx, id, tt.f)
		b.ok(err)
		if len(l.Items) != tt.want {
			t.Errorf("%+v finds %d, want %d", tt.f, len(l.Items), tt.want)
		}
	}
	_, err = s.Part(b.ctx, id, newID())
	refused(t, err, problem.NotFound, "")
}

func TestMovements(t *testing.T) {
	t.Parallel()
	b := setup(t)
	in := shop.Movement{ID: newID(), PartID: b.part.ID, Quantity: 5, Reason: "received", Lot: "L7", UnitCostMinor: ptr(int64(400)), At: t0, By: "Kim", Note: "n"}
	got, err := b.store.Move(b.ctx, b.shop.ID, in, b.audit("part.move", b.part.ID))
	b.ok(err)
	in.Balance = 5
	same(t, got, in)
	got, err = b.store.Move(b.ctx, b.shop.ID, shop.Movement{PartID: b.part.ID, Quantity: -5, Reason: "scrapped", At: t0}, b.audit("part.move", b.part.ID))
	b.ok(err)
	if got.Balance != 0 || got.By != "Kim" || got.UnitCostMinor == nil || *got.UnitCostMinor != *b.part.UnitCostMinor {
		t.Errorf("got %+v", got)
	}
	for _, tt := range []struct {
		m     shop.Movement
		code  problem.Code
		field string
	}{
		{shop.Movement{PartID: b.part.ID, Quantity: -1, Reason: "used"}, problem.Conflict, "quantity"},
		{shop.Movement{PartID: b.part.ID, Quantity: 0, Reason: "counted"}, problem.Invalid, "quantity"},
		{shop.Movement{PartID: b.part.ID, Quantity: 1, Reason: "used"}, problem.Invalid, "quantity"},
		{shop.Movement{PartID: b.part.ID, Quantity: 1, Reason: "found"}, problem.Invalid, "reason"},
		{shop.Movement{PartID: newID(), Quantity: 1, Reason: "received"}, problem.NotFound, ""},
		{shop.Movement{PartID: b.part.ID, Quantity: 1, Reason: "received", RepairID: ptr(newID())}, problem.Invalid, "repair_id"},
	} {
		_, err := b.store.Move(b.ctx, b.shop.ID, tt.m, b.audit("part.move", b.part.ID))
		refused(t, err, tt.code, tt.field)
	}
	l, err := b.store.Movements(b.ctx, b.shop.ID, b.part.ID, shop.Page{})
	b.ok(err)
	if len(l.Items) != 2 || l.Items[0].Reason != "scrapped" {
		t.Errorf("ledger %+v", l.Items)
	}
}

// Twenty takes of one from a stock of seven: seven succeed, the rest are
// refused, and stock, balances and the sum of the ledger agree.
func TestStockNeverBelowZero(t *testing.T) {
	t.Parallel()
	b := setup(t)
	_, err := b.store.Move(b.ctx, b.shop.ID, shop.Movement{PartID: b.part.ID, Quantity: 7, Reason: "received", At: t0}, b.audit("part.move", b.part.ID))
	b.ok(err)
	var took atomic.Int32
	var wg sync.WaitGroup
	for range 20 {
		wg.Go(func() {
			_, err := b.store.Move(b.ctx, b.shop.ID, shop.Movement{PartID: b.part.ID, Quantity: -1, Reason: "used", At: t0}, b.audit("part.move", b.part.ID))
			switch {
			case err == nil:
				took.Add(1)
			case !problem.Is(err, problem.Conflict):
				t.Error(err)
			}
		})
	}
	wg.Wait()
	p, err := b.store.Part(b.ctx, b.shop.ID, b.part.ID)
	b.ok(err)
	l, err := b.store.Movements(b.ctx, b.shop.ID, b.part.ID, shop.Page{})
	b.ok(err)
	sum := 0
	for i := len(l.Items) - 1; i >= 0; i-- {
		sum += l.Items[i].Quantity
		if l.Items[i].Balance != sum {
			t.Errorf("balance %d where the sum is %d", l.Items[i].Balance, sum)
		}
	}
	if took.Load() != 7 || p.Stock != 0 || sum != 0 || len(l.Items) != 8 {
		t.Errorf("%d takes, stock %d, sum %d, %d entries", took.Load(), p.Stock, sum, len(l.Items))
	}
}
