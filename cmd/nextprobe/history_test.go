package main

import (
	"testing"
	"time"

	"github.com/google/uuid"

	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/storetest"
)

// history writes an invented shop's past at dates of its own.
type history struct {
	t     *testing.T
	st    *store.Store
	svc   *shop.Service
	owner shop.Actor
	now   time.Time
	last  map[shop.ID]shop.ID // the last job of each board
}

func (h *history) ok(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

func historyID() shop.ID { return uuid.Must(uuid.NewV7()) }

func (h *history) audit(subject shop.ID) shop.AuditEvent {
	return shop.AuditEvent{ID: historyID(), At: h.now, By: "Runa", ActorID: historyID(), Action: "history", SubjectKind: "job", SubjectID: subject}
}

func (h *history) change(j *shop.Job, fill func(*shop.JobChange)) {
	h.t.Helper()
	c := shop.JobChange{JobID: j.ID, Version: j.Version, At: h.now, By: "Runa", Audit: h.audit(j.ID)}
	fill(&c)
	after, err := h.st.ChangeJob(h.t.Context(), h.owner.ShopID, c)
	h.ok(err)
	*j = after
}

// visit is a job of two days with a confirmed cause, its repair, and the way out.
func (h *history) visit(board shop.ID, day time.Time, km float64, cause, component, mode, action string, fit *shop.InstalledPart, fill func(*shop.Fault)) shop.InstalledPart {
	h.t.Helper()
	h.now = day
	j, err := h.svc.OpenJob(h.t.Context(), h.owner, shop.JobInput{BoardID: board, Complaint: "cuts out, \"hard\"\nafter rain", OdometerKM: &km})
	h.ok(err)
	_, err = h.svc.MoveJob(h.t.Context(), h.owner, j.ID, shop.Diagnosing, "")
	h.ok(err)
	_, err = h.svc.Observe(h.t.Context(), h.owner, j.ID, shop.ObservationInput{Measurement: "interbox_visual", Outcome: "soot"})
	h.ok(err)
	seen := shop.Result{Readings: map[string]any{"drop": "120 mV"}, Outcome: "high", Text: "The drop is 120 mV."}
	file, err := h.svc.Job(h.t.Context(), h.owner, j.ID)
	h.ok(err)
	j = file.Job
	f := shop.Fault{ID: historyID(), JobID: j.ID, Cause: cause, Component: component, FailureMode: mode, Probability: 0.8, At: day.Add(time.Hour), By: "Runa"}
	if fill != nil {
		fill(&f)
	}
	h.change(&j, func(c *shop.JobChange) {
		c.Add = []shop.Observation{{ID: historyID(), Kind: shop.ObservedMeasurement, Measurement: "interbox_drop", Result: &seen}}
		c.Fault = &f
		if earlier, again := h.last[board]; again {
			c.ComebackOf = &earlier
		}
	})
	h.last[board] = j.ID
	r := shop.Repair{ID: historyID(), FaultID: f.ID, Action: action, Minutes: 25, At: day.Add(2 * time.Hour), By: "Runa"}
	if fit != nil {
		r.Parts = []shop.RepairPart{{PartID: *fit.PartID, Name: fit.PartName, Quantity: 1, Lot: fit.Lot}}
	}
	h.change(&j, func(c *shop.JobChange) {
		c.Repair = &r
		c.Verify = &shop.Verification{ID: historyID(), Measurement: "interbox_drop", Result: shop.Result{Outcome: "normal"}, Passed: true}
	})
	if fit != nil {
		fit.ID, fit.RepairID, fit.InstalledAt = historyID(), &r.ID, r.At
		h.change(&j, func(c *shop.JobChange) { c.Installed = []shop.InstalledPart{*fit} })
	}
	h.now = day.Add(26 * time.Hour)
	h.change(&j, func(c *shop.JobChange) {
		c.State = &shop.StateChange{ID: historyID(), From: j.State, To: shop.Returned, At: h.now, By: "Runa"}
		c.ClosedAt = &h.now
	})
	if fit == nil {
		return shop.InstalledPart{}
	}
	return *fit
}

// historyShop is a database with a shop of three boards and seven visits, so that the
// recurrence list has rows in every group.
func historyShop(t *testing.T) (url string) {
	t.Helper()
	url = storetest.URL(t)
	st, err := store.Open(t.Context(), url, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	h := &history{t: t, st: st, now: historyStart, last: map[shop.ID]shop.ID{}}
	h.svc = shop.New(st, shop.Options{Now: func() time.Time { return h.now }})
	s, err := h.svc.Setup(t.Context(), defaultShop, "Puddle Lane Board Works")
	h.ok(err)
	h.owner = shop.Actor{ShopID: s.ID, Name: "Runa", Role: shop.Owner}
	cost := int64(450)
	part, err := h.svc.AddPart(t.Context(), h.owner, shop.PartInput{Number: "IC-2", Name: "Connector between boxes", Component: "interbox_connector", UnitCostMinor: &cost, Currency: "EUR", Stock: 5})
	h.ok(err)
	for i, serial := range []string{"NP-0001", "NP-0002", "=NP-0003"} {
		h.now = historyStart.AddDate(0, 0, 3*i)
		series, poles, km := 20, 2, 100.0
		b, err := h.svc.AddBoard(t.Context(), h.owner, shop.BoardInput{Serial: serial, Make: "Fennmark", Model: "Otterling 20", SeriesCells: &series, Chemistry: "layered_oxide", OdometerKM: &km,
			Owner: &shop.OwnerInput{Name: "Anwen Copperfen", Contact: "+00 555 0120"}})
		h.ok(err)
		c, err := h.svc.AddConnector(t.Context(), h.owner, b.ID, shop.ConnectorInput{Place: "between the boxes", Component: "interbox_connector", Family: []string{"Larch-60", "Birch-45"}[i%2],
			Poles: &poles, Polarity: "as_marked", Sealing: "sleeve", PinMap: map[string]string{"1": "red"}})
		h.ok(err)
		byConnector := func(f *shop.Fault) { f.ConnectorID = &c.ID }
		fitted := h.visit(b.ID, historyStart.AddDate(0, 0, 20+i), 300, "interbox_burned", "interbox_connector", "open_circuit", "replaced both halves",
			&shop.InstalledPart{BoardID: b.ID, PartID: &part.ID, PartName: part.Name, Component: "interbox_connector", Lot: "L-7"}, byConnector)
		h.visit(b.ID, historyStart.AddDate(0, 0, 90+i), 900, "interbox_burned", "interbox_connector", "open_circuit", "cleaned", nil, func(f *shop.Fault) { f.InstalledPartID = &fitted.ID })
		if i == 0 {
			h.visit(b.ID, historyStart.AddDate(0, 0, 160), 1500, "interbox_burned", "interbox_connector", "open_circuit", "replaced both halves", nil, byConnector)
		}
	}
	return url
}

var historyStart = time.Date(2025, 3, 3, 8, 30, 0, 0, time.UTC)
