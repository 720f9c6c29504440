package faultlib

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

func TestWhatFiresAnEvent(t *testing.T) {
	t.Parallel()
	lib, issues := Load(Embedded())
	if lib == nil {
		t.Fatal(issues)
	}
	if got := lib.Opening("sealed_for_test").Closed; !slices.Equal(got, []string{"motor_box_open", "battery_box_open"}) {
		t.Errorf("sealed_for_test needs %v closed", got)
	}
	want := map[string]string{
		"box_opened":                         "motor_box_open battery_box_open / ",
		"power_connector_parted_or_repinned": "connector_unplugged / interbox_connector interbox_wiring",
		"balance_harness_worked_on":          " / balance_harness",
		"motor_wiring_changed":               " / motor_cable motor_winding hall_sensors phase_connector hall_connector motor_ntc",
		"settings_or_firmware_changed":       " / firmware_settings",
		"pack_or_bms_replaced":               " / cell_group bms cell_links",
		"crash_or_water_reported":            " / ",
		"foot_pad_lifted":                    "footpad_off / ",
	}
	for _, inv := range lib.Invalidations {
		heard := ""
		if inv.Event == "crash_or_water_reported" {
			heard = "water_history crash_history"
		}
		if got := strings.Join(inv.Symptoms, " "); got != heard {
			t.Errorf("%s is fired by hearing of %q, want %q", inv.Event, got, heard)
		}
		if got := strings.Join(inv.Openings, " ") + " / " + strings.Join(inv.Components, " "); got != want[inv.Event] {
			t.Errorf("%s is fired by %q, want %q", inv.Event, got, want[inv.Event])
		}
	}
}

func TestWiringErrors(t *testing.T) {
	t.Parallel()
	whole := string(Embedded())
	for _, tc := range []struct{ name, old, with, path, message string }{
		{"an unknown opening of an event", "openings: [footpad_off]", "openings: [cellar_door]", "invalidates[7].openings[0]", "cellar_door"},
		{"an unknown component of an event", "components: [balance_harness]}", "components: [cellar]}", "invalidates[2].components[0]", "cellar"},
		{"an unknown symptom of an event", "symptoms: [water_history, crash_history]}", "symptoms: [frogs]}", "invalidates[6].symptoms[0]", "frogs"},
		{"an unknown opening to be closed", "closed: [motor_box_open, battery_box_open]", "closed: [cellar_door]", "access_states.sealed_for_test.closed[0]", "cellar_door"},
		{"a state to be closed for itself", "closed: [motor_box_open, battery_box_open]", "closed: [sealed_for_test]", "access_states.sealed_for_test.closed[0]", "closed"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if strings.Count(whole, tc.old) != 1 {
				t.Fatalf("%q does not stand in the library once", tc.old)
			}
			lib, issues := Load([]byte(strings.Replace(whole, tc.old, tc.with, 1)))
			found := slices.ContainsFunc(issues, func(i Issue) bool {
				return i.Severity == Error && i.Path == tc.path && strings.Contains(i.Message, tc.message) && i.Line > 0 && i.Column > 0
			})
			if lib != nil || !found {
				t.Errorf("want an error at %s about %s, got %s", tc.path, tc.message, errorsIn(issues))
			}
		})
	}
}

func errorsIn(issues []Issue) string {
	var out []string
	for _, i := range issues {
		if i.Severity == Error {
			out = append(out, fmt.Sprint(i))
		}
	}
	return strings.Join(out, "; ")
}
