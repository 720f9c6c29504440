package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

var alertID = sid(71)

// sampleAlerts are five, the last set aside; the page shows three at once.
func sampleAlerts() []shop.RecurrenceAlert {
	f := shop.AlertFigures{From: sampleNow.AddDate(-2, 0, 0), To: sampleNow, Failures: 14, Boards: 9, Carriers: 31, Exposure: 40, Ratio: ref(3.1), Lower: ref(1.6), Upper: ref(5.8),
		P: 0.0001, AdjustedP: 0.0004, Compared: 4}
	alert := func(id shop.ID, g shop.RecurrenceGroup, key, name string) shop.RecurrenceAlert {
		return shop.RecurrenceAlert{ID: id, Group: g, Key: key, Name: name, RaisedAt: sampleNow, Raised: f, UpdatedAt: sampleNow, Figures: f}
	}
	list := []shop.RecurrenceAlert{alert(alertID, shop.ByConnectorFamily, "B", "B"), alert(sid(72), shop.ByAction, "Cleaned <it>", "Cleaned <it>"),
		alert(sid(73), shop.ByLot, "L7", "Seal kit, lot L7"), alert(sid(74), shop.ByPart, sid(9).String(), "Seal kit"), alert(sid(75), shop.ByLot, "L8", "Seal kit, lot L8")}
	list[4].SetAside = &shop.SetAside{At: sampleNow, By: "Runa", Reason: "sent back to the supplier"}
	return list
}

func (s *fakeShop) Alerts(context.Context, shop.Actor) (shop.Alerts, error) {
	return shop.Alerts{CheckedAt: &sampleNow, Items: sampleAlerts()}, nil
}

func (s *fakeShop) BoardAlerts(context.Context, shop.Actor, shop.ID) ([]shop.BoardAlert, error) {
	list := sampleAlerts()
	return []shop.BoardAlert{
		{RecurrenceAlert: list[2], Carried: []shop.Carried{{Name: "Seal kit", Since: sampleNow}}, Hint: "Look at the part Seal kit, fitted on 3 May 2026, first."},
		{RecurrenceAlert: list[0], Hint: "No connector of this board is recorded. Look whether it has one of the family B, and record it."},
	}, nil
}

func (s *fakeShop) SetAlertAside(_ context.Context, _ shop.Actor, id shop.ID, reason string) (shop.RecurrenceAlert, error) {
	if len(reason) < 3 {
		return shop.RecurrenceAlert{}, problem.InField("reason", "must say why nobody needs to be told of it")
	}
	return shop.RecurrenceAlert{}, s.write([]any{id, reason})
}

func TestJobsPageTellsWhatKeepsFailing(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	a := c.get("/")
	shown := a.nodes("li[id]")
	if len(shown) != 4 || text(a.nodes(".alerts")[0]) == "" || !strings.Contains(text(shown[0]), "Connector family B: 14 failures on 9 of 31 boards in 24 months, 3.1 times the rate of the others (95 % bounds 1.6 to 5.8).") {
		t.Errorf("%d alerts: %s", len(shown), a.one(".alerts"))
	}
	links := a.nodes("a[href]")
	found := false
	for _, l := range links {
		found = found || strings.HasPrefix(attr(l, "href"), "/recurrence/detail?exposure=time&from=") && strings.Contains(attr(l, "href"), "group=connector_family&key=B")
	}
	if said := a.one(".alerts"); !found || !strings.Contains(said, "3 more") || !strings.Contains(said, "1 set aside") || !strings.Contains(said, "sent back to the supplier") || !strings.Contains(said, "Cleaned <it>") {
		t.Errorf("link %t: %s", found, said)
	}
	if n := len(a.nodes("form[action=/alerts/" + alertID.String() + "/set-aside]")); n != 1 {
		t.Errorf("the owner is offered %d forms", n)
	}
	svc.role = shop.Technician
	if a = c.get("/"); len(a.nodes("form[action=/alerts/"+alertID.String()+"/set-aside]")) != 0 || len(a.nodes(".alerts")) != 1 {
		t.Errorf("a technician sees %s", a.one(".alerts"))
	}
	// A search and the closed jobs are not the place.
	for _, path := range []string{"/?q=otter", "/?state=returned"} {
		if a = c.get(path); len(a.nodes(".alerts")) != 0 {
			t.Errorf("%s shows alerts", path)
		}
	}
}

func TestSetAlertAside(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	path := "/alerts/" + alertID.String() + "/set-aside"
	a := c.post(path, url.Values{"reason": {"x"}})
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.one("#alert-"+alertID.String()), "must say why nobody needs to be told of it") || attr(a.nodes("input[name=reason]")[0], "value") != "x" {
		t.Errorf("status %d\n%s", a.Code, a.Body)
	}
	if a = c.post(path, url.Values{"reason": {"all are being refitted"}}); a.Code != http.StatusSeeOther || a.Header.Get("Location") != "/" {
		t.Errorf("status %d to %s", a.Code, a.Header.Get("Location"))
	}
	if !equal(svc.calls, []any{[]any{alertID, "all are being refitted"}}) {
		t.Errorf("wrote %v", svc.calls)
	}
	if a = c.post("/alerts/none/set-aside", url.Values{"reason": {"all"}}); a.Code != http.StatusNotFound {
		t.Errorf("status %d", a.Code)
	}
}

// What a board carries stands before anything that is asked.
func TestIntakeAndBenchTellWhatTheBoardCarries(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	const hint = "Look at the part Seal kit, fitted on 3 May 2026, first."
	for _, path := range []string{"/intake?board=" + boardID.String(), "/boards/" + boardID.String()} {
		a := c.get(path)
		if !strings.Contains(a.one("section[aria-labelledby=carries-h]"), hint) || !strings.Contains(a.one("section[aria-labelledby=may-carry-h]"), "No connector of this board is recorded.") {
			t.Errorf("%s: %s", path, a.Body)
		}
		if n := len(a.nodes("a[href=/boards/" + boardID.String() + "/connectors/new?then=intake]")); n != 1 {
			t.Errorf("%s offers %d ways to record a connector", path, n)
		}
		if at := strings.Index(a.Body, hint); strings.HasPrefix(path, "/intake") && at > min(strings.Index(a.Body, `name="complaint"`), strings.Index(a.Body, "is the battery safe?")) {
			t.Error("the hint comes after the questions")
		}
	}
	if said := c.get("/jobs/" + jobID.String()).one(".carried"); said != hint+" Seal kit, lot L7 keeps failing." {
		t.Errorf("the bench says %q", said)
	}
	svc.stop = true
	if a := c.get("/jobs/" + jobID.String()); len(a.nodes(".carried")) != 0 {
		t.Error("at a stop sign nobody is sent to look at the board")
	}
	// A connector recorded on the way leads back to the intake.
	a := c.get("/boards/" + boardID.String() + "/connectors/new?then=intake")
	if attr(a.nodes("input[name=then]")[0], "value") != "intake" || len(a.nodes("a[href=/intake?board="+boardID.String()+"]")) != 1 {
		t.Errorf("%s", a.Body)
	}
	a = c.post("/boards/"+boardID.String()+"/connectors/new", url.Values{"place": {"under the deck"}, "component": {"interbox_connector"}, "polarity": {"unknown"}, "then": {"intake"}})
	if a.Header.Get("Location") != "/intake?board="+boardID.String() {
		t.Errorf("status %d to %s", a.Code, a.Header.Get("Location"))
	}
}
