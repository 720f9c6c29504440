package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/labstack/echo/v4"

	"nextprobe/api"
	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/storetest"
)

var _ api.Service = (*shop.Service)(nil)

// contract is the published document, read once, with its router.
var contract = sync.OnceValue(func() (c struct {
	doc    *openapi3.T
	router routers.Router
}) {
	doc, err := openapi3.NewLoader().LoadFromData(api.Contract)
	if err != nil {
		panic(err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		panic(err)
	}
	c.doc = doc
	if c.router, err = legacy.NewRouter(doc); err != nil {
		panic(err)
	}
	return c
})

// exercised notes which operations were answered with success and with a refusal.
var exercised = struct {
	sync.Mutex
	ok, refused map[string]int
}{ok: map[string]int{}, refused: map[string]int{}}

// TestMain fails a full run that left an operation of the contract without a
// successful request; the table is printed with -v.
func TestMain(m *testing.M) {
	code := m.Run()
	if code == 0 && flag.Lookup("test.run").Value.String() == "" && flag.Lookup("test.bench").Value.String() == "" {
		for _, op := range operations() {
			id := op.OperationID
			if testing.Verbose() {
				fmt.Fprintf(os.Stdout, "%-24s %4d answered %4d refused\n", id, exercised.ok[id], exercised.refused[id])
			}
			if exercised.ok[id] == 0 {
				fmt.Fprintf(os.Stdout, "FAIL: no test exercises %s with success\n", id)
				code = 1
			}
		}
	}
	os.Exit(code)
}

func operations() []*openapi3.Operation {
	var out []*openapi3.Operation
	doc := contract().doc
	for _, path := range doc.Paths.InMatchingOrder() {
		for _, op := range doc.Paths.Value(path).Operations() {
			out = append(out, op)
		}
	}
	return out
}

// bench is a shop behind the REST service, with a token for every role.
type bench struct {
	t       testing.TB
	store   *store.Store
	svc     *shop.Service
	shop    shop.Shop
	owner   shop.Actor
	handler http.Handler
	tokens  map[shop.Role]string
	log     *lockedBuffer
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func setup(t testing.TB) *bench {
	t.Helper()
	return setupWith(t, api.Options{TokenTTL: -1})
}

func setupWith(t testing.TB, opt api.Options) *bench {
	t.Helper()
	s := storetest.New(t)
	b := &bench{t: t, store: s, svc: shop.New(s, shop.Options{}), log: &lockedBuffer{}}
	if opt.Ready == nil {
		opt.Ready = s.Ping
	}
	opt.Metrics = httpkit.NewMetrics()
	e := echo.New()
	httpkit.Setup(e, slog.New(slog.NewTextHandler(b.log, nil)), opt.Metrics, nil)
	if err := api.Register(e, b.svc, opt); err != nil {
		t.Fatal(err)
	}
	b.handler = e
	b.open("default")
	return b
}

// open makes the shop that the bench works in.
func (b *bench) open(slug string) {
	b.t.Helper()
	sh, err := b.svc.Setup(context.Background(), slug, "Invented shop "+slug)
	if err != nil {
		b.t.Fatal(err)
	}
	b.shop = sh
	b.owner = shop.Actor{ShopID: sh.ID, Name: "setup", Role: shop.Owner}
	b.tokens = map[shop.Role]string{}
	for _, r := range []shop.Role{shop.Owner, shop.Technician, shop.Counter} {
		_, secret, err := b.svc.AddToken(context.Background(), b.owner, "the "+string(r), r)
		if err != nil {
			b.t.Fatal(err)
		}
		b.tokens[r] = secret
	}
}

// neighbour is another shop behind the same service.
func (b *bench) neighbour() *bench {
	b.t.Helper()
	n := *b
	n.open("neighbour")
	return &n
}

type option func(*http.Request)

func header(name, value string) option {
	return func(r *http.Request) { r.Header.Set(name, value) }
}

func (b *bench) as(role shop.Role) option {
	return header("Authorization", "Bearer "+b.tokens[role])
}

// reply is an answer that keeps to the contract.
type reply struct {
	t      testing.TB
	status int
	header http.Header
	raw    []byte
	body   any
}

// send sends a request as the owner unless an option says otherwise, and checks
// the answer against the contract. A body that is a string is sent as it stands.
func (b *bench) send(method, path string, body any, opts ...option) *reply {
	b.t.Helper()
	r := b.request(method, path, body, opts...)
	route, params, err := contract().router.FindRoute(r)
	w := httptest.NewRecorder()
	b.handler.ServeHTTP(w, r)
	res := &reply{t: b.t, status: w.Code, header: w.Header(), raw: w.Body.Bytes()}
	if strings.Contains(w.Header().Get("Content-Type"), "json") {
		d := json.NewDecoder(bytes.NewReader(res.raw))
		if err := d.Decode(&res.body); err != nil {
			b.t.Fatalf("%s %s: %v in %s", method, path, err, res.raw)
		}
	}
	if err != nil { // not in the contract: nothing to keep to
		return res
	}
	in := &openapi3filter.RequestValidationInput{Request: r, Route: route, PathParams: params}
	err = openapi3filter.ValidateResponse(r.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: in, Status: w.Code, Header: w.Header(), Body: io.NopCloser(bytes.NewReader(res.raw)),
		Options: &openapi3filter.Options{IncludeResponseStatus: true},
	})
	if err != nil {
		b.t.Fatalf("%s %s answers outside the contract: %v\n%s", method, path, err, res.raw)
	}
	exercised.Lock()
	defer exercised.Unlock()
	if w.Code < 300 {
		exercised.ok[route.Operation.OperationID]++
	} else {
		exercised.refused[route.Operation.OperationID]++
	}
	return res
}

func (b *bench) request(method, path string, body any, opts ...option) *http.Request {
	b.t.Helper()
	var payload []byte
	switch v := body.(type) {
	case nil:
	case string:
		payload = []byte(v)
	default:
		var err error
		if payload, err = json.Marshal(v); err != nil {
			b.t.Fatal(err)
		}
	}
	r := httptest.NewRequest(method, path, bytes.NewReader(payload))
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	b.as(shop.Owner)(r)
	for _, o := range opts {
		o(r)
	}
	return r
}

// do sends a request that keeps to the contract and expects the status.
func (b *bench) do(method, path string, body any, status int, opts ...option) *reply {
	b.t.Helper()
	r := b.request(method, path, body, opts...)
	route, params, err := contract().router.FindRoute(r)
	if err != nil {
		b.t.Fatalf("%s %s is not in the contract: %v", method, path, err)
	}
	err = openapi3filter.ValidateRequest(r.Context(), &openapi3filter.RequestValidationInput{
		Request: r, Route: route, PathParams: params, Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc},
	})
	if err != nil {
		b.t.Fatalf("%s %s asks outside the contract: %v", method, path, err)
	}
	res := b.send(method, path, body, opts...)
	if res.status != status {
		b.t.Fatalf("%s %s: status %d, want %d: %s", method, path, res.status, status, res.raw)
	}
	return res
}

