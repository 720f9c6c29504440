package api_test

import (
	"context"
	"strconv"
	"testing"
	"time"

	"nextprobe/internal/shop"
)

// plugged registers a board with a connector of a family a hundred days ago, and
// confirms a month later that it is burnt when it is.
func (b *bench) plugged(serial, family string, burnt bool) shop.ID {
	b.t.Helper()
	const day = 24 * time.Hour
	ctx, a := context.Background(), b.owner
	must := func(err error) {
		b.t.Helper()
		if err != nil {
			b.t.Fatal(err)
		}
	}
	svc := b.clocked(100 * day)
	board, err := svc.AddBoard(ctx, a, shop.BoardInput{Serial: serial})
	must(err)
	k, err := svc.AddConnector(ctx, a, board.ID, shop.ConnectorInput{Place: "between the boxes", Component: "interbox_connector", Family: family, Polarity: "as_marked"})
	must(err)
	if !burnt {
		return board.ID
	}
	svc = b.clocked(70 * day)
	job, err := svc.OpenJob(ctx, a, shop.JobInput{BoardID: board.ID, Complaint: "cuts out"})
	must(err)
	_, err = svc.MoveJob(ctx, a, job.ID, shop.Diagnosing, "")
	must(err)
	_, err = svc.Observe(ctx, a, job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"})
	must(err)
	_, err = svc.ConfirmFault(ctx, a, job.ID, shop.FaultInput{Cause: "interbox_burned", ConnectorID: &k.ID})
	must(err)
	return board.ID
}

func TestAlerts(t *testing.T) {
	t.Parallel()
	b := setup(t)
	if none := b.do("GET", v1+"/recurrence/alerts", nil, 200); none.find("checked_at") != nil || len(none.list("items")) != 0 {
		t.Errorf("%s", none.raw)
	}
	var sick, sound shop.ID
	for i := range 6 {
		sick = b.plugged("A-"+strconv.Itoa(i), "Larch-60", true)
		sound = b.plugged("B-"+strconv.Itoa(i), "Larch-90", false)
	}
	if err := b.svc.CheckAlerts(context.Background(), shop.Watcher(b.owner.ShopID), time.Time{}); err != nil {
		t.Fatal(err)
	}
	got := b.do("GET", v1+"/recurrence/alerts", nil, 200, b.as(shop.Counter))
	if len(got.list("items")) != 1 || got.text("items.0.group") != "connector_family" || got.text("items.0.key") != "Larch-60" || got.number("items.0.figures.failures") != 6 ||
		got.number("items.0.raised.carriers") != 6 || got.find("items.0.figures.ratio.value") != nil || !(got.number("items.0.figures.ratio.lower") > 1) || got.find("items.0.set_aside") != nil {
		t.Errorf("%s", got.raw)
	}
	board := b.do("GET", v1+"/boards/"+sick.String(), nil, 200)
	if board.text("alerts.0.alert.id") != got.text("items.0.id") || board.text("alerts.0.hint") != "Look at the connector “between the boxes” first." ||
		board.text("alerts.0.carried.0.component") != "interbox_connector" || board.find("alerts.0.carried.0.job_id") != nil {
		t.Errorf("%s", board.raw)
	}
	if other := b.do("GET", v1+"/boards/"+sound.String(), nil, 200); len(other.list("alerts")) != 0 {
		t.Errorf("%s", other.raw)
	}
	if bare := b.do("GET", v1+"/boards/"+b.board("C-1"), nil, 200); len(bare.list("alerts")) != 1 || len(bare.list("alerts.0.carried")) != 0 {
		t.Errorf("%s", bare.raw)
	}

	path := v1 + "/recurrence/alerts/" + got.text("items.0.id") + "/set_aside"
	b.refuse("POST", path, obj{"reason": ""}, 400, "reason")
	b.refuse("POST", path, obj{"reason": "known for long"}, 403, "", b.as(shop.Technician))
	b.refuse("POST", v1+"/recurrence/alerts/"+sick.String()+"/set_aside", obj{"reason": "known for long"}, 404, "")
	if aside := b.do("POST", path, obj{"reason": "all are being refitted"}, 200); aside.text("set_aside.reason") != "all are being refitted" {
		t.Errorf("%s", aside.raw)
	}
	b.refuse("POST", path, obj{"reason": "known for long"}, 409, "")
	after := b.do("GET", v1+"/recurrence/alerts", nil, 200)
	if after.text("items.0.set_aside.reason") != "all are being refitted" {
		t.Errorf("%s", after.raw)
	}
	if board = b.do("GET", v1+"/boards/"+sick.String(), nil, 200); len(board.list("alerts")) != 0 {
		t.Errorf("%s", board.raw)
	}
}
