package faultlib

import (
	"slices"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

func TestAccessOf(t *testing.T) {
	t.Parallel()
	tinyLib := mustLoad(t, tinyWith("0", "0"))
	for _, c := range []struct {
		facts map[string]string
		want  string
	}{
		{nil, "box_open"},
		{map[string]string{"plug": "inside"}, "box_open"},
		{map[string]string{"plug": "outside"}, "plug_parted"},
		{map[string]string{"plug": "outside", "lid": "bolted"}, "plug_parted"},
		{map[string]string{"plug": "outside", "lid": "clipped"}, "box_open"},
		{map[string]string{"plug": "somewhere"}, "box_open"},
		{map[string]string{"plug": "outside", "other": "x"}, "plug_parted"},
	} {
		if got := tinyLib.AccessOf("loop", c.facts); got != c.want {
			t.Errorf("%v: %s, expected %s", c.facts, got, c.want)
		}
	}
	lib := embeddedLibrary(t)
	if got := lib.AccessOf("phase_resistance_3", nil); got != "motor_box_open" {
		t.Errorf("default: %s", got)
	}
	if got := lib.AccessOf("phase_resistance_3", map[string]string{"motor_plug": "external"}); got != "motor_plug_parted" {
		t.Errorf("external: %s", got)
	}
	if a := lib.Measurement("phase_resistance_3").AccessIf[0]; a.Fact != "motor_plug" || a.Value != "external" {
		t.Errorf("a plain comparison reads as %+v", a)
	}
	if got := lib.AccessOf("nothing", nil); got != "" {
		t.Errorf("unknown measurement: %q", got)
	}
}

func TestFacts(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0", "0"))
	facts, err := lib.Facts(map[string]string{"plug": "outside"}, "facts")
	if err != nil || facts["plug"] != "outside" || facts["lid"] != "bolted" {
		t.Errorf("%v, %v", facts, err)
	}
	_, err = lib.Facts(map[string]string{"plug": "x", "colour": "grey"}, "context.facts")
	if p := problem.As(err); p == nil || len(p.Fields) != 2 || p.Fields[0].Field != "context.facts.colour" || p.Fields[1].Field != "context.facts.plug" {
		t.Errorf("error %v", err)
	}
}

func TestOpeningPath(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	var ids []string
	for _, o := range lib.OpeningPath("motor_box_live") {
		ids = append(ids, o.ID)
	}
	if want := []string{"outside", "connector_unplugged", "motor_box_open", "motor_box_live"}; !slices.Equal(ids, want) {
		t.Errorf("%v, expected %v", ids, want)
	}
	if lib.OpeningPath("nothing") != nil {
		t.Error("an unknown opening has a path")
	}
	if h := lib.PathHazard("hall_supply", nil); h != 3 {
		t.Errorf("hazard on the way %d", h)
	}
}

func TestLookups(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	for name, missing := range map[string]bool{
		"symptom": lib.Symptom("x") == nil, "measurement": lib.Measurement("x") == nil, "cause": lib.Cause("x") == nil,
		"component": lib.Component("x") == nil, "opening": lib.Opening("x") == nil, "hazard": lib.Hazard(5) == nil && lib.Hazard(-1) == nil,
		"links": lib.LinksOf("x") == nil, "compiled": lib.Compiled("x") == nil, "verify": lib.VerifyFor("x") == nil,
		"invalidated": lib.InvalidatedBy("x") == nil, "interlock": lib.Interlock("x") == nil, "fact": lib.BoardFact("x") == nil,
	} {
		if !missing {
			t.Errorf("%s: an unknown id is found", name)
		}
	}
	for i := range lib.Causes {
		id := lib.Causes[i].ID
		if lib.Cause(id) != &lib.Causes[i] || lib.LinksOf(id) == nil || lib.LinksOf(id).Cause != id || len(lib.VerifyFor(id)) == 0 {
			t.Errorf("cause %s is not found whole", id)
		}
	}
	if got := lib.InvalidatedBy("foot_pad_lifted"); !slices.Equal(got, []string{"foot_sensor_live", "foot_sensor_resistance"}) {
		t.Errorf("invalidated %v", got)
	}
	if got := lib.ConsequencesOf("motor_water"); len(got) != 2 || got[0].To != "bearing_corroded" || got[0].P != 0.5 {
		t.Errorf("consequences %v", got)
	}
	if got := lib.CausesOf("tyre"); len(got) != 2 || got[0].ID != "tyre_puncture" {
		t.Errorf("causes of the tyre %v", got)
	}
	if got := lib.MeasurementsOf("motor_ntc"); len(got) != 1 {
		t.Errorf("measurements of the sensor %v", got)
	}
	behind := lib.MeasurementsBehind("battery_box_open", nil)
	if !slices.ContainsFunc(behind, func(m *Measurement) bool { return m.ID == "fuse_and_leads" }) {
		t.Error("what needs the isolated pack needs the open battery box")
	}
}

func TestExposures(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	for _, c := range []struct{ given, want []string }{
		{nil, nil},
		{[]string{"rain"}, []string{"water_history"}},
		{[]string{"road_salt", "immersion", "rain"}, []string{"water_history"}},
		{[]string{"reworked", "crash"}, []string{"crash_history", "rework_history"}},
		{[]string{"storage", "unheard_of"}, nil},
	} {
		if got := ExposureSymptoms(c.given); !slices.Equal(got, c.want) {
			t.Errorf("%v: %v, expected %v", c.given, got, c.want)
		}
	}
	for _, e := range Exposures() {
		if e.Text == "" || e.Symptom != "" && lib.Symptom(e.Symptom) == nil {
			t.Errorf("exposure %+v", e)
		}
	}
}

func TestStopFor(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	for _, c := range []struct {
		seen Seen
		stop bool
	}{
		{Seen{Symptom: "pack_swollen", Present: true}, true},
		{Seen{Symptom: "pack_swollen", Present: false}, false},
		{Seen{Symptom: "short_range", Present: true}, false},
		{Seen{Measurement: "pack_heat_triage", Outcome: "warming"}, true},
		{Seen{Measurement: "pack_heat_triage", Outcome: "warm"}, false},
		{Seen{Measurement: "hall_timing", Outcome: "uneven"}, false},
	} {
		gate, hazard := lib.StopFor([]Seen{{Symptom: "wheel_play", Present: true}, c.seen})
		if (gate != nil) != c.stop || (hazard != nil) != c.stop {
			t.Errorf("%+v: gate %v, hazard %v", c.seen, gate, hazard)
		}
		if hazard != nil && (hazard.Level != 4 || hazard.Rule == "") {
			t.Errorf("hazard %+v", hazard)
		}
	}
	// A symptom marked safety_stop stops without a gate.
	noGate := mustLoad(t, tinyWith("0", "0"))
	noGate.Gates = nil
	if gate, _ := noGate.StopFor([]Seen{{Symptom: "smoke", Present: true}}); gate == nil {
		t.Error("smoke does not stop")
	}
}

func TestEconomy(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0", "0"))
	eco := lib.Economy(EconomyContext{LabourPerHour: 6000, PartsCost: map[string]float64{"sensor_dead": 1500}})
	cable, sensor := eco.Repairs[0], eco.Repairs[1]
	near(t, "labour", eco.LabourPerMinute, 100)
	near(t, "minutes are the mean", cable.Minutes, 45)
	near(t, "verification", cable.VerifyCost, 500)
	near(t, "parts given", sensor.Parts, 1500)
	near(t, "parts estimated", cable.Parts, 0.4*6000)
	if !slices.Equal(cable.Access, []string{"box_open"}) || eco.Actions[0].Access != "box_open" {
		t.Errorf("access %v, %v", cable.Access, eco.Actions[0].Access)
	}
	if lib.CanHarm("cable_open") || !lib.CanHarm("sensor_dead") || sensor.MissCost <= cable.MissCost {
		t.Errorf("miss costs %v and %v", cable.MissCost, sensor.MissCost)
	}
	outside := lib.Economy(EconomyContext{LabourPerHour: 6000, Facts: map[string]string{"plug": "outside"}})
	if outside.Actions[0].Access != "plug_parted" || !slices.Equal(outside.Repairs[0].Access, []string{"plug_parted"}) {
		t.Errorf("the fact does not reach the economy: %+v", outside.Actions[0])
	}

	whole := embeddedLibrary(t)
	if !whole.CanHarm("foot_zone_stuck") || whole.CanHarm("tyre_worn") {
		t.Error("a foot zone that stays on can hurt, a worn tyre is seen in time")
	}
	all := whole.Economy(EconomyContext{LabourPerHour: 6000})
	for _, o := range all.Openings {
		if (o.ResealMinutes > 0) != o.Reseal {
			t.Errorf("opening %+v", o)
		}
		// The leak test takes 12 minutes, getting ready for it 6 and 4.
		if o.Reseal && o.ResealMinutes != 22 {
			t.Errorf("leak test %v", o.ResealMinutes)
		}
	}
	model, err := whole.Model(ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	o, err := whole.ObserveSymptom("stutter_at_start", true)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := model.Advise([]diagnosis.Observation{o}, all, diagnosis.State{}); err != nil {
		t.Errorf("the economy does not fit the model: %v", err)
	}
}
