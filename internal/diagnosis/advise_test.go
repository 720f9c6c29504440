package diagnosis

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"nextprobe/internal/problem"
)

// bench is a small shop: two causes of the same symptom, told apart by a meter
// reading outside or by looking into a sealed box; a third with a symptom of
// its own.
func bench() (Spec, *Economy) {
	spec := Spec{
		Causes:     []Cause{{"plug_burnt", 0.03}, {"winding_open", 0.03}, {"tyre_flat", 0.02}},
		Unmodelled: 0.001,
		Findings: []Finding{
			{"no_drive", twoLevels, binary(0.002)}, {"soft_ride", twoLevels, binary(0.002)},
			{"meter", twoLevels, binary(0.01)}, {"meter_two", twoLevels, binary(0.01)},
			{"look_inside", twoLevels, binary(0.001)}, {"probe_inside", twoLevels, binary(0.01)},
			{"unrelated", twoLevels, binary(0.01)},
		},
		Links: []Link{
			{"plug_burnt", "no_drive", binary(0.9)}, {"winding_open", "no_drive", binary(0.9)},
			{"tyre_flat", "soft_ride", binary(0.95)},
			{"winding_open", "meter", binary(0.95)}, {"winding_open", "meter_two", binary(0.95)},
			{"plug_burnt", "look_inside", binary(0.98)}, {"plug_burnt", "probe_inside", binary(0.9)},
		},
		UnmodelledLinks: []Link{{"", "no_drive", binary(0.2)}, {"", "soft_ride", binary(0.2)}},
	}
	eco := &Economy{
		LabourPerMinute: 1,
		Repairs: []RepairCost{
			{Cause: "plug_burnt", Minutes: 40, Parts: 10, MissCost: 300, VerifyCost: 5},
			{Cause: "winding_open", Minutes: 90, Parts: 120, MissCost: 300, VerifyCost: 5},
			{Cause: "tyre_flat", Minutes: 20, Parts: 15, MissCost: 200, VerifyCost: 5},
		},
		Actions: []Action{
			{Finding: "meter", Minutes: 3, Hazard: 1}, {Finding: "meter_two", Minutes: 3},
			{Finding: "look_inside", Minutes: 1, Access: "box"}, {Finding: "probe_inside", Minutes: 2, Access: "box"},
			{Finding: "unrelated", Minutes: 1},
		},
		Openings: []Opening{
			{ID: "plug", OpenMinutes: 5, CloseMinutes: 4, Hazard: 2},
			{ID: "box", OpenMinutes: 15, CloseMinutes: 22, Requires: []string{"plug"}, Hazard: 2, Reseal: true, ResealMinutes: 10},
			{ID: "deep", OpenMinutes: 4, CloseMinutes: 3, Requires: []string{"box"}, Hazard: 3, Reseal: true, ResealMinutes: 10},
		},
		RiskCost: [5]float64{0, 0, 2, 8, 50},
	}
	return spec, eco
}

func seen(ids ...string) (ev []Observation) {
	for _, id := range ids {
		ev = append(ev, Observation{Finding: id, Level: 1})
	}
	return ev
}

func advice(t *testing.T, m *Model, ev []Observation, eco *Economy, st State) *Advice {
	t.Helper()
	adv, err := m.Advise(ev, eco, st)
	if err != nil {
		t.Fatal(err)
	}
	return adv
}

func candidate(t *testing.T, adv *Advice, finding string) Candidate {
	t.Helper()
	k := slices.IndexFunc(adv.Candidates, func(c Candidate) bool { return c.Finding == finding })
	if k < 0 {
		t.Fatalf("no candidate %s", finding)
	}
	return adv.Candidates[k]
}

