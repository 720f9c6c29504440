package shop

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
)

// guards says which interlock of the library stands before which access state.
// Only what the library states plainly is here: the bus is probed in a
// controller box that is "open and dead"; the wheel spins on the stand "powered,
// wheel clear of the floor"; a controller is energised in a box "open and
// energised" and on the stand.
var guards = []guard{
	{opening: "motor_box_open", action: "touch_or_probe_bus", probing: true},
	{opening: "motor_box_live", action: "energise_controller_after_bridge_work", worked: bridgeWorked},
	{opening: "powered_stand", action: "energise_controller_after_bridge_work", worked: bridgeWorked},
	{opening: "powered_stand", action: "spin_wheel", worked: controllerWorked},
}

// guard is an interlock before an access state.
type guard struct {
	opening, action string
	// probing: it binds who puts probes in, not who looks.
	probing bool
	// worked, when set, tells whether work in this job makes the interlock bind:
	// before that the board is as it came in, and after it only what was measured
	// since the work counts. Without it only what was measured since the way to
	// the measurement was last opened counts.
	worked func(lib *faultlib.Library, f JobFile) bool
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
		idle := g.worked != nil && !g.worked(q.lib, q.file) || g.probing && m.Kind == measure.Inspection
		if il == nil || !on || idle {
			continue
		}
		if missing := q.missing(g, il, m); len(missing) > 0 {
			return fmt.Sprintf("Not yet: %s. First %s.", il.Why, strings.Join(missing, "; then "))
		}
	}
	return ""
}

// missing lists the checks of an interlock that do not hold. A measurement that
// the interlock asks for is never barred by it.
func (q *inquiry) missing(g guard, il *faultlib.Interlock, m *faultlib.Measurement) []string {
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
		if q.file.proof(ck.Measurement, outcomes, q.guardSince(g, need), true) == nil {
			out = append(out, fmt.Sprintf("%s must come out as %s", need.Title, outcomeNames(need, outcomes)))
		}
	}
	return out
}

// guardSince is the moment after which a check of an interlock counts: the last
// repair, or for a guard that does not follow work the moment when the check's
// own access was last opened. Where that is closed again nothing counts: a bus
// found dead yesterday may have been charged since.
func (q *inquiry) guardSince(g guard, need *faultlib.Measurement) stamp {
	since := stamp{}
	if g.worked != nil {
		for i := range q.file.Repairs {
			since = later(since, q.file.Repairs[i].stamp())
		}
		return since
	}
	o := opening(q.lib, accessOf(q.lib, need.ID, q.file.Board))
	if o == nil {
		return since
	}
	last := doorsOf(q.file).last[o.ID]
	if last.State != Open {
		return never(q.file)
	}
	return last.stamp()
}
