package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// pagesToSee are the addresses of every page, with a selector that only the
// page itself has.
var pagesToSee = []struct{ path, selector string }{
	{"/", "section.column"}, {"/?q=mossback", "article.job"}, {"/?q=nothing", "p.none"}, {"/?state=returned", "article.job"},
	{"/intake", "input#board-q"}, {"/intake?board=" + boardID.String(), "textarea[name=complaint]"},
	{"/jobs/" + jobID.String(), "section#next"}, {"/jobs/" + jobID.String() + "?m=interbox_visual", "button.outcome-button.fine"},
	{"/jobs/" + jobID.String() + "?m=cell_group_delta", "textarea[name=r.v]"}, {"/jobs/" + jobID.String() + "/tag", "section.tag"},
	{"/boards", "ul.rows"}, {"/boards/new", "input[name=serial]"}, {"/boards/" + boardID.String(), "section#connectors"}, {"/boards/" + boardID.String() + "/edit", "input[name=serial]"},
	{"/boards/" + boardID.String() + "/connectors/new", "textarea[name=pin_map]"}, {"/connectors/" + connID.String() + "/edit", "textarea[name=pin_map]"},
	{"/parts", "tr.below"}, {"/parts/new", "input[name=number]"}, {"/parts/" + partID.String(), "dl.figures"}, {"/parts/" + partID.String() + "/edit", "input[name=number]"},
	{"/instruments", "li.overdue"}, {"/instruments/new", "input[name=calibration_due]"}, {"/instruments/" + meterID.String() + "/edit", "input[name=retired]"},
	{"/recurrence", "svg.chart"}, {"/recurrence/detail?group=component&key=interbox_connector", "svg.chart"},
	{"/library", "section.lib-group"}, {"/library?q=phase", "section.lib-group"}, {"/library/measurements/phase_resistance_3", "table.list"}, {"/library/causes/interbox_pin_burned", "ul.links"},
	{"/library/tree", "select#tree-depth"}, {"/library/tree?symptoms=sudden_cutoff", "article.tree-step"}, {"/library/testability", "section#groups"},
	{"/calculator", "ul.calc-list"}, {"/calculator?q=nothing+of+it", "p.none"}, {"/calculator/phase_resistance_3", "div.triangle"},
	{"/learning", "svg.reliability"},
	{"/settings", "section#people"},
}

func TestEveryPageRenders(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	for _, pg := range pagesToSee {
		t.Run(pg.path, func(t *testing.T) {
			a := c.get(pg.path)
			a.t = t
			if a.Code != http.StatusOK {
				t.Fatalf("status %d\n%s", a.Code, a.Body)
			}
			if len(a.nodes(pg.selector)) == 0 {
				t.Errorf("nothing matches %s", pg.selector)
			}
			checkPage(t, a)
		})
	}
}

// checkPage holds what is true of every page: it is named, nothing inline that
// the content policy would block, every field has a label, ids are unique,
// every POST form carries the token.
func checkPage(t *testing.T, a answer) {
	t.Helper()
	if len(a.nodes("h1")) != 1 {
		t.Errorf("%d h1 headings, want 1", len(a.nodes("h1")))
	}
	root, err := html.Parse(strings.NewReader(a.Body))
	if err != nil {
		t.Fatal(err)
	}
	ids, labelled := map[string]bool{}, map[string]bool{}
	for n := range root.Descendants() {
		if n.Type == html.ElementNode && n.Data == "label" {
			labelled[attr(n, "for")] = true
		}
	}
	for n := range root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if id := attr(n, "id"); id != "" {
			if ids[id] {
				t.Errorf("id %q is used twice", id)
			}
			ids[id] = true
		}
		for _, at := range n.Attr {
			if at.Key == "style" || strings.HasPrefix(at.Key, "on") {
				t.Errorf("<%s %s=%q> is blocked by the content policy", n.Data, at.Key, at.Val)
			}
			if (at.Key == "src" || at.Key == "href") && (strings.Contains(at.Val, "//") || strings.HasPrefix(at.Val, "data:")) {
				t.Errorf("<%s %s=%q> leaves this server", n.Data, at.Key, at.Val)
			}
		}
		switch n.Data {
		case "script", "style":
			if n.FirstChild != nil {
				t.Errorf("inline <%s>", n.Data)
			}
		case "input", "select", "textarea":
			kind := attr(n, "type")
			if kind != "hidden" && !labelled[attr(n, "id")] && !insideLabel(n) {
				t.Errorf("<%s name=%q> has no label", n.Data, attr(n, "name"))
			}
		case "form":
			if attr(n, "method") == "post" && !hasToken(n) {
				t.Errorf("form %s has no token", attr(n, "action"))
			}
		}
	}
	for n := range root.Descendants() {
		if d := attr(n, "aria-describedby"); d != "" {
			for _, id := range strings.Fields(d) {
				if !ids[id] {
					t.Errorf("aria-describedby names %q, which is not on the page", id)
				}
			}
		}
	}
	for _, bad := range []string{"%!", "<no value>", "ZgotmplZ", "0001-01-01"} {
		if strings.Contains(a.Body, bad) {
			t.Errorf("the page shows %q", bad)
		}
	}
}

