package httpkit

import (
	"log/slog"
	"net/http"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"
)

// HTML renders a mistake as a page.
type HTML func(c echo.Context, status int, doc Document) error

// ErrorHandler answers every error that a handler returns, once. A request that
// wants JSON, or any when html is nil, gets a problem document; another gets
// html's page. Where that fails too, the problem document is sent after all.
func ErrorHandler(log *slog.Logger, html HTML) echo.HTTPErrorHandler {
	return func(err error, c echo.Context) {
		doc, broken := Describe(err)
		doc.Instance = c.Request().URL.EscapedPath()
		doc.RequestID = RequestIDOf(c)
		if broken {
			log.LogAttrs(c.Request().Context(), slog.LevelError, "request failed",
				slog.String("request_id", doc.RequestID), slog.String("method", c.Request().Method),
				slog.String("path", doc.Instance), slog.Any("error", err))
		}
		if c.Response().Committed {
			return
		}
		h := c.Response().Header()
		switch doc.Status {
		case http.StatusTooManyRequests, http.StatusServiceUnavailable:
			h.Set("Retry-After", "5")
		}
		if html != nil && !WantsJSON(c.Request()) {
			if err := html(c, doc.Status, doc); err == nil || c.Response().Committed {
				return
			}
		}
		if doc.Status == http.StatusUnauthorized {
			h.Set(echo.HeaderWWWAuthenticate, `Bearer realm="nextprobe"`)
		}
		body, _ := json.Marshal(doc)
		h.Set("Cache-Control", "no-store")
		if c.Request().Method == http.MethodHead {
			_ = c.NoContent(doc.Status)
			return
		}
		_ = c.Blob(doc.Status, MediaProblem, body)
	}
}

// machinePaths answer programs only.
var machinePaths = []string{"/api/", "/healthz", "/readyz", "/metrics"}

// WantsJSON tells whether a request comes from a program: by its path, or
// because it accepts JSON and does not ask for a page.
func WantsJSON(r *http.Request) bool {
	for _, p := range machinePaths {
		if strings.HasPrefix(r.URL.Path, p) {
			return true
		}
	}
	accept := r.Header.Get("Accept")
	return strings.Contains(accept, "json") && !strings.Contains(accept, "text/html")
}
