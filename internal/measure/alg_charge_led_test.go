package measure

import (
	"strings"
	"testing"
)

// TestChargeLED walks every combination against the library's five sentences.
func TestChargeLED(t *testing.T) {
	t.Parallel()
	m := setup(t, "charge_led_logic")
	for _, open := range []string{"dark", "green", "red"} {
		for _, start := range []string{"dark", "green", "red"} {
			for _, minute := range []string{"dark", "green", "red", "blink"} {
				for _, full := range []bool{true, false} {
					want := "charging"
					switch {
					case open == "dark":
						want = "charger_dead"
					case start == "dark", minute == "dark", minute == "blink":
						want = "overload"
					case minute == "green" && !full && start == "red":
						want = "cuts_out"
					case minute == "green" && !full:
						want = "path_open"
					}
					in := map[string]any{"led_open": open, "led_start": start, "led_1min": minute, "pack_full": full}
					if got := outcomeOf(t, m, in, ParseOptions{}); got != want {
						t.Errorf("%v: %s, want %s", in, got, want)
					}
				}
			}
		}
	}
}

// TestChargeLEDByHand: the lamp unplugged, just plugged in and after a minute.
func TestChargeLEDByHand(t *testing.T) {
	t.Parallel()
	lamp := func(open, start, minute string, full bool) map[string]any {
		return map[string]any{"led_open": open, "led_start": start, "led_1min": minute, "pack_full": full}
	}
	checkHand(t, "charge_led_logic", []handCase{
		{"dead", lamp("dark", "dark", "dark", false), "charger_dead", "", nil},
		// A charger that is dark unplugged counts as dead even where it lights later: warned of below.
		{"wakes when plugged in", lamp("dark", "red", "red", false), "charger_dead", "", nil},
		{"goes dark at once", lamp("green", "dark", "green", false), "overload", "", nil},
		{"goes dark within the minute", lamp("green", "red", "dark", true), "overload", "", nil},
		{"blinks", lamp("green", "red", "blink", false), "overload", "", nil},
		// Green throughout: no current, right only where the pack is full.
		{"no current", lamp("green", "green", "green", false), "path_open", "", nil},
		{"no current into a full pack", lamp("green", "green", "green", true), "charging", "", nil},
		// Red, then green: no pack fills in a minute.
		{"cut within the minute", lamp("green", "red", "green", false), "cuts_out", "", nil},
		{"the last of a full pack", lamp("green", "red", "green", true), "charging", "", nil},
		// Red after a minute: current flows, whatever came before.
		{"charging", lamp("green", "green", "red", false), "charging", "", nil},
	})
	m := setup(t, "charge_led_logic")
	for _, c := range []struct {
		in   map[string]any
		says string
	}{
		{lamp("dark", "red", "red", false), "wait for a pack"}, {lamp("green", "red", "red", true), "watch the group voltages"},
		{lamp("red", "red", "red", false), "red while unplugged"}, {lamp("green", "red", "red", false), ""}, {lamp("dark", "dark", "dark", true), ""},
	} {
		got := strings.Join(evaluate(t, m, c.in, ParseOptions{}).Warnings, " ")
		if !strings.Contains(got, c.says) || (c.says == "") != (got == "") {
			t.Errorf("%v: warns %q, want %q", c.in, got, c.says)
		}
	}
}