func insideLabel(n *html.Node) bool {
	for p := n.Parent; p != nil; p = p.Parent {
		if p.Data == "label" {
			return true
		}
	}
	return false
}

func hasToken(form *html.Node) bool {
	for n := range form.Descendants() {
		if attr(n, "name") == "_csrf" && attr(n, "value") != "" {
			return true
		}
	}
	return false
}

func TestSignIn(t *testing.T) {
	t.Parallel()
	svc, c := setup(t)
	if a := c.get("/jobs/" + jobID.String()); a.Code != http.StatusSeeOther || !strings.HasPrefix(a.Header.Get("Location"), "/sign-in?next=%2Fjobs") {
		t.Fatalf("a stranger gets %d %s", a.Code, a.Header.Get("Location"))
	}
	c.get("/sign-in")
	a := c.post("/sign-in", url.Values{"login": {"runa"}, "password": {"wrong"}})
	if a.Code != http.StatusUnauthorized || strings.Contains(a.Body, `value="wrong"`) {
		t.Errorf("wrong password: %d, or the password is sent back", a.Code)
	}
	if got := a.nodes("input[name=login]"); attr(got[0], "value") != "runa" {
		t.Error("the login typed is lost")
	}
	before := c.cookies["nextprobe_session"]
	a = c.post("/sign-in", url.Values{"login": {"runa"}, "password": {"right"}, "next": {"//elsewhere.example/x"}})
	if a.Code != http.StatusSeeOther || a.Header.Get("Location") != "/" {
		t.Errorf("sign-in: %d to %q; it must stay on this server", a.Code, a.Header.Get("Location"))
	}
	if c.cookies["nextprobe_session"] == before {
		t.Error("the session id stays the same through the sign-in")
	}
	cookie := strings.Join(a.Header.Values("Set-Cookie"), "\n")
	for _, want := range []string{"HttpOnly", "SameSite=Lax"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("cookie without %s: %s", want, cookie)
		}
	}
	svc.disabled = true
	if a := c.get("/"); a.Code != http.StatusSeeOther {
		t.Errorf("a disabled person gets %d", a.Code)
	}
}

func TestPostsNeedTheToken(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	c.csrf = "made up"
	a := c.post("/jobs/"+jobID.String()+"/state", url.Values{"to": {"repairing"}})
	if a.Code != http.StatusForbidden || len(svc.calls) != 0 {
		t.Errorf("status %d, %d calls", a.Code, len(svc.calls))
	}
}

func TestIntakeKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	c.get("/intake?board=" + boardID.String())
	typed := url.Values{"board_id": {boardID.String()}, "complaint": {"dead after rain"}, "odometer_km": {"12,5"}, "exposures": {"rain", "crash"}, "condition": {"wet"},
		"s.sudden_cutoff": {"present"}, "s.water_history": {"absent"}, "s.stutter_at_start": {""}}
	svc.fail = problem.InField("odometer_km", "is lower than last time; give a reason")
	a := c.post("/intake", typed)
	if a.Code != http.StatusUnprocessableEntity {
		t.Fatalf("status %d", a.Code)
	}
	if got := a.one("p#intake-odometer_km-error"); !strings.Contains(got, "give a reason") {
		t.Errorf("error beside the field: %q", got)
	}
	if got := attr(a.nodes("input[name=odometer_km]")[0], "aria-describedby"); !strings.Contains(got, "intake-odometer_km-error") {
		t.Errorf("aria-describedby %q", got)
	}
	if got := a.one("textarea[name=complaint]"); got != "dead after rain" {
		t.Errorf("complaint %q", got)
	}
	for _, sel := range []string{"input[name=exposures][value=rain]", "input[name=s.sudden_cutoff][value=present]", "input[name=s.water_history][value=absent]"} {
		if _, ok := lookAttr(a.nodes(sel)[0], "checked"); !ok {
			t.Errorf("%s is lost", sel)
		}
	}
	a = c.post("/intake", typed)
	if a.Code != http.StatusSeeOther || !strings.HasSuffix(a.Header.Get("Location"), "/tag") {
		t.Fatalf("status %d to %s", a.Code, a.Header.Get("Location"))
	}
	in := svc.calls[len(svc.calls)-1].(shop.JobInput)
	if in.BoardID != boardID || *in.OdometerKM != 12.5 || !contains(in.Symptoms, "sudden_cutoff") || len(in.Symptoms) != 1 || !contains(in.AbsentSymptoms, "water_history") || len(in.AbsentSymptoms) != 1 {
		t.Errorf("job %+v", in)
	}
}

