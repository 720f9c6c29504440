package shop

import (
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

func TestObserveRefuses(t *testing.T) {
	t.Parallel()
	yes := true
	for _, tc := range []struct {
		name  string
		state State
		in    ObservationInput
		code  problem.Code
		field string
	}{
		{"nothing", Diagnosing, ObservationInput{}, problem.Invalid, "symptom"},
		{"both", Diagnosing, ObservationInput{Symptom: "no_power_on", Measurement: "stand_spin"}, problem.Invalid, "measurement"},
		{"an unknown symptom", Diagnosing, ObservationInput{Symptom: "gone", Present: &yes}, problem.Invalid, "symptom"},
		{"a symptom without present", Diagnosing, ObservationInput{Symptom: "no_power_on"}, problem.Invalid, "present"},
		{"a symptom with readings", Diagnosing, ObservationInput{Symptom: "no_power_on", Present: &yes, Readings: map[string]any{}}, problem.Invalid, "readings"},
		{"an unknown measurement", Diagnosing, ObservationInput{Measurement: "gone", Outcome: "x"}, problem.Invalid, "measurement"},
		{"an unknown outcome", Diagnosing, ObservationInput{Measurement: "stand_spin", Outcome: "gone"}, problem.Invalid, "outcome"},
		{"no outcome", Diagnosing, ObservationInput{Measurement: "stand_spin"}, problem.Invalid, "outcome"},
		{"no readings", Diagnosing, ObservationInput{Measurement: "phase_resistance_3"}, problem.Invalid, "readings"},
		{"readings of an inspection", Diagnosing, ObservationInput{Measurement: "stand_spin", Readings: map[string]any{"a": 1.0}}, problem.Invalid, "readings"},
		{"an outcome that is unavailable", Diagnosing, ObservationInput{Measurement: "stand_spin", Outcome: "smooth", Unavailable: true}, problem.Invalid, "unavailable"},
		{"the wrong unit", Diagnosing, ObservationInput{Measurement: "pack_heat_triage", Readings: map[string]any{"t_box_c": "24 kg", "t_amb_c": 21.0, "t_box10_c": 24.0}}, problem.Invalid, "readings.t_box_c"},
		{"below absolute zero", Diagnosing, ObservationInput{Measurement: "pack_heat_triage", Readings: map[string]any{"t_box_c": -300.0, "t_amb_c": 21.0, "t_box10_c": 24.0}}, problem.Invalid, "readings.t_box_c"},
		{"a reading that is missing", Diagnosing, ObservationInput{Measurement: "pack_heat_triage", Readings: map[string]any{"t_box_c": 24.0, "t_amb_c": 21.0}}, problem.Invalid, "readings.t_box10_c"},
		{"a text that cannot be stored", Diagnosing, ObservationInput{Measurement: "harness_continuity", Readings: map[string]any{"found": map[string]any{"1": []any{"a\x00"}}}}, problem.Invalid, "readings.found.1[0]"},
		{"an outcome against its readings", Diagnosing, ObservationInput{Measurement: "pack_heat_triage", Outcome: "hot", Readings: map[string]any{"t_box_c": 24.0, "t_amb_c": 21.0, "t_box10_c": 24.0}}, problem.Invalid, "outcome"},
		{"a bench measurement on arrival", Received, ObservationInput{Measurement: "stand_spin", Outcome: "smooth"}, problem.Conflict, "state"},
		{"anything when ready", Ready, ObservationInput{Symptom: "no_power_on", Present: &yes}, problem.Conflict, "state"},
		{"anything when returned", Returned, ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"}, problem.Conflict, "state"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := setup(t, tc.state)
			_, err := d.observe(tc.in)
			refused(t, err, tc.code, tc.field)
		})
	}
}

func TestSymptomOnceUntilRetracted(t *testing.T) {
	d := setup(t, Received)
	o := d.symptom("no_power_on")
	for _, present := range []bool{true, false} {
		_, err := d.observe(ObservationInput{Symptom: "no_power_on", Present: &present})
		refused(t, err, problem.Conflict, "symptom")
		if err != nil && !strings.Contains(err.Error(), "already recorded") {
			t.Errorf("%v does not say that it is already recorded", err)
		}
	}
	d.must(func(b bench, p pen) (JobChange, error) { return retract(b, o.ID, p) })
	d.symptom("no_power_on")
	_, err := d.try(func(b bench, p pen) (JobChange, error) { return retract(b, o.ID, p) })
	refused(t, err, problem.Conflict, "")
	_, err = d.try(func(b bench, p pen) (JobChange, error) { return retract(b, newID(), p) })
	refused(t, err, problem.NotFound, "")
}

