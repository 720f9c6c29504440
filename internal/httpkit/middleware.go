package httpkit

import (
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// Limits of a request. They are generous for a slow link at the bench and end
// what would hold a connection for ever.
const (
	headerTimeout  = 10 * time.Second
	readTimeout    = time.Minute
	writeTimeout   = time.Minute
	idleTimeout    = 2 * time.Minute
	requestTimeout = 30 * time.Second
	maxHeaderBytes = 64 << 10
)

// Server returns an HTTP server with the time limits of this service.
func Server(addr string, h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Addr: addr, Handler: h,
		ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout,
		MaxHeaderBytes: maxHeaderBytes,
		ErrorLog:       slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

// Setup prepares e for the REST service and the pages: error handler, request
// id, access log, counters, recovery, time limit and headers. html may be nil.
func Setup(e *echo.Echo, log *slog.Logger, m *Metrics, html HTML) {
	e.HideBanner, e.HidePort = true, true
	e.HTTPErrorHandler = ErrorHandler(log, html)
	e.Use(requestID, accessLog(log, m), recovery, middleware.ContextTimeout(requestTimeout), secure)
}

const requestIDKey = "request_id"

// RequestIDOf returns the id under which the request stands in the log.
func RequestIDOf(c echo.Context) string {
	id, _ := c.Get(requestIDKey).(string)
	return id
}

// requestID takes over a proxy's X-Request-Id when it is harmless in a log, else makes one.
func requestID(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		id := c.Request().Header.Get(echo.HeaderXRequestID)
		if !plainID(id) {
			id = uuid.Must(uuid.NewV7()).String()
		}
		c.Set(requestIDKey, id)
		c.Response().Header().Set(echo.HeaderXRequestID, id)
		return next(c)
	}
}

func plainID(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	for _, r := range []byte(s) {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '.':
		default:
			return false
		}
	}
	return true
}

// accessLog has the error answered before it looks at the status. Query strings
// are left out: they may hold a customer's name.
func accessLog(log *slog.Logger, m *Metrics) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			begin := time.Now()
			if err := next(c); err != nil {
				c.Error(err)
			}
			took := time.Since(begin)
			status := c.Response().Status
			if m != nil {
				m.observe(c.Request().Method, c.Path(), status, took)
			}
			log.LogAttrs(c.Request().Context(), slog.LevelInfo, "request",
				slog.String("request_id", RequestIDOf(c)), slog.String("method", c.Request().Method),
				slog.String("path", c.Request().URL.EscapedPath()), slog.Int("status", status),
				slog.Int64("bytes", c.Response().Size), slog.Duration("took", took))
			return nil
		}
	}
}

// recovery turns a panic into an error that carries its stack to the log.
var recovery = middleware.RecoverWithConfig(middleware.RecoverConfig{
	DisablePrintStack: true,
	LogErrorFunc: func(_ echo.Context, err error, stack []byte) error {
		return fmt.Errorf("panic: %w\n%s", err, stack)
	},
})

// secure sets the headers that hold for every answer; pages add their own policy.
func secure(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set(echo.HeaderXContentTypeOptions, "nosniff")
		h.Set(echo.HeaderXFrameOptions, "DENY")
		h.Set(echo.HeaderReferrerPolicy, "same-origin")
		return next(c)
	}
}
