package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// lampDropForm is an invented measurement as an owner types it.
func lampDropForm(a answer, do string) url.Values {
	return url.Values{"do": {do}, "base": {attr(a.nodes("input[name=base]")[0], "value")},
		"id": {"lamp_drop"}, "title": {"Lamp on the motor cable"}, "kind": {"numeric"}, "of": {"motor_cable"}, "points": {"lamp terminals"}, "instrument": {"voltmeter"},
		"access": {"outside"}, "minutes": {"4,5"}, "hazard": {"1"}, "caution": {"the lamp gets hot"}, "note": {""},
		"inputs[0].id": {"u_off"}, "inputs[0].label": {"Voltage without the lamp"}, "inputs[0].unit": {"V"}, "inputs[0].choice": {""},
		"inputs[1].id": {""}, "inputs[1].label": {""}, "inputs[1].unit": {""}, "inputs[1].choice": {""},
		"inputs[2].id": {"u_on"}, "inputs[2].label": {"Voltage with the lamp"}, "inputs[2].unit": {"V"}, "inputs[2].choice": {""},
		"inputs[3].id": {"glow"}, "inputs[3].label": {""}, "inputs[3].unit": {""}, "inputs[3].choice": {"none, dim, full"},
		"params[0].id": {"drop_max"}, "params[0].value": {"5"},
		"compute[0].id": {"drop_pct"}, "compute[0].label": {"Voltage drop"}, "compute[0].unit": {"%"}, "compute[0].expr": {"100 * (u_off - u_on) / u_off"},
		"outcomes[0].id": {"high"}, "outcomes[0].meaning": {"a joint with too much resistance"}, "outcomes[0].when": {"drop_pct > drop_max and glow != 'full'"},
		"outcomes[1].id": {"normal"}, "outcomes[1].meaning": {"sound"}, "outcomes[1].when": {"true"},
		"examples[0].in[0]": {"80 V"}, "examples[0].in[2]": {"79"}, "examples[0].in[3]": {"full"}, "examples[0].out": {"normal"},
		"examples[1].in[0]": {"80"}, "examples[1].in[2]": {"70000 mV"}, "examples[1].in[3]": {"dim"}, "examples[1].out": {"high"},
		"examples[2].in[0]": {""}, "examples[2].out": {""},
		"links[0].cause": {"winding_open"}, "links[0].outcome": {"high"}, "links[0].p": {"60"}}
}

// ownField finds a field of the form by its name.
func ownField(a answer, name string) []*html.Node {
	return a.nodes("#" + emptyForm("own").FieldID(name))
}

func TestOwnMeasurementIsTriedSavedAndUsed(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	ctx := context.Background()
	const path = "/library/measurements/new"
	a := c.get("/library")
	if len(a.nodes("a[href="+path+"]")) != 1 {
		t.Error("no way to the form")
	}
	a = c.get(path)
	checkPage(t, a)
	if len(a.nodes("button[value=save]")) != 0 {
		t.Error("saving is offered before a try")
	}

	tried := c.post(path, lampDropForm(a, "try"))
	if tried.Code != http.StatusOK || len(tried.nodes("button[value=save]")) != 1 || len(tried.nodes("div.result.good")) != 2 {
		t.Fatalf("status %d\n%s", tried.Code, tried.Body)
	}
	checkPage(t, tried)
	// 100 * (80 - 70) / 80, by hand.
	if got := text(tried.nodes("div.result")[1]); !strings.Contains(got, "12.5") || !strings.Contains(got, "as expected") {
		t.Errorf("the second example shows %q", got)
	}
	// The empty row has closed: the third reading and its examples moved up.
	if got := attr(ownField(tried, "inputs[1].id")[0], "value"); got != "u_on" {
		t.Errorf("second reading %q", got)
	}
	if libs, err := svc.Libraries(ctx, owner); err != nil || len(libs) != 1 {
		t.Fatalf("a try stored a library: %v", err)
	}

	a = c.follow(path, lampDropForm(a, "save"))
	checkPage(t, a)
	if got := a.one("h1"); got != "Lamp on the motor cable own" {
		t.Errorf("h1 %q", got)
	}
	a = c.get("/library?q=lamp_drop")
	if got := text(a.nodes("section.lib-group")[0]); !strings.Contains(got, "Lamp on the motor cable own") {
		t.Error("the own measurement is not marked")
	}
	atTheBench(t, svc, owner, c)

	// Changed, tried again and taken out.
	const own = "/library/measurements/lamp_drop/own"
	a = c.get(own)
	checkPage(t, a)
	for field, want := range map[string]string{"minutes": "4.5", "inputs[2].choice": "none, dim, full", "examples[0].in[0]": "80 V", "examples[1].out": "high", "links[0].p": "60", "params[0].value": "5"} {
		if n := ownField(a, field); len(n) != 1 {
			t.Errorf("no field %s; status %d", field, a.Code)
		} else if got := attr(n[0], "value"); got != want {
			t.Errorf("%s is %q, want %q", field, got, want)
		}
	}
	v := lampDropForm(a, "save")
	v.Set("title", "Lamp test")
	if a = c.follow(own, v); a.one("h1") != "Lamp test own" {
		t.Error("the change is not shown")
	}
	a = c.get(own)
	a = c.follow(own+"/remove", url.Values{"base": {attr(a.nodes("input[name=base]")[0], "value")}})
	checkPage(t, a)
	if got := c.get("/library/measurements/lamp_drop").Code; got != http.StatusNotFound {
		t.Errorf("taken out, but status %d", got)
	}
}

