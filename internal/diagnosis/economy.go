package diagnosis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/problem"
)

// Economy says what measuring, repairing and erring cost. Money is in one unit
// of the caller's choice (minor units of a currency, say), durations in minutes.
type Economy struct {
	LabourPerMinute float64
	// Repairs holds one entry per cause of the model.
	Repairs []RepairCost
	// Actions are the measurements that may be proposed.
	Actions  []Action
	Openings []Opening
	// RiskCost is added to a measurement by the highest hazard (0 to 4) met on
	// the way to it.
	RiskCost [5]float64
	// EscalateCost is what it costs to hand the board over unrepaired; 0 means
	// the dearest MissCost.
	EscalateCost float64
}

// RepairCost is what it costs to repair a cause, and to leave it unrepaired.
type RepairCost struct {
	Cause   string
	Minutes float64
	Parts   float64 // money
	// MissCost is the money expected to be lost when the cause is present and is
	// not repaired: another round where the proofs before hand-back show it, the
	// comeback where they do not, and more where people may come to harm.
	MissCost float64
	// VerifyCost is the money to prove the repair.
	VerifyCost float64
	// Access are openings the repair needs; "" and none mean none.
	Access []string
}

// Action is a measurement that may be proposed.
type Action struct {
	Finding string
	Minutes float64 // once its access is reached
	Access  string  // id of an opening, or "" for none
	Hazard  int     // 0 to 4
}

// Opening is a state that must be reached for some measurements: a lid, a plug,
// a stand. It is paid once for all that is done behind it.
type Opening struct {
	ID           string
	OpenMinutes  float64
	CloseMinutes float64
	Requires     []string // ids of openings that come first
	Hazard       int      // 0 to 4
	// Reseal marks a sealed box: closing it includes ResealMinutes for the leak
	// test. An opening behind another sealed one shares that one's.
	Reseal        bool
	ResealMinutes float64
}

// State is where the job stands.
type State struct {
	Open        []string // ids of openings that are open now
	Unavailable []string // findings that cannot be measured
	// Once are findings whose reading was taken once and may be taken again.
	Once  []string
	Unmet []Unmet // measurements that an interlock forbids for now
	// Confirmed are causes known to be present and not yet repaired: they
	// explain what they explain, and are not proposed again before all else.
	// A repaired cause is one with its prior lowered by WithPriors.
	Confirmed []string
}

// ledger is a checked Economy in a State, indexed by the model.
type ledger struct {
	eco      *Economy
	openings map[string]*Opening
	open     map[string]bool
	wrong    []float64  // by cause: money of a needless repair
	miss     []float64  // by cause: money of leaving it
	needs    [][]string // by cause: openings still to open for its repair
	escalate float64
}

func (m *Model) newLedger(eco *Economy, st State) (*ledger, error) {
	if eco == nil {
		return nil, problem.InField("economy", "no costs given")
	}
	l := &ledger{eco: eco, openings: make(map[string]*Opening), open: make(map[string]bool),
		wrong: make([]float64, len(m.causes)), miss: make([]float64, len(m.causes)), needs: make([][]string, len(m.causes))}
	var c checker
	l.readOpenings(&c, st)
	m.checkActions(&c, l, st)
	m.checkUnmet(&c, st)
	c.money("labour_per_minute", eco.LabourPerMinute)
	c.money("escalate_cost", eco.EscalateCost)
	for h, v := range eco.RiskCost {
		c.money(fmt.Sprintf("risk_cost[%d]", h), v)
	}
	if len(c.fields) == 0 {
		m.readRepairs(&c, l)
	}
	if err := problem.InFields(c.fields); err != nil {
		return nil, err
	}
	l.escalate = eco.EscalateCost
	if l.escalate == 0 {
		for _, v := range l.miss {
			l.escalate = math.Max(l.escalate, v)
		}
	}
	return l, nil
}

// amounts reports whether all are amounts of money or time. It is asked before the
// name of a field is made: there are hundreds of them in every call of Advise.
func amounts(list ...float64) bool {
	for _, v := range list {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			return false
		}
	}
	return true
}

func (c *checker) money(field string, v float64) {
	if !amounts(v) {
		c.failf(field, "%v; give a finite number that is not negative", v)
	}
}

func (c *checker) hazard(field string, h int) {
	if h < 0 || h > 4 {
		c.failf(field, "hazard %d; give 0 to 4", h)
	}
}