func TestReadingsAreSentAsTyped(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench)
	a := c.post(bench+"/observations", url.Values{"measurement": {"phase_resistance_3"}, "r.r_ab": {"0R101"}, "r.r_bc": {"100,5"}, "r.r_ca": {" 100 "}, "r.t_wind_c": {"21"}, "r.moves": {"no"}})
	if a.Code != http.StatusSeeOther {
		t.Fatalf("status %d\n%s", a.Code, a.Body)
	}
	in := svc.calls[0].(shop.ObservationInput)
	want := map[string]any{"r_ab": "0R101", "r_bc": 100.5, "r_ca": 100.0, "t_wind_c": 21.0, "r_model_20": nil, "moves": false}
	for k, v := range want {
		if got, ok := in.Readings[k]; !ok || got != v {
			t.Errorf("%s = %v (given %t), want %v", k, got, ok, v)
		}
	}
	svc.fail = problem.InField("readings.r_ab", "is a voltage; a resistance in mohm is expected")
	a = c.post(bench+"/observations", url.Values{"measurement": {"phase_resistance_3"}, "r.r_ab": {"12 V"}})
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.one("p#observe-r.r_ab-error"), "is a voltage") {
		t.Errorf("status %d", a.Code)
	}
	if got := attr(a.nodes("input[name=r.r_ab]")[0], "value"); got != "12 V" {
		t.Errorf("the reading typed is lost: %q", got)
	}
	c.post(bench+"/observations", url.Values{"measurement": {"cell_group_delta"}, "r.v": {"3.61 V\n3,62\n-\n3.60"}, "r.rest.0": {"1"}, "r.rest.1": {""}, "r.rest.2": {"3"}, "r.found": {"1: 2, 3\n4: "}})
	in = svc.calls[len(svc.calls)-1].(shop.ObservationInput)
	if got := valueText(in.Readings["v"]); got != "3.61 V, 3.62, not taken, 3.6" {
		t.Errorf("pasted column: %s", got)
	}
	if got := valueText(in.Readings["rest"]); got != "1, not taken, 3" {
		t.Errorf("elements: %s", got)
	}
	if got := valueText(in.Readings["found"]); got != "1: 2, 3; 4: none" {
		t.Errorf("pins: %s", got)
	}
}

func TestOutcomeAndCannotMeasure(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench + "?m=interbox_visual")
	c.post(bench+"/observations", url.Values{"measurement": {"interbox_visual"}, "outcome": {"soot"}})
	c.post(bench+"/observations", url.Values{"measurement": {"interbox_visual"}, "unavailable": {"1"}})
	c.post(bench+"/observations", url.Values{"symptoms": {"1"}, "s.water_history": {"absent"}, "s.sudden_cutoff": {""}})
	if len(svc.calls) != 3 {
		t.Fatalf("%d calls", len(svc.calls))
	}
	if in := svc.calls[0].(shop.ObservationInput); in.Outcome != "soot" || in.Readings != nil || in.Unavailable {
		t.Errorf("outcome: %+v", in)
	}
	if in := svc.calls[1].(shop.ObservationInput); !in.Unavailable || in.Outcome != "" {
		t.Errorf("unavailable: %+v", in)
	}
	if in := svc.calls[2].(shop.ObservationInput); in.Symptom != "water_history" || in.Present == nil || *in.Present {
		t.Errorf("symptom: %+v", in)
	}
}

