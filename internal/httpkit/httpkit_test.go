package httpkit_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/problem"
)

type inner struct {
	PartID   uuid.UUID `json:"part_id"`
	Quantity int       `json:"quantity"`
}

type body struct {
	Name     string         `json:"name"`
	Count    int            `json:"count"`
	Odometer *float64       `json:"odometer_km"`
	At       *time.Time     `json:"at"`
	Done     bool           `json:"done"`
	Parts    []inner        `json:"parts"`
	Readings map[string]any `json:"readings"`
	Odd      odd            `json:"odd"`
}

type odd struct{}

func (*odd) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	if err := d.SkipValue(); err != nil {
		return err
	}
	return httpkit.Expected("left out")
}

// setup serves one handler behind everything that Setup puts around it.
func setup(t *testing.T, h echo.HandlerFunc, html httpkit.HTML) (*echo.Echo, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	e := echo.New()
	m := httpkit.NewMetrics()
	httpkit.Setup(e, slog.New(slog.NewTextHandler(&log, nil)), m, html)
	e.POST("/api/v1/things/:id", h, httpkit.LimitBody(1000))
	e.POST("/things/:id", h)
	e.GET("/metrics", echo.WrapHandler(m.Handler()))
	return e, &log
}

func send(e *echo.Echo, path, media, payload string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(payload))
	r.Header.Set("Content-Type", media)
	w := httptest.NewRecorder()
	e.ServeHTTP(w, r)
	return w
}

func decode(c echo.Context) error {
	var in body
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

func TestDecodeJSONNamesWhatIsWrong(t *testing.T) {
	t.Parallel()
	e, _ := setup(t, decode, nil)
	big := strings.Repeat("x", 2000)
	for name, tc := range map[string]struct {
		media, payload, field, says string
		status                      int
	}{
		"good":            {"application/json", `{"name": "a", "count": 3, "parts": [], "readings": {"r": [1, null, "4k7"]}}`, "", "", 204},
		"charset":         {"application/json; charset=UTF-8", `{}`, "", "", 204},
		"latin":           {"application/json; charset=latin1", `{}`, "", "UTF-8", 415},
		"form":            {"application/x-www-form-urlencoded", `a=b`, "", "application/json", 415},
		"no media":        {"", `{}`, "", "application/json", 415},
		"empty":           {"application/json", " \n", "", "empty", 400},
		"broken":          {"application/json", "{\n  \"name\": \"a\",\n  oops}", "", "line 3, column 3", 400},
		"cut off":         {"application/json", `{"name": "a`, "", "line 1", 400},
		"trailing":        {"application/json", `{} {}`, "", "line 1, column 4", 400},
		"twice":           {"application/json", `{"name": "a", "name": "b"}`, "name", "twice", 400},
		"unknown":         {"application/json", `{"nmae": "a"}`, "nmae", "there are: at, count, done, name", 400}, //nolint:misspell // The mistake is the case.
		"unknown inside":  {"application/json", `{"parts": [{"part": 1}]}`, "parts[0].part", "part_id, quantity", 400},
		"array":           {"application/json", `[]`, "", "must be an object", 400},
		"text for number": {"application/json", `{"odometer_km": "NaN"}`, "odometer_km", "must be a number, is a text", 400},
		"bare NaN":        {"application/json", `{"odometer_km": NaN}`, "", "line 1, column 17", 400},
		"huge number":     {"application/json", `{"odometer_km": 1e999}`, "odometer_km", "is 1e999", 400},
		"huge reading":    {"application/json", `{"readings": {"r_ab": 1e999}}`, "readings.r_ab", "in range", 400},
		"fraction":        {"application/json", `{"count": 1.5}`, "count", "must be a whole number in range, is 1.5", 400},
		"deep type":       {"application/json", `{"parts": [{"quantity": 1}, {"quantity": "two"}]}`, "parts[1].quantity", "whole number", 400},
		"bad id":          {"application/json", `{"parts": [{"part_id": "x"}]}`, "parts[0].part_id", "a UUID", 400},
		"bad time":        {"application/json", `{"at": "yesterday"}`, "at", "RFC 3339", 400},
		"bad bool":        {"application/json", `{"done": "yes"}`, "done", "true or false", 400},
		"bad list":        {"application/json", `{"parts": {}}`, "parts", "must be a list, is an object", 400},
		"bad text":        {"application/json", `{"name": {}}`, "name", "must be a text, is an object", 400},
		"own words":       {"application/json", `{"odd": 1}`, "odd", "must be left out", 400},
		"not UTF-8":       {"application/json", "{\"name\": \"\xff\"}", "", "line 1", 400},
		"too large":       {"application/json", `{"name": "` + big + `"}`, "", "1000 bytes", 413},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := send(e, "/api/v1/things/1", tc.media, tc.payload)
			if w.Code != tc.status {
				t.Fatalf("status %d, want %d: %s", w.Code, tc.status, w.Body)
			}
			if tc.status == 204 {
				return
			}
			doc := document(t, w)
			if !strings.Contains(doc.Detail, tc.says) {
				t.Errorf("detail %q does not say %q", doc.Detail, tc.says)
			}
			var field string
			if len(doc.Errors) > 0 {
				field = doc.Errors[0].Field
			}
			if field != tc.field {
				t.Errorf("field %q, want %q (%s)", field, tc.field, doc.Detail)
			}
		})
	}
}