func (l *ledger) readOpenings(c *checker, st State) {
	for k := range l.eco.Openings {
		o := &l.eco.Openings[k]
		field := fmt.Sprintf("openings[%d]", k)
		if o.ID == "" {
			c.failf(field+".id", "an opening needs an id")
		}
		if l.openings[o.ID] != nil {
			c.failf(field+".id", "opening %q stands twice", o.ID)
		}
		l.openings[o.ID] = o
		c.money(field+".open_minutes", o.OpenMinutes)
		c.money(field+".close_minutes", o.CloseMinutes)
		c.money(field+".reseal_minutes", o.ResealMinutes)
		c.hazard(field+".hazard", o.Hazard)
	}
	for k := range l.eco.Openings {
		field := fmt.Sprintf("openings[%d].requires", k)
		for _, id := range l.eco.Openings[k].Requires {
			l.known(c, field, id)
		}
		if l.circular(&l.eco.Openings[k]) {
			c.failf(field, "opening %q requires itself by way of others", l.eco.Openings[k].ID)
		}
	}
	for k, id := range st.Open {
		l.known(c, fmt.Sprintf("open[%d]", k), id)
		l.open[id] = true
	}
}

func (l *ledger) known(c *checker, field, id string) {
	if l.openings[id] == nil {
		c.failf(field, "no opening %q", id)
	}
}

func (l *ledger) circular(o *Opening) bool {
	seen := map[string]bool{}
	var reaches func(id string) bool
	reaches = func(id string) bool {
		if seen[id] || l.openings[id] == nil {
			return false
		}
		seen[id] = true
		for _, next := range l.openings[id].Requires {
			if next == o.ID || reaches(next) {
				return true
			}
		}
		return false
	}
	return reaches(o.ID)
}

func (m *Model) checkActions(c *checker, l *ledger, st State) {
	seen := make(map[string]bool, len(l.eco.Actions))
	for k, a := range l.eco.Actions {
		field := func() string { return fmt.Sprintf("actions[%d]", k) }
		if _, ok := m.findingIndex[a.Finding]; !ok {
			c.failf(field()+".finding", "no finding %q in this model", a.Finding)
		}
		if seen[a.Finding] {
			c.failf(field()+".finding", "finding %q stands twice", a.Finding)
		}
		seen[a.Finding] = true
		if !amounts(a.Minutes) {
			c.money(field()+".minutes", a.Minutes)
		}
		if a.Hazard < 0 || a.Hazard > 4 {
			c.hazard(field()+".hazard", a.Hazard)
		}
		if a.Access != "" && l.openings[a.Access] == nil {
			l.known(c, field()+".access", a.Access)
		}
	}
	for k, id := range st.Unavailable {
		if _, ok := m.findingIndex[id]; !ok {
			c.failf(fmt.Sprintf("unavailable[%d]", k), "no finding %q in this model", id)
		}
	}
	for k, id := range st.Confirmed {
		if m.CauseIndex(id) < 0 {
			c.failf(fmt.Sprintf("confirmed[%d]", k), "no cause %q in this model", id)
		}
	}
}

func (m *Model) readRepairs(c *checker, l *ledger) {
	seen := make([]bool, len(m.causes))
	for k, r := range l.eco.Repairs {
		field := func() string { return fmt.Sprintf("repairs[%d]", k) }
		i := m.CauseIndex(r.Cause)
		if i < 0 {
			c.failf(field()+".cause", "no cause %q in this model", r.Cause)
			continue
		}
		if seen[i] {
			c.failf(field()+".cause", "cause %q stands twice", r.Cause)
		}
		seen[i] = true
		if !amounts(r.Minutes, r.Parts, r.MissCost, r.VerifyCost) {
			c.money(field()+".minutes", r.Minutes)
			c.money(field()+".parts", r.Parts)
			c.money(field()+".miss_cost", r.MissCost)
			c.money(field()+".verify_cost", r.VerifyCost)
		}
		need := r.Access
		for _, id := range need {
			if id != "" && l.openings[id] == nil {
				l.known(c, field()+".access", id)
			}
		}
		l.needs[i] = l.missing(need)
		minutes, _ := l.along(l.needs[i])
		l.wrong[i] = (r.Minutes+minutes)*l.eco.LabourPerMinute + r.Parts + r.VerifyCost
		l.miss[i] = r.MissCost
	}
	for i, ok := range seen {
		if !ok {
			c.failf("repairs", "no entry for cause %q", m.causes[i].ID)
		}
	}
}

