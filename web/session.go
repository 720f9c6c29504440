package web

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

const (
	sessionUser  = "user"
	sessionFlash = "flash"
	contextActor = "web.actor"
)

// SignInPage asks for login and password.
type SignInPage struct {
	Layout
	Form *Form
	Next string
}

func (p *Pages) signInPage(c echo.Context) error {
	return p.render(c, http.StatusOK, "sign-in", &SignInPage{
		Layout: Layout{Title: "Sign in"}, Form: emptyForm("sign-in"), Next: localPath(c.QueryParam("next")),
	})
}

func (p *Pages) signIn(c echo.Context) error {
	f, err := readForm(c, "sign-in")
	if err != nil {
		return err
	}
	next := localPath(f.Get("next"))
	ctx := c.Request().Context()
	actor, err := p.svc.SignIn(ctx, p.opt.ShopID, f.Text("login"), f.Get("password"))
	if err != nil {
		status := http.StatusUnauthorized
		switch {
		case problem.Is(err, problem.TooMany):
			status = http.StatusTooManyRequests
		case !problem.Is(err, problem.Unauthorized) && userMistake(err) == nil:
			return err
		}
		f.Values.Del("password")
		f.fail(problem.As(err))
		return p.render(c, status, "sign-in", &SignInPage{Layout: Layout{Title: "Sign in"}, Form: f, Next: next})
	}
	// A new session id at sign-in: one planted before must not become signed in.
	if err := p.sessions.RenewToken(ctx); err != nil {
		return err
	}
	p.sessions.Put(ctx, sessionUser, actor.ID.String())
	return redirect(c, next)
}

func (p *Pages) signOut(c echo.Context) error {
	if err := p.sessions.Destroy(c.Request().Context()); err != nil {
		return err
	}
	return redirect(c, "/sign-in")
}

// requireActor lets only signed-in people through and asks the use cases on
// every request whether they still may, so that disabling someone works at once.
func (p *Pages) requireActor(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx := c.Request().Context()
		id, err := uuid.Parse(p.sessions.GetString(ctx, sessionUser))
		if err != nil {
			return p.askSignIn(c)
		}
		a, err := p.svc.Actor(ctx, p.opt.ShopID, id)
		if problem.Is(err, problem.Unauthorized) || problem.Is(err, problem.NotFound) {
			if err := p.sessions.Destroy(ctx); err != nil {
				return err
			}
			return p.askSignIn(c)
		}
		if err != nil {
			return err
		}
		c.Set(contextActor, a)
		return next(c)
	}
}

func (p *Pages) askSignIn(c echo.Context) error {
	to := "/sign-in"
	if c.Request().Method == http.MethodGet && c.Request().URL.Path != "/" && !hxRequest(c) {
		to += "?next=" + url.QueryEscape(c.Request().URL.RequestURI())
	}
	if hxRequest(c) {
		c.Response().Header().Set("HX-Redirect", to)
		return c.NoContent(http.StatusUnauthorized)
	}
	return redirect(c, to)
}

func actorOf(c echo.Context) shop.Actor {
	a, _ := c.Get(contextActor).(shop.Actor)
	return a
}

// flash leaves a message for the next page this person sees.
func (p *Pages) flash(c echo.Context, text string) {
	p.sessions.Put(c.Request().Context(), sessionFlash, text)
}

// localPath keeps a redirect on this server: only a path of ours is followed.
func localPath(s string) string {
	if !strings.HasPrefix(s, "/") || strings.HasPrefix(s, "//") || strings.ContainsAny(s, "\\\r\n") {
		return "/"
	}
	return s
}
