package web

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestWritePages writes every page with its static files to the folder named by
// NEXTPROBE_PAGES, to be looked at in a browser without a server.
func TestWritePages(t *testing.T) {
	t.Parallel()
	dir := os.Getenv("NEXTPROBE_PAGES")
	if dir == "" {
		dir = t.TempDir() // every page is rendered all the same
	}
	svc, c := signedIn(t)
	write := func(name string, a answer) {
		if a.Body == "" {
			t.Errorf("%s is empty", name)
		}
		body := strings.ReplaceAll(a.Body, `"/static/`, `"static/`)
		body = strings.ReplaceAll(body, `src="/jobs/`+jobID.String()+`/qr.png"`, `src="static/qr.png"`)
		if err := os.WriteFile(filepath.Join(dir, name+".html"), []byte(body), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.MkdirAll(filepath.Join(dir, "static"), 0o755); err != nil {
		t.Fatal(err)
	}
	for name, body := range newAssets().bodies {
		if err := os.WriteFile(filepath.Join(dir, "static", name), body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "static", "qr.png"), []byte(c.get("/jobs/"+jobID.String()+"/qr.png").Body), 0o644); err != nil {
		t.Fatal(err)
	}
	short := strings.NewReplacer("/", "-", "?", "-", "=", "-", "&", "-", jobID.String(), "job", boardID.String(), "board", partID.String(), "part", connID.String(), "connector")
	for _, pg := range pagesToSee {
		write("page"+short.Replace(pg.path), c.get(pg.path))
	}
	write("error", c.get("/nowhere"))
	write("intake-mistake", c.post("/intake", url.Values{"board_id": {boardID.String()}, "odometer_km": {"far"}}))
	v := url.Values{"measurement": {"phase_resistance_3"}, "r.r_ab": {"101"}, "r.r_bc": {"100"}, "r.r_ca": {"101"}}
	result := c.post("/jobs/"+jobID.String()+"/evaluate", v)
	bench := c.get("/jobs/" + jobID.String())
	bench.Body = strings.Replace(bench.Body, `<p class="hint">What the readings come to appears here while you type.</p>`, result.Body, 1)
	write("bench-evaluated", bench)
	svc.stop = true
	write("bench-stop", c.get("/jobs/"+jobID.String()))
	c.cookies = map[string]string{}
	if a := c.get("/sign-in"); a.Code == http.StatusOK {
		write("sign-in", a)
	}
}
