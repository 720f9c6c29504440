package api_test

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"nextprobe/api"
	"nextprobe/internal/faultlib"
)

// TestServiceAddresses: what monitoring and clients ask without a token.
func TestServiceAddresses(t *testing.T) {
	t.Parallel()
	b := setup(t)
	anybody := header("Authorization", "")
	b.do("GET", "/healthz", nil, 200, anybody)
	b.do("GET", "/readyz", nil, 200, anybody)
	b.do("GET", v1+"/shop", nil, 200)
	if m := string(b.do("GET", "/metrics", nil, 200, anybody).raw); !strings.Contains(m, `route="/api/v1/shop",status="200"} 1`) || !strings.Contains(m, "go_goroutines") {
		t.Errorf("metrics:\n%s", m)
	}
	s := b.do("GET", v1+"/shop", nil, 200)
	if s.text("slug") != "default" || s.text("labour_rate.currency") != b.shop.Currency || s.number("labour_rate.amount") != float64(b.shop.LabourMinor) {
		t.Errorf("shop %s", s.raw)
	}

	down := setupWith(t, api.Options{TokenTTL: -1, Ready: func(context.Context) error { return errors.New("connection refused on 10.0.0.1") }})
	down.do("GET", "/healthz", nil, 200, anybody)
	r := down.refuse("GET", "/readyz", nil, 503, "", anybody)
	if strings.Contains(string(r.raw), "10.0.0.1") || !strings.Contains(down.log.String(), "10.0.0.1") {
		t.Errorf("the reason belongs in the log only: %s", r.raw)
	}
}

// TestPages walks lists by their cursors: everything once, in a steady order.
func TestPages(t *testing.T) {
	t.Parallel()
	b := setup(t)
	want := map[string]int{}
	for i := range 7 {
		serial := fmt.Sprintf("INV-%03d", i)
		board := b.board(serial)
		b.do("POST", v1+"/jobs", obj{"board_id": board, "complaint": "squeaks"}, 201)
		b.part(fmt.Sprintf("P-%03d", i), i)
		want[serial]++
	}
	for list, name := range map[string]string{"/boards": "serial", "/jobs": "board_serial", "/parts": "number"} {
		got := map[string]int{}
		cursor := ""
		for page := 0; ; page++ {
			r := b.do("GET", v1+list+"?limit=3"+cursor, nil, 200)
			for _, item := range r.list("items") {
				got[strings.Replace(item.(map[string]any)[name].(string), "P-", "INV-", 1)]++
			}
			if r.find("next") == nil {
				if page != 2 {
					t.Errorf("%s: %d pages, want 3", list, page+1)
				}
				break
			}
			cursor = "&cursor=" + url.QueryEscape(r.text("next"))
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: %v, want %v", list, got, want)
		}
	}
	for path, n := range map[string]int{
		"/boards?query=INV-003": 1, "/boards?query=nothing-like-it": 0, "/jobs?state=received": 7, "/jobs?state=ready,returned": 0,
		"/jobs?query=INV-003": 1, "/parts?component=interbox_connector": 7, "/parts?component=vent_plug": 0, "/customers?query=Example": 7,
	} {
		if got := len(b.do("GET", v1+path, nil, 200).list("items")); got != n {
			t.Errorf("%s: %d items, want %d", path, got, n)
		}
	}
	// An empty parameter counts as absent.
	if got := len(b.send("GET", v1+"/jobs?state=&board=&limit=", nil).list("items")); got != 7 {
		t.Errorf("empty parameters: %d items, want 7", got)
	}
}

func TestBoardsAndConnectors(t *testing.T) {
	t.Parallel()
	b := setup(t)
	made := b.do("POST", v1+"/boards", obj{"serial": "INV-1", "series_cells": nil, "owner": nil, "odometer_km": 12.5}, 201)
	path := v1 + "/boards/" + made.text("id")
	if made.header.Get("Location") != path || made.find("owner") != nil || made.find("series_cells") != nil {
		t.Errorf("made %v %s", made.header, made.raw)
	}
	b.do("PATCH", path, obj{"owner": obj{"name": "B. Example", "contact": "b@board.example"}, "series_cells": 18, "facts": obj{"motor_plug": "external"}}, 200)
	owner := b.do("GET", path, nil, 200).text("owner.id")
	other := b.do("POST", v1+"/boards", obj{"serial": "INV-2", "owner": obj{"id": owner}}, 201)
	if other.text("owner.name") != "B. Example" {
		t.Errorf("other board %s", other.raw)
	}
	// null clears, absent leaves alone.
	edited := b.do("PATCH", path, obj{"series_cells": nil, "note": "crack in the lid"}, 200)
	if edited.find("series_cells") != nil || edited.number("odometer_km") != 12.5 || edited.text("facts.motor_plug") != "external" {
		t.Errorf("edited %s", edited.raw)
	}
	plug := b.do("POST", path+"/connectors", obj{"place": "axle", "component": "interbox_connector", "family": "bullet 5.5 mm", "poles": 2, "fitted_at": "2026-01-05T10:00:00+02:00"}, 201)
	b.do("GET", v1+"/connectors/"+plug.text("id"), nil, 200)
	removed := time.Date(2026, 2, 5, 10, 0, 0, 0, time.FixedZone("", 7200))
	gone := b.do("PATCH", v1+"/connectors/"+plug.text("id"), obj{"removed_at": removed}, 200)
	if gone.text("removed_at") != removed.UTC().Format(time.RFC3339) || gone.number("poles") != 2 {
		t.Errorf("removed %s", gone.raw)
	}
}

