package shop

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
)

// guards says which interlock of the library stands before which access state.
// Only what the library states plainly is here: the bus is probed in a
// controller box that is "open and dead"; the wheel spins on the stand "powered,
// wheel clear of the floor"; a controller is energised in a box "open and
// energised" and on the stand; and some measurements charge the pack.
var guards = []guard{
	{opening: "motor_box_open", action: "touch_or_probe_bus", probing: true},
	{opening: "motor_box_live", action: "energise_controller_after_bridge_work", worked: bridgeWorked},
	{opening: "powered_stand", action: "energise_controller_after_bridge_work", worked: bridgeWorked},
	{opening: "powered_stand", action: "spin_wheel", worked: controllerWorked},
	{measurements: []string{"charge_led_logic", "charge_current", "bms_charge_switch", "charge_diode_thermal", "capacity_test"},
		action: "start_charge", standing: true},
}

// guard is an interlock before an access state, or before certain measurements.
type guard struct {
	opening, action string
	measurements    []string
	// probing: it binds who puts probes in, not who looks.
	probing bool
	// worked, when set, tells whether work in this job makes the interlock bind:
	// before that the board is as it came in, and after it only what was measured
	// since the work counts. Without it only what was measured since the way to
	// the measurement was last opened counts.
	worked func(lib *faultlib.Library, f JobFile) bool
	// standing: what was measured in this job counts until an event makes it
	// invalid, whatever was opened or closed since.
	standing bool
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

// locks tells which interlocks stand before a measurement, in a job or at a place
// of a printed tree.
type locks struct {
	lib   *faultlib.Library
	board Board
	// cannot are the findings that cannot be measured.
	cannot []string
	// worked reports whether work was done that makes a guard bind.
	worked func(g guard) bool
	// came reports whether the newest result of a measurement that counts for a
	// guard is one of some outcomes.
	came func(g guard, need *faultlib.Measurement, outcomes []string) bool
}

// locks are those of the job as it is.
func (q *inquiry) locks() *locks {
	return &locks{lib: q.lib, board: q.file.Board, cannot: unavailable(q.lib, q.file),
		worked: func(g guard) bool { return g.worked(q.lib, q.file) },
		came: func(g guard, need *faultlib.Measurement, outcomes []string) bool {
			return q.file.proof(need.ID, outcomes, q.guardSince(g, need), true) != nil
		}}
}

// binding lists the guards that stand before a measurement.
func (k *locks) binding(m *faultlib.Measurement) []guard {
	path := openingPath(k.lib, accessOf(k.lib, m.ID, k.board))
	var out []guard
	for _, g := range guards {
		on := slices.Contains(g.measurements, m.ID) ||
			g.opening != "" && slices.ContainsFunc(path, func(o faultlib.Opening) bool { return o.ID == g.opening })
		idle := g.worked != nil && !k.worked(g) || g.probing && m.Kind == measure.Inspection
		if on && !idle && k.lib.Interlock(g.action) != nil {
			out = append(out, g)
		}
	}
	return out
}

// blocked says why an interlock forbids a measurement for now and what to do
// first; "" when nothing does.
func (q *inquiry) blocked(m *faultlib.Measurement) string {
	k := q.locks()
	for _, g := range k.binding(m) {
		il := q.lib.Interlock(g.action)
		var say []string
		for _, need := range k.missing(g, il, m) {
			say = append(say, fmt.Sprintf("%s must come out as %s", need.of.Title, outcomeNames(need.of, need.outcomes)))
		}
		if len(say) > 0 {
			return fmt.Sprintf("Not yet: %s. First %s.", il.Why, strings.Join(say, "; then "))
		}
	}
	return ""
}

// unmet lists the measurements that an interlock forbids for now, with what is to
// be measured first.
func (k *locks) unmet() []diagnosis.Unmet {
	var out []diagnosis.Unmet
	for i := range k.lib.Measurements {
		m := &k.lib.Measurements[i]
		u := diagnosis.Unmet{Finding: faultlib.MeasurementFinding(m.ID)}
		bound, hopeless := false, false
		for _, g := range k.binding(m) {
			for _, need := range k.missing(g, k.lib.Interlock(g.action), m) {
				bound = true
				// A bus that still carries voltage is discharged and measured again.
				// Elsewhere measuring again makes nothing better.
				hopeless = hopeless || need.failed && !g.probing ||
					slices.Contains(k.cannot, faultlib.MeasurementFinding(need.of.ID))
				if id := faultlib.MeasurementFinding(need.of.ID); !slices.Contains(u.First, id) {
					u.First = append(u.First, id)
				}
			}
		}
		if hopeless {
			u.First = nil
		}
		if bound {
			out = append(out, u)
		}
	}
	return out
}

// stepTo is the measurement to take now on the way to one: itself where no
// interlock forbids it, else what meets the interlock; "" where nothing does.
func (q *inquiry) stepTo(measurement string) string { return stepIn(q.locks().unmet(), measurement) }

func stepIn(unmet []diagnosis.Unmet, measurement string) string {
	step := measurement
	// Interlocks that wait for each other are never met.
	for range len(unmet) + 1 {
		k := slices.IndexFunc(unmet, func(u diagnosis.Unmet) bool { return u.Finding == faultlib.MeasurementFinding(step) })
		switch {
		case k < 0:
			return step
		case len(unmet[k].First) == 0:
			return ""
		}
		step = measurementOf(unmet[k].First[0])
	}
	return ""
}

// needed is a check of an interlock that does not hold.
type needed struct {
	of       *faultlib.Measurement
	outcomes []string // that would meet it
	failed   bool     // the newest result that counts is another one
}

// missing lists the checks of an interlock that do not hold. A measurement that
// the interlock asks for is never barred by it.
func (k *locks) missing(g guard, il *faultlib.Interlock, m *faultlib.Measurement) []needed {
	var out []needed
	for _, ck := range il.Require {
		if ck.Measurement == m.ID {
			return nil
		}
		need := k.lib.Measurement(ck.Measurement)
		if need == nil || ck.Optional {
			continue
		}
		if outcomes := acceptable(need, [][]string{ck.Outcomes}); !k.came(g, need, outcomes) {
			out = append(out, needed{need, outcomes, k.came(g, need, outcomesOf(need))})
		}
	}
	return out
}

// outcomesOf lists the ids of all outcomes that can be used.
func outcomesOf(m *faultlib.Measurement) []string {
	var out []string
	for _, o := range m.Outcomes {
		if !o.Inconclusive {
			out = append(out, o.ID)
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
	if g.standing {
		return since
	}
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
