package shop

import (
	"context"
	"regexp"

	"nextprobe/internal/faultlib"
)

var currencyForm = regexp.MustCompile(`^[A-Z]{3}$`)

// movementSigns says which way each reason moves the stock: 1 in, -1 out, 0 either.
var movementSigns = []struct {
	reason string
	sign   int
}{{"received", 1}, {"used", -1}, {"returned", 0}, {"counted", 0}, {"scrapped", -1}}

// AddPart adds an article; its opening stock is its first movement.
func (s *Service) AddPart(ctx context.Context, a Actor, in PartInput) (Part, error) {
	if err := a.may(mayStock); err != nil {
		return Part{}, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Part{}, err
	}
	sh, err := s.store.ShopByID(ctx, a.ShopID)
	if err != nil {
		return Part{}, err
	}
	p := Part{ID: newID(), Number: in.Number, Name: in.Name, Component: in.Component, Supplier: in.Supplier, UnitCostMinor: in.UnitCostMinor,
		Currency: in.Currency, MinStock: in.MinStock, Note: in.Note, CreatedAt: s.time(), Version: 1}
	if p.Currency == "" {
		p.Currency = sh.Currency
	}
	var c checker
	c.part(&p, lib)
	c.integer("stock", in.Stock, 0, maxCount)
	lot := c.line("lot", in.Lot, 0, maxShort)
	if err := c.err(); err != nil {
		return Part{}, err
	}
	var first *Movement
	if in.Stock > 0 {
		first = &Movement{ID: newID(), PartID: p.ID, Quantity: in.Stock, Reason: "received", Lot: lot,
			UnitCostMinor: p.UnitCostMinor, At: p.CreatedAt, By: a.Name, Note: "Opening stock"}
	}
	if err := s.store.AddPart(ctx, a.ShopID, p, first, s.audit(a, "part.create", "part", p.ID, map[string]any{"number": p.Number})); err != nil {
		return Part{}, err
	}
	return s.store.Part(ctx, a.ShopID, p.ID)
}

func (c *checker) part(p *Part, lib *faultlib.Library) {
	p.Number = c.line("number", p.Number, 1, maxSerial)
	p.Name = c.line("name", p.Name, 1, maxName)
	if p.Component != "" && lib.Component(p.Component) == nil {
		c.failf("component", "%q is no component of the fault library", p.Component)
	}
	p.Supplier = c.line("supplier", p.Supplier, 0, maxName)
	c.cost("unit_cost", p.UnitCostMinor)
	if !currencyForm.MatchString(p.Currency) {
		c.failf("currency", "must be three capital letters (ISO 4217), such as EUR")
	}
	c.integer("min_stock", p.MinStock, 0, maxCount)
	p.Note = c.note("note", p.Note, maxLong)
}

// EditPart changes the fields that are set in the patch.
func (s *Service) EditPart(ctx context.Context, a Actor, id ID, patch PartPatch) (Part, error) {
	if err := a.may(mayStock); err != nil {
		return Part{}, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Part{}, err
	}
	return again(patch.Version, func() (Part, error) {
		p, err := s.store.Part(ctx, a.ShopID, id)
		if err != nil {
			return Part{}, err
		}
		if patch.Version != 0 && p.Version != patch.Version {
			return Part{}, stale("part")
		}
		set(&p.Number, patch.Number)
		set(&p.Name, patch.Name)
		set(&p.Component, patch.Component)
		set(&p.Supplier, patch.Supplier)
		set(&p.UnitCostMinor, patch.UnitCostMinor)
		set(&p.MinStock, patch.MinStock)
		set(&p.Note, patch.Note)
		var c checker
		c.part(&p, lib)
		if err := c.err(); err != nil {
			return Part{}, err
		}
		return s.store.UpdatePart(ctx, a.ShopID, p, s.audit(a, "part.edit", "part", p.ID, map[string]any{"number": p.Number}))
	})
}

// Parts lists articles.
func (s *Service) Parts(ctx context.Context, a Actor, f PartFilter) (List[Part], error) {
	var c checker
	c.page(f.Page)
	f.Query = c.line("query", f.Query, 0, maxAction)
	if err := firstOf(a.may(mayRead), c.err()); err != nil {
		return List[Part]{}, err
	}
	return s.store.Parts(ctx, a.ShopID, f)
}

// Part returns an article.
func (s *Service) Part(ctx context.Context, a Actor, id ID) (Part, error) {
	if err := a.may(mayRead); err != nil {
		return Part{}, err
	}
	return s.store.Part(ctx, a.ShopID, id)
}

// Movements lists the ledger of an article, newest first.
func (s *Service) Movements(ctx context.Context, a Actor, partID ID, p Page) (List[Movement], error) {
	var c checker
	c.page(p)
	if err := firstOf(a.may(mayRead), c.err()); err != nil {
		return List[Movement]{}, err
	}
	if _, err := s.store.Part(ctx, a.ShopID, partID); err != nil {
		return List[Movement]{}, err
	}
	return s.store.Movements(ctx, a.ShopID, partID, p)
}

// Move adds an entry to the ledger of an article. The quantity is signed.
func (s *Service) Move(ctx context.Context, a Actor, partID ID, in MovementInput) (Movement, error) {
	if err := a.may(mayStock); err != nil {
		return Movement{}, err
	}
	m := Movement{ID: newID(), PartID: partID, Quantity: in.Quantity, Reason: in.Reason, UnitCostMinor: in.UnitCostMinor, At: s.time(), By: a.Name}
	var c checker
	c.movement(in)
	m.Lot = c.line("lot", in.Lot, 0, maxShort)
	m.Note = c.note("note", in.Note, maxLong)
	c.cost("unit_cost", in.UnitCostMinor)
	if err := c.err(); err != nil {
		return Movement{}, err
	}
	return s.store.Move(ctx, a.ShopID, m, s.audit(a, "part.move", "part", partID,
		map[string]any{"quantity": m.Quantity, "reason": m.Reason, "lot": m.Lot}))
}

func (c *checker) movement(in MovementInput) {
	reasons := make([]string, len(movementSigns))
	sign, known := 0, false
	for i, r := range movementSigns {
		reasons[i] = r.reason
		if r.reason == in.Reason {
			sign, known = r.sign, true
		}
	}
	if !known {
		c.failf("reason", "must be %s, is %q", orList(reasons), in.Reason)
	}
	switch q := in.Quantity; {
	case q == 0 || q < -maxCount || q > maxCount:
		c.failf("quantity", "must be a whole number other than 0, at most %d either way", maxCount)
	case sign > 0 && q < 0:
		c.failf("quantity", "must be above 0: %s parts come in", in.Reason)
	case sign < 0 && q > 0:
		c.failf("quantity", "must be below 0: %s parts go out", in.Reason)
	}
}
