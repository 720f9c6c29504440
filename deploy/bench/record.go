package main

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// recorder captures the statements nextprobe sends, so that the bare handlers
// run the same ones.
type recorder struct {
	mu   sync.Mutex
	on   bool
	sent []exchangeSent
}

// exchangeSent is one round trip: a batch, or a single statement.
type exchangeSent struct{ statements []statement }

type statement struct {
	sql  string
	args []any
}

// TraceQueryStart captures a single statement.
func (r *recorder) TraceQueryStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceQueryStartData) context.Context {
	r.add(exchangeSent{[]statement{{d.SQL, d.Args}}})
	return ctx
}

// TraceQueryEnd does nothing.
func (*recorder) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// TraceBatchStart captures a batch.
func (r *recorder) TraceBatchStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceBatchStartData) context.Context {
	var e exchangeSent
	for _, q := range d.Batch.QueuedQueries {
		e.statements = append(e.statements, statement{q.SQL, q.Arguments})
	}
	r.add(e)
	return ctx
}

// TraceBatchQuery does nothing: the whole batch is captured at its start.
func (*recorder) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd does nothing.
func (*recorder) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

func (r *recorder) add(e exchangeSent) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.on {
		r.sent = append(r.sent, e)
	}
}

func (r *recorder) capture(do func() error) ([]exchangeSent, error) {
	r.mu.Lock()
	r.on, r.sent = true, nil
	r.mu.Unlock()
	err := do()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.on = false
	return r.sent, err
}

// recorded statements of the two requests, and the ids in them that change.
var (
	readStatements, intakeStatements []exchangeSent
	readJob, intakeBoard             shop.ID
	fixedIDs                         map[uuid.UUID]bool
	spare                            []shop.ID
	spareNext                        atomic.Int64
)

// record sends each request once, after one that warms the caches, and keeps
// what it sent to the database.
func (b *bed) record(ctx context.Context, h http.Handler) error {
	send := func(req *http.Request) func() error {
		return func() error {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, req.WithContext(ctx))
			if w.Code >= 300 {
				return fmt.Errorf("%s %s: %d: %.300s", req.Method, req.URL.Path, w.Code, w.Body)
			}
			return nil
		}
	}
	read := func() *http.Request { return b.request(http.MethodGet, "/api/v1/jobs/"+b.jobs[0].String(), nil) }
	if err := send(read())(); err != nil {
		return err
	}
	var err error
	readJob = b.jobs[0]
	if readStatements, err = b.recorder.capture(send(read())); err != nil {
		return err
	}
	if err := b.moreSpare(ctx, 2); err != nil {
		return err
	}
	if err := send(b.intake("", spare[0]))(); err != nil {
		return err
	}
	intakeBoard = spare[1]
	if intakeStatements, err = b.recorder.capture(send(b.intake("", spare[1]))); err != nil {
		return err
	}
	spareNext.Store(2)
	_, version, err := b.svc.Library(ctx, b.actor)
	fixedIDs = map[uuid.UUID]bool{b.actor.ShopID: true, version.ID: true}
	return err
}

// moreSpare makes boards without a job: an intake needs one.
func (b *bed) moreSpare(ctx context.Context, n int) error {
	for range n {
		id, err := b.addBoard(ctx, boardCount+len(spare))
		if err != nil {
			return err
		}
		spare = append(spare, id)
	}
	return nil
}

func (b *bed) intake(base string, board shop.ID) *http.Request {
	return b.request(http.MethodPost, base+"/api/v1/jobs", map[string]any{
		"board_id": board, "complaint": "Stutters after rain", "odometer_km": 512.5, "exposures": []string{"rain"}, "symptoms": []string{"stutter_at_start", "soot_at_pin"},
	})
}

// bareRoutes are the least that runs the same statements: no roles, no rules,
// no contract, no error mapping; the rows go out as JSON arrays.
func (b *bed) bareRoutes(e *echo.Echo) {
	e.GET("/api/v1/jobs/:id", func(c echo.Context) error {
		id, err := uuid.Parse(c.Param("id"))
		if err != nil {
			return err
		}
		return b.replay(c, http.StatusOK, readStatements, map[uuid.UUID]uuid.UUID{readJob: id})
	})
	e.POST("/api/v1/jobs", func(c echo.Context) error {
		var in struct {
			BoardID    uuid.UUID `json:"board_id"`
			Complaint  string    `json:"complaint"`
			OdometerKM float64   `json:"odometer_km"`
			Exposures  []string  `json:"exposures"`
			Symptoms   []string  `json:"symptoms"`
		}
		if err := c.Bind(&in); err != nil {
			return err
		}
		return b.replay(c, http.StatusCreated, intakeStatements, map[uuid.UUID]uuid.UUID{intakeBoard: in.BoardID})
	})
}

// replay runs the captured round trips with the changing ids put in: those that
// swap names, and a fresh id for each one that the captured request had made.
func (b *bed) replay(c echo.Context, status int, sent []exchangeSent, swap map[uuid.UUID]uuid.UUID) error {
	ctx := c.Request().Context()
	var out [][]any
	for _, e := range sent {
		batch := &pgx.Batch{}
		for _, s := range e.statements {
			batch.Queue(s.sql, freshArgs(s.args, swap)...)
		}
		res := b.bare.SendBatch(ctx, batch)
		for range e.statements {
			rows, err := res.Query()
			if err != nil {
				_ = res.Close()
				return err
			}
			for rows.Next() {
				v, err := rows.Values()
				if err != nil {
					return err
				}
				out = append(out, v)
			}
			if err := rows.Err(); err != nil {
				_ = res.Close()
				return err
			}
		}
		if err := res.Close(); err != nil {
			return err
		}
	}
	return c.JSON(status, out)
}

func freshArgs(args []any, swap map[uuid.UUID]uuid.UUID) []any {
	fresh := make([]any, len(args))
	for i, a := range args {
		fresh[i] = a
		id, ok := a.(uuid.UUID)
		if p, isPtr := a.(*uuid.UUID); isPtr && p != nil {
			id, ok = *p, true
		}
		if !ok || fixedIDs[id] {
			continue
		}
		to, known := swap[id]
		if !known {
			to = uuid.Must(uuid.NewV7())
			swap[id] = to
		}
		fresh[i] = to
	}
	return fresh
}
