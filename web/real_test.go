package web

import (
	"bytes"
	"context"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store/storetest"
)

// atRealShop is a signed-in browser before the real use cases on a database of its own.
func atRealShop(t *testing.T) (*shop.Service, shop.Actor, *client) {
	t.Helper()
	ctx := context.Background()
	st := storetest.New(t)
	svc := shop.New(st, shop.Options{})
	s, err := svc.Setup(ctx, "bench", "Harbour Bench")
	if err != nil {
		t.Fatal(err)
	}
	owner := shop.Actor{ShopID: s.ID, Name: "test", Role: shop.Owner}
	u, err := svc.AddUser(ctx, owner, "runa", "Runa Applewhistle", shop.Owner, "harbour lantern forty two")
	if err != nil {
		t.Fatal(err)
	}
	owner.ID, owner.Name = u.ID, u.Name
	sessions := scs.New()
	sessions.Store = st.Sessions()
	e := echo.New()
	p := Register(e, svc, sessions, Options{ShopID: s.ID, BaseURL: "https://bench.example"})
	e.HTTPErrorHandler = func(err error, c echo.Context) {
		status, pe := http.StatusInternalServerError, problem.As(err)
		if pe != nil && statusOf[pe.Code] != 0 {
			status = statusOf[pe.Code]
		}
		t.Logf("%s %s: %v", c.Request().Method, c.Request().URL, err)
		_ = p.RenderError(c, status, pe, "req-7")
	}
	c := &client{t: t, handler: e, cookies: map[string]string{}}
	c.get("/sign-in")
	if a := c.post("/sign-in", url.Values{"login": {"runa"}, "password": {"harbour lantern forty two"}}); a.Code != http.StatusSeeOther {
		t.Fatalf("sign-in: %d\n%s", a.Code, a.Body)
	}
	return svc, owner, c
}

// follow posts a form and goes where the answer leads.
func (c *client) follow(path string, v url.Values) answer {
	c.t.Helper()
	a := c.post(path, v)
	if a.Code != http.StatusSeeOther {
		c.t.Fatalf("POST %s: status %d\n%s", path, a.Code, a.Body)
	}
	to, _, _ := strings.Cut(a.Header.Get("Location"), "#")
	return c.get(to)
}

