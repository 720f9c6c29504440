package shop_test

import (
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// A whole visit, from the rain to the comeback.
func TestVisitAndComeback(t *testing.T) {
	h := setup(t)
	b, k := h.board("OT-1")
	part := ok[shop.Part](t)(h.AddPart(h.ctx, h.technician, shop.PartInput{Number: "CN-1", Name: "Power connector pair", Component: "interbox_connector", Stock: 2, Lot: "A"}))

	job := h.job(b, 250, shop.JobInput{Complaint: "Cuts out on hills.", Exposures: []string{"rain"}, Symptoms: []string{"cutoff_under_load"}})
	if job.Number != 1 || job.State != shop.Received || job.WarrantyOf != nil {
		t.Errorf("%+v", job)
	}
	f := ok[shop.JobFile](t)(h.Job(h.ctx, h.counter, job.ID))
	if len(f.Observations) != 2 || *f.Board.OdometerKM != 250 {
		t.Fatalf("%d observations, odometer %v: want the symptom and the rain's history", len(f.Observations), *f.Board.OdometerKM)
	}
	d := ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, job.ID))
	if d.Advice.Measurement != "pack_heat_triage" {
		t.Fatalf("the gate comes first, not %+v", d.Advice)
	}
	h.observe(job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Readings: map[string]any{"t_box_c": "24 °C", "t_amb_c": 21.0, "t_box10_c": map[string]any{"value": 24.0, "unit": "Cel"}}})
	h.move(job.ID, shop.Diagnosing, "")
	h.observe(job.ID, shop.ObservationInput{Measurement: "exterior_walkround", Outcome: "intact"})
	h.observe(job.ID, shop.ObservationInput{Measurement: "contact_drop", Readings: map[string]any{"dv_mv": "60 mV", "i_a": 15.0, "i_max_a": 40.0, "t_amb_c": 22.0, "r_limit_mohm": 0.5, "rth_kpw": 20.0}})
	h.observe(job.ID, shop.ObservationInput{Measurement: "interbox_visual", Outcome: "soot"})
	d = ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, job.ID))
	if d.Causes[0].ID != "interbox_burned" {
		t.Errorf("soot and a dangerous drop point to %s with %v", d.Causes[0].ID, d.Causes[0].Probability)
	}
	if len(d.OpenOpenings) != 2 {
		t.Errorf("open are %v, want the stand and the connector", d.OpenOpenings)
	}
	fault := ok[shop.Fault](t)(h.ConfirmFault(h.ctx, h.technician, job.ID, shop.FaultInput{Cause: "interbox_burned", ConnectorID: &k.ID}))
	if fault.Probability != d.Causes[0].Probability {
		t.Errorf("the fault keeps %v, the diagnosis said %v", fault.Probability, d.Causes[0].Probability)
	}
	h.move(job.ID, shop.Repairing, "")
	h.must(h.Access(h.ctx, h.technician, job.ID, shop.AccessInput{Opening: "motor_box_open", State: shop.Open}))
	h.move(job.ID, shop.Verifying, "")
	_, err := h.MoveJob(h.ctx, h.technician, job.ID, shop.Ready, "")
	refused(t, err, problem.Conflict, "fault.interbox_burned")
	h.move(job.ID, shop.Repairing, "")
	h.wait(time.Hour)
	r := ok[shop.Repair](t)(h.Repair(h.ctx, h.technician, job.ID, shop.RepairInput{FaultID: fault.ID, Action: "Replaced both halves", Minutes: 40,
		Parts: []shop.RepairPartInput{{PartID: part.ID, Quantity: 1, Lot: "A"}}}))
	if len(r.Parts) != 1 {
		t.Errorf("%+v", r)
	}
	bf := ok[shop.BoardFile](t)(h.Board(h.ctx, h.counter, b.ID))
	if len(bf.Installed) != 1 || bf.Installed[0].Component != "interbox_connector" || bf.Installed[0].Lot != "A" {
		t.Errorf("installed: %+v", bf.Installed)
	}
	if p := ok[shop.Part](t)(h.Part(h.ctx, h.counter, part.ID)); p.Stock != 1 {
		t.Errorf("stock %d after the repair, want 1", p.Stock)
	}
	h.move(job.ID, shop.Verifying, "")
	_, err = h.MoveJob(h.ctx, h.technician, job.ID, shop.Ready, "")
	for _, field := range []string{"verification.contact_drop", "verification.box_leak_decay", "verification.ride_verification",
		"verification.foot_sensor_live", "verification.axle_torque_check", "opening.motor_box_open", "opening.connector_unplugged"} {
		refused(t, err, problem.Conflict, field)
	}
	h.verify(job.ID, "interbox_visual", "clean")
	h.must(h.Access(h.ctx, h.technician, job.ID, shop.AccessInput{Opening: "connector_unplugged", State: shop.Closed}))
	h.close(job.ID)
	if got := h.move(job.ID, shop.Ready, ""); got.ReadyAt == nil {
		t.Error("ready has no time")
	}
	if got := ok[shop.Job](t)(h.MoveJob(h.ctx, h.counter, job.ID, shop.Returned, "")); got.ClosedAt == nil || got.ComebackOf != nil {
		t.Errorf("%+v", got)
	}
	h.comeback(b, k, job)
}