func TestEvaluateWhileTyping(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench)
	v := url.Values{"measurement": {"phase_resistance_3"}, "r.r_ab": {"12 V"}, "r.r_bc": {"100"}}
	a := c.post(bench+"/evaluate", v)
	if a.Code != http.StatusOK || strings.Contains(a.Body, "<html") {
		t.Fatalf("status %d, or a whole page\n%s", a.Code, a.Body)
	}
	if got := a.one("p.hint"); !strings.Contains(got, "R C–A") || strings.Contains(got, "R A–B") {
		t.Errorf("still to measure: %q", got)
	}
	v.Set("r.r_ca", "101")
	if got := c.post(bench+"/evaluate", v).one("p.wrong"); !strings.Contains(got, "R A–B") || !strings.Contains(got, "is a voltage") {
		t.Errorf("wrong reading: %q", got)
	}
	v.Set("r.r_ab", "101")
	a = c.post(bench+"/evaluate", v)
	if got := a.one("p.edge"); got != "On the edge: 30 % one high, 70 % balanced." {
		t.Errorf("edge: %q", got)
	}
	if got := a.one("p.outcome"); !strings.HasPrefix(got, "one high B") {
		t.Errorf("outcome: %q", got)
	}
	if len(svc.calls) != 0 {
		t.Error("evaluating recorded something")
	}
}

func TestStopEndsGuidedDiagnosis(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	svc.stop = true
	a := c.get("/jobs/" + jobID.String())
	if got := a.one("div.stop[role=alert]"); !strings.Contains(got, "call supervisor") {
		t.Errorf("stop: %q", got)
	}
	if len(a.nodes("section#next")) != 0 || len(a.nodes("ul.runners")) != 0 {
		t.Error("a measurement is still proposed")
	}
}

func TestCautionsStandBeforeTheFields(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	body := c.get("/jobs/" + jobID.String()).Body
	order := []string{`class="hazard h2"`, "First open", "<dt>Where</dt>", `name="r.r_ab"`, "Save reading"}
	at := 0
	for _, s := range order {
		i := strings.Index(body[at:], s)
		if i < 0 {
			t.Fatalf("%q does not follow in order", s)
		}
		at += i
	}
}

func TestRepairWithParts(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench)
	v := url.Values{"fault_id": {faultID.String()}, "action": {"replaced both halves"}, "minutes": {"40"}, "part.0": {""}, "quantity.0": {"1"}, "part.1": {partID.String()}, "quantity.1": {"9"}, "lot.1": {"L90-A"}}
	svc.fail = problem.New(problem.Conflict, "Only 3 are in stock.").With("parts[0].quantity", "only 3 are in stock")
	a := c.post(bench+"/repairs", v)
	form := "repair-" + faultID.String()
	if got := a.one("p#" + form + "-quantity.1-error"); got != "only 3 are in stock" {
		t.Errorf("error beside the line it belongs to: %q", got)
	}
	a = c.post(bench+"/repairs", v)
	in := svc.calls[1].(shop.RepairInput)
	if a.Code != http.StatusSeeOther || in.FaultID != faultID || len(in.Parts) != 1 || in.Parts[0] != (shop.RepairPartInput{PartID: partID, Quantity: 9, Lot: "L90-A"}) || in.Minutes != 40 {
		t.Errorf("%d %+v", a.Code, in)
	}
}

func TestWorkRecords(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench)
	for _, s := range []struct {
		path string
		form url.Values
		want any
	}{
		{"/faults", url.Values{"cause": {"interbox_pin_burned"}, "connector_id": {connID.String()}, "note": {"pin 1"}}, shop.FaultInput{Cause: "interbox_pin_burned", ConnectorID: &connID, Note: "pin 1"}},
		{"/faults/" + faultID.String() + "/waive", url.Values{"reason": {"owner declines"}}, "owner declines"},
		{"/access", url.Values{"opening": {"motor_box_open"}, "state": {"open"}}, shop.AccessInput{Opening: "motor_box_open", State: shop.Open}},
		{"/observations/" + obsID.String() + "/retract", nil, obsID},
		{"/state", url.Values{"to": {"repairing"}, "reason": {"agreed"}}, [2]string{"repairing", "agreed"}},
		{"/verifications", url.Values{"measurement": {"interbox_visual"}, "outcome": {"clean"}}, shop.VerificationInput{Measurement: "interbox_visual", Outcome: "clean"}},
	} {
		a := c.post(bench+s.path, s.form)
		if a.Code != http.StatusSeeOther {
			t.Errorf("%s: status %d", s.path, a.Code)
			continue
		}
		if got := svc.calls[len(svc.calls)-1]; !equal(got, s.want) {
			t.Errorf("%s: %+v, want %+v", s.path, got, s.want)
		}
	}
}

