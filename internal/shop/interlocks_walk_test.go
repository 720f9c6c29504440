package shop

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
)

// charging are the measurements for which a charger is switched on (by their
// probe points in the library; common practice, no source).
var charging = []string{"charge_led_logic", "charge_current", "bms_charge_switch", "charge_diode_thermal", "capacity_test"}

// takes says, for each interlock of the shipped library, whether taking a
// measurement is the action that it guards, told from the job's records alone; nil
// where the action is a repair or a closing step, which no measurement is.
var takesAction = map[string]func(w *walk, m *faultlib.Measurement) bool{
	"touch_or_probe_bus": func(w *walk, m *faultlib.Measurement) bool {
		return w.behind(m, "motor_box_open") && m.Kind != measure.Inspection
	},
	"energise_controller_after_bridge_work": func(w *walk, m *faultlib.Measurement) bool {
		return w.worked("power_bridge") && (w.behind(m, "motor_box_live") || w.behind(m, "powered_stand"))
	},
	"spin_wheel": func(w *walk, m *faultlib.Measurement) bool {
		return w.workedSystem("controller") && w.behind(m, "powered_stand")
	},
	"start_charge":                func(_ *walk, m *faultlib.Measurement) bool { return slices.Contains(charging, m.ID) },
	"mate_power_connector":        nil,
	"plug_balance_connector":      nil,
	"reconnect_motor_small_wires": nil,
	"release_after_water":         nil,
	"close_box":                   nil,
	"hand_back":                   nil,
	"ship_pack":                   nil,
}

func TestEveryInterlockIsClassified(t *testing.T) {
	t.Parallel()
	lib := embedded().lib
	for _, il := range lib.Interlocks {
		takes, known := takesAction[il.Action]
		if !known {
			t.Errorf("interlock %s: say here whether a measurement can be its action", il.Action)
		}
		if guarded := slices.ContainsFunc(guards, func(g guard) bool { return g.action == il.Action }); guarded != (takes != nil) {
			t.Errorf("interlock %s: guarded %t", il.Action, guarded)
		}
	}
	for _, id := range charging {
		if lib.Measurement(id) == nil {
			t.Errorf("no measurement %s", id)
		}
	}
}

// walk is a job that follows the advice; it keeps its own record of what was
// done, by which it judges the advice.
type walk struct {
	*desk
	r      *rand.Rand
	clock  int
	taken  map[string]string // newest outcome by measurement
	when   map[string]int    // and when
	opened map[string]int    // openings open now, and since when
	mended []string          // components repaired
	last   int               // the last repair
	met    map[string]int    // by interlock: advised measurements that it bound and found met
	waited int               // advices given to meet an interlock
}

func (w *walk) behind(m *faultlib.Measurement, opening string) bool {
	return slices.ContainsFunc(w.lib.OpeningPath(w.lib.AccessOf(m.ID, w.file.Board.Facts)), func(o faultlib.Opening) bool { return o.ID == opening })
}

func (w *walk) worked(component string) bool { return slices.Contains(w.mended, component) }

func (w *walk) workedSystem(system string) bool {
	return slices.ContainsFunc(w.mended, func(id string) bool { return w.lib.Component(id).System == system })
}

// violated names the check of an interlock that does not hold for a measurement
// about to be taken, "" where all hold.
func (w *walk) violated(m *faultlib.Measurement) string {
	for _, il := range w.lib.Interlocks {
		takes := takesAction[il.Action]
		if takes == nil || !takes(w, m) || slices.ContainsFunc(il.Require, func(ck faultlib.Check) bool { return ck.Measurement == m.ID }) {
			continue
		}
		for _, ck := range il.Require {
			need := w.lib.Measurement(ck.Measurement)
			if ck.Optional || need == nil {
				continue
			}
			since, shut := 0, false
			switch il.Action {
			case "touch_or_probe_bus":
				at, open := w.opened[w.lib.AccessOf(need.ID, w.file.Board.Facts)]
				since, shut = at, !open
			case "start_charge":
			default:
				since = w.last
			}
			got, ok := w.taken[need.ID]
			good := ok && !shut && w.when[need.ID] > since && (slices.Contains(ck.Outcomes, got) || need.Outcome(got).Normal)
			if !good {
				return fmt.Sprintf("%s asks for %s, which is %q", il.Action, need.ID, got)
			}
		}
		w.met[il.Action]++
	}
	return ""
}

func (w *walk) tick() int { w.clock++; return w.clock }

