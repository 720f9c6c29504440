package web

import (
	"net/http"
	"sort"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

// ConnectorFormPage adds or edits an entry of the connector register.
type ConnectorFormPage struct {
	Layout
	Form       *Form
	Action     string
	Back       string
	Components []Option
	Polarities []Option
	New        bool
	Removed    bool
}

var polarities = []Option{{Value: "unknown", Label: "not measured"}, {Value: "as_marked", Label: "as marked"}, {Value: "reversed", Label: "reversed"}}

func (p *Pages) connectorForm(c echo.Context, status int, pg *ConnectorFormPage) error {
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	pg.Section, pg.Polarities = "/boards", polarities
	pg.Components = connectorComponents(lib)
	return p.render(c, status, "connector-form", pg)
}

// connectorComponents puts the components that are connectors first.
func connectorComponents(lib *faultlib.Library) []Option {
	opts := newLookup(lib).componentOptions("choose")
	sort.SliceStable(opts[1:], func(i, j int) bool {
		return strings.Contains(opts[1+i].Value, "connector") && !strings.Contains(opts[1+j].Value, "connector")
	})
	return opts
}

func (p *Pages) newConnectorPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	if _, err := p.svc.Board(c.Request().Context(), actorOf(c), id); err != nil {
		return err
	}
	return p.connectorForm(c, http.StatusOK, connectorAdder(id, filledForm("connector", "polarity", "unknown", "then", c.QueryParam("then"))))
}

func connectorAdder(board shop.ID, f *Form) *ConnectorFormPage {
	back := "/boards/" + board.String()
	pg := &ConnectorFormPage{Layout: Layout{Title: "New connector"}, Form: f, Action: back + "/connectors/new", Back: back, New: true}
	if f.Get("then") == "intake" {
		pg.Back = "/intake?board=" + board.String()
	}
	return pg
}

func (p *Pages) addConnector(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "connector")
	if err != nil {
		return err
	}
	in := shop.ConnectorInput{Place: f.Text("place"), Component: f.Text("component"), Family: f.Text("family"), Poles: f.OptInt("poles"),
		Polarity: f.Text("polarity"), PinMap: pins(f), Sealing: f.Text("sealing"), Note: f.Text("note")}
	if err := f.save(func() error { _, err := p.svc.AddConnector(c.Request().Context(), actorOf(c), id, in); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.connectorForm(c, http.StatusUnprocessableEntity, connectorAdder(id, f))
	}
	p.flash(c, "Connector recorded.")
	if f.Get("then") == "intake" {
		return redirect(c, "/intake?board="+id.String())
	}
	return redirect(c, "/boards/"+id.String()+"#connectors")
}

// pins reads lines "1: red, pack plus".
func pins(f *Form) map[string]string {
	m := map[string]string{}
	for line := range strings.Lines(f.Get("pin_map")) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		pin, use, ok := strings.Cut(line, ":")
		pin = strings.TrimSpace(pin)
		if !ok || pin == "" {
			f.reject("pin_map", "Write each pin on its own line as “1: red, pack plus”; “"+line+"” has no pin.")
			return nil
		}
		m[pin] = strings.TrimSpace(use)
	}
	return m
}

func pinLines(m map[string]string) string {
	var b strings.Builder
	for _, k := range sortedKeys(m) {
		b.WriteString(k + ": " + m[k] + "\n")
	}
	return b.String()
}

func (p *Pages) editConnectorPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	cn, err := p.svc.Connector(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	f := filledForm("connector", "place", cn.Place, "component", cn.Component, "family", cn.Family, "poles", formatInt(cn.Poles),
		"polarity", cn.Polarity, "pin_map", pinLines(cn.PinMap), "sealing", cn.Sealing, "note", cn.Note, "version", formatInt(&cn.Version))
	return p.connectorForm(c, http.StatusOK, connectorEditor(cn, f))
}

func connectorEditor(cn shop.Connector, f *Form) *ConnectorFormPage {
	return &ConnectorFormPage{Layout: Layout{Title: "Edit connector"}, Form: f, Action: "/connectors/" + cn.ID.String() + "/edit",
		Back: "/boards/" + cn.BoardID.String(), Removed: cn.RemovedAt != nil}
}

func (p *Pages) editConnector(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "connector")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	cn, err := p.svc.Connector(ctx, a, id)
	if err != nil {
		return err
	}
	patch := shop.ConnectorPatch{Version: f.Int("version"), Place: set(f.Text("place")), Component: set(f.Text("component")), Family: set(f.Text("family")),
		Poles: set(f.OptInt("poles")), Polarity: set(f.Text("polarity")), PinMap: set(pins(f)), Sealing: set(f.Text("sealing")), Note: set(f.Text("note"))}
	if f.Get("removed") != "" && cn.RemovedAt == nil {
		now := p.opt.Now()
		patch.RemovedAt = set(&now)
	}
	if err := f.save(func() error { _, err := p.svc.EditConnector(ctx, a, id, patch); return err }); err != nil {
		return err
	}
	if f.Failed() {
		return p.connectorForm(c, http.StatusUnprocessableEntity, connectorEditor(cn, f))
	}
	p.flash(c, "Connector saved.")
	return redirect(c, "/boards/"+cn.BoardID.String()+"#connectors")
}
