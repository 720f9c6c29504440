package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"

	"nextprobe/api"
	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/pgserver"
)

// bed is the test bed: one database, nextprobe's handlers and bare ones, both
// in this process on loopback.
type bed struct {
	dir        string
	pg         *pgserver.Server
	store      *store.Store
	bare       *pgxpool.Pool
	svc        *shop.Service
	actor      shop.Actor
	token      string
	recorder   *recorder
	jobs       []shop.ID
	base       string
	servers    []*http.Server
	jobsServed atomic.Uint64
}

func newBed(ctx context.Context, log *slog.Logger) (*bed, error) {
	b := &bed{recorder: &recorder{}}
	if err := b.open(ctx, log); err != nil {
		b.close()
		return nil, err
	}
	if err := b.seed(ctx); err != nil {
		b.close()
		return nil, fmt.Errorf("seed: %w", err)
	}
	if err := b.listen(ctx, log); err != nil {
		b.close()
		return nil, err
	}
	return b, nil
}

func (b *bed) open(ctx context.Context, log *slog.Logger) (err error) {
	if b.dir, err = os.MkdirTemp("", "nextprobe-bed-"); err != nil {
		return err
	}
	if err = os.Chmod(b.dir, 0o755); err != nil {
		return err
	}
	if b.pg, err = pgserver.Start(ctx, pgserver.Options{Dir: b.dir, Log: log}); err != nil {
		return err
	}
	if err = store.Migrate(ctx, b.pg.URL()); err != nil {
		return err
	}
	if b.store, err = store.Open(ctx, b.pg.URL(), store.Options{MaxConns: clients, Log: log, Tracer: b.recorder}); err != nil {
		return err
	}
	cfg, err := pgxpool.ParseConfig(b.pg.URL())
	if err != nil {
		return err
	}
	cfg.MaxConns = clients
	b.bare, err = pgxpool.NewWithConfig(ctx, cfg)
	return err
}

// seed makes boards with a realistic job each: symptoms, measurements, access.
func (b *bed) seed(ctx context.Context) error {
	b.svc = shop.New(b.store, shop.Options{})
	s, err := b.svc.Setup(ctx, "bench", "Bench")
	if err != nil {
		return err
	}
	b.actor = shop.Actor{ShopID: s.ID, Name: "bench", Role: shop.Owner}
	if _, b.token, err = b.svc.AddToken(ctx, b.actor, "bench", shop.Owner); err != nil {
		return err
	}
	for i := range boardCount {
		id, err := b.addBoard(ctx, i)
		if err != nil {
			return err
		}
		job, err := b.svc.OpenJob(ctx, b.actor, shop.JobInput{BoardID: id, Complaint: "Stutters after rain", Exposures: []string{"rain"}, Symptoms: []string{"stutter_at_start", "soot_at_pin"}})
		if err != nil {
			return err
		}
		if _, err := b.svc.MoveJob(ctx, b.actor, job.ID, shop.Diagnosing, ""); err != nil {
			return err
		}
		for _, o := range observed[:6] {
			if _, err := b.svc.Observe(ctx, b.actor, job.ID, o); err != nil {
				return err
			}
		}
		b.jobs = append(b.jobs, job.ID)
	}
	return nil
}

// observed are the findings of the benchmark's jobs; taken from the front they
// give from two to twelve abnormal ones with the two symptoms of the intake.
var observed = []shop.ObservationInput{
	{Measurement: "pack_heat_triage", Outcome: "normal"},
	{Measurement: "wheel_hand_spin", Outcome: "normal"},
	{Measurement: "fault_log_read", Outcome: "over_current"},
	{Measurement: "phase_resistance_3", Readings: map[string]any{"r_ab": "112 mohm", "r_bc": 100, "r_ca": 112, "t_wind_c": 20, "r_model_20": 100, "flex_change_pct": 0}},
	{Measurement: "motor_ident", Outcome: "failed"},
	{Measurement: "phase_connector_visual", Outcome: "heat_marks"},
	present("vibration_riding"), present("weak_power"), present("smell_burnt"), present("housing_melted"),
	present("green_corrosion"), present("moisture_in_box"), present("fault_code"), present("overheat_warning"),
}

func present(symptom string) shop.ObservationInput {
	yes := true
	return shop.ObservationInput{Symptom: symptom, Present: &yes}
}

func (b *bed) addBoard(ctx context.Context, i int) (shop.ID, error) {
	series := 20
	board, err := b.svc.AddBoard(ctx, b.actor, shop.BoardInput{Serial: fmt.Sprintf("BENCH-%06d", i), Make: "Fennmark", Model: "Otterling 20", SeriesCells: &series})
	return board.ID, err
}

// listen serves both sides.
func (b *bed) listen(ctx context.Context, log *slog.Logger) error {
	e := echo.New()
	httpkit.Setup(e, log, httpkit.NewMetrics(), nil)
	if err := api.Register(e, b.svc, api.Options{Ready: b.store.Ping}); err != nil {
		return err
	}
	if err := b.record(ctx, e); err != nil {
		return err
	}
	plain := echo.New()
	b.bareRoutes(plain)
	for _, h := range []http.Handler{e, plain} {
		ln, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
		if err != nil {
			return err
		}
		srv := &http.Server{Handler: h, ReadHeaderTimeout: time.Minute}
		b.servers = append(b.servers, srv)
		go func() {
			if err := srv.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
				log.Error("bench server", "error", err)
			}
		}()
		if h == http.Handler(e) {
			b.base = "http://" + ln.Addr().String()
		} else {
			bareBase = "http://" + ln.Addr().String()
		}
	}
	return nil
}

var bareBase string

func (b *bed) request(method, url string, body any) *http.Request {
	var buf bytes.Buffer
	if body != nil {
		if err := json.NewEncoder(&buf).Encode(body); err != nil {
			panic(err) // the bodies are literals of this program
		}
	}
	req, err := http.NewRequestWithContext(context.Background(), method, url, &buf)
	if err != nil {
		panic(err)
	}
	req.Header.Set("Authorization", "Bearer "+b.token)
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	return req
}

// nextJob walks through the seeded jobs.
func (b *bed) nextJob() shop.ID {
	return b.jobs[b.jobsServed.Add(1)%uint64(len(b.jobs))]
}

func (b *bed) close() {
	for _, s := range b.servers {
		_ = s.Close()
	}
	b.servers = nil
	if b.bare != nil {
		b.bare.Close()
	}
	if b.store != nil {
		b.store.Close()
	}
	b.bare, b.store = nil, nil
	if b.pg != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		_ = b.pg.Stop(ctx)
		b.pg = nil
	}
	if b.dir != "" {
		_ = os.RemoveAll(b.dir)
	}
}