func TestPartsLedger(t *testing.T) {
	t.Parallel()
	b := setup(t)
	id := b.part("P-1", 3)
	path := v1 + "/parts/" + id
	in := b.do("POST", path+"/movements", obj{"quantity": 4, "reason": "received", "lot": "L2", "unit_cost": 1300, "note": "invented delivery"}, 201)
	if in.number("balance") != 7 || in.number("unit_cost.amount") != 1300 || in.text("unit_cost.currency") != b.shop.Currency {
		t.Errorf("movement %s", in.raw)
	}
	b.do("POST", path+"/movements", obj{"quantity": -2, "reason": "scrapped"}, 201)
	l := b.do("GET", path+"/movements", nil, 200)
	if len(l.list("items")) != 3 || l.number("items.0.balance") != 5 || l.number("items.0.unit_cost.amount") != 1250 || l.text("items.2.lot") != "L1" {
		t.Errorf("ledger %s", l.raw)
	}
	edited := b.do("PATCH", path, obj{"unit_cost": nil, "name": "Connector pair"}, 200)
	if edited.find("unit_cost") != nil || edited.number("stock") != 5 || edited.text("supplier") != "Invented Supply" {
		t.Errorf("edited %s", edited.raw)
	}
}

func TestObservationsAreRetracted(t *testing.T) {
	t.Parallel()
	b := setup(t)
	job := v1 + "/jobs/" + b.job(b.board("INV-1"), "green_corrosion")
	o := b.do("POST", job+"/observations", obj{"symptom": "no_link", "present": false}, 201)
	if o.find("present") != false || o.text("kind") != "symptom" || o.find("active") != true || o.find("measurement") != nil {
		t.Errorf("observed %s", o.raw)
	}
	b.do("DELETE", job+"/observations/"+o.text("id"), nil, 204)
	b.refuse("DELETE", job+"/observations/"+o.text("id"), nil, 409, "")
	b.do("POST", job+"/observations", obj{"measurement": "bearing_play", "unavailable": true}, 201)
	opened := b.do("POST", job+"/access", obj{"opening": "charge_port", "state": "open"}, 200)
	if opened.find("access.0.opening") != "charge_port" || opened.find("access.0.implied") != false {
		t.Errorf("access %s", opened.raw)
	}
	file := b.do("GET", job, nil, 200)
	for _, item := range file.list("observations") {
		m := item.(map[string]any)
		if m["id"] == o.text("id") && (m["retracted_at"] == nil || m["active"] != false || m["retracted_by"] != "the owner") {
			t.Errorf("retracted: %v", m)
		}
	}
	b.do("PATCH", job, obj{"complaint": "will not link", "exposures": []string{"crash"}}, 200)
}

func TestLibrary(t *testing.T) {
	t.Parallel()
	b := setup(t)
	lib := b.do("GET", v1+"/library", nil, 200)
	for _, list := range []string{"causes", "symptoms", "measurements", "openings"} {
		items := b.do("GET", v1+"/library/"+list, nil, 200).list("items")
		if want := lib.number("counts." + list); len(items) != int(want) || want == 0 {
			t.Errorf("%d %s, counted %v", len(items), list, want)
		}
	}
	for i, h := range lib.list("hazards") {
		if m := h.(map[string]any); m["level"] != float64(i) || m["rule"] == "" {
			t.Errorf("hazard %d: %v", i, m)
		}
	}
	changed := string(faultlib.Embedded()) + "\n# checked on the bench\n"
	yaml := header("Content-Type", "application/yaml")
	made := b.do("POST", v1+"/library/versions?note=checked", changed, 201, yaml)
	if made.find("version.current") != true || made.number("version.number") != 2 || made.text("version.note") != "checked" {
		t.Errorf("imported %s", made.raw)
	}
	if got := len(b.do("GET", v1+"/library/versions", nil, 200).list("items")); got != 2 {
		t.Errorf("%d versions, want 2", got)
	}
	bad := strings.Replace(changed, "prior_per_1000: ", "prior_per_1000: -", 1)
	r := b.refuse("POST", v1+"/library/versions", bad, 400, "", yaml)
	field := r.text("errors.0.field")
	if line, column, ok := strings.Cut(field, ":"); !ok || line == "" || column == "" {
		t.Errorf("field %q is not line:column", field)
	}
	b.refuse("POST", v1+"/library/versions", strings.Repeat("#", 9<<20), 413, "", yaml)
}
