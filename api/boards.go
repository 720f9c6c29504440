package api

import (
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
)

// BoardInput is the body of POST /boards.
type BoardInput struct {
	Serial        string            `json:"serial"`
	Make          string            `json:"make"`
	Model         string            `json:"model"`
	SeriesCells   *int              `json:"series_cells"`
	ParallelCells *int              `json:"parallel_cells"`
	Chemistry     string            `json:"chemistry"`
	Controller    string            `json:"controller"`
	Firmware      string            `json:"firmware"`
	OdometerKM    *float64          `json:"odometer_km"`
	Facts         map[string]string `json:"facts"`
	Owner         *OwnerInput       `json:"owner"`
	Note          string            `json:"note"`
}

// OwnerInput names an owner: a customer's id, or a name and contact.
type OwnerInput struct {
	ID      *shop.ID `json:"id"`
	Name    string   `json:"name"`
	Contact string   `json:"contact"`
}

func (o *OwnerInput) input() *shop.OwnerInput {
	if o == nil {
		return nil
	}
	return &shop.OwnerInput{ID: o.ID, Name: o.Name, Contact: o.Contact}
}

// BoardPatch is the body of PATCH /boards/{id}.
type BoardPatch struct {
	Serial        opt[string]            `json:"serial"`
	Make          opt[string]            `json:"make"`
	Model         opt[string]            `json:"model"`
	SeriesCells   opt[*int]              `json:"series_cells"`
	ParallelCells opt[*int]              `json:"parallel_cells"`
	Chemistry     opt[string]            `json:"chemistry"`
	Controller    opt[string]            `json:"controller"`
	Firmware      opt[string]            `json:"firmware"`
	OdometerKM    opt[*float64]          `json:"odometer_km"`
	Facts         opt[map[string]string] `json:"facts"`
	Owner         opt[*OwnerInput]       `json:"owner"`
	Note          opt[string]            `json:"note"`
}

// ConnectorInput is the body of POST /boards/{id}/connectors.
type ConnectorInput struct {
	Place     string            `json:"place"`
	Component string            `json:"component"`
	Family    string            `json:"family"`
	Poles     *int              `json:"poles"`
	Polarity  string            `json:"polarity"`
	PinMap    map[string]string `json:"pin_map"`
	Sealing   string            `json:"sealing"`
	Note      string            `json:"note"`
	FittedAt  *time.Time        `json:"fitted_at"`
}

// ConnectorPatch is the body of PATCH /connectors/{id}.
type ConnectorPatch struct {
	Place     opt[string]            `json:"place"`
	Component opt[string]            `json:"component"`
	Family    opt[string]            `json:"family"`
	Poles     opt[*int]              `json:"poles"`
	Polarity  opt[string]            `json:"polarity"`
	PinMap    opt[map[string]string] `json:"pin_map"`
	Sealing   opt[string]            `json:"sealing"`
	Note      opt[string]            `json:"note"`
	RemovedAt opt[*time.Time]        `json:"removed_at"`
}

// BoardFile is a board with what it carries.
type BoardFile struct {
	Board
	Connectors     []Connector     `json:"connectors"`
	InstalledParts []InstalledPart `json:"installed_parts"`
	OpenJob        *Job            `json:"open_job"`
	Alerts         []BoardAlert    `json:"alerts"`
}

func (h *handlers) addBoard(c echo.Context) error {
	var in BoardInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	b, err := h.svc.AddBoard(c.Request().Context(), actorOf(c), shop.BoardInput{
		Serial: in.Serial, Make: in.Make, Model: in.Model, SeriesCells: in.SeriesCells, ParallelCells: in.ParallelCells,
		Chemistry: in.Chemistry, Controller: in.Controller, Firmware: in.Firmware, OdometerKM: in.OdometerKM,
		Facts: in.Facts, Owner: in.Owner.input(), Note: in.Note,
	})
	if err != nil {
		return err
	}
	return created(c, "/boards", b.ID, b.Version, board(b))
}

func (h *handlers) listBoards(c echo.Context) error {
	q := queryOf(c)
	f := shop.BoardFilter{Query: q.text("query"), Page: q.page()}
	if err := q.err(); err != nil {
		return err
	}
	l, err := h.svc.Boards(c.Request().Context(), actorOf(c), f)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, BoardList{Items: listOf(l.Items, board), Next: orNull(l.Next)})
}

