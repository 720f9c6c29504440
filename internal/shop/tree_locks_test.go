package shop

import (
	"slices"
	"strings"
	"testing"
)

// met is which checks of the interlock before charging hold on every way to a step.
type met map[string]bool

// metAt works out by iteration what holds on every way to each step: a check holds
// after the outcomes that it asks for, and no longer after others.
func metAt(t Tree, checks map[string][]string) []met {
	at := make([]met, len(t.Steps))
	for i := range at {
		at[i] = met{}
		for m := range checks {
			at[i][m] = i > 0 // the first step starts with nothing, of the others nothing bad is known yet
		}
	}
	for changed := true; changed; {
		changed = false
		for i := range t.Steps {
			s := &t.Steps[i]
			for _, o := range s.Outcomes {
				for m, good := range checks {
					holds := at[i][m]
					if s.Measurement == m {
						holds = !slices.ContainsFunc(o.Outcomes, func(r TreeResult) bool { return !slices.Contains(good, r.ID) })
					}
					if !holds && at[o.Step-1][m] {
						at[o.Step-1][m], changed = false, true
					}
				}
			}
		}
	}
	return at
}

// No sheet switches a charger on before the pack was found cool and the charger
// good, on whichever way one comes there, and it says so at the step.
func TestTreeChargesOnlyWhatMayBeCharged(t *testing.T) {
	t.Parallel()
	checks := map[string][]string{"pack_heat_triage": {"normal"}, "charger_output": {"good"}}
	il := embedded().lib.Interlock("start_charge")
	bars := func(s *TreeStep) bool {
		return slices.ContainsFunc(s.Cautions, func(c string) bool {
			return strings.Contains(c, il.Why) && strings.HasPrefix(c, "First, if it was not measured yet: ")
		})
	}
	measured, proven := 0, 0
	for _, symptom := range []string{"no_charge_led_green", "short_range", "no_power_on"} {
		tree := treeOf(t, symptom)
		at := metAt(tree, checks)
		for i := range tree.Steps {
			s := &tree.Steps[i]
			charges := slices.Contains(charging, s.Measurement)
			if charges {
				measured++
				if !at[i]["pack_heat_triage"] || !at[i]["charger_output"] {
					t.Errorf("%s: step %d, %s, is come to with %v", symptom, s.Step, s.Name, at[i])
				}
			}
			if slices.ContainsFunc(s.Prove, func(p TreeProof) bool { return !p.Always && slices.Contains(charging, p.Measurement) }) {
				charges = true
				proven++
			}
			if bars(s) != charges {
				t.Errorf("%s: step %d, %s, charges: %t, and says so: %t", symptom, s.Step, s.Name, charges, bars(s))
			}
		}
	}
	if measured == 0 || proven == 0 {
		t.Errorf("%d measurements that charge, %d repairs proven by charging", measured, proven)
	}
}