// atTheBench takes the measurement on a job opened after it was saved.
func atTheBench(t *testing.T, svc *shop.Service, owner shop.Actor, c *client) {
	t.Helper()
	ctx := context.Background()
	b, err := svc.AddBoard(ctx, owner, shop.BoardInput{Serial: "HB-0009"})
	if err != nil {
		t.Fatal(err)
	}
	job, err := svc.OpenJob(ctx, owner, shop.JobInput{BoardID: b.ID, Complaint: "stutters"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := svc.MoveJob(ctx, owner, job.ID, shop.Diagnosing, ""); err != nil {
		t.Fatal(err)
	}
	path := "/jobs/" + job.ID.String()
	a := c.get(path + "?m=lamp_drop")
	checkPage(t, a)
	if len(a.nodes("input[name=r.u_off]")) != 1 || !strings.Contains(a.Body, "lamp gets hot") {
		t.Fatal("the bench page does not ask for it, or not with its caution")
	}
	readings := url.Values{"measurement": {"lamp_drop"}, "r.u_off": {"80"}, "r.u_on": {"70"}, "r.glow": {"dim"}}
	if got := c.post(path+"/evaluate", readings).one("p.outcome"); !strings.HasPrefix(got, "high") {
		t.Errorf("outcome %q", got)
	}
	c.follow(path+"/observations", readings)
	f, err := svc.Job(ctx, owner, job.ID)
	if err != nil || len(f.Observations) == 0 || f.Observations[len(f.Observations)-1].Result.Outcome != "high" {
		t.Errorf("recorded %+v, %v", f.Observations, err)
	}
}

func TestOwnMeasurementMistakesKeepWhatWasTyped(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	const path = "/library/measurements/new"
	blank := c.get(path)
	for _, typed := range []map[string]string{
		{"id": "Lamp drop", "title": "", "of": "", "minutes": "soon", "caution": "", "points": "", "instrument": "", "params[0].value": "five",
			"outcomes[0].meaning": "", "links[0].cause": "", "links[0].p": "160"},
		{"inputs[0].unit": "furlong", "compute[0].unit": "furlong", "links[0].outcome": "odd"},
		{"inputs[0].id": "U"},
		{"compute[0].expr": "100 * (u_off -"},
		{"outcomes[0].when": "drop_pct + 1"},
		{"examples[1].out": "normal", "examples[0].in[0]": "80 A"},
	} {
		v := lampDropForm(blank, "save")
		for field, value := range typed {
			v.Set(field, value)
		}
		a := c.post(path, v)
		if a.Code != http.StatusUnprocessableEntity {
			t.Fatalf("%v: status %d", typed, a.Code)
		}
		for field, value := range typed {
			if len(a.nodes("p#"+emptyForm("own").FieldID(field)+"-error")) != 1 {
				t.Errorf("%s = %q: no message at the field; %v", field, value, text(a.nodes("div.mistakes")[0]))
			}
			if n := ownField(a, field); n[0].Data == "input" && attr(n[0], "value") != value {
				t.Errorf("%s: typed %q, shown %q", field, value, attr(n[0], "value"))
			}
		}
		if got := attr(ownField(a, "outcomes[1].meaning")[0], "value"); got != "sound" {
			t.Errorf("%v: what stood elsewhere is lost", typed)
		}
		checkPage(t, a)
	}
	v := lampDropForm(blank, "try")
	for k := range v {
		if strings.HasPrefix(k, "examples[1]") {
			v.Del(k)
		}
	}
	if a := c.post(path, v); a.Code != http.StatusUnprocessableEntity || !strings.Contains(text(a.nodes("section#own-examples")[0]), `no example comes out as "high"`) {
		t.Errorf("an outcome without an example: status %d", a.Code)
	}
	if libs, err := svc.Libraries(context.Background(), owner); err != nil || len(libs) != 1 {
		t.Errorf("%d libraries, %v", len(libs), err)
	}
}

func TestOwnMeasurementMoreRows(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	const path = "/library/measurements/new"
	blank := c.get(path)
	v := lampDropForm(blank, "more.outcomes")
	v.Set("outcomes[0].inconclusive", "1")
	a := c.post(path, v)
	if n := len(a.nodes("input[type=checkbox][name$=inconclusive][checked]")); n != 1 {
		t.Errorf("%d outcomes are ticked as of no use", n)
	}
	if a.Code != http.StatusOK || len(ownField(a, "outcomes[3].when")) != 1 || len(a.nodes("div.mistakes")) != 0 {
		t.Fatalf("status %d\n%s", a.Code, a.Body)
	}
	if got := attr(ownField(a, "examples[1].in[1]")[0], "value"); got != "70000 mV" {
		t.Errorf("an example's reading did not move with its reading: %q", got)
	}
	checkPage(t, a)
	for range shop.MaxOwnLinks {
		v := url.Values{"do": {"more.links"}}
		for _, n := range a.nodes("input") {
			if name := attr(n, "name"); strings.HasPrefix(name, "links[") {
				v.Set(name, "")
			}
		}
		a = c.post(path, v)
	}
	if n := len(ownField(a, "links[29].p")); n != 1 || len(a.nodes("button[value=more.links]")) != 0 || len(ownField(a, "links[30].p")) != 0 {
		t.Error("rows grow without end, or stop too early")
	}
}

// TestOwnMeasurementOnAnOvertakenLibrary: nothing is saved, nothing typed is
// lost, and the next save is meant for the new version.
func TestOwnMeasurementOnAnOvertakenLibrary(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	const path = "/library/measurements/new"
	first, second := c.get(path), c.get(path)
	c.follow(path, lampDropForm(first, "save"))
	v := lampDropForm(second, "save")
	v.Set("id", "lamp_two")
	a := c.post(path, v)
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.one("div.mistakes"), "has changed since") || attr(a.nodes("input[name=id]")[0], "value") != "lamp_two" {
		t.Fatalf("status %d\n%s", a.Code, a.Body)
	}
	v.Set("base", attr(a.nodes("input[name=base]")[0], "value"))
	c.follow(path, v)
	lib, _, err := svc.Library(context.Background(), owner)
	if err != nil || lib.Measurement("lamp_drop") == nil || lib.Measurement("lamp_two") == nil {
		t.Errorf("one of the two is lost: %v", err)
	}
}

func TestOwnMeasurementsAreTheOwners(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	svc.role = shop.Technician
	if len(c.get("/library").nodes("a[href=/library/measurements/new]")) != 0 {
		t.Error("a technician is offered the form")
	}
	if a := c.get("/library/measurements/new"); a.Code != http.StatusForbidden {
		t.Errorf("status %d", a.Code)
	}
	if a := c.post("/library/measurements/new", url.Values{"do": {"save"}}); a.Code != http.StatusForbidden {
		t.Errorf("status %d", a.Code)
	}
	svc.role = shop.Owner
	if a := c.get("/library/measurements/phase_resistance_3/own"); a.Code != http.StatusNotFound {
		t.Errorf("a measurement of the edition: status %d", a.Code)
	}
}

func TestFormulaHelpIsTrue(t *testing.T) {
	t.Parallel()
	for _, h := range formulaHelp {
		_, issues := measure.Compile(measure.Definition{ID: "x", Kind: measure.Numeric,
			Inputs:   []measure.Input{{ID: "u", Unit: "V"}, {ID: "t", Unit: "V"}, {ID: "ok", Unit: "bool"}, {ID: "taps", Unit: "list", Element: "V"}, {ID: "loads", Unit: "list", Element: "V"}},
			Compute:  []measure.Step{{ID: "z", Expr: h.Example}},
			Outcomes: []measure.Outcome{{ID: "odd", When: "u > 3"}, {ID: "normal", When: "true"}}}, nil)
		if len(issues) > 0 {
			t.Errorf("%s: %v", h.Example, issues)
		}
	}
}