func (h *house) must(_ any, err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// close does what the closing gate asks for until it is satisfied.
func (h *house) close(job shop.ID) {
	h.t.Helper()
	for range 40 {
		h.wait(5 * time.Minute)
		r := ok[shop.Requirements](h.t)(h.Requirements(h.ctx, h.technician, job))
		if r.Ready {
			return
		}
		for _, i := range r.Items {
			if i.Met {
				continue
			}
			if i.Kind == "opening" {
				h.must(h.Access(h.ctx, h.technician, job, shop.AccessInput{Opening: i.Opening, State: shop.Closed}))
			} else {
				h.verify(job, i.Measurement, i.Outcomes[0])
			}
			break
		}
	}
	h.t.Fatal("the requirements do not end")
}

func (h *house) comeback(b shop.Board, k shop.Connector, first shop.Job) {
	t := h.t
	t.Helper()
	h.wait(40 * 24 * time.Hour)
	e := ok[*shop.EarlierJob](t)(h.EarlierJob(h.ctx, h.counter, b.ID))
	if e == nil || e.Job.Job.ID != first.ID || e.DaysAgo != 40 || e.DaysLeft != 50 || len(e.Job.Faults) != 1 {
		t.Fatalf("%+v, want the job of 40 days ago", e)
	}
	again := h.job(b, 400, shop.JobInput{Symptoms: []string{"cutoff_under_load"}})
	if again.WarrantyOf == nil || *again.WarrantyOf != first.ID || again.Number != 2 {
		t.Errorf("%+v, want it within the warranty of job 1", again)
	}
	h.move(again.ID, shop.Diagnosing, "")
	h.must(h.ConfirmFault(h.ctx, h.technician, again.ID, shop.FaultInput{Cause: "axle_loose"}))
	if f := ok[shop.JobFile](t)(h.Job(h.ctx, h.counter, again.ID)); f.Job.ComebackOf != nil {
		t.Error("another component is no comeback")
	}
	h.must(h.ConfirmFault(h.ctx, h.technician, again.ID, shop.FaultInput{Cause: "interbox_corroded", ConnectorID: &k.ID}))
	f := ok[shop.JobFile](t)(h.Job(h.ctx, h.counter, again.ID))
	if f.Job.ComebackOf == nil || *f.Job.ComebackOf != first.ID {
		t.Errorf("comeback of %v, want job 1", f.Job.ComebackOf)
	}
	if s := ok[[]shop.Snapshot](t)(h.Snapshots(h.ctx, h.technician, again.ID)); len(s) != 2 {
		t.Errorf("%d snapshots, want one for each fault", len(s))
	}
	rec := ok[shop.Recurrence](t)(h.Recurrence(h.ctx, h.owner, shop.RecurrenceQuery{Group: shop.ByComponent}, ""))
	if rec.Total != 3 || rec.Rows[0].Key != "interbox_connector" || rec.Rows[0].Failures != 2 || rec.Rows[0].Comebacks != 1 || rec.Rows[0].Rate == nil {
		t.Errorf("%+v", rec)
	}
	det := ok[shop.RecurrenceDetail](t)(h.RecurrenceDetail(h.ctx, h.owner, shop.RecurrenceQuery{Group: shop.ByConnectorFamily}, "time", "Larch-60"))
	if len(det.Events) != 2 || det.Row.Failures != 2 || len(det.ByMonth) < 24 {
		t.Errorf("%+v", det)
	}
	n := 0
	for _, m := range det.ByMonth {
		n += m.Count
	}
	if n != 2 {
		t.Errorf("the months count %d failures, want 2", n)
	}
}

func TestIntakeRefuses(t *testing.T) {
	h := setup(t)
	b, _ := h.board("IN-1")
	in := func(change func(*shop.JobInput)) error {
		j := shop.JobInput{BoardID: b.ID, OdometerKM: ptr(200.0)}
		change(&j)
		_, err := h.OpenJob(h.ctx, h.counter, j)
		return err
	}
	for name, tc := range map[string]struct {
		field  string
		change func(*shop.JobInput)
	}{
		"an unknown board":   {"board_id", func(j *shop.JobInput) { j.BoardID = h.shop.ID }},
		"an unknown symptom": {"symptoms[1]", func(j *shop.JobInput) { j.Symptoms = []string{"no_power_on", "gremlins"} }},
		"a symptom twice":    {"symptoms[1]", func(j *shop.JobInput) { j.Symptoms = []string{"no_power_on", "no_power_on"} }},
		"present and absent": {"absent_symptoms[0]", func(j *shop.JobInput) {
			j.Symptoms, j.AbsentSymptoms = []string{"no_power_on"}, []string{"no_power_on"}
		}},
		"denied but exposed":   {"absent_symptoms", func(j *shop.JobInput) { j.Exposures, j.AbsentSymptoms = []string{"rain"}, []string{"water_history"} }},
		"an unknown exposure":  {"exposures[0]", func(j *shop.JobInput) { j.Exposures = []string{"frogs"} }},
		"an exposure twice":    {"exposures[1]", func(j *shop.JobInput) { j.Exposures = []string{"rain", "rain"} }},
		"a backward odometer":  {"odometer_km", func(j *shop.JobInput) { j.OdometerKM = ptr(50.0) }},
		"a negative odometer":  {"odometer_km", func(j *shop.JobInput) { j.OdometerKM, j.OdometerReason = ptr(-1.0), "x" }},
		"a control character":  {"complaint", func(j *shop.JobInput) { j.Complaint = "a\x01b" }},
		"too long a complaint": {"complaint", func(j *shop.JobInput) { j.Complaint = string(make([]byte, 4001)) }},
	} {
		err := in(tc.change)
		if err == nil {
			t.Fatalf("%s was taken", name)
		}
		refused(t, err, problem.Invalid, tc.field)
	}
	if jobs := ok[shop.List[shop.JobSummary]](t)(h.Jobs(h.ctx, h.counter, shop.JobFilter{})); len(jobs.Items) != 0 {
		t.Errorf("%d jobs were written by refused intakes", len(jobs.Items))
	}
	if err := in(func(j *shop.JobInput) { j.OdometerKM, j.OdometerReason = ptr(50.0), "new display" }); err != nil {
		t.Error(err)
	}
	refused(t, in(func(*shop.JobInput) {}), problem.Conflict, "board_id")
}

// Each refusal leaves the job exactly as it was.
func TestNothingHalfWritten(t *testing.T) {
	h := setup(t)
	b, _ := h.board("HW-1")
	part := ok[shop.Part](t)(h.AddPart(h.ctx, h.owner, shop.PartInput{Number: "P-1", Name: "Plug", Component: "interbox_connector", Stock: 1}))
	job := h.job(b, 120, shop.JobInput{Symptoms: []string{"no_power_on"}})
	_, err := h.ConfirmFault(h.ctx, h.technician, job.ID, shop.FaultInput{Cause: "interbox_burned"})
	refused(t, err, problem.Conflict, "state")
	_, err = h.MoveJob(h.ctx, h.technician, job.ID, shop.Ready, "")
	refused(t, err, problem.Conflict, "to")
	h.move(job.ID, shop.Diagnosing, "")
	fault := ok[shop.Fault](t)(h.ConfirmFault(h.ctx, h.technician, job.ID, shop.FaultInput{Cause: "interbox_burned"}))
	before := ok[shop.JobFile](t)(h.Job(h.ctx, h.technician, job.ID))
	_, err = h.Repair(h.ctx, h.technician, job.ID, shop.RepairInput{FaultID: fault.ID, Action: "x", Parts: []shop.RepairPartInput{{PartID: part.ID, Quantity: 2}}})
	refused(t, err, problem.Conflict, "quantity")
	_, err = h.Repair(h.ctx, h.technician, job.ID, shop.RepairInput{FaultID: fault.ID, Action: "x", Parts: []shop.RepairPartInput{{PartID: job.ID, Quantity: 2}}})
	refused(t, err, problem.Invalid, "parts[0].part_id")
	_, err = h.Observe(h.ctx, h.technician, job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Readings: map[string]any{"t_box_c": "24 kg", "t_amb_c": 21.0, "t_box10_c": 24.0}})
	refused(t, err, problem.Invalid, "readings.t_box_c")
	_, err = h.Observe(h.ctx, h.technician, job.ID, shop.ObservationInput{Symptom: "no_power_on", Present: ptr(true)})
	refused(t, err, problem.Conflict, "symptom")
	after := ok[shop.JobFile](t)(h.Job(h.ctx, h.technician, job.ID))
	if after.Job.Version != before.Job.Version || len(after.Repairs) != 0 || len(after.Access) != 0 || len(after.Observations) != 1 {
		t.Errorf("a refused change wrote something: %+v", after)
	}
	if p := ok[shop.Part](t)(h.Part(h.ctx, h.owner, part.ID)); p.Stock != 1 {
		t.Errorf("stock %d, want 1", p.Stock)
	}
	if bf := ok[shop.BoardFile](t)(h.Board(h.ctx, h.owner, b.ID)); len(bf.Installed) != 0 {
		t.Errorf("installed: %+v", bf.Installed)
	}
	_, err = h.Move(h.ctx, h.technician, part.ID, shop.MovementInput{Quantity: -2, Reason: "scrapped"})
	refused(t, err, problem.Conflict, "quantity")
	_, err = h.Move(h.ctx, h.technician, part.ID, shop.MovementInput{Quantity: -1, Reason: "received"})
	refused(t, err, problem.Invalid, "quantity")
}