func (h *handlers) getBoard(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := h.svc.Board(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	alerts, err := h.svc.BoardAlerts(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	out := BoardFile{Alerts: listOf(alerts, boardAlert), Board: board(f.Board), Connectors: listOf(f.Connectors, connector), InstalledParts: listOf(f.Installed, installedPart)}
	if f.OpenJob != nil {
		j := job(*f.OpenJob)
		out.OpenJob = &j
	}
	return answerVersion(c, http.StatusOK, f.Board.Version, out)
}

func (h *handlers) editBoard(c echo.Context) error {
	id, version, err := target(c)
	if err != nil {
		return err
	}
	var in BoardPatch
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	b, err := h.svc.EditBoard(c.Request().Context(), actorOf(c), id, shop.BoardPatch{
		Version: version, Serial: shop.Change[string](in.Serial), Make: shop.Change[string](in.Make), Model: shop.Change[string](in.Model),
		SeriesCells: shop.Change[*int](in.SeriesCells), ParallelCells: shop.Change[*int](in.ParallelCells),
		Chemistry: shop.Change[string](in.Chemistry), Controller: shop.Change[string](in.Controller), Firmware: shop.Change[string](in.Firmware),
		OdometerKM: shop.Change[*float64](in.OdometerKM), Facts: shop.Change[map[string]string](in.Facts),
		Owner: shop.Change[*shop.OwnerInput]{Set: in.Owner.Set, Value: in.Owner.Value.input()}, Note: shop.Change[string](in.Note),
	})
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, b.Version, board(b))
}

// target reads what a PATCH is for: the id and the version it was made from.
func target(c echo.Context) (shop.ID, int, error) {
	id, err := pathID(c, "id")
	if err != nil {
		return id, 0, err
	}
	version, err := ifMatch(c)
	return id, version, err
}

func (h *handlers) getBoardHistory(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	jobs, err := h.svc.BoardHistory(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, JobList{Items: listOf(jobs, jobSummary)})
}

func (h *handlers) addConnector(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in ConnectorInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	k, err := h.svc.AddConnector(c.Request().Context(), actorOf(c), id, shop.ConnectorInput(in))
	if err != nil {
		return err
	}
	return created(c, "/connectors", k.ID, k.Version, connector(k))
}

func (h *handlers) getConnector(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	k, err := h.svc.Connector(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, k.Version, connector(k))
}

func (h *handlers) editConnector(c echo.Context) error {
	id, version, err := target(c)
	if err != nil {
		return err
	}
	var in ConnectorPatch
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	k, err := h.svc.EditConnector(c.Request().Context(), actorOf(c), id, shop.ConnectorPatch{
		Version: version, Place: shop.Change[string](in.Place), Component: shop.Change[string](in.Component), Family: shop.Change[string](in.Family),
		Poles: shop.Change[*int](in.Poles), Polarity: shop.Change[string](in.Polarity), PinMap: shop.Change[map[string]string](in.PinMap),
		Sealing: shop.Change[string](in.Sealing), Note: shop.Change[string](in.Note), RemovedAt: shop.Change[*time.Time](in.RemovedAt),
	})
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, k.Version, connector(k))
}

func (h *handlers) listCustomers(c echo.Context) error {
	q := queryOf(c)
	words := q.text("query")
	if err := q.err(); err != nil {
		return err
	}
	l, err := h.svc.Customers(c.Request().Context(), actorOf(c), words)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, CustomerList{Items: listOf(l, customer)})
}

func customer(p shop.Customer) Customer { return Customer{ID: p.ID, Name: p.Name, Contact: p.Contact} }

func board(b shop.Board) Board {
	out := Board{
		ID: b.ID, Serial: b.Serial, Make: b.Make, Model: b.Model, SeriesCells: b.SeriesCells, ParallelCells: b.ParallelCells,
		Chemistry: b.Chemistry, Controller: b.Controller, Firmware: b.Firmware, OdometerKm: b.OdometerKM, Facts: b.Facts,
		Note: b.Note, CreatedAt: b.CreatedAt.UTC(), UpdatedAt: b.UpdatedAt.UTC(), Version: b.Version,
	}
	if b.Owner != nil {
		o := customer(*b.Owner)
		out.Owner = &o
	}
	return out
}

func connector(k shop.Connector) Connector {
	return Connector{
		ID: k.ID, BoardID: k.BoardID, Place: k.Place, Component: k.Component, Family: k.Family, Poles: k.Poles, Polarity: k.Polarity,
		PinMap: k.PinMap, Sealing: k.Sealing, Note: k.Note, FittedAt: k.FittedAt.UTC(), RemovedAt: utc(k.RemovedAt),
		UpdatedAt: k.UpdatedAt.UTC(), Version: k.Version,
	}
}

func installedPart(p shop.InstalledPart) InstalledPart {
	return InstalledPart{
		ID: p.ID, BoardID: p.BoardID, PartID: p.PartID, PartName: p.PartName, Component: p.Component, Serial: p.Serial, Lot: p.Lot,
		InstalledAt: p.InstalledAt.UTC(), InstalledKm: p.InstalledKM, RemovedAt: utc(p.RemovedAt), RemovedKm: p.RemovedKM, RepairID: p.RepairID,
	}
}
