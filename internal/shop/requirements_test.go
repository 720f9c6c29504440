package shop

import (
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

// handBackProofs passes what every hand-back asks for.
func (d *desk) handBackProofs() {
	d.t.Helper()
	d.proves("ride_verification", "passes")
	d.proves("foot_sensor_live", "good")
	d.proves("axle_torque_check", "firm")
}

func TestRequirementsOfAFault(t *testing.T) {
	d := setup(t, Diagnosing)
	f := d.confirm("axle_loose")
	d.wants("fault.axle_loose", false)
	if d.item("verification.axle_torque_check") == nil {
		t.Error("the hand-back check is not listed")
	}
	d.proves("axle_torque_check", "firm")
	d.wants("verification.axle_torque_check", true)
	d.repairs(f)
	d.wants("fault.axle_loose", true)
	d.wants("verification.axle_torque_check", false)
	d.proves("axle_torque_check", "loose")
	d.wants("verification.axle_torque_check", false)
	d.proves("axle_torque_check", "firm")
	d.wants("verification.axle_torque_check", true)
	d.proves("axle_torque_check", "loose")
	d.wants("verification.axle_torque_check", false)
	d.handBackProofs()
	if r := d.requirements(); !r.Ready || r.refusal() != nil {
		t.Errorf("not ready: %v", r.refusal())
	}
}

func TestOneMeasurementOneRequirement(t *testing.T) {
	d := setup(t, Diagnosing)
	d.repairs(d.confirm("axle_loose"))
	n := 0
	for _, i := range d.requirements().Items {
		if i.Measurement == "axle_torque_check" {
			n++
			if i.Cause != "axle_loose" || i.FaultID == nil || strings.Count(i.Why, ".") < 2 {
				t.Errorf("the merged requirement lost a reason: %+v", i)
			}
		}
	}
	if n != 1 {
		t.Errorf("%d requirements ask for the same measurement", n)
	}
}

func TestWaivedFaultBarsNothing(t *testing.T) {
	d := setup(t, Diagnosing)
	f := d.confirm("tyre_worn")
	for reason, ok := range map[string]bool{"": false, " x ": false, "Owner declines": true} {
		_, err := waiveFault(d.bench, f.ID, reason, d.pen())
		if ok != (err == nil) {
			t.Errorf("reason %q: %v", reason, err)
		}
		if !ok {
			refused(t, err, problem.Invalid, "reason")
		}
	}
	d.must(func(b bench, p pen) (JobChange, error) { return waiveFault(b, f.ID, "Owner declines", p) })
	d.wants("fault.tyre_worn", true)
	if d.item("verification.tyre_check") != nil {
		t.Error("a waived fault still asks for its proof")
	}
	_, err := d.try(func(b bench, p pen) (JobChange, error) {
		return repair(b, d.board, nil, RepairInput{FaultID: f.ID, Action: "x"}, p)
	})
	refused(t, err, problem.Conflict, "fault_id")
}

func TestAnyHealthyOutcomeProves(t *testing.T) {
	d := setup(t, Diagnosing)
	d.repairs(d.confirm("hall_dead"))
	item := d.item("verification.hall_sequence")
	if item == nil || !slices.Equal(item.Outcomes, []string{"valid_forward", "valid_reverse"}) {
		t.Fatalf("%+v, want both directions to pass", item)
	}
	if v := d.proves("hall_sequence", "valid_reverse"); !v.Passed {
		t.Error("the other direction is as healthy")
	}
	d.wants("verification.hall_sequence", true)
}

func TestSealedBoxAsksForALeakTest(t *testing.T) {
	d := setup(t, Diagnosing)
	if d.item("verification.box_leak_decay") != nil {
		t.Error("a leak test is asked for although no box was opened")
	}
	d.proves("box_leak_decay", "tight")
	d.mustAccess("motor_box_open", Open)
	d.wants("opening.motor_box_open", false)
	d.wants("verification.box_leak_decay", false)
	d.mustAccess("connector_unplugged", Closed)
	d.wants("opening.motor_box_open", true)
	d.wants("verification.box_leak_decay", false)
	d.proves("box_leak_decay", "leak")
	d.wants("verification.box_leak_decay", false)
	d.proves("box_leak_decay", "tight")
	d.wants("verification.box_leak_decay", true)
	d.wants("opening.sealed_for_test", false)
	d.mustAccess("battery_box_open", Open)
	d.wants("verification.box_leak_decay", false)
}

func TestUnsealedOpeningAsksForNoLeakTest(t *testing.T) {
	d := setup(t, Diagnosing)
	d.mustAccess("footpad_off", Open)
	d.wants("opening.footpad_off", false)
	if d.item("verification.box_leak_decay") != nil {
		t.Error("a leak test is asked for although no sealed box was opened")
	}
}

func TestInvalidResultIsRechecked(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("settings_audit", "limits_wrong")
	d.sees("motor_ident", d.lib.Measurement("motor_ident").Outcomes[0].ID)
	if d.item("recheck.motor_ident") != nil {
		t.Error("a result that stands is to be rechecked")
	}
	d.repairs(d.confirm("settings_limits_wrong"))
	d.wants("verification.settings_audit", false) // asked for by the cause too: one requirement
	d.wants("recheck.motor_ident", false)
	normal := d.item("recheck.motor_ident").Outcomes[0]
	d.sees("motor_ident", normal)
	d.wants("recheck.motor_ident", true)
}

func TestStopSigns(t *testing.T) {
	for _, tc := range []struct {
		name, field string
		see         func(*desk) Observation
	}{
		{"a symptom", "stop.pack_heat_triage", func(d *desk) Observation { return d.symptom("smell_solvent") }},
		{"a gate measurement", "stop.pack_heat_triage", func(d *desk) Observation { return d.sees("pack_heat_triage", "warming") }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := setup(t, Received)
			o := tc.see(d)
			d.file.Job.State = Diagnosing
			d.wants(tc.field, false)
			stop := standingStop(d.lib, d.file)
			if stop == nil || stop.ObservationID != o.ID || stop.Text == "" || stop.Rule != d.lib.Hazards[4].Rule {
				t.Fatalf("%+v, want the stop with the rule of level 4", stop)
			}
			d.sees("pack_heat_triage", "normal")
			d.wants(tc.field, false) // cooled down is not sound
			d.repairs(d.confirm("cell_damaged"))
			d.wants(tc.field, false)
			d.proves("pack_heat_triage", "normal")
			d.wants(tc.field, true)
			if standingStop(d.lib, d.file) != nil {
				t.Error("the stop still stands after repair and proof")
			}
		})
	}
	t.Run("retracted", func(t *testing.T) {
		d := setup(t, Diagnosing)
		o := d.symptom("pack_swollen")
		d.must(func(b bench, p pen) (JobChange, error) { return retract(b, o.ID, p) })
		if standingStop(d.lib, d.file) != nil || d.item("stop.pack_heat_triage") != nil {
			t.Error("a retracted stop sign still stands")
		}
	})
}