func TestAdviseMeasuresThenRepairs(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	ev := seen("no_drive")
	adv := advice(t, m, ev, eco, State{})
	// Both meters tell the same for the same money; the one without hazard wins.
	if adv.Kind != AdviseMeasure || adv.Finding != "meter_two" || adv.Reason.Code != ReasonBestGain {
		t.Fatalf("advice %s %s %+v", adv.Kind, adv.Finding, adv.Reason)
	}
	if !(adv.Reason.Gain > adv.Reason.Cost) || adv.Reason.Cost != 3 {
		t.Errorf("reason %+v", adv.Reason)
	}
	c := candidate(t, adv, "meter_two")
	within(t, "outcomes sum", c.Outcomes[0]+c.Outcomes[1], 1, 1e-12)
	if s := c.Shifts[1]; s.Up != "winding_open" || s.Down != "plug_burnt" || !(s.UpTo > 0.9 && s.UpFrom < 0.6) {
		t.Errorf("shift of an abnormal reading %+v", s)
	}
	if g := candidate(t, adv, "unrelated").Gain; g != 0 {
		t.Errorf("an unrelated measurement gains %v", g)
	}

	adv = advice(t, m, append(ev, Observation{Finding: "meter_two", Level: 1}), eco, State{})
	if adv.Kind != AdviseRepair || adv.Cause != "winding_open" || adv.Reason.Code != ReasonConfident || !(adv.Reason.Probability > 0.9) {
		t.Errorf("after an abnormal reading: %s %s %+v", adv.Kind, adv.Cause, adv.Reason)
	}
	adv = advice(t, m, append(ev, Observation{Finding: "meter_two"}, Observation{Finding: "meter"}), eco, State{})
	if adv.Kind != AdviseRepair || adv.Cause != "plug_burnt" {
		t.Errorf("after normal readings: %s %s %+v", adv.Kind, adv.Cause, adv.Reason)
	}
}

func TestAdviseCountsOpeningsOnce(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	ev := seen("no_drive")
	c := candidate(t, advice(t, m, ev, eco, State{}), "look_inside")
	if want := []string{"plug", "box"}; !slices.Equal(c.Access, want) {
		t.Errorf("access %v, want %v", c.Access, want)
	}
	// 1 + (5+4) + (15+22) + 10 for the leak test; hazard 2 costs 2.
	if c.Minutes != 57 || c.Cost != 59 || c.Hazard != 2 {
		t.Errorf("minutes %v, cost %v, hazard %d", c.Minutes, c.Cost, c.Hazard)
	}
	c = candidate(t, advice(t, m, ev, eco, State{Open: []string{"plug"}}), "look_inside")
	if c.Minutes != 48 || !slices.Equal(c.Access, []string{"box"}) {
		t.Errorf("with the plug parted: %v minutes, access %v", c.Minutes, c.Access)
	}
	adv := advice(t, m, ev, eco, State{Open: []string{"plug", "box"}, Unavailable: []string{"meter", "meter_two"}})
	if adv.Finding != "look_inside" || adv.Reason.Code != ReasonAlreadyOpen {
		t.Errorf("with the box open: %s %+v", adv.Finding, adv.Reason)
	}
	if c := candidate(t, adv, "look_inside"); c.Minutes != 1 || len(c.Access) > 0 {
		t.Errorf("with the box open: %+v", c)
	}
	// A compartment behind the sealed one shares its leak test.
	eco.Actions = append(eco.Actions, Action{Finding: "soft_ride", Minutes: 1, Access: "deep"})
	if c := candidate(t, advice(t, m, ev, eco, State{}), "soft_ride"); c.Minutes != 64 || c.Hazard != 3 {
		t.Errorf("behind the box: %v minutes, hazard %d", c.Minutes, c.Hazard)
	}
}

// Alone neither look inside pays for opening the box, together they do.
func TestAdviseSharesAnOpening(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	spec.Causes[0].Prior, spec.Causes[1].Prior = 0.02, 0.06
	spec.Links[5].P, spec.Links[6].P = binary(0.6), binary(0.6)
	m := mustNew(t, spec)
	eco.Repairs[0].MissCost, eco.Repairs[1].MissCost = 80, 80
	st := State{Unavailable: []string{"meter", "meter_two"}}
	for parts := 0.0; parts < 1500; parts += 5 {
		eco.Repairs[1].Parts = parts
		adv := advice(t, m, seen("no_drive"), eco, st)
		one, two := candidate(t, adv, "look_inside"), candidate(t, adv, "probe_inside")
		if one.Gain > one.Cost || two.Gain > two.Cost {
			t.Fatalf("with parts of %v one measurement pays alone: %+v, %+v", parts, one, two)
		}
		if adv.Kind == AdviseMeasure {
			if adv.Reason.Code != ReasonSharedOpening || len(adv.Reason.Together) != 1 {
				t.Errorf("reason %+v", adv.Reason)
			}
			return
		}
	}
	t.Error("no economy in which only both measurements pay for the opening")
}

