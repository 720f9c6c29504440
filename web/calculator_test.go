package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"nextprobe/internal/shop"
)

// TestCalculator computes before the real use cases, with and without the page's script.
func TestCalculator(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	if _, err := svc.AddUser(t.Context(), owner, "counter", "Odo Fennick", shop.Counter, "harbour lantern forty two"); err != nil {
		t.Fatal(err)
	}
	counter := &client{t: t, handler: c.handler, cookies: map[string]string{}}
	counter.get("/sign-in")
	counter.post("/sign-in", url.Values{"login": {"counter"}, "password": {"harbour lantern forty two"}})
	for who, c := range map[string]*client{"owner": c, "counter": counter} {
		a := c.get("/calculator")
		checkPage(t, a)
		if n := len(a.nodes("ul.calc-list")); n < 10 || strings.Contains(a.Body, "/calculator/exterior_walkround") {
			t.Errorf("%s sees %d components; what is judged by eye is not computed", who, n)
		}
		a = c.post("/calculator/phase_resistance_3", url.Values{"r.r_ab": {"112"}, "r.r_bc": {"100"}, "r.r_ca": {"0R112"}, "r.t_wind_c": {"20"}, "r.flex_change_pct": {"0"}})
		checkPage(t, a)
		if got := a.one("p.outcome"); a.Code != http.StatusOK || !strings.HasPrefix(got, "one phase higher than the others A") {
			t.Errorf("%s: status %d, %q", who, a.Code, got)
		}
		if len(a.nodes("svg")) == 0 || !strings.HasPrefix(a.one("figcaption"), "The three phases.") || a.one("desc") == "" {
			t.Error("no picture in words")
		}
		if got := attr(a.nodes("input[name=r.r_ca]")[0], "value"); got != "0R112" {
			t.Errorf("typed %q is lost", got)
		}
	}
}

func TestCalculatorKeepsWhatIsWrong(t *testing.T) {
	t.Parallel()
	_, _, c := atRealShop(t)
	c.get("/calculator")
	a := c.post("/calculator/cell_group_delta", url.Values{"board.series_cells": {"3"}, "r.v": {"3,61\n3,62\n3,60"}})
	checkPage(t, a)
	if got := a.one("p.outcome"); !strings.HasPrefix(got, "slight") && !strings.HasPrefix(got, "even") {
		t.Errorf("outcome %q", got)
	}
	if got := attr(a.nodes("input[name=r.v.1]")[0], "value"); got != "3.62" {
		t.Errorf("the pasted column stands as %q in the fields", got)
	}
	a = c.post("/calculator/cell_group_delta", url.Values{"board.series_cells": {"3"}, "r.v.0": {"3,61"}, "r.v.1": {"three"}, "r.v.2": {"3.6"}})
	if a.Code != http.StatusUnprocessableEntity || !strings.HasPrefix(text(a.nodes("p.wrong")[0]), "value 2: ") || attr(a.nodes("input[name=r.v.1]")[0], "value") != "three" {
		t.Errorf("status %d\n%s", a.Code, a.Body)
	}
	a = c.post("/calculator/cell_group_delta", url.Values{"board.series_cells": {"900"}})
	if a.Code != http.StatusUnprocessableEntity || attr(a.nodes("input[name=board.series_cells]")[0], "value") != "900" {
		t.Errorf("900 cells: status %d", a.Code)
	}
	a = c.post("/calculator/balance_tap_order/fields", url.Values{"r.n": {"18"}, "r.taps.0": {"0"}})
	if n := len(a.nodes("li")); n != 19 {
		t.Errorf("%d fields for 18 groups", n)
	}
	for _, path := range []string{"/calculator/exterior_walkround", "/calculator/nothing"} {
		if a := c.get(path); a.Code != http.StatusNotFound {
			t.Errorf("%s: status %d", path, a.Code)
		}
	}
}
