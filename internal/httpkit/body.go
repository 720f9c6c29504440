package httpkit

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
)

// lingerTime is how long what is still sent of a refused body is thrown away.
const lingerTime = 5 * time.Second

// LimitBody refuses a body above limit bytes: at once where its length is
// announced, else as soon as it is passed. The answer goes out before the rest
// is looked at; see linger.
func LimitBody(limit int64) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			r := c.Request()
			body := r.Body
			if r.ContentLength > limit {
				return refuse(c, body, tooLarge(limit))
			}
			r.Body = http.MaxBytesReader(c.Response(), body, limit)
			err := next(c)
			if problem.Is(err, problem.TooLarge) {
				return refuse(c, body, err)
			}
			return err
		}
	}
}

// refuse answers now and then lingers: a client that sends everything before it
// reads would otherwise find its connection reset instead of the answer. What
// it still sends is thrown away, for a few seconds only, and never kept.
func refuse(c echo.Context, body io.Reader, err error) error {
	rc := http.NewResponseController(c.Response())
	// Without full duplex the server would read on by itself, and then give up.
	if rc.EnableFullDuplex() != nil || c.Response().Committed {
		return err
	}
	c.Response().Header().Set(echo.HeaderConnection, "close")
	c.Error(err)
	if rc.Flush() != nil || rc.SetReadDeadline(time.Now().Add(lingerTime)) != nil {
		return nil //nolint:nilerr // The refusal has been answered.
	}
	_, _ = io.Copy(io.Discard, body)
	return nil
}

func tooLarge(limit int64) error {
	return problem.New(problem.TooLarge, "The body is larger than the %d bytes that this endpoint takes.", limit)
}

// readBody is a body that was read already and may be read again.
type readBody struct {
	*bytes.Reader
	all []byte
}

func (readBody) Close() error { return nil }

// Body returns the whole body; it may be called more than once. Errors are
// TooLarge (see LimitBody) and Invalid where the client broke off.
func Body(c echo.Context) ([]byte, error) {
	r := c.Request()
	if b, ok := r.Body.(readBody); ok {
		return b.all, nil
	}
	all, err := io.ReadAll(r.Body)
	var over *http.MaxBytesError
	switch {
	case errors.As(err, &over):
		return nil, tooLarge(over.Limit)
	case err != nil:
		return nil, problem.New(problem.Invalid, "The body ended before it was whole.").Because(err)
	}
	r.Body = readBody{bytes.NewReader(all), all}
	return all, nil
}

// NeedMedia refuses a body of another media type. Parameters other than a
// charset of UTF-8 are ignored.
func NeedMedia(c echo.Context, want string) error {
	have := c.Request().Header.Get(echo.HeaderContentType)
	media, params, err := mime.ParseMediaType(have)
	if err != nil || media != want {
		return problem.New(problem.UnsupportedMedia, "Send the body as %s; it came as %q.", want, have)
	}
	if cs, ok := params["charset"]; ok && !strings.EqualFold(cs, "utf-8") {
		return problem.New(problem.UnsupportedMedia, "Send the body in UTF-8; it came as %q.", have)
	}
	return nil
}

// DecodeJSON reads the body into dst, a pointer to a struct, and refuses what
// dst does not know. Every error names the field or the place.
func DecodeJSON(c echo.Context, dst any) error {
	if err := NeedMedia(c, echo.MIMEApplicationJSON); err != nil {
		return err
	}
	body, err := Body(c)
	if err != nil {
		return err
	}
	if len(bytes.TrimSpace(body)) == 0 {
		return problem.New(problem.Invalid, "The body is empty; send a JSON object.")
	}
	if err := json.Unmarshal(body, dst, json.RejectUnknownMembers(true)); err != nil {
		return explain(body, err)
	}
	return nil
}

// Expected is returned by a type's own UnmarshalJSONFrom to say in words what would be right.
type Expected string

// Error returns the words.
func (e Expected) Error() string { return "must be " + string(e) }

