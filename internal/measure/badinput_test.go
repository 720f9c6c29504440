package measure

import (
	"math"
	"strings"
	"testing"
)

// nested is a JSON value of depth levels.
func nested(depth int, list bool) any {
	var v any = 1.0
	for range depth {
		if list {
			v = []any{v}
		} else {
			v = map[string]any{"value": v}
		}
	}
	return v
}

// TestBadReadings: whatever is sent, the answer is an error that names the field
// and says what is wanted; it stays short, and nothing is taken for a reading.
func TestBadReadings(t *testing.T) {
	t.Parallel()
	many := make([]any, 10_000)
	for i := range many {
		many[i] = 3.7 * float64(i)
	}
	long := strings.Repeat("9", 10_000)
	for _, c := range []struct {
		name, id, input string
		value           any
		field, says     string
	}{
		{"10 kB of digits", "phase_resistance_3", "r_ab", long, "readings.r_ab", "64 characters"},
		{"10 kB of letters", "phase_resistance_3", "r_ab", strings.Repeat("ohm ", 2500), "readings.r_ab", "a resistance in mΩ"},
		{"a 10 kB unit", "phase_resistance_3", "r_ab", map[string]any{"value": 1.0, "unit": long}, "readings.r_ab", "a resistance in mΩ"},
		{"NaN", "phase_resistance_3", "r_ab", math.NaN(), "readings.r_ab", "not finite"},
		{"NaN as text", "phase_resistance_3", "r_ab", "NaN", "readings.r_ab", "write OL"},
		{"infinity", "phase_resistance_3", "r_ab", math.Inf(1), "readings.r_ab", "not finite"},
		{"minus infinity", "phase_resistance_3", "r_ab", math.Inf(-1), "readings.r_ab", "not finite"},
		{"infinity as text", "phase_resistance_3", "r_ab", "-Infinity", "readings.r_ab", "write OL"},
		{"overflow", "phase_resistance_3", "r_ab", "1e999", "readings.r_ab", "out of range"},
		{"beyond reason", "phase_resistance_3", "r_ab", 1e300, "readings.r_ab", "beyond what can be measured"},
		{"negative resistance", "phase_resistance_3", "r_ab", -104.0, "readings.r_ab", "zero the meter leads"},
		{"negative resistance as text", "phase_resistance_3", "r_ab", "-104 mΩ", "readings.r_ab", "zero the meter leads"},
		{"negative in a list", "foot_sensor_resistance", "r_press", []any{5000.0, -1.0}, "readings.r_press[1]", "zero the meter leads"},
		{"a range from high to low", "phase_resistance_3", "r_ab", "104-100 mΩ", "readings.r_ab", "write 100 to 104 mΩ"},
		{"a range below zero", "phase_resistance_3", "r_ab", "-1-5 mΩ", "readings.r_ab", "at its lower end: a resistance cannot be negative"},
		{"a range of a count", "balance_tap_order", "n", "10-20", "readings.n", "a range will not do here; a whole number is needed"},
		{"a range over range", "phase_resistance_3", "r_ab", "100 mΩ-OL", "readings.r_ab", "over range at one end"},
		{"a range up to over range", "phase_resistance_3", "r_ab", "1-1000000000", "readings.r_ab", "over range at its upper end"},
		{"a range below absolute zero", "pack_heat_triage", "t_box_c", "-280 to -270 °C", "readings.t_box_c", "below absolute zero"},
		{"a range of two quantities", "pack_heat_triage", "t_box_c", "20 °C - 2 V", "readings.t_box_c", "a voltage at the other"},
		{"a range as an accuracy", "phase_resistance_3", "r_ab", map[string]any{"value": 104.0, "plus_minus_pct": "1-2"}, "readings.r_ab", "plus_minus_pct"},
		{"a date", "phase_resistance_3", "r_ab", "2026-11-25", "readings.r_ab", "neither one reading nor one range"},
		{"a range from high to low in a list", "balance_tap_order", "taps", []any{0.0, "3.9-3.7"}, "readings.taps[1]", "write 3.7 to 3.9 V"},
		{"deep object", "phase_resistance_3", "r_ab", nested(5000, false), "readings.r_ab", "must be a number or a text"},
		{"deep list", "phase_resistance_3", "r_ab", nested(5000, true), "readings.r_ab", "no quantity"},
		{"deep list in a list", "balance_tap_order", "taps", []any{nested(5000, true), 1.0}, "readings.taps[0]", "no quantity"},
		{"10 000 taps", "balance_tap_order", "taps", many, "readings.taps", "at most 256"},
		{"10 000 taps as text", "balance_tap_order", "taps", strings.Repeat("3.7 ", 10_000), "readings.taps", "a list in V"},
		{"10 000 taps with a unit", "balance_tap_order", "taps", map[string]any{"values": many, "unit": "V"}, "readings.taps", "at most 256"},
		{"NaN in a list", "balance_tap_order", "taps", []any{0.0, math.NaN()}, "readings.taps[1]", "not finite"},
		{"null in a list", "balance_tap_order", "taps", []any{0.0, nil}, "readings.taps[1]", "is missing"},
		{"a list for a number", "phase_resistance_3", "r_ab", []any{1.0}, "readings.r_ab", "no quantity"},
		{"a number for a list", "balance_tap_order", "taps", 3.7, "readings.taps", "a list in V"},
		{"an accuracy that is none", "phase_resistance_3", "r_ab", map[string]any{"value": 104.0, "plus_minus_pct": math.NaN()}, "readings.r_ab", "plus_minus_pct"},
		{"a negative accuracy", "phase_resistance_3", "r_ab", map[string]any{"value": 104.0, "counts": -3.0}, "readings.r_ab", "counts"},
		{"half a cell", "balance_tap_order", "n", 20.5, "readings.n", "whole number"},
		{"no such choice", "charge_led_logic", "led_open", long, "readings.led_open", "must be"},
		{"no truth value", "charge_led_logic", "pack_full", nested(50, true), "readings.pack_full", "yes or no"},
	} {
		m := setup(t, c.id)
		in := map[string]any{}
		for k, v := range m.def.Examples[0].In {
			in[k] = v
		}
		in[c.input] = c.value
		_, _, err := m.Parse(in, ParseOptions{})
		if err == nil {
			t.Errorf("%s: taken as a reading", c.name)
			continue
		}
		got := fieldsOf(t, err)
		if !strings.Contains(got[c.field], c.says) {
			t.Errorf("%s: %s says %.300q, not %q", c.name, c.field, got[c.field], c.says)
		}
		for field, msg := range got {
			if len(field)+len(msg) > 600 {
				t.Errorf("%s: the message has %d characters", c.name, len(msg))
			}
		}
	}
}
