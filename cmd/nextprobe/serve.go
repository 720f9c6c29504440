package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"
	"github.com/spf13/cobra"

	"nextprobe/api"
	"nextprobe/internal/httpkit"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/web"
)

func serveCommand() *cobra.Command {
	return &cobra.Command{
		Use: "serve", Short: "Serve the pages and the REST service", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return asServer(cmd, "My shop", func(a *app, svc *shop.Service, s shop.Shop) error {
				hint, err := firstUserHint(cmd.Context(), svc, s)
				if err != nil {
					return err
				}
				return a.serve(cmd.Context(), svc, s, func(addr string) error {
					_, err := fmt.Fprintf(cmd.OutOrStdout(), "nextprobe serves at %s\n%s", addr, hint)
					return err
				})
			})
		},
	}
}

// asServer runs do with the data folder to itself and the default shop, which
// gets the name when it is made now.
func asServer(cmd *cobra.Command, name string, do func(*app, *shop.Service, shop.Shop) error) error {
	a, err := openApp(cmd.Context(), cmd, exclusive)
	if err != nil {
		return err
	}
	defer a.close()
	svc := shop.New(a.store, shop.Options{})
	s, err := svc.Setup(cmd.Context(), defaultShop, name)
	if err != nil {
		return err
	}
	return do(a, svc, s)
}

// firstUserHint says how to sign in when nobody can yet; otherwise it is empty.
func firstUserHint(ctx context.Context, svc *shop.Service, s shop.Shop) (string, error) {
	users, err := svc.Users(ctx, shop.Actor{ShopID: s.ID, Name: "command line", Role: shop.Owner})
	if err != nil || len(users) > 0 {
		return "", err
	}
	return "Nobody can sign in yet. In another terminal, with the same --data:\n  nextprobe user add --login NAME --role owner\n", nil
}

// newEcho wires REST and pages into one handler.
func (a *app) newEcho(svc *shop.Service, s shop.Shop) (*echo.Echo, error) {
	e := echo.New()
	metrics := httpkit.NewMetrics(a.store.Collector())
	var pages *web.Pages
	httpkit.Setup(e, a.log, metrics, func(c echo.Context, status int, doc httpkit.Document) error {
		return pages.RenderError(c, status, &problem.Error{Message: doc.Detail, Fields: doc.Errors}, doc.RequestID)
	})
	sessions := scs.New()
	sessions.Store = a.store.Sessions()
	sessions.Lifetime = a.cfg.Session
	if err := api.Register(e, svc, api.Options{Ready: a.store.Ping, Metrics: metrics, MaxBody: a.cfg.BodyLimit}); err != nil {
		return nil, err
	}
	pages = web.Register(e, svc, sessions, web.Options{ShopID: s.ID, BaseURL: a.cfg.BaseURL, Secure: a.cfg.SecureCookies})
	return e, nil
}

// serve listens until ctx ends; ready is called once the address answers. When
// the embedded database ends under it, serve ends with an error, so that whoever
// supervises the program starts both anew.
func (a *app) serve(ctx context.Context, svc *shop.Service, s shop.Shop, ready func(addr string) error) error {
	e, err := a.newEcho(svc, s)
	if err != nil {
		return err
	}
	ln, err := (&net.ListenConfig{}).Listen(ctx, "tcp", a.cfg.Listen)
	if err != nil {
		return fmt.Errorf("listen on %s (set --listen or NEXTPROBE_LISTEN): %w", a.cfg.Listen, err)
	}
	srv := httpkit.Server(a.cfg.Listen, e, a.log)
	tidy, stopTidy := context.WithCancel(ctx)
	defer stopTidy()
	go a.tidy(tidy)
	stopWork, err := a.work(ctx, svc)
	if err != nil {
		return errors.Join(err, ln.Close())
	}
	defer stopWork()
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(ln) }()
	if err := ready("http://" + ln.Addr().String()); err != nil {
		_ = srv.Close()
		return err
	}
	select {
	case err := <-failed:
		return err
	case <-a.databaseEnded():
		_ = srv.Close() // No request can be answered any more.
		return problem.New(problem.Unavailable, "The embedded database has ended by itself; %s tells why. Start nextprobe again: the database recovers all that was saved.",
			filepath.Join(a.cfg.Data, "postgres.log"))
	case <-ctx.Done():
	}
	a.log.Info("shutting down")
	down, cancel := context.WithTimeout(context.WithoutCancel(ctx), a.cfg.Shutdown)
	defer cancel()
	if err := srv.Shutdown(down); err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("requests still running were cut off: %w", err)
	}
	return nil
}

// work starts to judge the jobs whose waiting time is over and to look at the figures
// behind the alerts, in the background; the function returned lets work under way finish.
func (a *app) work(ctx context.Context, svc *shop.Service) (stop func(), err error) {
	w, err := a.store.Work(ctx, func(ctx context.Context, shopID, jobID shop.ID) (time.Time, error) {
		return svc.LearnFromJob(ctx, shop.Learner(shopID), jobID)
	}, store.WorkOptions{CheckAlerts: func(ctx context.Context, shopID shop.ID, since time.Time) error {
		return svc.CheckAlerts(ctx, shop.Watcher(shopID), since)
	}})
	if err != nil {
		return nil, err
	}
	return func() {
		down, cancel := context.WithTimeout(context.WithoutCancel(ctx), a.cfg.Shutdown)
		defer cancel()
		if err := w.Stop(down); err != nil {
			a.log.Warn("stop the work in the background; the queue gives it out again", "error", err)
		}
	}, nil
}

// databaseEnded is closed when the embedded database has ended. A database
// elsewhere is its own supervisor's business: nil, which never comes.
func (a *app) databaseEnded() <-chan struct{} {
	if a.pg == nil {
		return nil
	}
	return a.pg.Done()
}

// tidy removes what has run out: sign-in sessions and remembered answers to
// POSTs. It runs once at the start and then each hour.
func (a *app) tidy(ctx context.Context) {
	every := time.NewTicker(time.Hour)
	defer every.Stop()
	for {
		_, err := a.store.Sessions().DeleteExpired(ctx)
		if err == nil {
			_, err = a.store.ForgetAnswers(ctx, time.Now())
		}
		if err != nil && ctx.Err() == nil {
			a.log.Warn("tidy the database", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-every.C:
		}
	}
}