// explain words a decoder's error for the person who wrote the body.
func explain(body []byte, err error) error {
	var syn *jsontext.SyntacticError
	if errors.As(err, &syn) {
		where := place(body, syn.ByteOffset)
		if errors.Is(err, jsontext.ErrDuplicateName) {
			return problem.InField(Path(syn.JSONPointer), "stands twice in the same object (%s)", where)
		}
		return problem.New(problem.Invalid, "The body is not well-formed JSON at %s: %s.", where, strings.TrimPrefix(syn.Err.Error(), "jsontext: "))
	}
	var sem *json.SemanticError
	if !errors.As(err, &sem) {
		return problem.New(problem.Invalid, "The body could not be read as JSON.").Because(err)
	}
	for {
		var inner *json.SemanticError
		if sem.Err == nil || !errors.As(sem.Err, &inner) {
			break
		}
		if inner.JSONPointer == "" {
			inner.JSONPointer = sem.JSONPointer
		}
		sem = inner
	}
	field := Path(sem.JSONPointer)
	if errors.Is(sem.Err, json.ErrUnknownName) {
		if names := memberNames(sem.GoType); names != "" {
			return problem.InField(field, "is not a field of this request; there are: %s", names)
		}
		return problem.InField(field, "is not a field of this request")
	}
	want := wanted(sem)
	if field == "" {
		return problem.New(problem.Invalid, "The body must be %s, is %s.", want, kindName(sem.JSONKind))
	}
	if sem.JSONKind == 0 {
		return problem.InField(field, "must be %s", want)
	}
	return problem.InField(field, "must be %s, is %s", want, given(sem))
}

// place counts lines and columns (in bytes) from 1.
func place(body []byte, offset int64) string {
	offset = max(0, min(offset, int64(len(body))))
	before := body[:offset]
	line := bytes.Count(before, []byte("\n")) + 1
	col := len(before) - (bytes.LastIndexByte(before, '\n') + 1) + 1
	return fmt.Sprintf("line %d, column %d", line, col)
}

// Path writes a JSON pointer as fields are named in answers: parts[0].quantity.
func Path(p jsontext.Pointer) string {
	var b strings.Builder
	for t := range p.Tokens() {
		if _, err := strconv.ParseUint(t, 10, 32); err == nil && b.Len() > 0 {
			b.WriteString("[" + t + "]")
			continue
		}
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.WriteString(t)
	}
	return b.String()
}

var (
	uuidType = reflect.TypeFor[uuid.UUID]()
	timeType = reflect.TypeFor[time.Time]()
)

func wanted(e *json.SemanticError) string {
	var want Expected
	if errors.As(e.Err, &want) {
		return string(want)
	}
	t := e.GoType
	for t != nil && t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t {
	case nil:
		return "something else"
	case uuidType:
		return "an id (a UUID)"
	case timeType:
		return "a time as in 2026-03-01T09:30:00Z (RFC 3339)"
	}
	inRange := ""
	if e.JSONKind == '0' {
		inRange = " in range"
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return "a whole number" + inRange
	case reflect.Float32, reflect.Float64:
		return "a number" + inRange
	case reflect.String:
		return "a text"
	case reflect.Slice, reflect.Array:
		return "a list"
	case reflect.Interface:
		return "a value in range"
	default:
		return "an object"
	}
}

func kindName(k jsontext.Kind) string {
	switch k {
	case 'n':
		return "null"
	case 't', 'f':
		return "true or false"
	case '"':
		return "a text"
	case '0':
		return "a number"
	case '{':
		return "an object"
	case '[':
		return "a list"
	}
	return "something else"
}

// given quotes a short value, so that the mistake is seen without looking it up.
func given(e *json.SemanticError) string {
	if v := string(e.JSONValue); v != "" && len(v) <= 40 {
		return v
	}
	return kindName(e.JSONKind)
}

func memberNames(t reflect.Type) string {
	if t == nil || t.Kind() != reflect.Struct {
		return ""
	}
	var names []string
	for i := range t.NumField() {
		if name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ","); name != "" && name != "-" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}