func TestReadyIsRefusedWithEveryRequirement(t *testing.T) {
	d := setup(t, Verifying)
	d.repairs(d.confirm("axle_loose"))
	_, err := d.try(func(b bench, p pen) (JobChange, error) { return moveJob(b, Ready, "", p) })
	for _, field := range []string{"verification.axle_torque_check", "verification.ride_verification", "verification.foot_sensor_live"} {
		refused(t, err, problem.Conflict, field)
	}
	if e := problem.As(err); e != nil && len(e.Fields) != 3 {
		t.Errorf("%d fields, want 3: %v", len(e.Fields), err)
	}
	d.handBackProofs()
	ch := d.must(func(b bench, p pen) (JobChange, error) { return moveJob(b, Ready, "", p) })
	if ch.ReadyAt == nil || ch.ClosedAt != nil {
		t.Errorf("%+v, want the time of ready and none of closing", ch)
	}
	_, err = d.try(func(b bench, p pen) (JobChange, error) { return moveJob(b, Verifying, " ", p) })
	refused(t, err, problem.Invalid, "reason")
}

func TestDeclinedGoesBackClosed(t *testing.T) {
	d := setup(t, Diagnosing)
	d.mustAccess("motor_box_open", Open)
	_, err := d.try(func(b bench, p pen) (JobChange, error) { return moveJob(b, Declined, "", p) })
	refused(t, err, problem.Invalid, "reason")
	d.must(func(b bench, p pen) (JobChange, error) { return moveJob(b, Declined, "Too dear", p) })
	_, err = d.try(func(b bench, p pen) (JobChange, error) { return moveJob(b, Returned, "", p) })
	refused(t, err, problem.Conflict, "opening.motor_box_open")
	d.mustAccess("connector_unplugged", Closed)
	ch := d.must(func(b bench, p pen) (JobChange, error) { return moveJob(b, Returned, "", p) })
	if ch.ClosedAt == nil {
		t.Error("a returned job has no time of closing")
	}
}

