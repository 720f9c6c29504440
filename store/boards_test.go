package store_test

import (
	"fmt"
	"testing"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func TestBoardComesBackAsWritten(t *testing.T) {
	t.Parallel()
	b := setup(t)
	want := shop.Board{ID: newID(), Serial: "NP-0002", Make: "Invented", Model: "Two", SeriesCells: ptr(20), ParallelCells: ptr(4),
		Chemistry: "layered_oxide", Controller: "C1", Firmware: "1.2", OdometerKM: ptr(12.5), Facts: map[string]string{"motor_plug": "internal"},
		Owner: &shop.Customer{ID: newID(), Name: "Lee Invented", Contact: "bell 4", CreatedAt: t0}, Note: "blue", CreatedAt: t0, UpdatedAt: t0, Version: 1}
	b.ok(b.store.AddBoard(b.ctx, b.shop.ID, want, b.audit("board.create", want.ID)))
	f, err := b.store.BoardFile(b.ctx, b.shop.ID, want.ID)
	b.ok(err)
	same(t, f.Board, want)
	if f.OpenJob != nil || len(f.Connectors)+len(f.Installed) > 0 {
		t.Errorf("a new board carries %+v", f)
	}

	edit := want
	edit.SeriesCells, edit.Chemistry, edit.OdometerKM, edit.Note = nil, "", nil, "green"
	edit.Owner = &shop.Customer{ID: want.Owner.ID, Name: "Lee Renamed", Contact: "bell 5"}
	got, err := b.store.UpdateBoard(b.ctx, b.shop.ID, edit, b.audit("board.edit", want.ID))
	b.ok(err)
	edit.Version = 2
	edit.Owner.CreatedAt = t0
	same(t, got, edit)

	_, err = b.store.UpdateBoard(b.ctx, b.shop.ID, want, b.audit("board.edit", want.ID))
	refused(t, err, problem.Stale, "")
	want.ID = newID()
	_, err = b.store.UpdateBoard(b.ctx, b.shop.ID, want, b.audit("board.edit", want.ID))
	refused(t, err, problem.NotFound, "")
	edit.Serial = "np-0001"
	_, err = b.store.UpdateBoard(b.ctx, b.shop.ID, edit, b.audit("board.edit", edit.ID))
	refused(t, err, problem.Conflict, "serial")

	customers, err := b.store.Customers(b.ctx, b.shop.ID, "RENAMED", 10)
	b.ok(err)
	if len(customers) != 1 || customers[0].Contact != "bell 5" {
		t.Errorf("customers %+v", customers)
	}
	// Another board of the same customer, by id only.
	second := shop.Board{ID: newID(), Serial: "NP-0003", Owner: &shop.Customer{ID: edit.Owner.ID}, CreatedAt: t0}
	b.ok(b.store.AddBoard(b.ctx, b.shop.ID, second, b.audit("board.create", second.ID)))
	f, err = b.store.BoardFile(b.ctx, b.shop.ID, second.ID)
	b.ok(err)
	same(t, f.Board.Owner, edit.Owner)
	log, err := b.store.Audit(b.ctx, b.shop.ID, edit.ID, shop.Page{})
	b.ok(err)
	if len(log.Items) != 2 {
		t.Errorf("refused edits are in the log: %+v", log.Items)
	}
}

func TestBoardsWithoutSerial(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for range 2 {
		b.addBoard("", t0)
	}
	list, err := b.store.Boards(b.ctx, b.shop.ID, shop.BoardFilter{})
	b.ok(err)
	if len(list.Items) != 3 {
		t.Errorf("%d boards, want 3", len(list.Items))
	}
}

func TestBoardsSearch(t *testing.T) {
	t.Parallel()
	b := setup(t)
	odd := shop.Board{ID: newID(), Serial: `50%_off\`, Make: "Sample", Model: "Wave", Owner: &shop.Customer{ID: newID(), Name: "Robin Invented"}, CreatedAt: t0}
	b.ok(b.store.AddBoard(b.ctx, b.shop.ID, odd, b.audit("board.create", odd.ID)))
	tests := []struct {
		query string
		want  int
	}{
		{"", 2}, {"  ", 2}, {"np-00", 1}, {"sample wave", 1}, {"ROBIN", 1}, {"invented", 2},
		{"%", 1}, {"_", 1}, {`\`, 1}, {"50x", 0}, {"nothing", 0},
	}
	for _, tt := range tests {
		list, err := b.store.Boards(b.ctx, b.shop.ID, shop.BoardFilter{Query: tt.query})
		b.ok(err)
		if len(list.Items) != tt.want {
			t.Errorf("%q finds %d boards, want %d", tt.query, len(list.Items), tt.want)
		}
	}
}

// collect reads all pages of a list.
func collect[T any](t *testing.T, limit int, read func(shop.Page) (shop.List[T], error)) (all []T, pages int) {
	t.Helper()
	p := shop.Page{Limit: limit}
	for {
		l, err := read(p)
		if err != nil {
			t.Fatal(err)
		}
		if len(l.Items) > limit {
			t.Fatalf("a page of %d with limit %d", len(l.Items), limit)
		}
		all = append(all, l.Items...)
		pages++
		if l.Next == "" {
			return all, pages
		}
		p.Cursor = l.Next
	}
}

func TestPages(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for n := 2; n <= 6; n++ {
		board := b.addBoard(fmt.Sprintf("NP-%04d", n), t0)
		b.openJob(board.ID, days(float64(n)), nil)
		part := shop.Part{ID: newID(), Number: fmt.Sprintf("P-%d", n), Name: "Part", Currency: "EUR", CreatedAt: t0}
		b.ok(b.store.AddPart(b.ctx, b.shop.ID, part, nil, b.audit("part.create", part.ID)))
		_, err := b.store.Move(b.ctx, b.shop.ID, shop.Movement{PartID: b.part.ID, Quantity: n, Reason: "received", At: t0}, b.audit("part.move", b.part.ID))
		b.ok(err)
	}
	var got []string
	boards, pages := collect(t, 2, func(p shop.Page) (shop.List[shop.Board], error) {
		return b.store.Boards(b.ctx, b.shop.ID, shop.BoardFilter{Page: p})
	})
	for _, v := range boards {
		got = append(got, v.Serial)
	}
	same(t, got, []string{"NP-0001", "NP-0002", "NP-0003", "NP-0004", "NP-0005", "NP-0006"})
	if pages != 3 {
		t.Errorf("%d pages, want 3: a full last page has no next", pages)
	}
	var numbers []int
	jobs, _ := collect(t, 2, func(p shop.Page) (shop.List[shop.JobSummary], error) {
		return b.store.Jobs(b.ctx, b.shop.ID, shop.JobFilter{Page: p})
	})
	for _, v := range jobs {
		numbers = append(numbers, v.Job.Number)
	}
	same(t, numbers, []int{5, 4, 3, 2, 1})
	got = nil
	parts, _ := collect(t, 4, func(p shop.Page) (shop.List[shop.Part], error) {
		return b.store.Parts(b.ctx, b.shop.ID, shop.PartFilter{Page: p})
	})
	for _, v := range parts {
		got = append(got, v.Number)
	}
	same(t, got, []string{"MC-3", "P-2", "P-3", "P-4", "P-5", "P-6"})
	numbers = nil
	moves, _ := collect(t, 2, func(p shop.Page) (shop.List[shop.Movement], error) {
		return b.store.Movements(b.ctx, b.shop.ID, b.part.ID, p)
	})
	for _, v := range moves {
		numbers = append(numbers, v.Balance)
	}
	same(t, numbers, []int{20, 14, 9, 5, 2})
	// All entries have one time: the id alone orders them.
	log, _ := collect(t, 2, func(p shop.Page) (shop.List[shop.AuditEvent], error) {
		return b.store.Audit(b.ctx, b.shop.ID, b.part.ID, p)
	})
	if len(log) != 6 {
		t.Errorf("%d log entries, want 6", len(log))
	}
}

func TestBadPages(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.addBoard("NP-0002", t0)
	first, err := b.store.Boards(b.ctx, b.shop.ID, shop.BoardFilter{Page: shop.Page{Limit: 1}})
	b.ok(err)
	lists := map[string]func(shop.Page) error{
		"boards": func(p shop.Page) error {
			_, err := b.store.Boards(b.ctx, b.shop.ID, shop.BoardFilter{Page: p})
			return err
		},
		"parts": func(p shop.Page) error {
			_, err := b.store.Parts(b.ctx, b.shop.ID, shop.PartFilter{Page: p})
			return err
		},
		"jobs":      func(p shop.Page) error { _, err := b.store.Jobs(b.ctx, b.shop.ID, shop.JobFilter{Page: p}); return err },
		"movements": func(p shop.Page) error { _, err := b.store.Movements(b.ctx, b.shop.ID, b.part.ID, p); return err },
		"audit":     func(p shop.Page) error { _, err := b.store.Audit(b.ctx, b.shop.ID, b.part.ID, p); return err },
	}
	for name, read := range lists {
		t.Run(name, func(t *testing.T) {
			for _, cursor := range []string{"???", "bm90IGpzb24", "WzEsMl0", "W10"} {
				refused(t, read(shop.Page{Cursor: cursor}), problem.Invalid, "cursor")
			}
			if name != "boards" {
				refused(t, read(shop.Page{Cursor: first.Next}), problem.Invalid, "cursor")
			}
			for _, limit := range []int{-1, 201} {
				refused(t, read(shop.Page{Limit: limit}), problem.Invalid, "limit")
			}
			if err := read(shop.Page{Limit: 200}); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestConnectors(t *testing.T) {
	t.Parallel()
	b := setup(t)
	want := shop.Connector{ID: newID(), BoardID: b.board.ID, Place: "left motor", Component: "motor_connector", Family: "M3", Poles: ptr(3),
		Polarity: "as_marked", PinMap: map[string]string{"1": "yellow, phase A"}, Sealing: "gasket", Note: "n", FittedAt: days(-20), UpdatedAt: t0, Version: 1}
	b.ok(b.store.AddConnector(b.ctx, b.shop.ID, want, b.audit("connector.add", want.ID)))
	second := shop.Connector{ID: newID(), BoardID: b.board.ID, Place: "battery", Polarity: "reversed", FittedAt: days(-10), UpdatedAt: t0, Version: 1,
		PinMap: map[string]string{}}
	b.ok(b.store.AddConnector(b.ctx, b.shop.ID, second, b.audit("connector.add", second.ID)))
	got, err := b.store.Connector(b.ctx, b.shop.ID, want.ID)
	b.ok(err)
	same(t, got, want)

	edit := second
	edit.RemovedAt, edit.Polarity = ptr(days(-1)), "as_marked"
	got, err = b.store.UpdateConnector(b.ctx, b.shop.ID, edit, b.audit("connector.edit", second.ID))
	b.ok(err)
	edit.Version = 2
	same(t, got, edit)
	_, err = b.store.UpdateConnector(b.ctx, b.shop.ID, second, b.audit("connector.edit", second.ID))
	refused(t, err, problem.Stale, "")

	f, err := b.store.BoardFile(b.ctx, b.shop.ID, b.board.ID)
	b.ok(err)
	same(t, f.Connectors, []shop.Connector{want, edit}) // The removed one comes last.

	second.ID, second.BoardID = newID(), newID()
	refused(t, b.store.AddConnector(b.ctx, b.shop.ID, second, b.audit("connector.add", second.ID)), problem.NotFound, "")
	second.BoardID, second.Polarity = b.board.ID, "fine"
	refused(t, b.store.AddConnector(b.ctx, b.shop.ID, second, b.audit("connector.add", second.ID)), problem.Invalid, "polarity")
	edit.RemovedAt = ptr(days(-30))
	_, err = b.store.UpdateConnector(b.ctx, b.shop.ID, edit, b.audit("connector.edit", edit.ID))
	refused(t, err, problem.Invalid, "removed_at")
}
