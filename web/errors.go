package web

import (
	"net/http"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"

	"nextprobe/internal/problem"
)

// ErrorPage says what went wrong and what to do next.
type ErrorPage struct {
	Layout
	Status    int
	Heading   string
	Message   string
	RequestID string
	Fields    []problem.Field
}

// errorHeadings word what happened for the one who reads it.
var errorHeadings = map[int]string{
	http.StatusBadRequest: "This could not be understood", http.StatusUnauthorized: "Please sign in", http.StatusForbidden: "You may not do this",
	http.StatusNotFound: "Nothing here", http.StatusMethodNotAllowed: "Nothing here", http.StatusConflict: "This does not fit the present state",
	http.StatusPreconditionFailed: "Somebody else was quicker", http.StatusRequestEntityTooLarge: "Too much at once", http.StatusUnprocessableEntity: "Some fields need another look",
	http.StatusTooManyRequests: "Too many attempts", http.StatusServiceUnavailable: "Not available now",
}

// RenderError shows an error as a page, or as a sentence to the page's own
// script. The detail of an unexpected error is in the log under the request id,
// never on the page.
func (p *Pages) RenderError(c echo.Context, status int, pe *problem.Error, requestID string) error {
	pg := &ErrorPage{Layout: Layout{Title: errorHeadings[status]}, Status: status, Heading: errorHeadings[status], RequestID: requestID}
	if pg.Heading == "" {
		pg.Heading, pg.Title = "Something broke here", "Error"
	}
	switch {
	case pe != nil && status < http.StatusInternalServerError, pe != nil && status == http.StatusServiceUnavailable:
		pg.Message, pg.Fields = pe.Message, pe.Fields
	case status == http.StatusNotFound || status == http.StatusMethodNotAllowed:
		pg.Message = "There is nothing at this address. It may have been typed wrong, or what it showed is gone."
	default:
		pg.Message = "This is our mistake, not yours. What you had saved before is safe. Try again; if it stays, tell the one who looks after the server the number below."
	}
	_ = securityHeaders(func(echo.Context) error { return nil })(c) // It returns what the handler inside returns.
	if hxRequest(c) {
		body, err := p.views.execute("error", "error-fragment", pg)
		if err != nil {
			return err
		}
		return c.HTMLBlob(status, body)
	}
	if token, ok := c.Get(middleware.DefaultCSRFConfig.ContextKey).(string); ok {
		pg.CSRF = token
	}
	// The shop's name is left out on purpose: asking for it could fail again.
	if a := actorOf(c); a.Role != "" {
		pg.User, pg.Nav = &a, navigation(a.Role, "")
	}
	body, err := p.views.execute("error", "layout.html", pg)
	if err != nil {
		return err
	}
	return c.HTMLBlob(status, body)
}
