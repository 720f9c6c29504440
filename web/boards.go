package web

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// BoardsPage lists boards.
type BoardsPage struct {
	Layout
	Query  string
	Boards []shop.Board
	Next   string
}

func (p *Pages) boardsPage(c echo.Context) error {
	q := strings.TrimSpace(c.QueryParam("q"))
	found, err := p.svc.Boards(c.Request().Context(), actorOf(c), shop.BoardFilter{Query: q, Page: shop.Page{Limit: 50, Cursor: c.QueryParam("after")}})
	if err != nil {
		return err
	}
	return p.render(c, http.StatusOK, "boards", &BoardsPage{Layout: Layout{Title: "Boards", Section: "/boards"}, Query: q, Boards: found.Items, Next: found.Next})
}

// BoardPage is a board with its as-built record and history.
type BoardPage struct {
	Layout
	File    shop.BoardFile
	Fitted  []ConnectorRow
	Removed []ConnectorRow
	Facts   []FactRow
	History []HistoryRow
	Carries Carries
}

// ConnectorRow is an entry of the connector register with its names.
type ConnectorRow struct {
	shop.Connector
	ComponentName string
	Pins          []Option
}

// FactRow is a fact of the board that changes how it is measured.
type FactRow struct{ ID, Question, Value string }

// HistoryRow is an earlier job with its faults in words.
type HistoryRow struct {
	shop.JobSummary
	FaultNames []string
}

func (p *Pages) boardPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	file, err := p.svc.Board(ctx, a, id)
	if err != nil {
		return err
	}
	history, err := p.svc.BoardHistory(ctx, a, id)
	if err != nil {
		return err
	}
	carries, err := p.carries(c, id)
	if err != nil {
		return err
	}
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	look := newLookup(lib)
	pg := &BoardPage{Layout: Layout{Title: "Board " + file.Board.Serial, Section: "/boards"}, File: file, Carries: carries}
	for _, cn := range file.Connectors {
		row := ConnectorRow{Connector: cn, ComponentName: look.component(cn.Component)}
		for _, pin := range sortedKeys(cn.PinMap) {
			row.Pins = append(row.Pins, Option{Value: pin, Label: cn.PinMap[pin]})
		}
		if cn.RemovedAt == nil {
			pg.Fitted = append(pg.Fitted, row)
		} else {
			pg.Removed = append(pg.Removed, row)
		}
	}
	for _, bf := range lib.Meta.BoardFacts {
		v := file.Board.Facts[bf.ID]
		if v == "" {
			v = bf.Default + " (not stated)"
		}
		pg.Facts = append(pg.Facts, FactRow{bf.ID, bf.Text, v})
	}
	for _, j := range history {
		row := HistoryRow{JobSummary: j}
		for _, f := range j.Faults {
			row.FaultNames = append(row.FaultNames, look.cause(f.Cause))
		}
		pg.History = append(pg.History, row)
	}
	return p.render(c, http.StatusOK, "board", pg)
}

// BoardFormPage adds or edits a board.
type BoardFormPage struct {
	Layout
	Form      *Form
	Action    string
	Back      string
	Facts     []FactField
	Chemistry []Option
	New       bool
}

// FactField is a board fact to choose.
type FactField struct {
	Name, Question string
	Options        []Option
}

var chemistries = []Option{{Value: "", Label: "not known"}, {Value: "layered_oxide", Label: "layered oxide"}, {Value: "iron_phosphate", Label: "iron phosphate"}}

func (p *Pages) boardForm(c echo.Context, status int, pg *BoardFormPage) error {
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	pg.Section, pg.Chemistry = "/boards", chemistries
	for _, bf := range lib.Meta.BoardFacts {
		ff := FactField{Name: "fact." + bf.ID, Question: bf.Text, Options: []Option{{Label: "not stated (" + bf.Default + " assumed)"}}}
		for _, v := range bf.Values {
			ff.Options = append(ff.Options, Option{Value: v, Label: words(v)})
		}
		pg.Facts = append(pg.Facts, ff)
	}
	return p.render(c, status, "board-form", pg)
}

func (p *Pages) newBoardPage(c echo.Context) error {
	f := filledForm("board", "serial", c.QueryParam("serial"), "then", c.QueryParam("then"))
	return p.boardForm(c, http.StatusOK, &BoardFormPage{Layout: Layout{Title: "New board"}, Form: f, Action: "/boards/new", Back: "/boards", New: true})
}

