package api

import (
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// answer sends v as JSON, maps in the order of their keys.
func answer(c echo.Context, status int, v any) error {
	b, err := json.Marshal(v, json.Deterministic(true))
	if err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, echo.MIMEApplicationJSON)
	h.Set(echo.HeaderContentLength, strconv.Itoa(len(b)))
	c.Response().WriteHeader(status)
	_, err = c.Response().Write(b)
	return err
}

// answerVersion is answer with the ETag of what can be edited.
func answerVersion(c echo.Context, status, version int, v any) error {
	c.Response().Header().Set("ETag", `"v`+strconv.Itoa(version)+`"`)
	return answer(c, status, v)
}

// created is answerVersion for a new thing with an address of its own.
func created(c echo.Context, collection string, id shop.ID, version int, v any) error {
	c.Response().Header().Set(echo.HeaderLocation, base+collection+"/"+id.String())
	return answerVersion(c, http.StatusCreated, version, v)
}

// pathID reads an id from the path; what is no UUID does not exist.
func pathID(c echo.Context, name string) (shop.ID, error) {
	s := c.Param(name)
	id, err := uuid.Parse(s)
	if err != nil || len(s) != 36 {
		return shop.ID{}, problem.New(problem.NotFound, "There is no such thing in this shop: an id is a UUID.")
	}
	return id, nil
}

// pathText reads a text from the path; echo leaves it encoded when a slash in it was.
func pathText(c echo.Context, name string) (string, error) {
	s := c.Param(name)
	if c.Request().URL.RawPath == "" {
		return s, nil
	}
	s, err := url.PathUnescape(s)
	if err != nil {
		return "", problem.InField(name, "must be percent-encoded")
	}
	return s, nil
}

// ifMatch reads the version that a change was made from: 0 where the header is
// absent or `*`. A version that never was does not match, so it is -1.
func ifMatch(c echo.Context) (int, error) {
	const field = "If-Match"
	s := strings.TrimSpace(c.Request().Header.Get(field))
	switch {
	case s == "" || s == "*":
		return 0, nil
	case strings.HasPrefix(s, "W/"):
		return 0, problem.InField(field, "must be a strong tag; a weak one (W/) cannot guard a change")
	case strings.Contains(s, ","):
		return 0, problem.InField(field, "must be one tag, the ETag of the version that was read")
	case len(s) < 2 || s[0] != '"' || s[len(s)-1] != '"':
		return 0, problem.InField(field, `must be the ETag as it was answered, with its quotes, such as "v3"`)
	}
	digits, ok := strings.CutPrefix(s[1:len(s)-1], "v")
	n, err := strconv.ParseInt(digits, 10, 32)
	if !ok || err != nil || n <= 0 {
		return -1, nil //nolint:nilerr // A tag that was never given is no mistake of form: it does not match.
	}
	return int(n), nil
}

// query reads query parameters and collects what is wrong with them. An empty
// parameter counts as absent.
type query struct {
	values url.Values
	fields []problem.Field
}

func queryOf(c echo.Context) *query { return &query{values: c.QueryParams()} }

func (q *query) failf(field, message string) {
	q.fields = append(q.fields, problem.Field{Field: field, Message: message})
}

func (q *query) err() error { return problem.InFields(q.fields) }

// text returns a parameter; given twice it is refused rather than half ignored.
func (q *query) text(name string) string {
	v := q.values[name]
	if len(v) > 1 {
		q.failf(name, "must be given once")
	}
	if len(v) == 0 {
		return ""
	}
	return strings.TrimSpace(v[0])
}

func (q *query) page() shop.Page {
	p := shop.Page{Cursor: q.text("cursor")}
	if s := q.text("limit"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > 200 {
			q.failf("limit", "must be a whole number from 1 to 200")
		}
		p.Limit = n
	}
	return p
}

func (q *query) id(name string) *shop.ID {
	s := q.text(name)
	if s == "" {
		return nil
	}
	id, err := uuid.Parse(s)
	if err != nil || len(s) != 36 {
		q.failf(name, "must be an id (a UUID)")
		return nil
	}
	return &id
}

// states reads a list separated by commas; the parameter may also be repeated.
func (q *query) states(name string) []shop.State {
	var out []shop.State
	for _, list := range q.values[name] {
		for s := range strings.SplitSeq(list, ",") {
			state := shop.State(strings.TrimSpace(s))
			switch {
			case state == "":
			case !slices.Contains(shop.States(), state):
				q.failf(name, "there is no state "+strconv.Quote(string(state))+"; there are "+words(shop.States()))
				return nil
			default:
				out = append(out, state)
			}
		}
	}
	return out
}

// choice reads one of several words; the first is the default.
func choice[T ~string](q *query, name string, allowed ...T) T {
	s := T(q.text(name))
	if s == "" {
		return allowed[0]
	}
	if !slices.Contains(allowed, s) {
		q.failf(name, "must be one of "+words(allowed))
	}
	return s
}

func words[T ~string](list []T) string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = string(s)
	}
	return strings.Join(out, ", ")
}

// moment reads an RFC 3339 time, or a date, which is its begin in UTC.
func (q *query) moment(name string) (time.Time, bool) {
	s := q.text(name)
	if s == "" {
		return time.Time{}, false
	}
	for _, layout := range []string{time.RFC3339Nano, time.DateOnly} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.UTC(), true
		}
	}
	q.failf(name, "must be a date such as 2026-03-01 or a time such as 2026-03-01T09:30:00Z (RFC 3339)")
	return time.Time{}, false
}

// opt is a field of a PATCH that tells null and absent apart.
type opt[T any] shop.Change[T]

// UnmarshalJSONFrom notes that the field was there.
func (o *opt[T]) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	o.Set = true
	return json.UnmarshalDecode(d, &o.Value)
}

// moneyInput is money as requests may give it. Currency is "" for a bare number.
type moneyInput struct {
	Set      bool
	Amount   *int64
	Currency string
}

// UnmarshalJSONFrom takes {amount, currency}, a bare whole number or null.
func (m *moneyInput) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	m.Set = true
	switch d.PeekKind() {
	case '{':
		var whole struct {
			Amount   *int64 `json:"amount"`
			Currency string `json:"currency"`
		}
		if err := json.UnmarshalDecode(d, &whole); err != nil {
			return err
		}
		if whole.Amount == nil || whole.Currency == "" {
			return httpkit.Expected("an object with amount and currency")
		}
		m.Amount, m.Currency = whole.Amount, whole.Currency
		return nil
	case '0', 'n':
		return json.UnmarshalDecode(d, &m.Amount)
	}
	return httpkit.Expected("a whole number of minor units, or an object with amount and currency")
}

// in refuses another currency than the shop keeps its books in.
func (m moneyInput) in(currency string) error {
	if m.Currency != "" && m.Currency != currency {
		return problem.InField("unit_cost.currency", "must be %s, the currency of this shop, is %q", currency, m.Currency)
	}
	return nil
}

func money(minor *int64, currency string) *Money {
	if minor == nil {
		return nil
	}
	return &Money{Amount: *minor, Currency: currency}
}

// roundMoney rounds an expectation to whole minor units.
func roundMoney(minor float64, currency string) Money {
	return Money{Amount: int64(math.Round(minor)), Currency: currency}
}

// listOf translates a list; it is never null.
func listOf[S, T any](in []S, f func(S) T) []T {
	out := make([]T, len(in))
	for i := range in {
		out[i] = f(in[i])
	}
	return out
}

// orNull is nil for an empty text.
func orNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// utc gives an optional time in UTC; the database's driver gives local ones.
func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	u := t.UTC()
	return &u
}
