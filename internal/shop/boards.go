package shop

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// Cell chemistries a board may have; limits per cell hang on it.
var chemistries = []string{"", "layered_oxide", "iron_phosphate"}

// AddBoard registers a board, with its owner when named.
func (s *Service) AddBoard(ctx context.Context, a Actor, in BoardInput) (Board, error) {
	if err := a.may(mayIntake); err != nil {
		return Board{}, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Board{}, err
	}
	at := s.time()
	b := Board{ID: newID(), Serial: in.Serial, Make: in.Make, Model: in.Model, SeriesCells: in.SeriesCells, ParallelCells: in.ParallelCells,
		Chemistry: in.Chemistry, Controller: in.Controller, Firmware: in.Firmware, OdometerKM: in.OdometerKM, Facts: maps.Clone(in.Facts),
		Note: in.Note, CreatedAt: at, UpdatedAt: at, Version: 1}
	var c checker
	b.Owner = c.owner(in.Owner, at)
	c.board(&b, lib)
	if err := c.err(); err != nil {
		return Board{}, err
	}
	if err := s.store.AddBoard(ctx, a.ShopID, b, s.audit(a, "board.create", "board", b.ID, map[string]any{"serial": b.Serial})); err != nil {
		return Board{}, err
	}
	f, err := s.store.BoardFile(ctx, a.ShopID, b.ID)
	return f.Board, err
}

// board checks and trims a board's fields.
func (c *checker) board(b *Board, lib *faultlib.Library) {
	b.Serial = c.line("serial", b.Serial, 1, maxSerial)
	b.Make = c.line("make", b.Make, 0, maxName)
	b.Model = c.line("model", b.Model, 0, maxName)
	c.optionalInt("series_cells", b.SeriesCells, 1, maxCells)
	c.optionalInt("parallel_cells", b.ParallelCells, 1, maxCells)
	c.oneOf("chemistry", b.Chemistry, chemistries...)
	b.Controller = c.line("controller", b.Controller, 0, maxShort)
	b.Firmware = c.line("firmware", b.Firmware, 0, maxShort)
	c.odometer("odometer_km", b.OdometerKM)
	b.Note = c.note("note", b.Note, maxLong)
	for _, id := range slices.Sorted(maps.Keys(b.Facts)) {
		c.fact("facts."+id, id, b.Facts[id], lib)
	}
}

func (c *checker) fact(field, id, value string, lib *faultlib.Library) {
	known := make([]string, 0, len(lib.Meta.BoardFacts))
	for _, f := range lib.Meta.BoardFacts {
		if f.ID == id {
			c.oneOf(field, value, f.Values...)
			return
		}
		known = append(known, f.ID)
	}
	c.failf(field, "is no board fact of the fault library; it knows %s", orList(known))
}

// owner checks an owner: an existing customer by id, or a name with a contact.
func (c *checker) owner(in *OwnerInput, at time.Time) *Customer {
	if in == nil {
		return nil
	}
	if in.ID != nil {
		if in.Name != "" || in.Contact != "" {
			c.failf("owner.id", "must stand alone: give the id of a customer, or a name and contact")
		}
		return &Customer{ID: *in.ID}
	}
	return &Customer{ID: newID(), Name: c.line("owner.name", in.Name, 1, maxName),
		Contact: c.line("owner.contact", in.Contact, 0, maxAction), CreatedAt: at}
}

// set writes a changed field.
func set[T any](to *T, ch Change[T]) {
	if ch.Set {
		*to = ch.Value
	}
}