func TestAdviseEscalates(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	spec.Unmodelled = 0.3
	m := mustNew(t, spec)
	// Both symptoms at once, and every reading that could explain them normal.
	ev := append(seen("no_drive", "soft_ride"), Observation{Finding: "meter"}, Observation{Finding: "meter_two"},
		Observation{Finding: "look_inside"}, Observation{Finding: "probe_inside"})
	adv := advice(t, m, ev, eco, State{})
	if adv.Kind != AdviseEscalate || adv.Reason.Code != ReasonUnmodelled || adv.Reason.Probability <= EscalateAt {
		t.Errorf("advice %s %+v", adv.Kind, adv.Reason)
	}
	spec, eco = bench()
	adv = advice(t, mustNew(t, spec), []Observation{{Finding: "no_drive"}, {Finding: "soft_ride"}}, eco, State{})
	if adv.Kind != AdviseEscalate || adv.Reason.Code != ReasonNoFault {
		t.Errorf("nothing wrong: %s %s %+v", adv.Kind, adv.Finding, adv.Reason)
	}
}

func TestAdviseAfterConfirmationAndRepair(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	adv := advice(t, m, seen("no_drive", "meter_two"), eco, State{Confirmed: []string{"winding_open"}})
	if adv.Kind != AdviseRepair || adv.Cause != "winding_open" || adv.Reason.Code != ReasonConfirmed {
		t.Errorf("confirmed: %s %s %+v", adv.Kind, adv.Cause, adv.Reason)
	}
	if p := adv.Posterior.Marginals[0]; p > 0.05 {
		t.Errorf("the confirmed cause explains the symptom, yet the other has %v", p)
	}
	repaired, err := m.WithPriors(map[string]float64{"winding_open": 0.01})
	if err != nil {
		t.Fatal(err)
	}
	// The board still does not drive though the meter is well now.
	adv = advice(t, repaired, append(seen("no_drive"), Observation{Finding: "meter_two"}), eco, State{})
	if adv.Cause != "plug_burnt" {
		t.Errorf("after the repair: %s %s %+v", adv.Kind, adv.Cause, adv.Reason)
	}
}

func TestAdviseIsDeterministic(t *testing.T) {
	t.Parallel()
	spec, eco := synthetic(60, 20, 60)
	ev := []Observation{{Finding: "m000", Level: 1}, {Finding: "s003", Level: 1}, {Finding: "s007"}}
	first := advice(t, mustNew(t, spec), ev, eco, State{})
	slices.Reverse(ev)
	slices.Reverse(spec.Links)
	again := advice(t, mustNew(t, spec), ev, eco, State{})
	if first.Kind != again.Kind || first.Finding != again.Finding {
		t.Errorf("advice %s %s, then %s %s", first.Kind, first.Finding, again.Kind, again.Finding)
	}
	if !reflect.DeepEqual(again, advice(t, mustNew(t, spec), ev, eco, State{})) {
		t.Error("the same input gives another advice")
	}
}

// φ is concave with φ(0) = φ(1) = 0 and between half the smaller cost and all
// of it, so no measurement can have a negative gain.
func TestLossIsConcave(t *testing.T) {
	t.Parallel()
	for _, c := range [][2]float64{{1, 1}, {50, 400}, {300, 10}, {5, 0}} {
		l := &ledger{wrong: []float64{c[0]}, miss: []float64{c[1]}}
		for k := 1; k < 100; k++ {
			p := float64(k) / 100
			least := math.Min((1-p)*c[0], p*c[1])
			if v := l.loss(0, p); v > least+1e-12 || v < least/2-1e-12 {
				t.Errorf("φ(%v) = %v with smaller cost %v", p, v, least)
			}
			if mid := (l.loss(0, p-0.01) + l.loss(0, p+0.01)) / 2; mid > l.loss(0, p)+1e-12 {
				t.Errorf("φ is not concave at %v", p)
			}
		}
		if l.loss(0, 0) != 0 || l.loss(0, 1) != 0 {
			t.Error("φ is not 0 where the cause is certain")
		}
	}
}