func TestCounterStaysAtTheCounter(t *testing.T) {
	h := setup(t)
	b, _ := h.board("CO-1")
	job := h.job(b, 120, shop.JobInput{})
	_, err := h.Observe(h.ctx, h.counter, job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"})
	refused(t, err, problem.Forbidden, "")
	h.must(h.Observe(h.ctx, h.counter, job.ID, shop.ObservationInput{Symptom: "no_power_on", Present: ptr(true)}))
	_, err = h.MoveJob(h.ctx, h.counter, job.ID, shop.Diagnosing, "")
	refused(t, err, problem.Forbidden, "")
	_, err = h.Users(h.ctx, h.technician)
	refused(t, err, problem.Forbidden, "")
	_, err = h.AddPart(h.ctx, h.counter, shop.PartInput{Number: "x", Name: "x"})
	refused(t, err, problem.Forbidden, "")
	_, _, err = h.ImportLibrary(h.ctx, h.technician, nil, "")
	refused(t, err, problem.Forbidden, "")
	h.must(h.MoveJob(h.ctx, h.counter, job.ID, shop.Declined, "Too dear"))
	h.must(h.MoveJob(h.ctx, h.counter, job.ID, shop.Returned, ""))
}

func TestEditJobFollowsTheExposures(t *testing.T) {
	h := setup(t)
	b, _ := h.board("ED-1")
	job := h.job(b, 120, shop.JobInput{Exposures: []string{"rain"}})
	_, err := h.EditJob(h.ctx, h.counter, job.ID, shop.JobPatch{Version: job.Version + 1, Complaint: shop.Change[string]{Set: true, Value: "x"}})
	refused(t, err, problem.Stale, "")
	got := ok[shop.Job](t)(h.EditJob(h.ctx, h.counter, job.ID, shop.JobPatch{Version: job.Version, Exposures: shop.Change[[]string]{Set: true, Value: []string{"crash"}},
		Complaint: shop.Change[string]{Set: true, Value: " It fell. "}}))
	if got.Complaint != "It fell." || got.Version != job.Version+1 {
		t.Errorf("%+v", got)
	}
	active := map[string]bool{}
	for _, o := range ok[shop.JobFile](t)(h.Job(h.ctx, h.counter, job.ID)).Observations {
		if o.Active() {
			active[o.Symptom] = true
		}
	}
	if len(active) != 1 || !active["crash_history"] {
		t.Errorf("active are %v, want the crash instead of the water", active)
	}
}

// Two people record at the same time: both records stand.
func TestTwoAtOneJob(t *testing.T) {
	h := setup(t)
	b, _ := h.board("TW-1")
	job := h.job(b, 120, shop.JobInput{})
	symptoms := []string{"no_power_on", "grinding_noise", "tyre_soft"}
	errs := make(chan error, len(symptoms))
	for _, s := range symptoms {
		go func() {
			_, err := h.Observe(h.ctx, h.counter, job.ID, shop.ObservationInput{Symptom: s, Present: ptr(true)})
			errs <- err
		}()
	}
	stale := 0
	for range symptoms {
		if err := <-errs; problem.Is(err, problem.Stale) {
			stale++
		} else if err != nil {
			t.Error(err)
		}
	}
	f := ok[shop.JobFile](t)(h.Job(h.ctx, h.counter, job.ID))
	if len(f.Observations) != len(symptoms)-stale || f.Job.Version != 1+len(f.Observations) {
		t.Errorf("%d observations at version %d with %d refused", len(f.Observations), f.Job.Version, stale)
	}
}