func TestMeasurementAgainSupersedes(t *testing.T) {
	d := setup(t, Diagnosing)
	first := d.sees("exterior_walkround", "screw_missing")
	second := d.sees("exterior_walkround", "intact")
	if by := d.file.Observations[0].SupersededBy; by == nil || *by != second.ID {
		t.Errorf("%s is superseded by %v, want %s", first.ID, by, second.ID)
	}
	if ev := evidenceOf(d.lib, d.file); len(ev) != 1 || ev[0].record != second.ID {
		t.Errorf("the evidence is %+v, want the second one alone", ev)
	}
	_, err := d.observe(ObservationInput{Measurement: "exterior_walkround", Unavailable: true})
	refused(t, err, problem.Conflict, "unavailable")
	ch, err := d.observe(ObservationInput{Measurement: "tyre_check", Unavailable: true})
	if err != nil || !ch.Add[0].Unavailable || ch.Add[0].Result != nil {
		t.Fatalf("%+v, %v", ch.Add, err)
	}
	_, err = d.observe(ObservationInput{Measurement: "tyre_check", Unavailable: true})
	refused(t, err, problem.Conflict, "unavailable")
	d.sees("tyre_check", d.lib.Measurement("tyre_check").Outcomes[0].ID)
	if len(unavailable(d.lib, d.file)) != 0 {
		t.Error("a measurement that was taken after all is still listed as not measurable")
	}
}

func TestReadingsAreComputedWithTheBoardsFacts(t *testing.T) {
	d := setup(t, Diagnosing)
	ch, err := d.observe(ObservationInput{Measurement: "pack_voltage_soc", Readings: map[string]any{"v_pack": "73,6 V"}})
	if err != nil {
		// Which further inputs the measurement needs is the library's affair.
		ch, err = d.observe(ObservationInput{Measurement: "pack_voltage_soc", Readings: map[string]any{"v_pack": "73,6 V", "v_reported": nil, "hours_rest": 2.0}})
	}
	if err != nil {
		t.Fatal(err)
	}
	r := ch.Add[0].Result
	if r.Outcome != "in_range" || r.Text == "" || len(r.Values) == 0 {
		t.Errorf("20 cells in series at 73.6 V: %+v", r)
	}
	if r.Readings["v_pack"] != "73,6 V" {
		t.Errorf("the raw reading is kept as %v, want it as typed", r.Readings["v_pack"])
	}
}

func TestImpliedAccess(t *testing.T) {
	d := setup(t, Diagnosing)
	ch, err := d.observe(ObservationInput{Measurement: "seal_visual", Outcome: "sound"})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range ch.Access {
		if !e.Implied || e.State != Open {
			t.Errorf("%+v, want an implied opening", e)
		}
		got = append(got, e.Opening)
	}
	if strings.Join(got, " ") != "connector_unplugged motor_box_open" {
		t.Errorf("opened %v, want the path from the outside in", got)
	}
	ch, err = d.observe(ObservationInput{Measurement: "hall_sequence", Outcome: "skips"})
	if err != nil || len(ch.Access) != 0 {
		t.Errorf("what is open is opened again: %+v, %v", ch.Access, err)
	}
	_, err = d.observe(ObservationInput{Measurement: "box_leak_decay", Outcome: "tight"})
	refused(t, err, problem.Conflict, "opening")
	if err != nil && !strings.Contains(err.Error(), "motor_box_open") {
		t.Errorf("%v does not name the box that is open", err)
	}
	d.mustAccess("motor_box_open", Closed)
	d.sees("box_leak_decay", "tight")
	ch = d.mustAccess("motor_box_open", Open)
	if len(ch.Access) != 2 || ch.Access[0].Opening != "sealed_for_test" || ch.Access[0].State != Closed {
		t.Errorf("opening a box ends the air test first: %+v", ch.Access)
	}
}

func TestMotorPlugOutsideNeedsNoBox(t *testing.T) {
	d := setup(t, Diagnosing)
	d.file.Board.Facts["motor_plug"] = "external"
	d.sees("hall_sequence", "skips")
	if got := openings(d.lib, d.file); len(got) != 1 || got[0].ID != "motor_plug_parted" {
		t.Errorf("open are %v, want the motor plug only", got)
	}
}

