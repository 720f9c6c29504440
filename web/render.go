package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"

	"nextprobe/internal/shop"
)

//go:embed templates
var templateFiles embed.FS

// Layout is what every page shows around its own part.
type Layout struct {
	Title string
	Shop  string
	User  *shop.Actor // nil before the sign-in
	CSRF  string
	Flash string
	Nav   []NavItem
	// Wide pages use the whole width of a desk screen.
	Wide bool
	// Section is the address of the navigation entry this page belongs to.
	Section string
}

func (l *Layout) layout() *Layout { return l }

// Can reports whether the signed-in person works at the bench.
func (l *Layout) Can(what string) bool {
	if l.User == nil {
		return false
	}
	switch what {
	case "bench":
		return l.User.Role == shop.Technician || l.User.Role == shop.Owner
	case "own":
		return l.User.Role == shop.Owner
	}
	return false
}

// NavItem is one entry of the navigation.
type NavItem struct {
	Href, Label string
	Current     bool
}

type page interface{ layout() *Layout }

// views are the parsed templates: each page with the shared ones.
type views struct {
	pages map[string]*template.Template
}

func newViews(a *assets) *views {
	v := &views{pages: map[string]*template.Template{}}
	shared := template.Must(template.New("layout.html").Funcs(templateFuncs(a)).
		ParseFS(templateFiles, "templates/layout.html", "templates/part-*.html"))
	files, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		panic(err) // the pattern is constant
	}
	for _, f := range files {
		base := path.Base(f)
		if base == "layout.html" || strings.HasPrefix(base, "part-") {
			continue
		}
		t := template.Must(template.Must(shared.Clone()).ParseFS(templateFiles, f))
		v.pages[strings.TrimSuffix(base, ".html")] = t
	}
	return v
}

// execute renders a template of a page into memory, so that an error half way
// down never reaches the browser as half a page.
func (v *views) execute(name, block string, data any) ([]byte, error) {
	t, ok := v.pages[name]
	if !ok {
		return nil, fmt.Errorf("no page template %q", name)
	}
	var buf bytes.Buffer
	if err := t.ExecuteTemplate(&buf, block, data); err != nil {
		return nil, fmt.Errorf("page %s: %w", name, err)
	}
	return buf.Bytes(), nil
}

func (p *Pages) render(c echo.Context, status int, name string, data page) error {
	if err := p.fill(c, data.layout()); err != nil {
		return err
	}
	body, err := p.views.execute(name, "layout.html", data)
	if err != nil {
		return err
	}
	return c.HTMLBlob(status, body)
}

// fragment renders one block of a page for the page's script.
func (p *Pages) fragment(c echo.Context, name, block string, data any) error {
	body, err := p.views.execute(name, block, data)
	if err != nil {
		return err
	}
	return c.HTMLBlob(http.StatusOK, body)
}

func (p *Pages) fill(c echo.Context, l *Layout) error {
	if token, ok := c.Get(middleware.DefaultCSRFConfig.ContextKey).(string); ok {
		l.CSRF = token
	}
	a := actorOf(c)
	if a.ID == (shop.ID{}) {
		return nil
	}
	l.User = &a
	s, err := p.svc.Shop(c.Request().Context(), a)
	if err != nil {
		return err
	}
	l.Shop = s.Name
	l.Flash = p.sessions.PopString(c.Request().Context(), sessionFlash)
	l.Nav = navigation(a.Role, l.Section)
	return nil
}

func navigation(r shop.Role, current string) []NavItem {
	nav := []NavItem{
		{Href: "/", Label: "Jobs"}, {Href: "/intake", Label: "Intake"}, {Href: "/boards", Label: "Boards"},
		{Href: "/parts", Label: "Parts"}, {Href: "/instruments", Label: "Instruments"}, {Href: "/calculator", Label: "Calculator"}, {Href: "/recurrence", Label: "Recurrence"}, {Href: "/library", Label: "Library"},
	}
	if r == shop.Owner {
		nav = append(nav, NavItem{Href: "/learning", Label: "Learning"}, NavItem{Href: "/settings", Label: "Settings"})
	}
	for i := range nav {
		nav[i].Current = nav[i].Href == current
	}
	return nav
}