func document(t *testing.T, w *httptest.ResponseRecorder) httpkit.Document {
	t.Helper()
	if got := w.Header().Get("Content-Type"); got != httpkit.MediaProblem {
		t.Errorf("content type %q, want %q", got, httpkit.MediaProblem)
	}
	var doc httpkit.Document
	if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil {
		t.Fatalf("%v in %s", err, w.Body)
	}
	if doc.Status != w.Code || doc.Type == "" || doc.Title == "" || doc.Detail == "" || doc.RequestID != w.Header().Get("X-Request-Id") {
		t.Errorf("incomplete problem document: %+v", doc)
	}
	return doc
}

// endless is a body that announces no length and never ends.
type endless struct{ read int }

func (e *endless) Read(p []byte) (int, error) { e.read += len(p); return len(p), nil }

func TestLimitBodyDoesNotReadWhatItRefuses(t *testing.T) {
	t.Parallel()
	e, _ := setup(t, decode, nil)
	for name, length := range map[string]int64{"announced": 100 << 20, "unannounced": -1} {
		b := &endless{}
		r := httptest.NewRequest(http.MethodPost, "/api/v1/things/1", b)
		r.ContentLength = length
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		e.ServeHTTP(w, r)
		if w.Code != http.StatusRequestEntityTooLarge {
			t.Errorf("%s: status %d, want 413", name, w.Code)
		}
		if b.read > 10_000 {
			t.Errorf("%s: %d bytes were read of a body over 1000", name, b.read)
		}
	}
}

func TestBodyMayBeReadTwice(t *testing.T) {
	t.Parallel()
	e, _ := setup(t, func(c echo.Context) error {
		one, err := httpkit.Body(c)
		if err != nil {
			return err
		}
		two, err := httpkit.Body(c)
		if err != nil {
			return err
		}
		rest, err := io.ReadAll(c.Request().Body)
		if string(one) != "abc" || string(two) != "abc" || string(rest) != "abc" {
			return fmt.Errorf("read %q, %q and %q", one, two, rest)
		}
		return err
	}, nil)
	if w := send(e, "/api/v1/things/1", "text/plain", "abc"); w.Code != http.StatusOK {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
}

func TestErrorsAreMappedOnce(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		err    error
		status int
		broken bool
	}{
		"invalid":      {problem.InField("a", "must be b"), 400, false},
		"not found":    {problem.New(problem.NotFound, "No such board."), 404, false},
		"conflict":     {problem.New(problem.Conflict, "Not now."), 409, false},
		"stale":        {problem.New(problem.Stale, "Changed."), 412, false},
		"unauthorized": {problem.New(problem.Unauthorized, "Who?"), 401, false},
		"forbidden":    {problem.New(problem.Forbidden, "No."), 403, false},
		"too large":    {problem.New(problem.TooLarge, "Less."), 413, false},
		"media":        {problem.New(problem.UnsupportedMedia, "JSON."), 415, false},
		"too many":     {problem.New(problem.TooMany, "Wait."), 429, false},
		"unavailable":  {problem.New(problem.Unavailable, "Wait."), 503, true},
		"wrapped":      {fmt.Errorf("while at it: %w", problem.New(problem.NotFound, "No such board.")), 404, false},
		"echo":         {echo.ErrMethodNotAllowed, 405, false},
		"echo's own":   {echo.NewHTTPError(418, "internal words"), 418, false},
		"deadline":     {fmt.Errorf("query: %w", context.DeadlineExceeded), 503, true},
		"unknown":      {errors.New("secret detail"), 500, true},
		"unknown code": {problem.New("odd", "secret detail"), 500, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e, log := setup(t, func(echo.Context) error { return tc.err }, nil)
			w := send(e, "/api/v1/things/1", "", "")
			if w.Code != tc.status {
				t.Errorf("status %d, want %d", w.Code, tc.status)
			}
			if doc := document(t, w); strings.Contains(w.Body.String(), "secret") || strings.Contains(w.Body.String(), "internal words") {
				t.Errorf("the answer tells what is not the caller's: %+v", doc)
			}
			if got := strings.Contains(log.String(), "request failed"); got != tc.broken {
				t.Errorf("logged as broken: %v, want %v\n%s", got, tc.broken, log)
			}
			if got := w.Header().Get("WWW-Authenticate") != ""; got != (tc.status == 401) {
				t.Errorf("WWW-Authenticate present: %v", got)
			}
		})
	}
}