func TestReadyRefusedNamesWhatIsOpen(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench)
	svc.fail = problem.New(problem.Conflict, "Not ready yet.").With("requirements[0]", "the connector is still open")
	a := c.post(bench+"/state", url.Values{"to": {"ready"}})
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.one("div#state-mistakes"), "the connector is still open") {
		t.Errorf("status %d", a.Code)
	}
}

func TestStockMovementGetsItsSign(t *testing.T) {
	t.Parallel()
	for _, s := range []struct {
		reason, typed string
		want          int
	}{{"received", "5", 5}, {"scrapped", "2", -2}, {"counted", "1", -2}, {"counted", "7", 4}, {"counted", "3", 0}, {"received", "-5", 0}, {"received", "some", 0}} {
		t.Run(s.reason+" "+s.typed, func(t *testing.T) {
			t.Parallel()
			svc, c := signedIn(t)
			path := "/parts/" + partID.String()
			c.get(path)
			a := c.post(path+"/movements", url.Values{"reason": {s.reason}, "quantity": {s.typed}, "unit_cost": {"12.90"}})
			if s.want == 0 {
				if a.Code != http.StatusUnprocessableEntity || len(svc.calls) != 0 || a.one("p#movement-quantity-error") == "" {
					t.Errorf("status %d, %d calls", a.Code, len(svc.calls))
				}
				return
			}
			if in := svc.calls[0].(shop.MovementInput); in.Quantity != s.want || *in.UnitCostMinor != 1290 {
				t.Errorf("%+v", in)
			}
		})
	}
}

func TestSettingsAreTheOwners(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	c.get("/settings")
	a := c.post("/settings/tokens", url.Values{"name": {"scanner"}, "role": {"technician"}})
	if got := a.one("code.secret"); got != "np_secret_shown_once" {
		t.Errorf("secret %q", got)
	}
	if strings.Contains(c.get("/settings").Body, "np_secret_shown_once") {
		t.Error("the secret is shown a second time")
	}
	svc.fail = problem.InField("password", "must have at least 12 characters")
	a = c.post("/settings/people", url.Values{"name": {"Odo"}, "login": {"odo"}, "password": {"short-secret"}, "role": {"counter"}})
	if a.Code != http.StatusUnprocessableEntity || strings.Contains(a.Body, "short-secret") || attr(a.nodes("input#person-login")[0], "value") != "odo" {
		t.Errorf("status %d, or the password is sent back, or the login is lost", a.Code)
	}
	svc.role = shop.Technician
	if a := c.get("/settings"); a.Code != http.StatusForbidden {
		t.Errorf("a technician gets %d", a.Code)
	}
	if strings.Contains(c.get("/").Body, `href="/settings"`) {
		t.Error("the settings are offered to a technician")
	}
}

func TestErrorPages(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	for path, want := range map[string]int{"/nowhere": 404, "/jobs/not-an-id": 404, "/jobs/" + sid(99).String(): 404, "/boards/" + sid(99).String(): 404, "/library/causes/none": 404, "/recurrence/detail?key=none": 404} {
		a := c.get(path)
		if a.Code != want || a.one("h1") != "Nothing here" || !strings.Contains(a.Body, "req-7") {
			t.Errorf("%s: status %d", path, a.Code)
		}
	}
	r := httptest.NewRequest(http.MethodGet, "/jobs/not-an-id", nil)
	r.Header.Set("HX-Request", "true")
	if a := c.do(r); strings.Contains(a.Body, "<html") || a.one("p.wrong") == "" {
		t.Error("the page's script gets a whole page for an error")
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	for q, want := range map[string]string{"118": "/jobs/" + jobID.String(), "%23118": "/jobs/" + jobID.String(), "7": "/?q=7", "BM-14+80": "/?q=BM-14+80", "": "/"} {
		if got := c.get("/find?q=" + q).Header.Get("Location"); got != want {
			t.Errorf("find %q goes to %q, want %q", q, got, want)
		}
	}
}

func TestStaticFilesAreNamedByContent(t *testing.T) {
	t.Parallel()
	_, c := setup(t)
	a := c.get("/sign-in")
	href := attr(a.nodes("link[rel=stylesheet]")[0], "href")
	if !regexp.MustCompile(`^/static/app\.[0-9a-f]{10}\.css$`).MatchString(href) {
		t.Fatalf("address %q", href)
	}
	css := c.get(href)
	if css.Code != http.StatusOK || !strings.Contains(css.Header.Get("Cache-Control"), "immutable") || !strings.HasPrefix(css.Header.Get("Content-Type"), "text/css") {
		t.Errorf("%d %v", css.Code, css.Header)
	}
	if a := c.get("/static/app.css"); a.Code != http.StatusNotFound {
		t.Errorf("a name without its hash gets %d", a.Code)
	}
	if got := a.Header.Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'self'") || strings.Contains(got, "unsafe") {
		t.Errorf("policy %q", got)
	}
}

