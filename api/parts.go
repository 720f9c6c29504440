package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
)

// PartInput is the body of POST /parts.
type PartInput struct {
	Number    string     `json:"number"`
	Name      string     `json:"name"`
	Component string     `json:"component"`
	Supplier  string     `json:"supplier"`
	UnitCost  moneyInput `json:"unit_cost"`
	MinStock  int        `json:"min_stock"`
	Stock     int        `json:"stock"`
	Lot       string     `json:"lot"`
	Note      string     `json:"note"`
}

// PartPatch is the body of PATCH /parts/{id}.
type PartPatch struct {
	Number    opt[string] `json:"number"`
	Name      opt[string] `json:"name"`
	Component opt[string] `json:"component"`
	Supplier  opt[string] `json:"supplier"`
	UnitCost  moneyInput  `json:"unit_cost"`
	MinStock  opt[int]    `json:"min_stock"`
	Note      opt[string] `json:"note"`
}

// MovementInput is the body of POST /parts/{id}/movements.
type MovementInput struct {
	Quantity int        `json:"quantity"`
	Reason   string     `json:"reason"`
	Lot      string     `json:"lot"`
	UnitCost moneyInput `json:"unit_cost"`
	Note     string     `json:"note"`
}

// bookCurrency refuses money in another currency than the shop's; the shop is
// only asked when a currency was named.
func (h *handlers) bookCurrency(c echo.Context, m moneyInput) error {
	if m.Currency == "" {
		return nil
	}
	s, err := h.svc.Shop(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return m.in(s.Currency)
}

func (h *handlers) addPart(c echo.Context) error {
	var in PartInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	if err := h.bookCurrency(c, in.UnitCost); err != nil {
		return err
	}
	p, err := h.svc.AddPart(c.Request().Context(), actorOf(c), shop.PartInput{
		Number: in.Number, Name: in.Name, Component: in.Component, Supplier: in.Supplier, UnitCostMinor: in.UnitCost.Amount,
		Currency: in.UnitCost.Currency, MinStock: in.MinStock, Stock: in.Stock, Lot: in.Lot, Note: in.Note,
	})
	if err != nil {
		return err
	}
	return created(c, "/parts", p.ID, p.Version, part(p))
}

func (h *handlers) listParts(c echo.Context) error {
	q := queryOf(c)
	f := shop.PartFilter{Query: q.text("query"), Component: q.text("component"), Page: q.page()}
	if err := q.err(); err != nil {
		return err
	}
	l, err := h.svc.Parts(c.Request().Context(), actorOf(c), f)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, PartList{Items: listOf(l.Items, part), Next: orNull(l.Next)})
}

func (h *handlers) getPart(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	p, err := h.svc.Part(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, p.Version, part(p))
}

func (h *handlers) editPart(c echo.Context) error {
	id, version, err := target(c)
	if err != nil {
		return err
	}
	var in PartPatch
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	if err := h.bookCurrency(c, in.UnitCost); err != nil {
		return err
	}
	p, err := h.svc.EditPart(c.Request().Context(), actorOf(c), id, shop.PartPatch{
		Version: version, Number: shop.Change[string](in.Number), Name: shop.Change[string](in.Name), Component: shop.Change[string](in.Component),
		Supplier: shop.Change[string](in.Supplier), UnitCostMinor: shop.Change[*int64]{Set: in.UnitCost.Set, Value: in.UnitCost.Amount},
		MinStock: shop.Change[int](in.MinStock), Note: shop.Change[string](in.Note),
	})
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, p.Version, part(p))
}

func (h *handlers) addMovement(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in MovementInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	// The part is read first for its currency: money in another is refused.
	p, err := h.svc.Part(ctx, a, id)
	if err != nil {
		return err
	}
	if err := in.UnitCost.in(p.Currency); err != nil {
		return err
	}
	m, err := h.svc.Move(ctx, a, id, shop.MovementInput{
		Quantity: in.Quantity, Reason: in.Reason, Lot: in.Lot, UnitCostMinor: in.UnitCost.Amount, Note: in.Note,
	})
	if err != nil {
		return err
	}
	return answer(c, http.StatusCreated, movement(m, p.Currency))
}

func (h *handlers) listMovements(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	q := queryOf(c)
	page := q.page()
	if err := q.err(); err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	p, err := h.svc.Part(ctx, a, id)
	if err != nil {
		return err
	}
	l, err := h.svc.Movements(ctx, a, id, page)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, MovementList{
		Items: listOf(l.Items, func(m shop.Movement) Movement { return movement(m, p.Currency) }), Next: orNull(l.Next),
	})
}

func part(p shop.Part) Part {
	return Part{
		ID: p.ID, Number: p.Number, Name: p.Name, Component: p.Component, Supplier: p.Supplier, UnitCost: money(p.UnitCostMinor, p.Currency),
		MinStock: p.MinStock, Stock: p.Stock, Note: p.Note, CreatedAt: p.CreatedAt.UTC(), Version: p.Version,
	}
}

func movement(m shop.Movement, currency string) Movement {
	return Movement{
		ID: m.ID, PartID: m.PartID, Quantity: m.Quantity, Reason: m.Reason, Lot: m.Lot, UnitCost: money(m.UnitCostMinor, currency),
		RepairID: m.RepairID, Balance: m.Balance, At: m.At.UTC(), By: m.By, Note: m.Note,
	}
}