func TestEconomyMistakesAreNamed(t *testing.T) {
	t.Parallel()
	spec, good := bench()
	m := mustNew(t, spec)
	for _, c := range []struct {
		field  string
		damage func(e *Economy, st *State)
	}{
		{"labour_per_minute", func(e *Economy, _ *State) { e.LabourPerMinute = -1 }},
		{"risk_cost[2]", func(e *Economy, _ *State) { e.RiskCost[2] = math.NaN() }},
		{"repairs", func(e *Economy, _ *State) { e.Repairs = e.Repairs[1:] }},
		{"repairs[0].cause", func(e *Economy, _ *State) { e.Repairs[0].Cause = "x" }},
		{"repairs[1].cause", func(e *Economy, _ *State) { e.Repairs[1].Cause = e.Repairs[0].Cause }},
		{"repairs[0].miss_cost", func(e *Economy, _ *State) { e.Repairs[0].MissCost = math.Inf(1) }},
		{"repairs[0].access", func(e *Economy, _ *State) { e.Repairs[0].Access = []string{"x"} }},
		{"actions[1].finding", func(e *Economy, _ *State) { e.Actions[1].Finding = "x" }},
		{"actions[1].access", func(e *Economy, _ *State) { e.Actions[1].Access = "x" }},
		{"actions[1].hazard", func(e *Economy, _ *State) { e.Actions[1].Hazard = 5 }},
		{"openings[0].requires", func(e *Economy, _ *State) { e.Openings[0].Requires = []string{"deep"} }},
		{"openings[1].open_minutes", func(e *Economy, _ *State) { e.Openings[1].OpenMinutes = -1 }},
		{"open[0]", func(_ *Economy, st *State) { st.Open = []string{"x"} }},
		{"unavailable[0]", func(_ *Economy, st *State) { st.Unavailable = []string{"x"} }},
		{"confirmed[0]", func(_ *Economy, st *State) { st.Confirmed = []string{"x"} }},
	} {
		eco := *good
		eco.Repairs, eco.Actions, eco.Openings = slices.Clone(good.Repairs), slices.Clone(good.Actions), slices.Clone(good.Openings)
		var st State
		c.damage(&eco, &st)
		_, err := m.Advise(seen("no_drive"), &eco, st)
		p := problem.As(err)
		if p == nil || !slices.ContainsFunc(p.Fields, func(f problem.Field) bool { return f.Field == c.field }) {
			t.Errorf("%s: error %v", c.field, err)
		}
	}
	if _, err := m.Advise(nil, nil, State{}); problem.As(err) == nil {
		t.Errorf("no economy: %v", err)
	}
}

// What the repair will open anyway is no cost of looking there first.
func TestAdviseSparesWhatTheRepairOpens(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	st := State{Unavailable: []string{"meter", "meter_two"}}
	before := candidate(t, advice(t, m, seen("no_drive"), eco, st), "look_inside")
	eco.Repairs[0].Access, eco.Repairs[1].Access = []string{"box"}, []string{"box"}
	adv := advice(t, m, seen("no_drive"), eco, st)
	after := candidate(t, adv, "look_inside")
	if before.Cost != after.Cost {
		t.Errorf("the cost went from %v to %v; only what counts against it changes", before.Cost, after.Cost)
	}
	if !(after.anyway > 0.8*(after.Cost-after.own)) || before.anyway != 0 || !(after.Score > before.Score) {
		t.Errorf("of %v %v is spent anyway; score %v, then %v", after.Cost, after.anyway, before.Score, after.Score)
	}
	if adv.Kind != AdviseMeasure || adv.Reason.Anyway != after.anyway {
		t.Errorf("advice %s %+v", adv.Kind, adv.Reason)
	}
}

// A cause that the evidence did not raise is no reason to measure, however
// costly it would be to leave it; one that it raised is.
func TestAdviseLeavesUnraisedCausesAlone(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	spec.Findings = append(spec.Findings, Finding{"tyre_gauge", twoLevels, binary(0.01)})
	spec.Links = append(spec.Links, Link{"tyre_flat", "tyre_gauge", binary(0.95)})
	eco.Actions = append(eco.Actions, Action{Finding: "tyre_gauge", Minutes: 1})
	eco.Repairs[2].MissCost = 1e6
	m := mustNew(t, spec)
	gauge := func(ev []Observation) float64 { return candidate(t, advice(t, m, ev, eco, State{}), "tyre_gauge").Gain }
	if g := gauge(seen("no_drive")); g > 1e-6 {
		t.Errorf("a board that does not drive: gauging the tyre gains %v", g)
	}
	if adv := advice(t, m, seen("soft_ride"), eco, State{}); adv.Cause != "tyre_flat" && adv.Finding != "tyre_gauge" {
		t.Errorf("a soft ride: %s %s %s", adv.Kind, adv.Finding, adv.Cause)
	}
	// Where nothing was complained of, what may be left behind is all there is.
	if g := gauge(nil); g <= 0 {
		t.Error("a board without complaint: gauging the tyre gains nothing")
	}
}
