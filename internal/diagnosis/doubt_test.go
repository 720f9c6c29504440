package diagnosis

import (
	"math"
	"slices"
	"testing"
)

// A reading that the others contradict is taken again before money is spent on
// it, with the doubt of Bayes' rule; one taken twice, or one that the caller does
// not offer, is not.
func TestAdviseTakesDoubtfulReadingsAgain(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	// Both meters are made to show the winding; one of them does not.
	ev := append(seen("no_drive", "meter"), Observation{Finding: "meter_two"}, Observation{Finding: "look_inside"}, Observation{Finding: "probe_inside"})
	plain := advice(t, m, ev, eco, State{})
	if plain.Kind != AdviseRepair || plain.Cause != "winding_open" {
		t.Fatalf("without second looks: %s %s", plain.Kind, plain.Cause)
	}
	adv := advice(t, m, ev, eco, State{Once: []string{"meter", "meter_two"}})
	if adv.Kind != AdviseMeasure || adv.Reason.Code != ReasonTakeAgain || !slices.Contains([]string{"meter", "meter_two"}, adv.Finding) {
		t.Fatalf("advice %s %s %+v", adv.Kind, adv.Finding, adv.Reason)
	}
	support, err := m.Support(ev)
	if err != nil {
		t.Fatal(err)
	}
	at := slices.IndexFunc(ev, func(o Observation) bool { return o.Finding == adv.Finding })
	slip := misreadShare / 2
	want := slip / (slip + (1-misreadShare)*support[at])
	within(t, "doubt by Bayes' rule", adv.Reason.Probability, want, 1e-9)
	within(t, "gain", adv.Reason.Gain, want*adv.waste(eco, "winding_open"), 1e-6)
	if !(adv.Reason.Gain > adv.Reason.Cost) || math.IsNaN(adv.Reason.Gain) {
		t.Errorf("reason %+v", adv.Reason)
	}

	for name, st := range map[string]State{
		"taken twice":        {Once: []string{"probe_inside"}, Unavailable: []string{"probe_inside"}},
		"not to be measured": {Once: []string{"meter", "meter_two"}, Unavailable: []string{"meter", "meter_two"}},
		"interlock unmet":    {Once: []string{"meter", "meter_two"}, Unmet: []Unmet{{Finding: "meter"}, {Finding: "meter_two", First: []string{"unrelated"}}}},
		"no measurement":     {Once: []string{"no_drive"}},
	} {
		if adv := advice(t, m, ev, eco, st); adv.Kind != AdviseRepair || adv.Cause != plain.Cause {
			t.Errorf("%s: %s %s %+v", name, adv.Kind, adv.Finding, adv.Reason)
		}
	}

	// Where all fit together nothing is taken again.
	fitting := seen("no_drive", "meter", "meter_two")
	if adv := advice(t, m, fitting, eco, State{Once: []string{"meter", "meter_two"}}); adv.Kind != AdviseRepair {
		t.Errorf("fitting readings: %s %s %+v", adv.Kind, adv.Finding, adv.Reason)
	}
}

// waste is the money of a needless repair, from the economy alone.
func (a *Advice) waste(eco *Economy, cause string) float64 {
	for _, r := range eco.Repairs {
		if r.Cause == cause {
			return r.Minutes*eco.LabourPerMinute + r.Parts + r.VerifyCost
		}
	}
	return 0
}