func TestAccess(t *testing.T) {
	d := setup(t, Diagnosing)
	_, err := d.access("cellar_door", Open)
	refused(t, err, problem.Invalid, "opening")
	_, err = d.access("outside", Open)
	refused(t, err, problem.Invalid, "opening")
	_, err = d.access("motor_box_open", "ajar")
	refused(t, err, problem.Invalid, "state")
	_, err = d.access("motor_box_open", Closed)
	refused(t, err, problem.Conflict, "opening")
	d.mustAccess("pack_isolated", Open)
	_, err = d.access("battery_box_open", Open)
	refused(t, err, problem.Conflict, "opening")
	ch := d.mustAccess("connector_unplugged", Closed)
	var got []string
	for _, e := range ch.Access {
		got = append(got, e.Opening)
	}
	if strings.Join(got, " ") != "pack_isolated battery_box_open connector_unplugged" {
		t.Errorf("closing the outermost closes %v, want the innermost first", got)
	}
	d.file.Job.State = Ready
	_, err = d.access("motor_box_open", Open)
	refused(t, err, problem.Conflict, "state")
}

func TestEventsInvalidate(t *testing.T) {
	for _, tc := range []struct {
		name, measurement, outcome string
		do                         func(*desk)
		event                      string
	}{
		{"a box opened after its leak test", "box_leak_decay", "tight", func(d *desk) { d.mustAccess("battery_box_open", Open) }, "box_opened"},
		{"a connector parted after its drop was measured", "contact_drop", "good", func(d *desk) { d.mustAccess("connector_unplugged", Open) }, "power_connector_parted_or_repinned"},
		{"the pad lifted after its test", "foot_sensor_live", "good", func(d *desk) { d.mustAccess("footpad_off", Open) }, "foot_pad_lifted"},
		{"settings changed after their audit", "settings_audit", "limits_wrong", func(d *desk) { d.repairs(d.confirm("settings_limits_wrong")) }, "settings_or_firmware_changed"},
		{"water heard of after the leak test", "box_leak_decay", "tight", func(d *desk) { d.symptom("water_history") }, "crash_or_water_reported"},
		{"another symptom leaves it alone", "box_leak_decay", "tight", func(d *desk) { d.symptom("no_power_on") }, ""},
		{"another repair leaves it alone", "settings_audit", "matches", func(d *desk) { d.repairs(d.confirm("axle_loose")) }, ""},
		{"another opening leaves it alone", "settings_audit", "matches", func(d *desk) { d.mustAccess("charge_port", Open) }, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := setup(t, Diagnosing)
			o := d.sees(tc.measurement, tc.outcome)
			v := d.proves(tc.measurement, tc.outcome)
			tc.do(d)
			if got := d.file.Observations[0].InvalidatedBy; got != tc.event {
				t.Errorf("observation %s is invalid by %q, want %q", o.ID, got, tc.event)
			}
			if got := d.file.Verifications[0].InvalidatedBy; got != tc.event {
				t.Errorf("verification %s is invalid by %q, want %q", v.ID, got, tc.event)
			}
			counts := slices.ContainsFunc(evidenceOf(d.lib, d.file), func(x finding) bool { return x.id == tc.measurement })
			if counts == (tc.event != "") {
				t.Errorf("counts as evidence: %v", counts)
			}
		})
	}
}

// A result taken while the opening was open is not disturbed by opening it
// again; one taken while it was closed is, and a repair disturbs both.
func TestWhatIsSpared(t *testing.T) {
	d := setup(t, Diagnosing)
	d.sees("interbox_visual", "soot")
	d.sees("interbox_polarity", "agree")
	d.mustAccess("connector_unplugged", Closed)
	d.sees("contact_drop", "high")
	d.sees("seal_visual", "sound")
	by := map[string]string{}
	look := func() {
		for _, o := range d.file.Observations {
			by[o.Measurement] = o.InvalidatedBy
		}
	}
	if look(); by["interbox_visual"] != "" || by["interbox_polarity"] != "" || by["contact_drop"] == "" || by["seal_visual"] != "" {
		t.Errorf("parting the connector again: %v", by)
	}
	d.mustAccess("battery_box_open", Open)
	if look(); by["seal_visual"] == "" {
		t.Error("the seal was looked at before the other box was opened, and still counts")
	}
	d.repairs(d.confirm("interbox_burned"))
	if look(); by["interbox_visual"] == "" || by["interbox_polarity"] == "" {
		t.Errorf("a repair of the connector: %v", by)
	}
}