// TestOneVisit takes a board in, measures, confirms, repairs, is refused
// "ready" with what is missing, and finds the failure in the recurrence report:
// all through the pages, before the real use cases.
func TestOneVisit(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	ctx := context.Background()

	a := c.follow("/boards/new", url.Values{"serial": {"HB-0007"}, "make": {"Fennmark"}, "model": {"Otterling"}, "series_cells": {"20"}, "parallel_cells": {"2"}, "chemistry": {"layered_oxide"},
		"odometer_km": {"812,5"}, "fact.motor_plug": {"external"}, "owner_name": {"Elowen Dunmarrow"}, "owner_contact": {"+00 555 0142"}, "then": {"intake"}})
	checkPage(t, a)
	board := attr(a.nodes("input[name=board_id]")[0], "value")
	c.follow("/boards/"+board+"/connectors/new", url.Values{"place": {"under the deck"}, "component": {"interbox_connector"}, "family": {"Larch-60"}, "poles": {"2"}, "polarity": {"as_marked"}, "pin_map": {"1: red, pack plus\n2: black, pack minus"}, "sealing": {"sleeve"}})
	a = c.follow("/parts/new", url.Values{"number": {"CN-L90"}, "name": {"Connector pair"}, "component": {"interbox_connector"}, "unit_cost": {"12.90"}, "min_stock": {"2"}, "stock": {"3"}, "lot": {"L90-A"}})
	checkPage(t, a)

	a = c.follow("/intake", url.Values{"board_id": {board}, "complaint": {"Cuts out on hills."}, "odometer_km": {"830"}, "exposures": {"rain"}, "s.cutoff_under_load": {"present"}, "s.smell_solvent": {"absent"}})
	checkPage(t, a)
	job := strings.TrimSuffix(attr(a.nodes("img")[0], "src"), "/qr.png")
	a = c.get(job)
	checkPage(t, a)
	if len(a.nodes("li.cause")) < 3 {
		t.Fatal("no causes shown")
	}
	// The safety check comes first, and is recorded on arrival.
	if got := attr(a.nodes("input[name=measurement]")[0], "value"); got != "pack_heat_triage" {
		t.Fatalf("first measurement %q", got)
	}
	live := c.post(job+"/evaluate", url.Values{"measurement": {"pack_heat_triage"}, "r.t_box_c": {"24"}, "r.t_amb_c": {"21 °C"}})
	if !strings.Contains(live.one("p.hint"), "Same spot after 10 min") {
		t.Errorf("what is missing: %s", live.Body)
	}
	live = c.post(job+"/evaluate", url.Values{"measurement": {"pack_heat_triage"}, "r.t_box_c": {"24"}, "r.t_amb_c": {"21 °C"}, "r.t_box10_c": {"24 V"}})
	if got := live.one("p.wrong"); !strings.Contains(got, "Same spot after 10 min") {
		t.Errorf("a voltage for a temperature: %q", got)
	}
	triage := url.Values{"measurement": {"pack_heat_triage"}, "r.t_box_c": {"24"}, "r.t_amb_c": {"21 °C"}, "r.t_box10_c": {"24,0"}}
	if got := c.post(job+"/evaluate", triage).one("p.outcome"); !strings.HasPrefix(got, "near ambient and steady") {
		t.Errorf("outcome %q", got)
	}
	c.follow(job+"/observations", triage)
	c.follow(job+"/state", url.Values{"to": {"diagnosing"}})
	// A wrong unit comes back beside its field with what was typed.
	a = c.post(job+"/observations", url.Values{"measurement": {"phase_resistance_3"}, "r.r_ab": {"101 V"}, "r.r_bc": {"100"}, "r.r_ca": {"0R1"}, "r.t_wind_c": {"20"}, "r.flex_change_pct": {"0.2"}})
	if a.Code != http.StatusUnprocessableEntity || attr(a.nodes("input[name=r.r_ab]")[0], "value") != "101 V" || len(a.nodes("p#observe-r.r_ab-error")) != 1 {
		t.Errorf("status %d, or the reading or its error is lost", a.Code)
	}
	checkPage(t, a)
	a = c.follow(job+"/access", url.Values{"opening": {"connector_unplugged"}, "state": {"open"}, "m": {"interbox_visual"}})
	if a.one("section.open-now"); len(a.nodes("button.outcome-button")) < 4 {
		t.Error("the chosen inspection is not shown")
	}
	a = c.follow(job+"/observations", url.Values{"measurement": {"interbox_visual"}, "outcome": {"soot"}})
	checkPage(t, a)
	cause := attr(a.nodes("input[name=cause]")[0], "value")
	connector := attr(a.nodes("select[name=connector_id]")[0].LastChild, "value")
	a = c.follow(job+"/faults", url.Values{"cause": {cause}, "connector_id": {connector}})
	fault := attr(a.nodes("input[name=fault_id]")[0], "value")
	var part string
	for _, o := range a.nodes("option") {
		if strings.HasPrefix(text(o), "CN-L90") {
			part = attr(o, "value")
		}
	}
	c.follow(job+"/state", url.Values{"to": {"repairing"}})
	a = c.post(job+"/repairs", url.Values{"fault_id": {fault}, "action": {"replaced both halves"}, "minutes": {"40"}, "part.0": {part}, "quantity.0": {"4"}, "lot.0": {"L90-A"}})
	if a.Code != http.StatusUnprocessableEntity {
		t.Errorf("four of three in stock: status %d", a.Code)
	}
	if got := a.one("div#repair-" + fault + "-mistakes"); !strings.Contains(got, "not that many in stock") {
		t.Errorf("stock refusal: %q", got)
	}
	a = c.follow(job+"/repairs", url.Values{"fault_id": {fault}, "action": {"replaced both halves"}, "minutes": {"40"}, "part.0": {part}, "quantity.0": {"1"}, "lot.0": {"L90-A"}})
	checkPage(t, a)
	if len(a.nodes("div.done")) != 1 {
		t.Error("the repair is not shown")
	}
	c.follow(job+"/state", url.Values{"to": {"verifying"}})
	a = c.post(job+"/state", url.Values{"to": {"ready"}})
	if a.Code != http.StatusUnprocessableEntity || len(a.nodes("li.req")) == 0 {
		t.Errorf("ready: status %d", a.Code)
	}
	if got := a.one("div#state-mistakes"); !strings.Contains(strings.ToLower(got), "connector unplugged") && !strings.Contains(got, "close") {
		t.Errorf("what bars ready: %q", got)
	}
	checkPage(t, a)
	a = c.get("/recurrence?group=connector_family")
	checkPage(t, a)
	if !strings.Contains(a.one("ol.findings"), "Larch-60") {
		t.Errorf("recurrence: %s", a.one("ol.findings"))
	}
	href := attr(a.nodes("ol.findings")[0].FirstChild.FirstChild, "href")
	a = c.get(href)
	checkPage(t, a)
	if !strings.Contains(a.one("section#jobs"), "HB-0007") {
		t.Error("the job behind the figure is missing")
	}
	parts, err := svc.Parts(ctx, owner, shop.PartFilter{})
	if err != nil || parts.Items[0].Stock != 2 {
		t.Errorf("stock %+v, %v", parts.Items, err)
	}
}

