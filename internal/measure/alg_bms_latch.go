package measure

// bmsLatch tells why a pack's output is off by what brings it back (release
// conditions: data sheets of protection circuits, the library's bms_release and
// bms_open_wire; the order of trials is derived: each trial includes the ones
// before it, so the first that works names the latch). Cells out of range are the
// reason by themselves and no latch is judged.
var bmsLatch = &algorithm{
	needs: []need{
		{id: "on_found", kind: kindBool}, {id: "on_no_load", kind: kindBool}, {id: "on_charger", kind: kindBool},
		{id: "on_reseat", kind: kindBool}, {id: "cells_ok", kind: kindBool},
	},
	outcomes: []string{"stays_off", "released_by_reseat", "released_by_charger", "released_by_load_removal", "cell_protection", "not_latched"},
	run: func(c *algCall) (verdict, error) {
		var v verdict
		found, noLoad, charger, reseat := c.yes("on_found"), c.yes("on_no_load"), c.yes("on_charger"), c.yes("on_reseat")
		switch {
		case found:
			v.outcome, v.text = "not_latched", "the output is on as found"
			if !noLoad || !charger || !reseat {
				v.warnings = append(v.warnings, "The output was on as found but went off during the trials: repeat, a contact may be loose.")
			}
			if !c.yes("cells_ok") {
				v.warnings = append(v.warnings, "The output is on although cells are out of range: the protection does not act; do not ride or charge.")
			}
		case !c.yes("cells_ok"):
			v.outcome, v.text = "cell_protection", "the output is off and cells are out of range"
		case noLoad:
			v.outcome, v.text = "released_by_load_removal", "the output came back after the loads were removed"
		case charger:
			v.outcome, v.text = "released_by_charger", "the output came back after the charger was applied"
		case reseat:
			v.outcome, v.text = "released_by_reseat", "the output came back after the balance plug was re-seated"
		default:
			v.outcome, v.text = "stays_off", "the output stayed off in all four states with good cells"
		}
		return v, nil
	},
}
