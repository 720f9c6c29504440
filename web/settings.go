package web

import (
	"errors"
	"io"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// SettingsPage is the owner's.
type SettingsPage struct {
	Layout
	Settings  shop.Shop
	Users     []shop.User
	Tokens    []shop.Token
	Libraries []shop.LibraryVersion
	Roles     []Option
	// Secret is a new token, shown this once.
	Secret, SecretName string
	// Issues are what an imported library has wrong, or warnings about one taken.
	Issues   []faultlib.Issue
	FileName string

	form *Form
}

// Form returns the form with the id: the one that failed, or a fresh one.
func (pg *SettingsPage) Form(id string) *Form {
	if pg.form != nil && pg.form.ID == id {
		return pg.form
	}
	if id == "shop" {
		return filledForm("shop", "name", pg.Settings.Name, "labour_rate", moneyInput(&pg.Settings.LabourMinor, pg.Settings.Currency), "warranty_days", strconv.Itoa(pg.Settings.WarrantyDays))
	}
	return emptyForm(id)
}

var roles = []Option{{Value: "counter", Label: "counter"}, {Value: "technician", Label: "technician"}, {Value: "owner", Label: "owner"}}

func (p *Pages) loadSettings(c echo.Context, f *Form) (*SettingsPage, error) {
	ctx, a := c.Request().Context(), actorOf(c)
	if a.Role != shop.Owner {
		return nil, problem.New(problem.Forbidden, "Only the owner may see and change the settings.")
	}
	s, err := p.svc.Shop(ctx, a)
	if err != nil {
		return nil, err
	}
	users, err := p.svc.Users(ctx, a)
	if err != nil {
		return nil, err
	}
	tokens, err := p.svc.Tokens(ctx, a)
	if err != nil {
		return nil, err
	}
	libs, err := p.svc.Libraries(ctx, a)
	if err != nil {
		return nil, err
	}
	return &SettingsPage{Layout: Layout{Title: "Settings", Section: "/settings"}, Settings: s, Users: users, Tokens: tokens, Libraries: libs, Roles: roles, form: f}, nil
}

func (p *Pages) settingsPage(c echo.Context) error { return p.showSettings(c, http.StatusOK, nil) }

func (p *Pages) showSettings(c echo.Context, status int, f *Form) error {
	pg, err := p.loadSettings(c, f)
	if err != nil {
		return err
	}
	return p.render(c, status, "settings", pg)
}

// settle answers a settings form: the page again with what is wrong, or a
// redirect with what was done.
func (p *Pages) settle(c echo.Context, f *Form, err error, done string) error {
	if err != nil {
		pe := userMistake(err)
		if pe == nil {
			return err
		}
		f.fail(pe)
	}
	if f.Failed() {
		// A password is never sent back to the browser.
		f.Values.Del("password")
		return p.showSettings(c, http.StatusUnprocessableEntity, f)
	}
	p.flash(c, done)
	return redirect(c, "/settings#"+f.ID)
}

func (p *Pages) editShop(c echo.Context) error {
	f, err := readForm(c, "shop")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	s, err := p.svc.Shop(ctx, a)
	if err != nil {
		return err
	}
	f.alias("labour_minor", "labour_rate")
	rate := f.Money("labour_rate", s.Currency)
	days := f.Int("warranty_days")
	if rate == nil && f.Error("labour_rate") == "" {
		f.reject("labour_rate", "Enter the labour rate for one hour, for example 60.00.")
	}
	if invalid(f) {
		return p.settle(c, f, nil, "")
	}
	_, err = p.svc.EditShop(ctx, a, f.Text("name"), *rate, days)
	return p.settle(c, f, err, "Shop saved.")
}

func (p *Pages) addUser(c echo.Context) error {
	f, err := readForm(c, "person")
	if err != nil {
		return err
	}
	_, err = p.svc.AddUser(c.Request().Context(), actorOf(c), f.Text("login"), f.Text("name"), shop.Role(f.Get("role")), f.Get("password"))
	return p.settle(c, f, err, f.Text("name")+" can sign in now.")
}

func (p *Pages) setPassword(c echo.Context) error {
	f, err := readForm(c, "password")
	if err != nil {
		return err
	}
	err = p.svc.SetPassword(c.Request().Context(), actorOf(c), f.Text("login"), f.Get("password"))
	return p.settle(c, f, err, "Password of "+f.Text("login")+" changed.")
}

func (p *Pages) disableUser(c echo.Context) error {
	f, err := readForm(c, "people")
	if err != nil {
		return err
	}
	err = p.svc.DisableUser(c.Request().Context(), actorOf(c), f.Text("login"))
	return p.settle(c, f, err, f.Text("login")+" can no longer sign in.")
}

func (p *Pages) addToken(c echo.Context) error {
	f, err := readForm(c, "token")
	if err != nil {
		return err
	}
	t, secret, err := p.svc.AddToken(c.Request().Context(), actorOf(c), f.Text("name"), shop.Role(f.Get("role")))
	if err != nil {
		return p.settle(c, f, err, "")
	}
	// Shown in this one answer and never kept: a redirect would need it stored.
	pg, err := p.loadSettings(c, nil)
	if err != nil {
		return err
	}
	pg.Secret, pg.SecretName = secret, t.Name
	return p.render(c, http.StatusOK, "settings", pg)
}

func (p *Pages) revokeToken(c echo.Context) error {
	f, err := readForm(c, "tokens")
	if err != nil {
		return err
	}
	err = p.svc.RevokeToken(c.Request().Context(), actorOf(c), f.Text("name"))
	return p.settle(c, f, err, "Token "+f.Text("name")+" revoked.")
}

// maxLibrary bounds an imported library.
const maxLibrary = 4 << 20

func (p *Pages) importLibrary(c echo.Context) error {
	f, err := readForm(c, "library")
	if err != nil {
		return err
	}
	content, name, err := uploaded(c, "file")
	if err != nil {
		return p.settle(c, f, err, "")
	}
	_, issues, err := p.svc.ImportLibrary(c.Request().Context(), actorOf(c), content, f.Text("note"))
	if err != nil {
		pe := userMistake(err)
		if pe == nil {
			return err
		}
		// The issues are listed with their places; as fields they would have none.
		f.Message = pe.Message
		if len(issues) == 0 {
			f.fail(pe)
		}
		pg, lerr := p.loadSettings(c, f)
		if lerr != nil {
			return lerr
		}
		pg.Issues, pg.FileName = issues, name
		return p.render(c, http.StatusUnprocessableEntity, "settings", pg)
	}
	if len(issues) == 0 {
		return p.settle(c, f, nil, "Fault library taken in. New jobs use it; jobs under way keep theirs.")
	}
	pg, err := p.loadSettings(c, nil)
	if err != nil {
		return err
	}
	pg.Flash = "Fault library taken in, with warnings. New jobs use it; jobs under way keep theirs."
	pg.Issues, pg.FileName = issues, name
	return p.render(c, http.StatusOK, "settings", pg)
}

func uploaded(c echo.Context, field string) ([]byte, string, error) {
	fh, err := c.FormFile(field)
	if errors.Is(err, http.ErrMissingFile) || errors.Is(err, http.ErrNotMultipart) {
		return nil, "", problem.InField(field, "Choose the library's YAML file first.")
	}
	if err != nil {
		return nil, "", err
	}
	if fh.Size > maxLibrary {
		return nil, "", problem.InField(field, "This file has %d bytes; a library may have at most %d.", fh.Size, maxLibrary)
	}
	r, err := fh.Open()
	if err != nil {
		return nil, "", err
	}
	defer r.Close()
	body, err := io.ReadAll(io.LimitReader(r, maxLibrary+1))
	return body, fh.Filename, err
}
