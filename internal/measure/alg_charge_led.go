package measure

// chargeLED reads a charger's lamp (derived; the lamp shows whether current
// flows, common practice, no source): unplugged it only proves that the charger
// lives. Plugged in, dark or blinking means that the charger protects itself; red
// means that current flows; green means that none does, which is right only when
// the pack is full. Red that turns green within a minute is a charge that was cut,
// because no pack fills in a minute.
var chargeLED = &algorithm{
	needs: []need{
		{id: "led_open", kind: kindText}, {id: "led_start", kind: kindText},
		{id: "led_1min", kind: kindText}, {id: "pack_full", kind: kindBool},
	},
	outcomes: []string{"charger_dead", "overload", "path_open", "cuts_out", "charging"},
	run: func(c *algCall) (verdict, error) {
		open, start, minute, full := c.text("led_open"), c.text("led_start"), c.text("led_1min"), c.yes("pack_full")
		v := verdict{text: "lamp " + open + " unplugged, " + start + " when plugged in, " + minute + " after a minute, pack " + map[bool]string{true: "full", false: "not full"}[full]}
		switch {
		case open == "dark":
			v.outcome = "charger_dead"
			if start != "dark" || minute != "dark" {
				v.warnings = append(v.warnings, "The lamp is dark unplugged but lights when plugged in: some chargers wait for a pack; measure the output on a known good pack before condemning it.")
			}
		case start == "dark" || minute == "dark" || minute == "blink":
			v.outcome = "overload"
		case minute == "red":
			v.outcome = "charging"
			if full {
				v.warnings = append(v.warnings, "Current flows although the pack is called full: watch the group voltages.")
			}
		case full:
			v.outcome = "charging"
		case start == "red":
			v.outcome = "cuts_out"
		default:
			v.outcome = "path_open"
		}
		if open == "red" {
			v.warnings = append(v.warnings, "A lamp that is red while unplugged shows a load inside the charger or another lamp code; look at the charger first.")
		}
		return v, nil
	},
}