// refuse expects a problem with the status that names the field ("" for none).
func (b *bench) refuse(method, path string, body any, status int, field string, opts ...option) *reply {
	b.t.Helper()
	res := b.send(method, path, body, opts...)
	if res.status != status {
		b.t.Errorf("%s %s: status %d, want %d: %s", method, path, res.status, status, res.raw)
		return res
	}
	if got := res.header.Get("Content-Type"); got != httpkit.MediaProblem {
		b.t.Errorf("%s %s: content type %q", method, path, got)
	}
	if field != "" && !res.blames(field) {
		b.t.Errorf("%s %s: no field %q at fault: %s", method, path, field, res.raw)
	}
	return res
}

func (r *reply) blames(field string) bool {
	list, _ := r.find("errors").([]any)
	for _, e := range list {
		if e.(map[string]any)["field"] == field {
			return true
		}
	}
	return false
}

// find follows a path of names and indexes; nil where it leads nowhere.
func (r *reply) find(path string) any {
	v := r.body
	for step := range strings.SplitSeq(path, ".") {
		switch at := v.(type) {
		case map[string]any:
			v = at[step]
		case []any:
			i, err := strconv.Atoi(step)
			if err != nil || i >= len(at) {
				return nil
			}
			v = at[i]
		default:
			return nil
		}
	}
	return v
}

func (r *reply) text(path string) string {
	r.t.Helper()
	s, ok := r.find(path).(string)
	if !ok {
		r.t.Fatalf("%s is no text: %s", path, r.raw)
	}
	return s
}

func (r *reply) number(path string) float64 {
	r.t.Helper()
	n, ok := r.find(path).(float64)
	if !ok {
		r.t.Fatalf("%s is no number: %s", path, r.raw)
	}
	return n
}

func (r *reply) list(path string) []any {
	r.t.Helper()
	l, ok := r.find(path).([]any)
	if !ok {
		r.t.Fatalf("%s is no list: %s", path, r.raw)
	}
	return l
}

// obj is a JSON object in a request.
type obj map[string]any

const v1 = "/api/v1"

// board records a board and returns its id.
func (b *bench) board(serial string) string {
	b.t.Helper()
	return b.do("POST", v1+"/boards", obj{
		"serial": serial, "make": "Invented Works", "model": "Example 1", "series_cells": 20, "parallel_cells": 2, "chemistry": "layered_oxide",
		"odometer_km": 812.5, "facts": obj{"motor_plug": "external"}, "owner": obj{"name": "A. Example", "contact": "a@board.example"},
	}, 201).text("id")
}

// job takes a board in and moves it to diagnosing.
func (b *bench) job(board string, symptoms ...string) string {
	b.t.Helper()
	id := b.do("POST", v1+"/jobs", obj{"board_id": board, "complaint": "cuts out uphill after rain", "symptoms": symptoms}, 201).text("id")
	b.do("POST", v1+"/jobs/"+id+"/state", obj{"to": "diagnosing"}, 200)
	return id
}

// part records an article with stock.
func (b *bench) part(number string, stock int) string {
	b.t.Helper()
	return b.do("POST", v1+"/parts", obj{
		"number": number, "name": "Power connector pair", "component": "interbox_connector", "supplier": "Invented Supply",
		"unit_cost": obj{"amount": 1250, "currency": b.shop.Currency}, "min_stock": 1, "stock": stock, "lot": "L1",
	}, 201).text("id")
}

// eventually is for what another goroutine does; it fails after a while.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for range 200 {
		if ok() {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("never: %s", what)
}
