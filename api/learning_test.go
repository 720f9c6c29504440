package api_test

import (
	"context"
	"net/url"
	"testing"
	"time"

	"nextprobe/internal/shop"
)

// clocked is the bench's use cases on a clock that lies some time ago: what they
// write can be asked for today.
func (b *bench) clocked(ago time.Duration) *shop.Service {
	return shop.New(b.store, shop.Options{Now: func() time.Time { return time.Now().Add(-ago) }})
}

// flat takes a board through a repair that took place two months ago.
func (b *bench) flat(serial string) {
	b.t.Helper()
	ctx, svc, a := context.Background(), b.clocked(60*24*time.Hour), b.owner
	must := func(err error) {
		b.t.Helper()
		if err != nil {
			b.t.Fatal(err)
		}
	}
	board, err := svc.AddBoard(ctx, a, shop.BoardInput{Serial: serial})
	must(err)
	job, err := svc.OpenJob(ctx, a, shop.JobInput{BoardID: board.ID, Complaint: "flat"})
	must(err)
	move := func(to shop.State) {
		_, err := svc.MoveJob(ctx, a, job.ID, to, "")
		must(err)
	}
	move(shop.Diagnosing)
	_, err = svc.Observe(ctx, a, job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"})
	must(err)
	fault, err := svc.ConfirmFault(ctx, a, job.ID, shop.FaultInput{Cause: "tyre_puncture"})
	must(err)
	move(shop.Repairing)
	_, err = svc.Repair(ctx, a, job.ID, shop.RepairInput{FaultID: fault.ID, Action: "new tube", Minutes: 20})
	must(err)
	move(shop.Verifying)
	for range 40 {
		r, err := svc.Requirements(ctx, a, job.ID)
		must(err)
		if r.Ready {
			break
		}
		for _, i := range r.Items {
			if i.Met {
				continue
			}
			if i.Kind == "opening" {
				_, err = svc.Access(ctx, a, job.ID, shop.AccessInput{Opening: i.Opening, State: shop.Closed})
			} else {
				_, err = svc.Verify(ctx, a, job.ID, shop.VerificationInput{Measurement: i.Measurement, Outcome: i.Outcomes[0]})
			}
			must(err)
			break
		}
	}
	move(shop.Ready)
	move(shop.Returned)
}

func TestLearning(t *testing.T) {
	t.Parallel()
	b := setup(t)
	empty := b.do("GET", v1+"/learning", nil, 200)
	if empty.number("jobs") != 0 || len(empty.list("items")) != 0 || empty.find("as_of") != nil || empty.find("state") != nil {
		t.Errorf("a new shop has learned %s", empty.raw)
	}
	if none := b.do("GET", v1+"/calibration", nil, 200); none.number("forecasts") != 0 || len(none.list("bins")) != 0 {
		t.Errorf("%s", none.raw)
	}
	for _, serial := range []string{"L-1", "L-2", "L-3", "L-4", "L-5", "L-6"} {
		b.flat(serial)
	}
	if n, err := b.svc.LearnDue(context.Background(), b.owner); n != 6 || err != nil {
		t.Fatalf("%d judged, %v", n, err)
	}
	got := b.do("GET", v1+"/learning", nil, 200)
	if got.number("jobs") != 6 || got.text("items.0.subject") != "tyre_puncture" || got.text("items.0.status") != "waiting" ||
		got.number("items.0.levels.0.used") != 0.03 || len(got.list("items.0.from")) != 6 || got.text("lessons.0.verdict") != "taught" {
		t.Errorf("%s", got.raw)
	}
	cal := b.do("GET", v1+"/calibration", nil, 200)
	sum := cal.number("reliability") - cal.number("resolution") + cal.number("uncertainty") + cal.number("within")
	if d := sum - cal.number("brier"); cal.number("jobs") != 6 || d > 1e-12 || d < -1e-12 {
		t.Errorf("%s", cal.raw)
	}

	b.refuse("POST", v1+"/learning/rebuild", nil, 403, "", b.as(shop.Technician))
	if anew := b.do("POST", v1+"/learning/rebuild", nil, 200); anew.number("lessons") != 6 || anew.number("moved") != 0 {
		t.Errorf("%s", anew.raw)
	}
	prior := v1 + "/learning/tyre_puncture"
	b.refuse("POST", prior+"/accept", obj{"reason": ""}, 400, "reason")
	b.refuse("POST", prior+"/accept", obj{"reason": "as we see it"}, 403, "", b.as(shop.Technician))
	b.refuse("POST", v1+"/learning/no_such_cause/accept", obj{"reason": "as we see it"}, 404, "")
	b.refuse("POST", v1+"/learning/bms_dead/reject", obj{"reason": "as we see it"}, 409, "subject")
	yes := b.do("POST", prior+"/accept", obj{"reason": "nails on the cycle path"}, 200)
	if yes.find("accepted") != true || yes.number("expert.0") != 0.03 {
		t.Errorf("%s", yes.raw)
	}
	job := b.do("POST", v1+"/jobs", obj{"board_id": b.board("L-7"), "complaint": "flat"}, 201).text("id")
	d := b.do("GET", v1+"/jobs/"+job+"/diagnosis", nil, 200)
	if d.number("learned_state") < 1 {
		t.Errorf("the diagnosis uses the state %v", d.find("learned_state"))
	}
	link := url.PathEscape("tyre_puncture@m:nothing")
	b.refuse("POST", v1+"/learning/"+link+"/reject", obj{"reason": "as we see it"}, 404, "")
	no := b.do("POST", prior+"/reject", obj{"reason": "that was one summer"}, 200)
	after := b.do("GET", v1+"/learning", nil, 200)
	if no.find("accepted") != false || after.text("decisions.0.reason") != "that was one summer" || len(after.list("decisions")) != 2 {
		t.Errorf("%s", after.raw)
	}
}