func TestQRCodeHoldsTheJobsAddress(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	a := c.get("/jobs/" + jobID.String() + "/qr.png")
	if a.Code != http.StatusOK || a.Header.Get("Content-Type") != "image/png" || !strings.HasPrefix(a.Body, "\x89PNG") {
		t.Errorf("%d %s", a.Code, a.Header.Get("Content-Type"))
	}
	if got := c.get("/jobs/" + jobID.String() + "/tag").one("p.tag-url"); got != "https://bench.example/jobs/"+jobID.String() {
		t.Errorf("address %q", got)
	}
}

func TestCounterSeesNoBenchForms(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	svc.role = shop.Counter
	a := c.get("/jobs/" + jobID.String())
	checkPage(t, a)
	for _, sel := range []string{"form#observe-form", "input[name=fault_id]", "input[name=cause]", "input[name=opening]"} {
		if n := len(a.nodes(sel)); n != 0 {
			t.Errorf("%d of %s are offered to the counter", n, sel)
		}
	}
	if len(a.nodes("input[name=symptoms]")) != 1 || len(a.nodes("button[name=to]")) == 0 {
		t.Error("the counter cannot record a symptom or move the job")
	}
	for _, b := range a.nodes("button[name=to]") {
		if to := shop.State(attr(b, "value")); !contains(counterMoves, to) {
			t.Errorf("the counter is offered %s", to)
		}
	}
}

func TestSymptomsOnRecordAreNotAskedAgain(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	a := c.get("/jobs/" + jobID.String())
	if n := len(a.nodes("input[name=s.sudden_cutoff]")); n != 0 {
		t.Errorf("%d fields for a symptom that is on record", n)
	}
	// Withdrawn, it may be answered again.
	if n := len(a.nodes("input[name=s.stutter_at_start]")); n != 3 {
		t.Errorf("%d answers for a symptom that was withdrawn, want 3", n)
	}
}

func TestStaleEditKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	path := "/boards/" + boardID.String() + "/edit"
	c.get(path)
	svc.fail = problem.New(problem.Stale, "The board was changed.")
	a := c.post(path, url.Values{"serial": {"BM-1480b"}, "version": {"2"}, "series_cells": {"20"}, "fact.motor_plug": {"internal"}})
	if a.Code != http.StatusUnprocessableEntity || attr(a.nodes("input[name=serial]")[0], "value") != "BM-1480b" || !strings.Contains(a.one("div.mistakes"), "Somebody else") {
		t.Errorf("status %d", a.Code)
	}
	if p := svc.calls[0].(shop.BoardPatch); p.Version != 2 || p.Facts.Value["motor_plug"] != "internal" || *p.SeriesCells.Value != 20 {
		t.Errorf("patch %+v", p)
	}
	a = c.post(path, url.Values{"serial": {"BM-1480"}, "series_cells": {"twenty"}})
	if len(svc.calls) != 1 || a.one("p#board-series_cells-error") == "" || attr(a.nodes("input[name=series_cells]")[0], "value") != "twenty" {
		t.Error("a word for a number reaches the use case, or is lost")
	}
}

func TestAFormThatIsGoneStillTellsWhy(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench)
	svc.fail = problem.New(problem.Conflict, "This fault was waived meanwhile.")
	a := c.post(bench+"/repairs", url.Values{"fault_id": {sid(77).String()}, "action": {"x"}, "minutes": {"1"}})
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.one("div.mistakes"), "waived meanwhile") {
		t.Errorf("status %d", a.Code)
	}
}
