package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

const (
	headerKey      = "Idempotency-Key"
	headerReplayed = "Idempotency-Replayed"
	maxKey         = 200
)

// replayedHeaders are stored with an answer; all others belong to one request.
var replayedHeaders = []string{echo.HeaderContentType, echo.HeaderLocation, "ETag"}

// idempotent answers a repeated POST with the same Idempotency-Key from memory.
// Only answers of success are kept: a request that failed changed nothing and
// may be sent again, mended, with the same key.
func idempotent(svc Service) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			values := c.Request().Header.Values(headerKey)
			if len(values) == 0 {
				return next(c)
			}
			key := values[0]
			if len(values) > 1 || !goodKey(key) {
				return problem.InField(headerKey, "must be one value of 1 to %d printable ASCII characters", maxKey)
			}
			digest, err := fingerprint(c)
			if err != nil {
				return err
			}
			a, ctx := actorOf(c), c.Request().Context()
			earlier, err := svc.ClaimKey(ctx, a, key, digest)
			if err != nil {
				return err
			}
			if earlier != nil {
				return replay(c, earlier)
			}
			return settle(c, svc, key, next)
		}
	}
}

// goodKey allows what travels unchanged in a header: inner spaces, none around.
func goodKey(key string) bool {
	if key == "" || len(key) > maxKey || key[0] == ' ' || key[len(key)-1] == ' ' {
		return false
	}
	for _, b := range []byte(key) {
		if b < ' ' || b > '~' {
			return false
		}
	}
	return true
}

// fingerprint tells requests apart: method, address, media type and body.
func fingerprint(c echo.Context) ([]byte, error) {
	body, err := httpkit.Body(c)
	if err != nil {
		return nil, err
	}
	r := c.Request()
	h := sha256.New()
	for _, s := range []string{r.Method, r.URL.RequestURI(), r.Header.Get(echo.HeaderContentType)} {
		_, _ = io.WriteString(h, s)
		_, _ = h.Write([]byte{0})
	}
	_, _ = h.Write(body)
	return h.Sum(nil), nil
}

func replay(c echo.Context, r *shop.Replay) error {
	h := c.Response().Header()
	for name, v := range r.Header {
		h.Set(name, v)
	}
	h.Set(headerReplayed, "true")
	c.Response().WriteHeader(r.Status)
	_, err := c.Response().Write(r.Body)
	return err
}

// settle runs the handler, keeps its answer under the key and only then sends
// it, so that a client that has seen the answer can rely on its repetition.
func settle(c echo.Context, svc Service, key string, next echo.HandlerFunc) error {
	a := actorOf(c)
	// The client may have gone away; the key must be settled all the same.
	ctx := context.WithoutCancel(c.Request().Context())
	res := c.Response()
	out := res.Writer
	held := &heldAnswer{ResponseWriter: out, status: http.StatusOK}
	res.Writer = held
	done := false
	defer func() {
		res.Writer = out
		if !done { // a panic: release the key and let it pass
			_ = svc.SettleKey(ctx, a, key, nil)
		}
	}()
	err := next(c)
	done = true
	if err != nil {
		if release := svc.SettleKey(ctx, a, key, nil); release != nil {
			return errors.Join(err, release)
		}
		return err
	}
	answer := &shop.Replay{Status: held.status, Header: map[string]string{}, Body: held.body.Bytes()}
	for _, name := range replayedHeaders {
		if v := out.Header().Get(name); v != "" {
			answer.Header[name] = v
		}
	}
	// The work is done and stays done; that its answer could not be kept must
	// not turn it into a failure.
	kept := svc.SettleKey(ctx, a, key, answer)
	out.WriteHeader(held.status)
	if _, err := out.Write(held.body.Bytes()); err != nil {
		return err
	}
	if kept != nil {
		return fmt.Errorf("keep the answer under its Idempotency-Key: %v", kept) //nolint:errorlint // %v: this is no mistake of the caller's
	}
	return nil
}

// heldAnswer keeps an answer back until it is settled.
type heldAnswer struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
}

func (h *heldAnswer) WriteHeader(status int)      { h.status = status }
func (h *heldAnswer) Write(b []byte) (int, error) { return h.body.Write(b) }