// missing lists the openings still to open for those wanted, each after what it
// requires.
func (l *ledger) missing(want []string) []string {
	var list []string
	for _, id := range want {
		list = l.path(list, id)
	}
	return list[:len(list):len(list)]
}

// path adds an opening to a list, after what it requires. Openings that
// require themselves have been refused.
func (l *ledger) path(list []string, id string) []string {
	o := l.openings[id]
	if o == nil || l.open[id] || slices.Contains(list, id) {
		return list
	}
	for _, before := range o.Requires {
		list = l.path(list, before)
	}
	if list == nil {
		list = make([]string, 0, 4)
	}
	return append(list, id)
}

// reach is the minutes to open and close again what is missing, leak tests
// included, and the highest hazard met.
func (l *ledger) reach(want []string) (minutes float64, hazard int) {
	return l.along(l.missing(want))
}

// along is reach for a list that is missing already.
func (l *ledger) along(missing []string) (minutes float64, hazard int) {
	for _, id := range missing {
		o := l.openings[id]
		minutes += l.minutesOf(o)
		hazard = max(hazard, o.Hazard)
	}
	return minutes, hazard
}

// minutesOf is the minutes to open and close one opening, its leak test included.
func (l *ledger) minutesOf(o *Opening) float64 {
	if o.Reseal && !l.behindSeal(o) {
		return o.OpenMinutes + o.CloseMinutes + o.ResealMinutes
	}
	return o.OpenMinutes + o.CloseMinutes
}

// takesTime reports whether reaching an opening takes any time with all closed:
// the outside of a board is open to everybody.
func (l *ledger) takesTime(id string) bool {
	o := l.openings[id]
	return o != nil && (l.minutesOf(o) > 0 || slices.ContainsFunc(o.Requires, l.takesTime))
}

// behindSeal reports whether an opening lies behind another sealed one, whose
// leak test then covers both.
func (l *ledger) behindSeal(o *Opening) bool {
	for _, id := range o.Requires {
		if before := l.openings[id]; before != nil && (before.Reseal || l.behindSeal(before)) {
			return true
		}
	}
	return false
}

// loss is φ(P) = ab/(a+b), a = (1−P)·R the expected cost of a needless repair,
// b = P·M that of leaving the cause: at most the smaller of the two, at least
// half of it, and strictly concave, so that information never hurts and a
// measurement that moves P without changing the decision still counts.
func (l *ledger) loss(cause int, present float64) float64 {
	a, b := (1-present)*l.wrong[cause], present*l.miss[cause]
	if a+b == 0 {
		return 0
	}
	return a * b / (a + b)
}

// suspicion is a cause in a repair sequence: its probability, and the money to
// repair and verify it.
type suspicion struct {
	cause   int
	p, cost float64
}

// sequence orders repairs by probability over cost, the order of least expected
// cost where one fault is present and each step is paid until it is found
// (Ross, A First Course in Probability, chapter 4; Heckerman, Breese and
// Rommelse 1995). Ties keep the causes' order.
func sequence(list []suspicion) {
	slices.SortStableFunc(list, func(a, b suspicion) int {
		return cmp.Compare(b.p*a.cost, a.p*b.cost)
	})
}

// sequenceCost is the expected money of repairing in order until the fault is
// gone, giving up where handing over is cheaper; rest is the probability that
// no repair of the list helps.
func sequenceCost(list []suspicion, rest, escalate float64) float64 {
	left := rest
	for _, s := range list {
		left += s.p
	}
	spent, best := 0.0, left*escalate
	for _, s := range list {
		spent += left * s.cost
		left = math.Max(0, left-s.p)
		best = math.Min(best, spent+left*escalate)
	}
	return best
}

// repairCost is ECR, the expected cost of repair from here without measuring,
// under the usual single-fault reading of the marginals.
func (l *ledger) repairCost(present []float64, skip []bool, unmodelled, noFault float64) float64 {
	sum := unmodelled
	list := make([]suspicion, 0, len(present))
	for i, p := range present {
		if !skip[i] {
			sum += p
		}
	}
	if sum <= 0 {
		return 0
	}
	scale := (1 - noFault) / sum
	rest := unmodelled * scale
	for i, p := range present {
		if skip[i] {
			continue
		}
		// What is too improbable to be tried before giving up only adds to the rest.
		if p*scale*l.escalate < 1e-3*l.wrong[i] {
			rest += p * scale
			continue
		}
		list = append(list, suspicion{i, p * scale, l.wrong[i]})
	}
	sequence(list)
	return sequenceCost(list, rest, l.escalate)
}
