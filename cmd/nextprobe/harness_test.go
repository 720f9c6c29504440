package main

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"nextprobe/internal/config"
	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/storetest"
)

// site is the whole program as serve wires it, on a database of its own.
type site struct {
	url   string
	svc   *shop.Service
	owner shop.Actor
	board shop.Board
	part  shop.Part
}

const (
	testLogin    = "runa"
	testPassword = "a lantern by the harbour"
)

func newSite(t *testing.T) *site {
	t.Helper()
	ctx := context.Background()
	st, err := store.Open(ctx, storetest.URL(t), store.Options{MaxConns: 8, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	a := &app{cfg: config.Config{BodyLimit: 1 << 20, Session: time.Hour, Shutdown: 5 * time.Second}, log: slog.New(slog.DiscardHandler), store: st}
	svc := shop.New(st, shop.Options{})
	s, err := svc.Setup(ctx, defaultShop, "Puddle Lane Board Works")
	if err != nil {
		t.Fatal(err)
	}
	e, err := a.newEcho(svc, s)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(http.Handler(e))
	t.Cleanup(srv.Close)
	w := &site{url: srv.URL, svc: svc, owner: shop.Actor{ShopID: s.ID, Name: "test", Role: shop.Owner}}
	w.seed(t)
	return w
}

// seed makes one user, one board with its motor connector, and one part.
func (w *site) seed(t *testing.T) {
	t.Helper()
	ctx := context.Background()
	if _, err := w.svc.AddUser(ctx, w.owner, testLogin, "Runa Applewhistle", shop.Owner, testPassword); err != nil {
		t.Fatal(err)
	}
	series, poles := 20, 3
	var err error
	w.board, err = w.svc.AddBoard(ctx, w.owner, shop.BoardInput{Serial: "FT-1740", Make: "Fennmark", Model: "Otterling 20", SeriesCells: &series,
		Chemistry: "layered_oxide", Owner: &shop.OwnerInput{Name: "Anwen Copperfen", Contact: "+00 555 0120"}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err = w.svc.AddConnector(ctx, w.owner, w.board.ID, shop.ConnectorInput{Place: "motor cable, phases", Component: "phase_connector", Family: "Larch-60", Poles: &poles, Polarity: "unknown", Sealing: "sleeve"}); err != nil {
		t.Fatal(err)
	}
	w.part, err = w.svc.AddPart(ctx, w.owner, shop.PartInput{Number: "CN-PH4", Name: "Phase contact set", Component: "phase_connector", Currency: "EUR", Stock: 5})
	if err != nil {
		t.Fatal(err)
	}
}