// EditBoard changes the fields that are set in the patch.
func (s *Service) EditBoard(ctx context.Context, a Actor, id ID, p BoardPatch) (Board, error) {
	if err := a.may(mayIntake); err != nil {
		return Board{}, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Board{}, err
	}
	return again(p.Version, func() (Board, error) {
		f, err := s.store.BoardFile(ctx, a.ShopID, id)
		if err != nil {
			return Board{}, err
		}
		b := f.Board
		if p.Version != 0 && b.Version != p.Version {
			return Board{}, stale("board")
		}
		var c checker
		at := s.time()
		p.apply(&b, &c, at)
		c.board(&b, lib)
		if err := c.err(); err != nil {
			return Board{}, err
		}
		return s.store.UpdateBoard(ctx, a.ShopID, b, s.audit(a, "board.edit", "board", b.ID, map[string]any{"serial": b.Serial}))
	})
}

func (p BoardPatch) apply(b *Board, c *checker, at time.Time) {
	set(&b.Serial, p.Serial)
	set(&b.Make, p.Make)
	set(&b.Model, p.Model)
	set(&b.SeriesCells, p.SeriesCells)
	set(&b.ParallelCells, p.ParallelCells)
	set(&b.Chemistry, p.Chemistry)
	set(&b.Controller, p.Controller)
	set(&b.Firmware, p.Firmware)
	set(&b.OdometerKM, p.OdometerKM)
	set(&b.Facts, p.Facts)
	set(&b.Note, p.Note)
	if p.Owner.Set {
		b.Owner = c.owner(p.Owner.Value, at)
	}
	b.UpdatedAt = at
}

// again runs a read and write, and once more up to the number of retries when
// somebody else wrote in between and the caller gave no version to hold to.
func again[T any](version int, do func() (T, error)) (got T, err error) {
	for range retries {
		if got, err = do(); err == nil || version != 0 || !problem.Is(err, problem.Stale) {
			return got, err
		}
	}
	return got, err
}

// Boards lists boards.
func (s *Service) Boards(ctx context.Context, a Actor, f BoardFilter) (List[Board], error) {
	var c checker
	c.page(f.Page)
	f.Query = c.line("query", f.Query, 0, maxAction)
	if err := firstOf(a.may(mayRead), c.err()); err != nil {
		return List[Board]{}, err
	}
	return s.store.Boards(ctx, a.ShopID, f)
}

func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// Board returns a board with its connectors, installed parts and open job.
func (s *Service) Board(ctx context.Context, a Actor, id ID) (BoardFile, error) {
	if err := a.may(mayRead); err != nil {
		return BoardFile{}, err
	}
	return s.store.BoardFile(ctx, a.ShopID, id)
}

// BoardHistory lists all jobs of a board, newest first.
func (s *Service) BoardHistory(ctx context.Context, a Actor, id ID) ([]JobSummary, error) {
	if err := a.may(mayRead); err != nil {
		return nil, err
	}
	if _, err := s.store.BoardFile(ctx, a.ShopID, id); err != nil {
		return nil, err
	}
	return s.store.BoardJobs(ctx, a.ShopID, id)
}

// Customers lists customers whose name or contact contains the query.
func (s *Service) Customers(ctx context.Context, a Actor, query string) ([]Customer, error) {
	var c checker
	query = c.line("query", query, 0, maxAction)
	if err := firstOf(a.may(mayRead), c.err()); err != nil {
		return nil, err
	}
	return s.store.Customers(ctx, a.ShopID, query, 50)
}

// AddConnector enters a connector in the register of a board.
func (s *Service) AddConnector(ctx context.Context, a Actor, boardID ID, in ConnectorInput) (Connector, error) {
	if err := a.may(mayIntake); err != nil {
		return Connector{}, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Connector{}, err
	}
	at := s.time()
	k := Connector{ID: newID(), BoardID: boardID, Place: in.Place, Component: in.Component, Family: in.Family, Poles: in.Poles,
		Polarity: in.Polarity, PinMap: maps.Clone(in.PinMap), Sealing: in.Sealing, Note: in.Note, FittedAt: at, UpdatedAt: at, Version: 1}
	if in.FittedAt != nil {
		k.FittedAt = in.FittedAt.UTC().Truncate(time.Microsecond)
	}
	var c checker
	c.connector(&k, lib, at)
	if err := c.err(); err != nil {
		return Connector{}, err
	}
	if err := s.store.AddConnector(ctx, a.ShopID, k, s.audit(a, "connector.create", "connector", k.ID, map[string]any{"board_id": boardID, "place": k.Place})); err != nil {
		return Connector{}, err
	}
	return s.store.Connector(ctx, a.ShopID, k.ID)
}

