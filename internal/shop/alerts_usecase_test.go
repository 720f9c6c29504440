package shop_test

import (
	"strings"
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// burnt takes a board in and confirms that the connector between its boxes is burnt.
func (h *house) burnt(b shop.Board, k shop.Connector) shop.ID {
	h.t.Helper()
	job := h.job(b, 150, shop.JobInput{Complaint: "cuts out"})
	h.move(job.ID, shop.Diagnosing, "")
	h.observe(job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"})
	ok[shop.Fault](h.t)(h.ConfirmFault(h.ctx, h.technician, job.ID, shop.FaultInput{Cause: "interbox_burned", ConnectorID: &k.ID}))
	return job.ID
}

// other registers a board whose connector is of another family.
func (h *house) other(serial string) shop.Board {
	h.t.Helper()
	b, k := h.board(serial)
	k.Family = "Larch-90"
	ok[shop.Connector](h.t)(h.EditConnector(h.ctx, h.technician, k.ID, shop.ConnectorPatch{Version: k.Version, Family: shop.Change[string]{Set: true, Value: k.Family}}))
	return b
}

// Six failures in one half of the service and none in the other: P = 2^-6, doubled
// for two families; the pages tell of it until the owner sets it aside.
func TestAlertFromRecordsToSetAside(t *testing.T) {
	h := setup(t)
	var sick, sound []shop.Board
	var plugs []shop.Connector
	for i := range 6 {
		b, k := h.board("SICK-" + string(rune('A'+i)))
		sick, plugs = append(sick, b), append(plugs, k)
		sound = append(sound, h.other("SOUND-"+string(rune('A'+i))))
	}
	bare := ok[shop.Board](t)(h.AddBoard(h.ctx, h.counter, shop.BoardInput{Serial: "BARE"}))
	h.wait(100 * 24 * time.Hour)
	check := func() shop.Alerts {
		t.Helper()
		if err := h.CheckAlerts(h.ctx, shop.Watcher(h.shop.ID), time.Time{}); err != nil {
			t.Fatal(err)
		}
		return ok[shop.Alerts](t)(h.Alerts(h.ctx, h.counter))
	}
	if none := ok[shop.Alerts](t)(h.Alerts(h.ctx, h.counter)); none.CheckedAt != nil || len(none.Items) != 0 {
		t.Fatalf("before any look: %+v", none)
	}
	if got := check(); len(got.Items) != 0 || got.CheckedAt == nil {
		t.Fatalf("without a failure: %+v", got)
	}
	for i := range sick {
		h.burnt(sick[i], plugs[i])
	}
	got := check()
	if len(got.Items) != 1 || got.Items[0].Key != "Larch-60" || got.Items[0].Figures.Failures != 6 || got.Items[0].Figures.Carriers != 6 {
		t.Fatalf("%+v", got.Items)
	}
	if p := got.Items[0].Figures.AdjustedP; p < 0.9*2/64.0 || p > 1.1*2/64.0 {
		t.Errorf("corrected p %g, want about 1/32: the halves differ by minutes only", p)
	}
	// What was put off and overtaken looks at nothing; what is newer does.
	if err := h.CheckAlerts(h.ctx, shop.Watcher(h.shop.ID), *got.CheckedAt); err != nil {
		t.Fatal(err)
	}
	if again := ok[shop.Alerts](t)(h.Alerts(h.ctx, h.owner)); !again.CheckedAt.Equal(*got.CheckedAt) {
		t.Errorf("looked at again at %s", again.CheckedAt)
	}

	carried := ok[[]shop.BoardAlert](t)(h.BoardAlerts(h.ctx, h.counter, sick[2].ID))
	if len(carried) != 1 || len(carried[0].Carried) != 1 || carried[0].Hint != "Look at the connector “between the boxes” first." {
		t.Errorf("%+v", carried)
	}
	if clean := ok[[]shop.BoardAlert](t)(h.BoardAlerts(h.ctx, h.counter, sound[0].ID)); len(clean) != 0 {
		t.Errorf("a board without it: %+v", clean)
	}
	unknown := ok[[]shop.BoardAlert](t)(h.BoardAlerts(h.ctx, h.counter, bare.ID))
	if len(unknown) != 1 || len(unknown[0].Carried) != 0 || !strings.Contains(unknown[0].Hint, "No connector of this board is recorded. Look whether it has one of the family Larch-60") {
		t.Errorf("%+v", unknown)
	}

	id := got.Items[0].ID
	_, err := h.SetAlertAside(h.ctx, h.technician, id, "known for long")
	refused(t, err, problem.Forbidden, "")
	_, err = h.SetAlertAside(h.ctx, h.owner, id, " ")
	refused(t, err, problem.Invalid, "reason")
	_, err = h.SetAlertAside(h.ctx, h.owner, h.shop.ID, "known for long")
	refused(t, err, problem.NotFound, "")
	aside := ok[shop.RecurrenceAlert](t)(h.SetAlertAside(h.ctx, h.owner, id, "known for long; all are being refitted"))
	if aside.SetAside == nil || aside.SetAside.By != "Odile" {
		t.Errorf("%+v", aside)
	}
	_, err = h.SetAlertAside(h.ctx, h.owner, id, "known for long")
	refused(t, err, problem.Conflict, "")
	if hidden := ok[[]shop.BoardAlert](t)(h.BoardAlerts(h.ctx, h.counter, sick[2].ID)); len(hidden) != 0 {
		t.Errorf("set aside and shown: %+v", hidden)
	}
	if still := check(); len(still.Items) != 1 || still.Items[0].SetAside == nil || still.Items[0].ID != id {
		t.Errorf("a look at the same figures: %+v", still.Items)
	}
	refused(t, h.CheckAlerts(h.ctx, h.counter, time.Time{}), problem.Forbidden, "")
}
