package web

import (
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"
	"golang.org/x/net/html"

	"nextprobe/internal/problem"
)

// client is a browser's part of the conversation: cookies and the CSRF token.
type client struct {
	t       *testing.T
	handler http.Handler
	cookies map[string]string
	csrf    string
}

type answer struct {
	t      *testing.T
	Code   int
	Header http.Header
	Body   string
}

// statusOf is the mapping of problems that the server shares; the tests need
// only the codes that the pages meet.
var statusOf = map[problem.Code]int{problem.NotFound: 404, problem.Forbidden: 403, problem.TooMany: 429, problem.Unauthorized: 401, problem.Invalid: 422, problem.Conflict: 409}

func setup(t *testing.T) (*fakeShop, *client) {
	t.Helper()
	svc := newFakeShop()
	e := echo.New()
	p := Register(e, svc, scs.New(), Options{ShopID: shopID, BaseURL: "https://bench.example", Now: func() time.Time { return sampleNow }})
	e.HTTPErrorHandler = func(err error, c echo.Context) {
		status, pe := http.StatusInternalServerError, problem.As(err)
		var he *echo.HTTPError
		if pe != nil {
			status = statusOf[pe.Code]
		} else if errors.As(err, &he) {
			status = he.Code
		}
		if err := p.RenderError(c, status, pe, "req-7"); err != nil {
			t.Error(err)
		}
	}
	return svc, &client{t: t, handler: e, cookies: map[string]string{}}
}

func signedIn(t *testing.T) (*fakeShop, *client) {
	t.Helper()
	svc, c := setup(t)
	c.get("/sign-in")
	if a := c.post("/sign-in", url.Values{"login": {"runa"}, "password": {"right"}}); a.Code != http.StatusSeeOther {
		t.Fatalf("sign-in: status %d\n%s", a.Code, a.Body)
	}
	return svc, c
}

var csrfField = regexp.MustCompile(`name="_csrf" value="([^"]+)"`)

func (c *client) do(r *http.Request) answer {
	c.t.Helper()
	for k, v := range c.cookies {
		r.AddCookie(&http.Cookie{Name: k, Value: v})
	}
	w := httptest.NewRecorder()
	c.handler.ServeHTTP(w, r)
	for _, ck := range w.Result().Cookies() {
		c.cookies[ck.Name] = ck.Value
	}
	body, err := io.ReadAll(w.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	if m := csrfField.FindSubmatch(body); m != nil {
		c.csrf = string(m[1])
	}
	return answer{c.t, w.Code, w.Header(), string(body)}
}

func (c *client) get(path string) answer {
	c.t.Helper()
	return c.do(httptest.NewRequest(http.MethodGet, path, nil))
}

func (c *client) post(path string, v url.Values) answer {
	c.t.Helper()
	if v == nil {
		v = url.Values{}
	}
	v.Set("_csrf", c.csrf)
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return c.do(r)
}

// nodes are the elements a simple selector matches: tag, #id, .class or
// [attr=value], joined without spaces.
func (a answer) nodes(selector string) []*html.Node {
	a.t.Helper()
	root, err := html.Parse(strings.NewReader(a.Body))
	if err != nil {
		a.t.Fatal(err)
	}
	var out []*html.Node
	for n := range root.Descendants() {
		if n.Type == html.ElementNode && matches(n, selector) {
			out = append(out, n)
		}
	}
	return out
}

var selectorPart = regexp.MustCompile(`^[a-z0-9-]+|#[\w.-]+|\.[\w-]+|\[[\w-]+(?:=[^\]]*)?\]`)

func matches(n *html.Node, selector string) bool {
	for _, p := range selectorPart.FindAllString(selector, -1) {
		switch p[0] {
		case '#':
			if attr(n, "id") != p[1:] {
				return false
			}
		case '.':
			if !contains(strings.Fields(attr(n, "class")), p[1:]) {
				return false
			}
		case '[':
			k, v, has := strings.Cut(strings.Trim(p, "[]"), "=")
			if got, ok := lookAttr(n, k); !ok || (has && got != v) {
				return false
			}
		default:
			if n.Data != p {
				return false
			}
		}
	}
	return true
}

func lookAttr(n *html.Node, key string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val, true
		}
	}
	return "", false
}

func attr(n *html.Node, key string) string { v, _ := lookAttr(n, key); return v }

func text(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// one returns the text of the only match.
func (a answer) one(selector string) string {
	a.t.Helper()
	n := a.nodes(selector)
	if len(n) != 1 {
		a.t.Fatalf("%d elements match %s, want 1\n%s", len(n), selector, a.Body)
	}
	return text(n[0])
}
