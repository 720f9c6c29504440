package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
)

//go:embed static
var staticFiles embed.FS

// assets are the static files under names that carry the hash of their
// content: a browser may keep them for good, and a new version is a new name.
type assets struct {
	hashed map[string]string // app.css -> app.1a2b3c4d5e.css
	bodies map[string][]byte // by hashed name
}

func newAssets() *assets {
	a := &assets{hashed: map[string]string{}, bodies: map[string][]byte{}}
	entries, err := fs.ReadDir(staticFiles, "static")
	if err != nil {
		panic(err) // embedded: cannot fail after the build
	}
	for _, e := range entries {
		body, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			panic(err)
		}
		sum := sha256.Sum256(body)
		ext := path.Ext(e.Name())
		name := strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:5]) + ext
		a.hashed[e.Name()] = "/static/" + name
		a.bodies[name] = body
	}
	return a
}

// url returns the address of a static file; a name that is not there is a
// mistake in a template and fails its test.
func (a *assets) url(name string) string {
	u, ok := a.hashed[name]
	if !ok {
		panic("no static file " + name)
	}
	return u
}

func (a *assets) serve(c echo.Context) error {
	name := c.Param("name")
	body, ok := a.bodies[name]
	if !ok {
		return problem.New(problem.NotFound, "There is no such file.")
	}
	kind := mime.TypeByExtension(path.Ext(name))
	if kind == "" {
		kind = "application/octet-stream"
	}
	h := c.Response().Header()
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("X-Content-Type-Options", "nosniff")
	return c.Blob(http.StatusOK, kind, body)
}
