package shop

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/faultlib"
)

// guards says which interlock of the library stands before which access state.
// Only what the library states plainly is here: the bus is probed in a
// controller box that is "open and dead"; the wheel spins on the stand "powered,
// wheel clear of the floor"; a controller is energised in a box "open and
// energised" and on the stand. The last two bind once the controller was worked
// on in this job: before that the board is as it came in.
var guards = []struct {
	opening, action string
	// worked, when set, is the system whose repair in this job makes the interlock bind.
	worked func(lib *faultlib.Library, f JobFile) bool
}{
	{"motor_box_open", "touch_or_probe_bus", nil},
	{"motor_box_live", "energise_controller_after_bridge_work", bridgeWorked},
	{"powered_stand", "energise_controller_after_bridge_work", bridgeWorked},
	{"powered_stand", "spin_wheel", controllerWorked},
}

func bridgeWorked(lib *faultlib.Library, f JobFile) bool {
	return worked(f, func(component string) bool { return component == "power_bridge" })
}

func controllerWorked(lib *faultlib.Library, f JobFile) bool {
	return worked(f, func(component string) bool {
		c := lib.Component(component)
		return c != nil && c.System == "controller"
	})
}

func worked(f JobFile, of func(component string) bool) bool {
	return slices.ContainsFunc(f.Repairs, func(r Repair) bool {
		fault := faultOf(f, r.FaultID)
		return fault != nil && of(fault.Component)
	})
}

// blocked says why an interlock forbids a measurement for now and what to do
// first; "" when nothing does.
func (q *inquiry) blocked(m *faultlib.Measurement) string {
	path := openingPath(q.lib, accessOf(q.lib, m.ID, q.file.Board))
	for _, g := range guards {
		il := q.lib.Interlock(g.action)
		on := slices.ContainsFunc(path, func(o faultlib.Opening) bool { return o.ID == g.opening })
		if il == nil || !on || g.worked != nil && !g.worked(q.lib, q.file) {
			continue
		}
		if missing := q.missing(il, m); len(missing) > 0 {
			return fmt.Sprintf("Not yet: %s. First %s.", il.Why, strings.Join(missing, "; then "))
		}
	}
	return ""
}

// missing lists the checks of an interlock that do not hold. A measurement that
// the interlock asks for is never barred by it.
func (q *inquiry) missing(il *faultlib.Interlock, m *faultlib.Measurement) []string {
	var out []string
	for _, ck := range il.Require {
		if ck.Measurement == m.ID {
			return nil
		}
		need := q.lib.Measurement(ck.Measurement)
		if need == nil || ck.Optional {
			continue
		}
		outcomes := acceptable(need, [][]string{ck.Outcomes})
		if q.file.proof(ck.Measurement, outcomes, q.guardSince(il), true) == nil {
			out = append(out, fmt.Sprintf("%s must come out as %s", need.Title, orList(outcomes)))
		}
	}
	return out
}

// guardSince is the moment after which an interlock's checks count: the last
// repair, for the interlocks that follow work.
func (q *inquiry) guardSince(il *faultlib.Interlock) stamp {
	since := stamp{}
	for _, g := range guards {
		if g.action != il.Action || g.worked == nil {
			continue
		}
		for i := range q.file.Repairs {
			since = later(since, q.file.Repairs[i].stamp())
		}
	}
	return since
}