func (p *Pages) addBoard(c echo.Context) error {
	f, err := readForm(c, "board")
	if err != nil {
		return err
	}
	aliasBoard(f)
	in := shop.BoardInput{
		Serial: f.Text("serial"), Make: f.Text("make"), Model: f.Text("model"),
		SeriesCells: f.OptInt("series_cells"), ParallelCells: f.OptInt("parallel_cells"), Chemistry: f.Text("chemistry"),
		Controller: f.Text("controller"), Firmware: f.Text("firmware"), OdometerKM: f.OptFloat("odometer_km"), Facts: boardFacts(f),
		Owner: ownerInput(f), Note: f.Text("note"),
	}
	var b shop.Board
	if err := f.save(func() (err error) { b, err = p.svc.AddBoard(c.Request().Context(), actorOf(c), in); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.boardForm(c, http.StatusUnprocessableEntity, &BoardFormPage{Layout: Layout{Title: "New board"}, Form: f, Action: "/boards/new", Back: "/boards", New: true})
	}
	if f.Get("then") == "intake" {
		return redirect(c, "/intake?board="+b.ID.String())
	}
	p.flash(c, "Board added. Record its connectors before anything is unplugged.")
	return redirect(c, "/boards/"+b.ID.String())
}

func aliasBoard(f *Form) {
	f.alias("owner.name", "owner_name")
	f.alias("owner.contact", "owner_contact")
	for name := range f.Values {
		if id, ok := strings.CutPrefix(name, "fact."); ok {
			f.alias("facts."+id, name)
		}
	}
}

func boardFacts(f *Form) map[string]string {
	facts := map[string]string{}
	for name := range f.Values {
		if id, ok := strings.CutPrefix(name, "fact."); ok && f.Text(name) != "" {
			facts[id] = f.Text(name)
		}
	}
	return facts
}

func ownerInput(f *Form) *shop.OwnerInput {
	if f.Text("owner_name") == "" && f.Text("owner_contact") == "" {
		return nil
	}
	return &shop.OwnerInput{Name: f.Text("owner_name"), Contact: f.Text("owner_contact")}
}

func (p *Pages) editBoardPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	file, err := p.svc.Board(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	b := file.Board
	f := filledForm("board", "serial", b.Serial, "make", b.Make, "model", b.Model, "series_cells", formatInt(b.SeriesCells),
		"parallel_cells", formatInt(b.ParallelCells), "chemistry", b.Chemistry, "controller", b.Controller, "firmware", b.Firmware,
		"odometer_km", formatFloat(b.OdometerKM), "note", b.Note, "version", formatInt(&b.Version))
	if b.Owner != nil {
		f.Values.Set("owner_name", b.Owner.Name)
		f.Values.Set("owner_contact", b.Owner.Contact)
	}
	for k, v := range b.Facts {
		f.Values.Set("fact."+k, v)
	}
	return p.boardForm(c, http.StatusOK, boardEditor(id, f))
}

func boardEditor(id shop.ID, f *Form) *BoardFormPage {
	return &BoardFormPage{Layout: Layout{Title: "Edit board"}, Form: f, Action: "/boards/" + id.String() + "/edit", Back: "/boards/" + id.String()}
}

func set[T any](v T) shop.Change[T] { return shop.Change[T]{Set: true, Value: v} }

func (p *Pages) editBoard(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "board")
	if err != nil {
		return err
	}
	aliasBoard(f)
	patch := shop.BoardPatch{
		Version: f.Int("version"), Serial: set(f.Text("serial")), Make: set(f.Text("make")), Model: set(f.Text("model")),
		SeriesCells: set(f.OptInt("series_cells")), ParallelCells: set(f.OptInt("parallel_cells")), Chemistry: set(f.Text("chemistry")),
		Controller: set(f.Text("controller")), Firmware: set(f.Text("firmware")), OdometerKM: set(f.OptFloat("odometer_km")),
		Facts: set(boardFacts(f)), Owner: set(ownerInput(f)), Note: set(f.Text("note")),
	}
	if err := f.save(func() error { _, err := p.svc.EditBoard(c.Request().Context(), actorOf(c), id, patch); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.boardForm(c, http.StatusUnprocessableEntity, boardEditor(id, f))
	}
	p.flash(c, "Board saved.")
	return redirect(c, "/boards/"+id.String())
}
