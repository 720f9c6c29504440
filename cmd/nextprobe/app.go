package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"github.com/spf13/cobra"

	"nextprobe/internal/config"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/pgserver"
)

// defaultShop is the slug of the shop that a fresh start makes (contract).
const defaultShop = "default"

// app is what every command that touches the database needs.
type app struct {
	cfg   config.Config
	log   *slog.Logger
	pg    *pgserver.Server // nil with an external database, or beside a running server
	store *store.Store
}

// databaseMode says what a command does when the embedded database is already
// in use by a running server.
type databaseMode int

const (
	// exclusive: the command is the server; a second start is refused.
	exclusive databaseMode = iota
	// beside: the command also works beside a running server, on its socket.
	beside
)

// loadConfig reads file, environment and flags; its mistakes are wrong use.
func loadConfig(cmd *cobra.Command) (config.Config, *slog.Logger, error) {
	cfg, err := config.Load(cmd.Flags())
	if err != nil {
		return cfg, nil, usageError{err}
	}
	return cfg, newLogger(cfg), nil
}

func newLogger(cfg config.Config) *slog.Logger {
	opt := &slog.HandlerOptions{Level: cfg.LogLevel}
	if cfg.LogFormat == "json" {
		return slog.New(slog.NewJSONHandler(os.Stderr, opt))
	}
	return slog.New(slog.NewTextHandler(os.Stderr, opt))
}

// databaseURL finds or starts the database.
func (a *app) databaseURL(ctx context.Context, mode databaseMode) (string, error) {
	if a.cfg.DatabaseURL != "" {
		return a.cfg.DatabaseURL, nil
	}
	pg, err := pgserver.Start(ctx, pgserver.Options{Dir: a.cfg.Data, Log: a.log})
	if err == nil {
		a.pg = pg
		return pg.URL(), nil
	}
	if mode == beside && errors.Is(err, pgserver.ErrInUse) {
		return pgserver.RunningURL(a.cfg.Data)
	}
	return "", err
}

// openApp opens the database, brings the schema up and returns the app. Close it.
func openApp(ctx context.Context, cmd *cobra.Command, mode databaseMode) (*app, error) {
	cfg, log, err := loadConfig(cmd)
	if err != nil {
		return nil, err
	}
	a := &app{cfg: cfg, log: log}
	if err := a.open(ctx, mode); err != nil {
		a.close()
		return nil, err
	}
	return a, nil
}

func (a *app) open(ctx context.Context, mode databaseMode) error {
	url, err := a.databaseURL(ctx, mode)
	if err != nil {
		return err
	}
	if err := store.Migrate(ctx, url); err != nil {
		return fmt.Errorf("bring the database schema up to date: %w", err)
	}
	a.store, err = store.Open(ctx, url, store.Options{MaxConns: a.cfg.MaxConns, Log: a.log})
	return err
}

// close releases the database; it outlives a cancelled command.
func (a *app) close() {
	if a.store != nil {
		a.store.Close()
	}
	if a.pg != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		if err := a.pg.Stop(ctx); err != nil {
			a.log.Error("stop the embedded database", "error", err)
		}
	}
}

// shopActor returns the use cases and an owner's view of the shop, for commands
// run by whoever holds the data folder.
func (a *app) shopActor(ctx context.Context, slug string) (*shop.Service, shop.Actor, error) {
	svc := shop.New(a.store, shop.Options{})
	s, err := a.store.ShopBySlug(ctx, slug)
	if problem.Is(err, problem.NotFound) && slug == defaultShop {
		s, err = svc.Setup(ctx, defaultShop, "My shop")
	}
	if err != nil {
		return nil, shop.Actor{}, err
	}
	return svc, shop.Actor{ShopID: s.ID, Name: "command line", Role: shop.Owner}, nil
}
