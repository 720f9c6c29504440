package measure

import (
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestExpected reads the limits of the library's conditions back in words. The
// numbers are the library's; the negations are by hand.
func TestExpected(t *testing.T) {
	t.Parallel()
	for id, want := range map[string]string{
		"pack_heat_triage":     "No self-heating seen: warmest spot of the battery box below 60 °C, rise per minute at most 0.1 K/min, rise over ambient at most 10 K.",
		"bearing_play":         "Axle moves in its blocks – no, axial play at most 0.3 mm, radial play at most 0.15 mm.",
		"axle_torque_check":    "Turn before the wrench clicks at most 5°, paint marks still in line – yes.",
		"charger_output":       "Voltage without load at least 1 V, deviation per cell from -60 mV to 10 mV.",
		"imu_static":           "Accelerations in the attitudes all from 0.95 g to 1.05 g, axes and signs follow the motion – yes, turn rates at rest all within ±2 °/s, pitch error when level within ±1°.",
		"hall_supply":          "Supply with motor unplugged at least 0.8 × the nominal supply, supply with motor plugged in from 0.9 × the nominal supply to 1.1 × the nominal supply.",
		"phase_inductance_3":   "Inductance unbalance at most 7 %, deviation from the motor type within ±15 %.",
		"bus_termination":      "About 60 ohm: resistance between the two wires at least 50 Ω and below 140 Ω.",
		"contact_drop":         "Temperature rise at highest current at most 60 K, drop at the highest current at most 0.1 V, contact resistance at most the resistance limit of the contact.",
		"pack_resistance_step": "Pack temperature at least 15 °C, current in step 2 minus current in step 1 at least 2 A, ratio to a new cell at most 1.8.",
		"cell_group_delta":     "Normal (near 3.6-3.7 V the curve is flat so judge again when full): group voltages all from 2 V to 4.25 V, spread of the groups at most 20 mV.",
		// Only several conditions together decide here, so no limit is named.
		"charge_port_idle_voltage": "No diode in this design: pins always live, warn and cap, or normal with diode: port dead without charger (a 10 Mohm meter alone may show a ghost voltage).",
		"hall_sequence":            "Valid cycle 1 3 2 6 4 5 (one direction), or valid cycle 5 4 6 2 3 1 (other direction); both are healthy.",
		"phase_resistance_3":       "Balanced.",
		"exterior_walkround":       "Intact (nothing found).",
	} {
		if got := setup(t, id).Expected(); got != want {
			t.Errorf("%s: %q, want %q", id, got, want)
		}
	}
}

// idWord is how a library id looks where words should stand.
var idWord = regexp.MustCompile(`\b[a-z0-9]+_[a-z0-9_]+\b`)

// TestNoIDsInSentences: every worked example's sentence, and every description of
// a good reading, is made of words; the same input gives the same text.
func TestNoIDsInSentences(t *testing.T) {
	t.Parallel()
	defs, tables, ids := loadLibrary(t)
	n := 0
	for _, id := range ids {
		m, issues := Compile(defs[id], tables)
		if len(issues) > 0 {
			t.Fatalf("%s: %v", id, issues)
		}
		texts := []string{m.Expected()}
		if again := m.Expected(); again != texts[0] {
			t.Errorf("%s: %q, then %q", id, texts[0], again)
		}
		for _, ex := range m.def.Examples {
			if m.def.Kind == Inspection {
				break
			}
			res := evaluate(t, m, ex.In, ParseOptions{})
			if again := evaluate(t, m, ex.In, ParseOptions{}); again.Text != res.Text {
				t.Errorf("%s: %q, then %q", id, res.Text, again.Text)
			}
			texts = append(texts, res.Text)
			for _, v := range res.Values {
				if v.Label == "" {
					t.Errorf("%s: the value %s has no label", id, v.ID)
				}
			}
		}
		for _, text := range texts {
			n++
			if found := idWord.FindString(text); found != "" {
				t.Errorf("%s: %q names the id %s", id, text, found)
			}
		}
	}
	if n < 200 {
		t.Errorf("only %d texts were looked at", n)
	}
}

// TestWithoutLabels: a definition without labels is worded from its ids.
func TestWithoutLabels(t *testing.T) {
	t.Parallel()
	def := setup(t, "bearing_play").Definition()
	def.Inputs = slices.Clone(def.Inputs)
	for i := range def.Inputs {
		def.Inputs[i].Label = ""
	}
	m, issues := Compile(def, nil)
	if len(issues) > 0 {
		t.Fatal(issues)
	}
	text := evaluate(t, m, map[string]any{"axial_mm": 0.6, "radial_mm": 0.05, "axle_moves": false}, ParseOptions{}).Text
	if !strings.HasPrefix(text, "Axial mm 0.6 mm is above 0.3 mm: play") {
		t.Error(text)
	}
}

func TestLabelCase(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"Ambient": "ambient", "A to B": "A to B", "MOSFET temperature": "MOSFET temperature", "5 V rail": "5 V rail", "Über": "über", "X": "X",
	} {
		if got := lowerFirst(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
