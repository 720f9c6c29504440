package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"nextprobe/internal/shop"
)

// The bench draws a column anew for a count that is typed, and keeps beside a
// saved result the picture that was drawn while it was typed.
func TestBenchFieldsAndKeptPictures(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	series := 20
	board, err := svc.AddBoard(t.Context(), owner, shop.BoardInput{Serial: "OB-20", SeriesCells: &series})
	if err != nil {
		t.Fatal(err)
	}
	job, err := svc.OpenJob(t.Context(), owner, shop.JobInput{BoardID: board.ID, Complaint: "Stutters."})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := svc.MoveJob(t.Context(), owner, job.ID, shop.Diagnosing, ""); err != nil {
		t.Fatal(err)
	}
	bench := "/jobs/" + job.ID.String()
	c.get(bench)
	typed := url.Values{"measurement": {"balance_tap_order"}, "r.n": {"5"}, "r.taps.0": {"0"}, "r.taps.1": {"3.7-3.8"}}
	for form, id := range map[string]string{"observe": "observe-readings", "verify-balance_tap_order": "verify-balance_tap_order-readings"} {
		a := c.post(bench+"/fields?form="+form, typed)
		if n := len(a.nodes("li")); a.Code != http.StatusOK || n != 6 || !strings.Contains(a.Body, `id="`+id+`"`) {
			t.Errorf("%s: status %d, %d fields", form, a.Code, n)
		}
		if got := attr(a.nodes("input[name=r.taps.1]")[0], "value"); got != "3.7-3.8" {
			t.Errorf("%s: typed %q is lost", form, got)
		}
	}
	typed.Set("r.n", "")
	if n := len(c.post(bench+"/fields?form=observe", typed).nodes("li")); n != 21 {
		t.Errorf("%d fields for the board's 20 groups", n)
	}
	c.post(bench+"/observations", url.Values{"measurement": {"phase_resistance_3"}, "r.r_ab": {"112"}, "r.r_bc": {"100"}, "r.r_ca": {"112"}, "r.t_wind_c": {"20"}, "r.flex_change_pct": {"0"}})
	a := c.get(bench)
	checkPage(t, a)
	if n := len(a.nodes("details.kept")); n != 1 || !strings.Contains(a.Body, "The three phases, drawn") || !strings.Contains(a.Body, "Marked: A.") {
		t.Errorf("%d kept pictures", n)
	}
	c.post(bench+"/observations", url.Values{"measurement": {"bus_termination"}, "r.r_ohm": {"60.4"}})
	a = c.get(bench)
	checkPage(t, a)
	if n := len(a.nodes("details.kept")); n != 2 || !strings.Contains(a.Body, "from 50 to 100") {
		t.Errorf("%d kept pictures, one of them a number line", n)
	}
}

// The calculator offers the shop's instruments, and a reading that its accuracy
// puts on the edge is neither coloured as sound nor left without its number line.
func TestCalculatorWithAnInstrument(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	meter, err := svc.AddInstrument(t.Context(), owner, shop.InstrumentInput{Name: "Meter 9", Ranges: []shop.InstrumentRange{{Unit: "ohm", High: 600, Resolution: 0.1, PlusMinusPct: 0.9, Counts: 3}}})
	if err != nil {
		t.Fatal(err)
	}
	at := "/calculator/bus_termination"
	if a := c.get(at); len(a.nodes("select#calc-instrument")) != 1 || len(a.nodes("p.typing")) != 1 {
		t.Fatal("no instrument to choose, or no help for quantities")
	}
	a := c.post(at, url.Values{"r.r_ohm": {"50.02"}, "instrument": {meter.ID.String()}})
	checkPage(t, a)
	if len(a.nodes("div.unsure")) != 1 || len(a.nodes("figure.picture-line")) != 1 || !strings.Contains(a.Body, "Measured with Meter 9") || a.one("p.edge") == "" {
		t.Errorf("%s", a.Body)
	}
	if a = c.post(at, url.Values{"r.r_ohm": {"62"}, "instrument": {""}}); len(a.nodes("div.unsure")) != 0 || len(a.nodes("figure.picture-line")) != 1 {
		t.Error("an exact reading between the limits is drawn too, and certain")
	}
}