func TestRequirementsKeepTheirOrder(t *testing.T) {
	d := setup(t, Diagnosing)
	d.symptom("pack_swollen")
	d.sees("seal_visual", "sound")
	d.repairs(d.confirm("gasket_set"))
	d.mustAccess("battery_box_open", Open)
	var kinds []string
	for _, i := range d.requirements().Items {
		if len(kinds) == 0 || kinds[len(kinds)-1] != i.Kind {
			kinds = append(kinds, i.Kind)
		}
	}
	if got := strings.Join(kinds, " "); got != "stop fault verification recheck opening" {
		t.Errorf("the kinds come as %s", got)
	}
}

func TestFaultRules(t *testing.T) {
	d := setup(t, Received)
	confirm := func(in FaultInput, earlier []Fault) (JobChange, error) {
		return confirmFault(d.bench, d.board, earlier, in, d.pen())
	}
	_, err := confirm(FaultInput{Cause: "axle_loose"}, nil)
	refused(t, err, problem.Conflict, "state")
	if err == nil || !strings.Contains(err.Error(), "move it to diagnosing first") {
		t.Errorf("%v does not say what to do", err)
	}
	d.file.Job.State = Diagnosing
	_, err = confirm(FaultInput{Cause: "gremlins"}, nil)
	refused(t, err, problem.Invalid, "cause")
	stranger := newID()
	_, err = confirm(FaultInput{Cause: "interbox_burned", ConnectorID: &stranger, InstalledPartID: &stranger}, nil)
	refused(t, err, problem.Invalid, "connector_id")
	refused(t, err, problem.Invalid, "installed_part_id")
	d.board.Connectors = []Connector{{ID: newID(), Component: "hall_connector"}, {ID: newID(), Component: "interbox_connector"}, {ID: newID()}}
	_, err = confirm(FaultInput{Cause: "interbox_burned", ConnectorID: &d.board.Connectors[0].ID}, nil)
	refused(t, err, problem.Invalid, "connector_id")
	for _, k := range d.board.Connectors[1:] {
		if _, err = confirm(FaultInput{Cause: "interbox_burned", ConnectorID: &k.ID}, nil); err != nil {
			t.Error(err)
		}
	}
	ch, err := confirm(FaultInput{Cause: "interbox_burned"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if ch.Fault.Component != "interbox_connector" || ch.Snapshot == nil || ch.Snapshot.Trigger != "fault" || len(ch.Snapshot.Body) < 100 || ch.ComebackOf != nil {
		t.Errorf("%+v", ch)
	}
	d.apply(ch)
	_, err = confirm(FaultInput{Cause: "interbox_burned"}, nil)
	refused(t, err, problem.Conflict, "cause")
}

func TestComeback(t *testing.T) {
	t.Parallel()
	earlier, job := newID(), Job{ID: newID()}
	of := func(component string, waived bool, in ID) []Fault {
		f := Fault{JobID: in, Component: component}
		if waived {
			now := at(0)
			f.WaivedAt = &now
		}
		return []Fault{f}
	}
	if comebackOf(job, of("gasket", false, earlier), "gasket") != nil {
		t.Error("outside the warranty time there is no comeback")
	}
	job.WarrantyOf = &earlier
	for _, tc := range []struct {
		name   string
		faults []Fault
		want   bool
	}{
		{"the same component", of("gasket", false, earlier), true},
		{"another component", of("tyre", false, earlier), false},
		{"left unrepaired on purpose", of("gasket", true, earlier), false},
		{"this job's own", of("gasket", false, job.ID), false},
		{"none", nil, false},
	} {
		got := comebackOf(job, tc.faults, "gasket")
		if (got != nil) != tc.want || got != nil && *got != earlier {
			t.Errorf("%s: %v", tc.name, got)
		}
	}
}

func TestRepairRules(t *testing.T) {
	d := setup(t, Diagnosing)
	f := d.confirm("interbox_burned")
	for _, tc := range []struct {
		name, field string
		in          RepairInput
	}{
		{"no action", "action", RepairInput{}},
		{"a long action", "action", RepairInput{Action: strings.Repeat("x", 201)}},
		{"negative minutes", "minutes", RepairInput{Action: "x", Minutes: -1}},
		{"a week of minutes", "minutes", RepairInput{Action: "x", Minutes: 10_001}},
		{"no quantity", "parts[0].quantity", RepairInput{Action: "x", Parts: []RepairPartInput{{}}}},
		{"one serial for two", "parts[0].serial", RepairInput{Action: "x", Parts: []RepairPartInput{{Quantity: 2, Serial: "A"}}}},
	} {
		var c checker
		c.repair(&tc.in)
		refused(t, c.err(), problem.Invalid, tc.field)
	}
	do := func(in RepairInput, parts ...Part) (JobChange, error) {
		return repair(d.bench, d.board, parts, in, d.pen())
	}
	_, err := do(RepairInput{FaultID: newID(), Action: "x"})
	refused(t, err, problem.Invalid, "fault_id")
	off := InstalledPart{ID: newID()}
	gone := at(0)
	d.board.Installed = []InstalledPart{off, {ID: newID(), RemovedAt: &gone}}
	_, err = do(RepairInput{FaultID: f.ID, Action: "x", Removed: []ID{off.ID, off.ID, newID(), d.board.Installed[1].ID}})
	for _, field := range []string{"removed[1]", "removed[2]", "removed[3]"} {
		refused(t, err, problem.Invalid, field)
	}
	plug, tape := Part{ID: newID(), Name: "Plug", Component: "interbox_connector"}, Part{ID: newID(), Name: "Tape"}
	ch, err := do(RepairInput{FaultID: f.ID, Action: "New plug", Minutes: 30, Removed: []ID{off.ID},
		Parts: []RepairPartInput{{PartID: plug.ID, Quantity: 1, Lot: "L1"}, {PartID: tape.ID, Quantity: 2}}}, plug, tape)
	if err != nil {
		t.Fatal(err)
	}
	if len(ch.Repair.Parts) != 2 || len(ch.Installed) != 1 || ch.Installed[0].Component != "interbox_connector" || ch.Installed[0].Lot != "L1" || *ch.Installed[0].RepairID != ch.Repair.ID {
		t.Errorf("%+v, want the plug installed and the tape only used", ch)
	}
	if len(ch.Removed) != 1 || ch.Removed[0].InstalledPartID != off.ID {
		t.Errorf("removed %+v", ch.Removed)
	}
	d.file.Job.State = AwaitingParts
	_, err = do(RepairInput{FaultID: f.ID, Action: "x"})
	refused(t, err, problem.Conflict, "state")
}
