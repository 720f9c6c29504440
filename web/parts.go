package web

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// PartsPage lists the stock.
type PartsPage struct {
	Layout
	Query string
	Parts []PartRow
	Low   int
	Next  string
}

// PartRow is a part as lists show it.
type PartRow struct {
	shop.Part
	ComponentName string
	Below         bool // stock is under the minimum
}

func (p *Pages) partsPage(c echo.Context) error {
	ctx, a := c.Request().Context(), actorOf(c)
	q := strings.TrimSpace(c.QueryParam("q"))
	parts, err := p.svc.Parts(ctx, a, shop.PartFilter{Query: q, Page: shop.Page{Limit: 100, Cursor: c.QueryParam("after")}})
	if err != nil {
		return err
	}
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	look := newLookup(lib)
	pg := &PartsPage{Layout: Layout{Title: "Parts", Section: "/parts"}, Query: q, Next: parts.Next}
	for _, part := range parts.Items {
		row := PartRow{Part: part, Below: part.Stock < part.MinStock}
		if part.Component != "" {
			row.ComponentName = look.component(part.Component)
		}
		if row.Below {
			pg.Low++
		}
		pg.Parts = append(pg.Parts, row)
	}
	return p.render(c, http.StatusOK, "parts-list", pg)
}

// PartPage is a part with its ledger.
type PartPage struct {
	Layout
	Part      shop.Part
	Component string
	Movements []shop.Movement
	Next      string
	Form      *Form
	Reasons   []Option
}

// Receiving adds to the stock, scrapping takes from it; the page asks for a
// plain count and gives it the sign.
var movementReasons = []Option{
	{Value: "received", Label: "received (adds)"}, {Value: "returned", Label: "returned to stock (adds)"},
	{Value: "scrapped", Label: "scrapped (takes away)"}, {Value: "counted", Label: "counted (stock found on the shelf)"},
}

func (p *Pages) partPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	return p.showPart(c, http.StatusOK, id, filledForm("movement", "reason", "received"))
}

func (p *Pages) showPart(c echo.Context, status int, id shop.ID, f *Form) error {
	ctx, a := c.Request().Context(), actorOf(c)
	part, err := p.svc.Part(ctx, a, id)
	if err != nil {
		return err
	}
	ledger, err := p.svc.Movements(ctx, a, id, shop.Page{Limit: 50, Cursor: c.QueryParam("after")})
	if err != nil {
		return err
	}
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	pg := &PartPage{Layout: Layout{Title: "Part " + part.Number, Section: "/parts"}, Part: part, Movements: ledger.Items, Next: ledger.Next, Form: f, Reasons: movementReasons}
	if part.Component != "" {
		pg.Component = newLookup(lib).component(part.Component)
	}
	return p.render(c, status, "article", pg)
}

func (p *Pages) move(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "movement")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	part, err := p.svc.Part(ctx, a, id)
	if err != nil {
		return err
	}
	f.alias("unit_cost_minor", "unit_cost")
	n := f.OptInt("quantity")
	if n == nil && f.Error("quantity") == "" {
		f.reject("quantity", "Enter how many, for example 5.")
	}
	in := shop.MovementInput{Reason: f.Text("reason"), Lot: f.Text("lot"), UnitCostMinor: f.Money("unit_cost", part.Currency), Note: f.Text("note")}
	if n != nil {
		in.Quantity = signedQuantity(in.Reason, *n, part.Stock)
		if *n < 0 {
			f.reject("quantity", "Enter how many as a plain number; the reason says whether they come or go.")
		} else if in.Quantity == 0 {
			f.reject("quantity", "This would change nothing: the stock already is "+formatInt(&part.Stock)+".")
		}
	}
	if err := f.save(func() error { _, err := p.svc.Move(ctx, a, id, in); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.showPart(c, http.StatusUnprocessableEntity, id, f)
	}
	p.flash(c, "Movement recorded.")
	return redirect(c, "/parts/"+id.String())
}

func signedQuantity(reason string, n, stock int) int {
	switch reason {
	case "scrapped", "used":
		return -n
	case "counted":
		return n - stock
	}
	return n
}

// PartFormPage adds or edits a part.
type PartFormPage struct {
	Layout
	Form       *Form
	Action     string
	Back       string
	Components []Option
	Currency   string
	New        bool
}

func (p *Pages) partForm(c echo.Context, status int, pg *PartFormPage) error {
	ctx, a := c.Request().Context(), actorOf(c)
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	pg.Section, pg.Components = "/parts", newLookup(lib).componentOptions("for several or none")
	return p.render(c, status, "article-form", pg)
}

func (p *Pages) newPartPage(c echo.Context) error {
	s, err := p.svc.Shop(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return p.partForm(c, http.StatusOK, partAdder(s.Currency, emptyForm("part")))
}

func partAdder(currency string, f *Form) *PartFormPage {
	return &PartFormPage{Layout: Layout{Title: "New part"}, Form: f, Action: "/parts/new", Back: "/parts", Currency: currency, New: true}
}

func (p *Pages) addPart(c echo.Context) error {
	f, err := readForm(c, "part")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	s, err := p.svc.Shop(ctx, a)
	if err != nil {
		return err
	}
	f.alias("unit_cost_minor", "unit_cost")
	in := shop.PartInput{Number: f.Text("number"), Name: f.Text("name"), Component: f.Text("component"), Supplier: f.Text("supplier"),
		UnitCostMinor: f.Money("unit_cost", s.Currency), Currency: s.Currency, MinStock: f.Int("min_stock"), Stock: f.Int("stock"), Lot: f.Text("lot"), Note: f.Text("note")}
	var part shop.Part
	if err := f.save(func() (err error) { part, err = p.svc.AddPart(ctx, a, in); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.partForm(c, http.StatusUnprocessableEntity, partAdder(s.Currency, f))
	}
	p.flash(c, "Part added.")
	return redirect(c, "/parts/"+part.ID.String())
}

func (p *Pages) editPartPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	part, err := p.svc.Part(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	f := filledForm("part", "number", part.Number, "name", part.Name, "component", part.Component, "supplier", part.Supplier,
		"unit_cost", moneyInput(part.UnitCostMinor, part.Currency), "min_stock", formatInt(&part.MinStock), "note", part.Note, "version", formatInt(&part.Version))
	return p.partForm(c, http.StatusOK, partEditor(part, f))
}

func partEditor(part shop.Part, f *Form) *PartFormPage {
	to := "/parts/" + part.ID.String()
	return &PartFormPage{Layout: Layout{Title: "Edit part"}, Form: f, Action: to + "/edit", Back: to, Currency: part.Currency}
}

func (p *Pages) editPart(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "part")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	part, err := p.svc.Part(ctx, a, id)
	if err != nil {
		return err
	}
	f.alias("unit_cost_minor", "unit_cost")
	patch := shop.PartPatch{Version: f.Int("version"), Number: set(f.Text("number")), Name: set(f.Text("name")), Component: set(f.Text("component")),
		Supplier: set(f.Text("supplier")), UnitCostMinor: set(f.Money("unit_cost", part.Currency)), MinStock: set(f.Int("min_stock")), Note: set(f.Text("note"))}
	if err := f.save(func() error { _, err := p.svc.EditPart(ctx, a, id, patch); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.partForm(c, http.StatusUnprocessableEntity, partEditor(part, f))
	}
	p.flash(c, "Part saved.")
	return redirect(c, "/parts/"+id.String())
}