// TestEveryMeasurementCanBeTaken opens each measurement of the real library at
// the bench and sends its worked examples as the page would. The board has no record
// of its cells, because some examples are about just that.
func TestEveryMeasurementCanBeTaken(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	ctx := context.Background()
	b, err := svc.AddBoard(ctx, owner, shop.BoardInput{Serial: "HB-0008"})
	if err != nil {
		t.Fatal(err)
	}
	job, err := svc.OpenJob(ctx, owner, shop.JobInput{BoardID: b.ID, Complaint: "look it over"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := svc.MoveJob(ctx, owner, job.ID, shop.Diagnosing, ""); err != nil {
		t.Fatal(err)
	}
	lib, _, err := svc.Library(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	path := "/jobs/" + job.ID.String()
	c.get(path)
	taken := 0
	for i := range lib.Measurements {
		m := &lib.Measurements[i]
		if len(m.Inputs) == 0 {
			continue
		}
		f := emptyForm("observe")
		if fields := readingFields(f, m, 0); len(fields) != len(m.Inputs) {
			t.Errorf("%s: %d fields for %d readings", m.ID, len(fields), len(m.Inputs))
		}
		for _, ex := range m.Examples {
			v := exampleForm(m, ex.In)
			v.Set("measurement", m.ID)
			a := c.post(path+"/evaluate", v)
			if a.Code != http.StatusOK || len(a.nodes("p.outcome")) != 1 || !strings.HasPrefix(a.one("p.outcome"), outcomeWords(m, ex.Out)) {
				t.Errorf("%s typed as %v: want %s, got\n%s", m.ID, v, ex.Out, a.Body)
			}
			taken++
		}
	}
	if taken < 100 {
		t.Errorf("only %d examples taken", taken)
	}
}

// exampleForm types a worked example into the fields of the page.
func exampleForm(m *faultlib.Measurement, in map[string]any) url.Values {
	v := url.Values{}
	for _, r := range readingFields(emptyForm("x"), m, 0) {
		x, ok := in[r.Symbol]
		if !ok || x == nil {
			continue
		}
		switch r.Kind {
		case "yesno":
			v.Set(r.Name, valueText(x))
		case "elements", "triangle":
			for i, e := range x.([]any) {
				if e != nil {
					v.Set(r.Elements[i].Name, plainText(e))
				}
			}
		case "paste", "hall":
			var lines []string
			if len(x.([]any)) == 0 {
				lines = []string{"none"}
			}
			for _, e := range x.([]any) {
				if e == nil {
					lines = append(lines, "-")
				} else {
					lines = append(lines, plainText(e))
				}
			}
			v.Set(r.Name, strings.Join(lines, "\n"))
		case "pins":
			var lines []string
			for _, k := range sortedKeys(x.(map[string]any)) {
				lines = append(lines, k+": "+strings.TrimSuffix(valueText(x.(map[string]any)[k]), "none"))
			}
			v.Set(r.Name, strings.Join(lines, "\n"))
		default:
			v.Set(r.Name, plainText(x))
		}
	}
	return v
}

func plainText(x any) string {
	switch n := x.(type) {
	case float64:
		return formatFloat(&n)
	case int:
		return formatInt(&n)
	}
	return valueText(x)
}

// upload posts a file with its form.
func (c *client) upload(path, field, name string, content []byte) answer {
	c.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	part, err := w.CreateFormFile(field, name)
	if err != nil {
		c.t.Fatal(err)
	}
	_, _ = part.Write(content)
	_ = w.WriteField("_csrf", c.csrf)
	_ = w.WriteField("note", "spring edition")
	if err := w.Close(); err != nil {
		c.t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodPost, path, &body)
	r.Header.Set("Content-Type", w.FormDataContentType())
	return c.do(r)
}

func TestImportLibraryListsItsMistakes(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	c.get("/settings")
	good := faultlib.Embedded()
	bad := bytes.Replace(good, []byte("prior_per_1000: 38"), []byte("prior_per_1000: 3800"), 1)
	if bytes.Equal(good, bad) {
		t.Fatal("the library has no such prior any more")
	}
	a := c.upload("/settings/library", "file", "spring.yaml", bad)
	if a.Code != http.StatusUnprocessableEntity {
		t.Fatalf("status %d\n%s", a.Code, a.Body)
	}
	above, _, _ := bytes.Cut(good, []byte("prior_per_1000: 38"))
	line := 1 + bytes.Count(above, []byte("\n"))
	if got := a.one("table.issues"); !strings.Contains(got, formatInt(&line)) || !strings.Contains(got, "Nothing was changed") {
		t.Errorf("line %d is not named: %s", line, got)
	}
	if got := attr(a.nodes("input#library-note")[0], "value"); got != "spring edition" {
		t.Errorf("the note typed is lost: %q", got)
	}
	checkPage(t, a)
	if a := c.upload("/settings/library", "other", "x.yaml", nil); a.Code != http.StatusUnprocessableEntity || a.one("p#library-file-error") == "" {
		t.Errorf("no file: status %d", a.Code)
	}
	if libs, err := svc.Libraries(context.Background(), owner); err != nil || len(libs) != 1 {
		t.Errorf("%d libraries, %v", len(libs), err)
	}
	renamed := append([]byte("# spring\n"), good...)
	a = c.upload("/settings/library", "file", "spring.yaml", renamed)
	if a.Code != http.StatusSeeOther && a.Code != http.StatusOK {
		t.Errorf("a good library: status %d\n%s", a.Code, a.Body)
	}
	if libs, err := svc.Libraries(context.Background(), owner); err != nil || len(libs) != 2 {
		t.Errorf("%d libraries, %v", len(libs), err)
	}
}