// measures opens the way and takes a measurement with a drawn result.
func (w *walk) measures(n NextMeasurement) {
	path := openingPath(w.lib, accessOf(w.lib, n.Measurement.ID, w.file.Board))
	for _, o := range path {
		if slices.ContainsFunc(o.Closed, func(id string) bool { return w.opened[id] > 0 }) {
			w.shut()
		}
	}
	for _, o := range path {
		if _, open := w.opened[o.ID]; !open {
			w.mustAccess(o.ID, Open)
			w.opened[o.ID] = w.tick()
		}
	}
	u, outcome := w.r.Float64(), ""
	for _, o := range n.Outcomes {
		if u -= o.Probability; outcome == "" && u < 0 && !w.lib.Inconclusive(n.Measurement.ID, o.ID) {
			outcome = o.ID
		}
	}
	// What an interlock waits for comes out well in the end, mostly.
	if outcome == "" || w.r.Float64() < 0.7 {
		for _, o := range n.Outcomes {
			if o.Normal {
				outcome = o.ID
			}
		}
	}
	if w.file.Job.State == Verifying {
		w.proves(n.Measurement.ID, outcome)
	} else {
		w.sees(n.Measurement.ID, outcome)
	}
	w.taken[n.Measurement.ID], w.when[n.Measurement.ID] = outcome, w.tick()
	// Sometimes the job is left for the day, closed up.
	if w.r.Float64() < 0.1 {
		w.shut()
	}
}

// shut closes what is open, innermost first.
func (w *walk) shut() {
	for len(w.opened) > 0 {
		for _, o := range w.lib.Openings {
			_, open := w.opened[o.ID]
			inner := slices.ContainsFunc(w.lib.Openings, func(p faultlib.Opening) bool {
				_, also := w.opened[p.ID]
				return also && slices.Contains(p.Requires, o.ID)
			})
			if open && !inner {
				w.mustAccess(o.ID, Closed)
				delete(w.opened, o.ID)
			}
		}
	}
}

// No advice along many jobs, before and after repairs and in the proofs, is a
// measurement whose interlock is unmet; every interlock that guards measurements
// bound at least once, and was met by what was advised before.
func TestAdviceKeepsInterlocks(t *testing.T) {
	t.Parallel()
	const walks = 24
	met := make([]map[string]int, walks)
	waited := make([]int, walks)
	t.Run("walks", func(t *testing.T) {
		for seed := range walks {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				w := &walk{desk: setup(t, Diagnosing), r: rand.New(rand.NewPCG(uint64(seed), 77)), taken: map[string]string{},
					when: map[string]int{}, opened: map[string]int{}, met: map[string]int{}}
				w.goes(seed)
				met[seed], waited[seed] = w.met, w.waited
			})
		}
	})
	all, waits := map[string]int{}, 0
	for seed := range walks {
		for action, n := range met[seed] {
			all[action] += n
		}
		waits += waited[seed]
	}
	t.Logf("bound and met: %v; advised to meet one: %d", all, waits)
	for action, takes := range takesAction {
		if takes != nil && all[action] == 0 {
			t.Errorf("the interlock %s never bound along the walks", action)
		}
	}
	if waits == 0 {
		t.Error("nothing was ever advised to meet an interlock")
	}
}

// goes follows the advice from a symptom drawn.
func (w *walk) goes(seed int) {
	var symptoms []string
	for _, s := range w.lib.Symptoms {
		if !slices.ContainsFunc(w.lib.Gates, func(g faultlib.Gate) bool { return g.Symptom == s.ID }) {
			symptoms = append(symptoms, s.ID)
		}
	}
	w.symptom(symptoms[w.r.IntN(len(symptoms))])
	w.sees("pack_heat_triage", "normal")
	w.taken["pack_heat_triage"], w.when["pack_heat_triage"] = "normal", w.tick()
	// Some boards had work on the controller already, so that the interlocks that
	// follow work bind.
	if seed%3 == 0 {
		w.mends([]string{"bridge_short", "gate_driver_fault", "current_sensor_fault"}[w.r.IntN(3)])
	}
	for range 40 {
		got := w.diagnosis()
		if got.Advice.Kind == diagnosis.AdviseRepair {
			w.mends(got.Advice.Cause)
			if w.r.Float64() < 0.5 {
				w.file.Job.State = Verifying
			}
			continue
		}
		if got.Advice.Kind != diagnosis.AdviseMeasure {
			return
		}
		n := got.Next[0]
		if n.Measurement.ID != got.Advice.Measurement {
			w.t.Fatalf("advised %s, first is %s", got.Advice.Measurement, n.Measurement.ID)
		}
		if why := w.violated(n.Measurement); why != "" || n.Blocked != "" {
			w.t.Fatalf("%s: %s is advised though %s (%s)", w.file.Job.State, n.Measurement.ID, why, n.Blocked)
		}
		if strings.Contains(got.Advice.Text, "Not yet:") {
			w.waited++
		}
		w.measures(n)
	}
}

// mends confirms and repairs a cause, unless that was done.
func (w *walk) mends(cause string) {
	if w.file.Job.State == Verifying {
		w.file.Job.State = Diagnosing
	}
	for i := range w.file.Faults {
		if w.file.Faults[i].Cause == cause {
			w.file.Job.State = Verifying
			return
		}
	}
	w.repairs(w.confirm(cause))
	w.mended = append(w.mended, w.lib.Cause(cause).Component)
	w.last = w.tick()
}
