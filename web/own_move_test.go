package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"nextprobe/internal/faultlib"
)

// typedIn is what a browser would send of the form as the page shows it.
func typedIn(a answer, do string) url.Values {
	v := url.Values{"do": {do}}
	for _, n := range append(a.nodes("input"), a.nodes("select")...) {
		name := attr(n, "name")
		switch {
		case name == "" || name == "_csrf" || attr(n, "type") == "checkbox" && !hasAttr(n, "checked"):
		case n.Data == "select":
			for o := range n.Descendants() {
				if o.Data == "option" && hasAttr(o, "selected") {
					v.Set(name, attr(o, "value"))
				}
			}
		default:
			v.Set(name, attr(n, "value"))
		}
	}
	return v
}

// TestOwnMeasurementRowsMove: a row moves by a plain button; everything typed is
// kept, and the readings of the examples move with the readings.
func TestOwnMeasurementRowsMove(t *testing.T) {
	t.Parallel()
	_, _, c := atRealShop(t)
	const path = "/library/measurements/new"
	field := func(a answer, name string) string {
		t.Helper()
		n := ownField(a, name)
		if len(n) != 1 {
			t.Fatalf("%d fields %s", len(n), name)
		}
		return attr(n[0], "value")
	}
	a := c.post(path, lampDropForm(c.get(path), "down.outcomes[0]"))
	if a.Code != http.StatusOK || field(a, "outcomes[0].id") != "normal" || field(a, "outcomes[1].id") != "high" || field(a, "outcomes[1].when") != "drop_pct > drop_max and glow != 'full'" {
		t.Fatalf("status %d\n%s", a.Code, a.Body)
	}
	checkPage(t, a)
	a = c.post(path, typedIn(a, "up.outcomes[1]"))
	// Up over the row that was left empty.
	v := lampDropForm(a, "up.inputs[2]")
	v.Set("outcomes[0].label", "drop too high")
	a = c.post(path, v)
	for name, want := range map[string]string{"inputs[0].id": "u_on", "inputs[0].label": "Voltage with the lamp", "inputs[1].id": "u_off", "inputs[2].id": "glow", "examples[0].in[0]": "79",
		"examples[0].in[1]": "80 V", "examples[1].in[0]": "70000 mV", "examples[1].in[2]": "dim", "outcomes[0].label": "drop too high", "links[0].p": "60", "title": "Lamp on the motor cable"} {
		if got := field(a, name); got != want {
			t.Errorf("%s = %q, want %q", name, got, want)
		}
	}
	a = c.post(path, typedIn(a, "down.examples[0]"))
	if field(a, "examples[0].out") != "high" || field(a, "examples[0].in[0]") != "70000 mV" || field(a, "examples[1].in[0]") != "79" || field(a, "examples[1].out") != "normal" {
		t.Error("an example's readings did not move with it")
	}
	// The ends do not move, and nonsense moves nothing.
	for _, do := range []string{"up.outcomes[0]", "down.inputs[99]", "up.nothing[1]"} {
		if b := c.post(path, typedIn(a, do)); field(b, "outcomes[0].id") != "high" || field(b, "inputs[0].id") != "u_on" {
			t.Errorf("%s moved something", do)
		}
	}
	buttons := map[string]int{}
	for _, n := range a.nodes("button") {
		buttons[attr(n, "value")]++
	}
	if buttons["up.inputs[0]"] != 0 || buttons["up.inputs[1]"] != 1 || buttons["down.inputs[0]"] != 1 {
		t.Error("the first row has a button up, or the second has none")
	}
	if a = c.post(path, typedIn(a, "try")); a.Code != http.StatusOK || len(a.nodes("div.fine-note")) != 1 {
		t.Errorf("what was moved does not stand: status %d\n%s", a.Code, a.Body)
	}
}

// TestOwnMeasurementKeepsItsOtherKeys: what the page has no field for is there still
// after a change in the page.
func TestOwnMeasurementKeepsItsOtherKeys(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	ctx := context.Background()
	const path, change = "/library/measurements/new", "/library/measurements/lamp_drop/own"
	typed := emptyForm("own")
	typed.Values = lampDropForm(c.get(path), "")
	closeRows(typed)
	made, issues := faultlib.Compose(faultlib.Embedded(), readOwn(typed).OwnMeasurement)
	edited := strings.Replace(string(made.Content), "    own: true\n", "    own: true\n    leak: 0.015\n    pattern: \"falls with the load\"\n", 1)
	edited = strings.Replace(edited, `expr: "100 * (u_off - u_on) / u_off"`, `expr: "100 * (u_off - u_on) / u_off", note: "of the open voltage"`, 1)
	if _, _, err := svc.ImportLibrary(ctx, owner, []byte(edited), "by hand"); err != nil {
		t.Fatal(err, issues)
	}
	f := typedIn(c.get(change), "save")
	f.Set("title", "Lamp drop")
	if a := c.post(change, f); a.Code != http.StatusSeeOther {
		t.Fatalf("status %d\n%s", a.Code, a.Body)
	}
	lib, _, err := svc.Library(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	if m := lib.Measurement("lamp_drop"); m.Title != "Lamp drop" || m.Leak != 0.015 || m.Pattern != "falls with the load" || m.Compute[0].Note != "of the open voltage" {
		t.Errorf("%+v", m)
	}
}
