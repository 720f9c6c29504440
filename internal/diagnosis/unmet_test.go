package diagnosis

import (
	"slices"
	"testing"

	"nextprobe/internal/problem"
)

// A measurement whose interlock is unmet is not advised: what meets it is, at the
// price of both; and where nothing meets it, neither.
func TestAdviseMeetsInterlocksFirst(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	ev := seen("no_drive")
	st := State{Unavailable: []string{"meter"}}
	free := advice(t, m, ev, eco, st)
	if free.Finding != "meter_two" {
		t.Fatalf("without an interlock: %s %s", free.Kind, free.Finding)
	}

	st.Unmet = []Unmet{{Finding: "meter_two", First: []string{"unrelated"}}}
	adv := advice(t, m, ev, eco, st)
	if adv.Kind != AdviseMeasure || adv.Finding != "unrelated" || adv.Reason.Code != ReasonInterlock || adv.Reason.For != "meter_two" {
		t.Errorf("with an interlock: %s %s %+v", adv.Kind, adv.Finding, adv.Reason)
	}
	c, was := candidate(t, adv, "meter_two"), candidate(t, free, "meter_two")
	if !(c.Score < was.Score) || c.Gain != was.Gain || c.Cost != was.Cost || !slices.Equal(c.First, []string{"unrelated"}) {
		t.Errorf("candidate %+v, was %+v", c, was)
	}
	within(t, "expected cost of both", adv.ExpectedCost-free.ExpectedCost, 1, 1e-9)

	// What meets it may have been measured before and be asked for again.
	again := advice(t, m, append(ev, Observation{Finding: "unrelated"}), eco, st)
	if again.Finding != "unrelated" || again.Reason.For != "meter_two" {
		t.Errorf("measured before: %s %s %+v", again.Kind, again.Finding, again.Reason)
	}

	// A chain is met from its far end.
	st.Unmet = append(st.Unmet, Unmet{Finding: "unrelated", First: []string{"probe_inside"}})
	adv = advice(t, m, ev, eco, st)
	c = candidate(t, adv, "meter_two")
	if !slices.Equal(c.First, []string{"probe_inside", "unrelated"}) {
		t.Errorf("order of the chain %v", c.First)
	}

	for name, unmet := range map[string][]Unmet{
		"nothing meets it":     {{Finding: "meter_two"}},
		"cannot be measured":   {{Finding: "meter_two", First: []string{"meter"}}},
		"wait for each other":  {{Finding: "meter_two", First: []string{"unrelated"}}, {Finding: "unrelated", First: []string{"meter_two"}}},
		"waits for itself":     {{Finding: "meter_two", First: []string{"meter_two"}}},
		"no action of its own": {{Finding: "meter_two", First: []string{"soft_ride"}}},
	} {
		adv := advice(t, m, ev, eco, State{Unavailable: []string{"meter"}, Unmet: unmet})
		if slices.ContainsFunc(adv.Candidates, func(c Candidate) bool { return c.Finding == "meter_two" }) {
			t.Errorf("%s: still a candidate", name)
		}
		if adv.Finding == "meter_two" || adv.Reason.For == "meter_two" {
			t.Errorf("%s: advice %s %+v", name, adv.Finding, adv.Reason)
		}
	}
}

func TestUnmetMistakesAreNamed(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	_, err := m.Advise(nil, eco, State{Unmet: []Unmet{{Finding: "x", First: []string{"meter", "y"}}}})
	p := problem.As(err)
	if p == nil || len(p.Fields) != 2 || p.Fields[0].Field != "unmet[0].finding" || p.Fields[1].Field != "unmet[0].first[1]" {
		t.Errorf("error %v", err)
	}
}