func TestPanicIsAPlain500(t *testing.T) {
	t.Parallel()
	e, log := setup(t, func(echo.Context) error { panic("secret detail") }, nil)
	w := send(e, "/api/v1/things/1", "", "")
	if w.Code != 500 || strings.Contains(w.Body.String(), "secret") {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	if id := w.Header().Get("X-Request-Id"); !strings.Contains(log.String(), "secret detail") || !strings.Contains(log.String(), id) {
		t.Errorf("the log lacks the detail or the request id %s:\n%s", id, log)
	}
}

func TestPagesShowTheirOwnErrors(t *testing.T) {
	t.Parallel()
	page := func(c echo.Context, status int, doc httpkit.Document) error {
		return c.HTML(status, "<p>"+doc.Detail+"</p>")
	}
	e, _ := setup(t, func(echo.Context) error { return problem.New(problem.NotFound, "No such board.") }, page)
	w := send(e, "/things/1", "", "")
	if w.Code != 404 || w.Body.String() != "<p>No such board.</p>" {
		t.Errorf("page: %d %s", w.Code, w.Body)
	}
	if w := send(e, "/api/v1/things/1", "", ""); w.Code != 404 {
		t.Errorf("api: status %d", w.Code)
	} else {
		document(t, w)
	}
	broken, _ := setup(t, func(echo.Context) error { return errors.New("x") }, func(echo.Context, int, httpkit.Document) error { return errors.New("template") })
	document(t, send(broken, "/things/1", "", ""))
}

func TestRequestIDIsTakenOverWhenHarmless(t *testing.T) {
	t.Parallel()
	e, _ := setup(t, func(c echo.Context) error { return c.NoContent(204) }, nil)
	for given, kept := range map[string]bool{"abc-123": true, "": false, "a\nb": false, strings.Repeat("x", 65): false, "<script>": false} {
		r := httptest.NewRequest(http.MethodPost, "/api/v1/things/1", nil)
		r.Header["X-Request-Id"] = []string{given}
		w := httptest.NewRecorder()
		e.ServeHTTP(w, r)
		if got := w.Header().Get("X-Request-Id"); (got == given) != kept || got == "" {
			t.Errorf("given %q: answered %q", given, got)
		}
	}
}

func TestMetricsCountByRoute(t *testing.T) {
	t.Parallel()
	e, _ := setup(t, func(c echo.Context) error { return c.NoContent(204) }, nil)
	send(e, "/api/v1/things/1", "", "")
	send(e, "/api/v1/things/2", "", "")
	r := httptest.NewRequest("BREW", "/nowhere", nil)
	e.ServeHTTP(httptest.NewRecorder(), r)
	w := httptest.NewRecorder()
	e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	var got []string
	for line := range strings.Lines(w.Body.String()) {
		if strings.HasPrefix(line, "nextprobe_http_request_duration_seconds_count") {
			got = append(got, strings.TrimSpace(line))
		}
	}
	want := []string{
		`nextprobe_http_request_duration_seconds_count{method="POST",route="/api/v1/things/:id",status="204"} 2`,
		`nextprobe_http_request_duration_seconds_count{method="other",route="unknown",status="404"} 1`,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if !strings.Contains(w.Body.String(), "go_goroutines") {
		t.Error("no counters of the Go runtime")
	}
}