// connector checks and trims an entry of the register.
func (c *checker) connector(k *Connector, lib *faultlib.Library, now time.Time) {
	k.Place = c.line("place", k.Place, 1, maxName)
	if k.Component != "" && lib.Component(k.Component) == nil {
		c.failf("component", "%q is no component of the fault library", k.Component)
	}
	k.Family = c.line("family", k.Family, 0, maxShort)
	c.optionalInt("poles", k.Poles, 1, 100)
	if k.Polarity == "" {
		k.Polarity = "unknown"
	}
	c.oneOf("polarity", k.Polarity, "as_marked", "reversed", "unknown")
	k.Sealing = c.line("sealing", k.Sealing, 0, maxShort)
	k.Note = c.note("note", k.Note, maxLong)
	if len(k.PinMap) > 100 {
		c.failf("pin_map", "must have at most 100 pins")
	}
	for _, pin := range slices.Sorted(maps.Keys(k.PinMap)) {
		c.line(fmt.Sprintf("pin_map.%.20s", pin), pin, 1, 20)
		k.PinMap[pin] = c.line(fmt.Sprintf("pin_map.%.20s", pin), k.PinMap[pin], 0, maxName)
	}
	if k.FittedAt.After(now) {
		c.failf("fitted_at", "must not lie in the future")
	}
	if k.RemovedAt != nil && k.RemovedAt.Before(k.FittedAt) {
		c.failf("removed_at", "must not be before fitted_at")
	}
	if k.RemovedAt != nil && k.RemovedAt.After(now) {
		c.failf("removed_at", "must not lie in the future")
	}
}

// EditConnector changes the fields that are set in the patch.
func (s *Service) EditConnector(ctx context.Context, a Actor, id ID, p ConnectorPatch) (Connector, error) {
	if err := a.may(mayIntake); err != nil {
		return Connector{}, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Connector{}, err
	}
	return again(p.Version, func() (Connector, error) {
		k, err := s.store.Connector(ctx, a.ShopID, id)
		if err != nil {
			return Connector{}, err
		}
		if p.Version != 0 && k.Version != p.Version {
			return Connector{}, stale("connector")
		}
		p.apply(&k)
		k.UpdatedAt = s.time()
		var c checker
		c.connector(&k, lib, k.UpdatedAt)
		if err := c.err(); err != nil {
			return Connector{}, err
		}
		return s.store.UpdateConnector(ctx, a.ShopID, k, s.audit(a, "connector.edit", "connector", k.ID, map[string]any{"board_id": k.BoardID, "place": k.Place}))
	})
}

func (p ConnectorPatch) apply(k *Connector) {
	set(&k.Place, p.Place)
	set(&k.Component, p.Component)
	set(&k.Family, p.Family)
	set(&k.Poles, p.Poles)
	set(&k.Polarity, p.Polarity)
	set(&k.PinMap, p.PinMap)
	set(&k.Sealing, p.Sealing)
	set(&k.Note, p.Note)
	if p.RemovedAt.Set {
		k.RemovedAt = nil
		if v := p.RemovedAt.Value; v != nil {
			t := v.UTC().Truncate(time.Microsecond)
			k.RemovedAt = &t
		}
	}
}

// Connector returns an entry of the register.
func (s *Service) Connector(ctx context.Context, a Actor, id ID) (Connector, error) {
	if err := a.may(mayRead); err != nil {
		return Connector{}, err
	}
	return s.store.Connector(ctx, a.ShopID, id)
}
