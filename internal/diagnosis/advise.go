package diagnosis

import (
	"cmp"
	"math"
	"slices"
	"strings"
)

// Policy is a way of ranking measurements; more than one is kept because the
// simulation (deploy/bench/diagnosis) compares them.
type Policy int

const (
	// ByLoss ranks by the fall of expected loss per money: what ships.
	ByLoss Policy = iota
	// ByRepairCost measures where cost + Σ P(x)·ECR(x) falls below ECR.
	ByRepairCost
	// ByTwoSteps is ByLoss with one two-step look-ahead between the best two boxes.
	ByTwoSteps
)

const (
	// gainScale turns a fall of the expected loss into money: each of its terms
	// lies between half the money at stake and the whole.
	gainScale = 2
	// handlingMinutes go by around each measurement, whatever it is: getting the
	// instrument, connecting it, writing down (common practice, no source). They
	// count in the order, so that a heap of small tests is not taken for nothing.
	handlingMinutes = 2
)

// Advise returns the next step: one measurement, a repair, or to hand over.
// Errors: as Infer for the evidence; invalid for an economy or a state with
// unknown ids, numbers out of range, circular openings, or causes without a
// repair cost. The same input gives the same advice.
func (m *Model) Advise(ev []Observation, eco *Economy, st State) (*Advice, error) {
	return m.AdviseBy(ev, eco, st, ByLoss)
}

// adviser carries one call of Advise.
type adviser struct {
	m      *Model
	l      *ledger
	o      *outlook
	st     State
	rule   Policy
	ev     []Observation
	post   *Posterior
	skip   []bool // confirmed causes
	stake  *stake
	first  int // the cause to repair if nothing is measured, or -1
	loss   float64
	repair float64
	list   []*Candidate
}

// AdviseBy is Advise by a policy of choice.
func (m *Model) AdviseBy(ev []Observation, eco *Economy, st State, rule Policy) (*Advice, error) {
	l, err := m.newLedger(eco, st)
	if err != nil {
		return nil, err
	}
	known := m
	if len(st.Confirmed) > 0 {
		certain := make(map[string]float64, len(st.Confirmed))
		for _, id := range st.Confirmed {
			certain[id] = 1
		}
		if known, err = m.WithPriors(certain); err != nil {
			return nil, err
		}
	}
	s, err := known.prepare(ev)
	if err != nil {
		return nil, err
	}
	sol, runs := s.solveRuns(true)
	post, err := s.posterior(sol)
	if err != nil {
		return nil, err
	}
	a := &adviser{m: known, l: l, st: st, rule: rule, ev: ev, post: post, skip: make([]bool, len(m.causes))}
	for _, id := range st.Confirmed {
		a.skip[m.causeIndex[id]] = true
	}
	a.o = s.newOutlook(sol, runs)
	a.stake = a.newStake()
	a.loss = a.stake.loss(post.Marginals, post.Unmodelled)
	a.first = a.stake.repair(post.Marginals, post.Unmodelled)
	a.repair = l.repairCost(post.Marginals, a.skip, post.Unmodelled, post.NoFault)
	a.assess()
	a.rank()
	return a.takeAgain(a.decide()), nil
}

// assess works out every action that can be taken now.
func (a *adviser) assess() {
	barred := make(map[int]bool)
	for k := range a.o.s.steps {
		barred[a.o.s.steps[k].finding] = true
	}
	for _, id := range a.st.Unavailable {
		barred[a.m.findingIndex[id]] = true
	}
	levels := 0
	for k := range a.l.eco.Actions {
		levels += len(a.m.findings[a.m.findingIndex[a.l.eco.Actions[k].Finding]].Levels)
	}
	room, outcomes, shifts := make([]Candidate, len(a.l.eco.Actions)), make([]float64, levels), make([]Shift, levels)
	a.list = make([]*Candidate, 0, len(room))
	for k := range a.l.eco.Actions {
		act := &a.l.eco.Actions[k]
		j := a.m.findingIndex[act.Finding]
		if barred[j] {
			continue
		}
		first, ok := a.before(act.Finding)
		if !ok {
			continue
		}
		c := &room[len(a.list)]
		c.Finding, c.First = act.Finding, first
		a.price(c, act)
		after := a.o.outcomes(j)
		n := len(after)
		c.Outcomes, outcomes = outcomes[:n:n], outcomes[n:]
		c.Shifts, shifts = shifts[:n:n], shifts[n:]
		for x := range after {
			c.Outcomes[x] = after[x].p
			c.Shifts[x] = a.shift(&after[x])
		}
		c.Gain = a.gain(j, after)
		c.decides = a.stake.concerns(a.m.byFinding[j]) && a.decides(after)
		a.list = append(a.list, c)
	}
}

// gain is the money the measurement saves, by the policy's own measure. It
// cannot be negative but for rounding.
func (a *adviser) gain(finding int, after []outcome) float64 {
	if a.rule == ByRepairCost {
		return math.Max(0, a.repair-a.repairAfter(finding, after))
	}
	left := 0.0
	for x := range after {
		if after[x].p > 0 {
			left += after[x].p * a.stake.loss(after[x].present, after[x].share)
		}
	}
	if g := gainScale * (a.loss - left); g > 1e-12*a.loss {
		return g
	}
	return 0
}

// decides reports whether some outcome changes what is done: another cause to
// repair first than without the measurement, or none, or one where there was
// none.
func (a *adviser) decides(after []outcome) bool {
	for x := range after {
		o := &after[x]
		if o.p >= leastDeciding && a.stake.repair(o.present, o.share) != a.first {
			return true
		}
	}
	return false
}

// repairAfter is Σ P(x)·ECR(x).
func (a *adviser) repairAfter(finding int, after []outcome) float64 {
	sum := 0.0
	for x := range after {
		if o := &after[x]; o.p > 0 {
			sum += o.p * a.l.repairCost(o.present, a.skip, o.share, a.o.noFaultAfter(finding, x, o.p))
		}
	}
	return sum
}

func (a *adviser) shift(o *outcome) Shift {
	var s Shift
	up, down := 1e-9, -1e-9
	if o.p <= 0 {
		return s
	}
	for i, p := range o.present {
		before := a.post.Marginals[i]
		switch d := p - before; {
		case d > up:
			up, s.Up, s.UpFrom, s.UpTo = d, a.m.causes[i].ID, before, p
		case d < down:
			down, s.Down, s.DownFrom, s.DownTo = d, a.m.causes[i].ID, before, p
		}
	}
	return s
}

// rank scores by gain over cost, lets openings be shared, and sorts. What of the
// openings the repair will pay anyway is no cost of the measurement.
func (a *adviser) rank() {
	for k := range a.list {
		c := a.list[k]
		c.Score = c.Gain / a.payable(c.Cost+c.before-c.anyway)
		if a.rule == ByRepairCost {
			// Above 1 where ECO < ECR, and the larger the smaller ECO is.
			c.Score = 1 + (c.Gain-c.Cost-c.before)/math.Max(a.l.eco.LabourPerMinute, 1e-9)
		}
	}
	if a.rule != ByRepairCost {
		a.shareOpenings()
	}
	slices.SortStableFunc(a.list, func(x, y *Candidate) int { return cmp.Compare(y.Score, x.Score) })
	for from := 0; from < len(a.list); {
		to := from + 1
		for to < len(a.list) && a.list[to].Score >= (1-tieWithin)*a.list[from].Score {
			to++
		}
		tied := a.list[from:to]
		slices.SortStableFunc(tied, byTieRule)
		from = to
	}
	if a.rule == ByTwoSteps {
		a.lookAhead()
	}
}

// byTieRule orders by lower hazard, then lower cost, then id.
func byTieRule(x, y *Candidate) int {
	return cmp.Or(cmp.Compare(x.Hazard, y.Hazard), cmp.Compare(x.Cost, y.Cost), cmp.Compare(x.Finding, y.Finding))
}

// payable is what a measurement costs in the order: with the handling around it.
func (a *adviser) payable(cost float64) float64 {
	return math.Max(cost+handlingMinutes*a.l.eco.LabourPerMinute, 1e-9)
}

// shareOpenings raises the score of the first measurement behind each set of
// openings to that of the best prefix of all that these openings allow (cost
// clusters: Langseth and Jensen 2001; Ottosen and Jensen 2010). Gains are joined
// as if each took its share of the loss that the ones before it leave, so that
// two measurements that tell the same are not both paid in full.
func (a *adviser) shareOpenings() {
	done := make(map[string]bool)
	for k := range a.list {
		box := a.list[k].Access
		key := strings.Join(box, "\x00")
		if len(box) == 0 || done[key] {
			continue
		}
		done[key] = true
		var inside []*Candidate
		for n := range a.list {
			if c := a.list[n]; len(c.Access) > 0 && c.Gain > 0 && subset(c.Access, box) {
				inside = append(inside, c)
			}
		}
		if len(inside) < 2 {
			continue
		}
		slices.SortStableFunc(inside, func(x, y *Candidate) int {
			gx, gy := x.Gain*a.payable(y.own), y.Gain*a.payable(x.own)
			return cmp.Or(cmp.Compare(gy, gx), byTieRule(x, y))
		})
		a.bestPrefix(inside, box)
	}
}

func (a *adviser) bestPrefix(inside []*Candidate, box []string) {
	minutes, hazard := a.l.reach(box)
	cost := (minutes-a.stake.anyway(box))*a.l.eco.LabourPerMinute + a.l.eco.RiskCost[hazard]
	whole := gainScale * a.loss
	left, best, size := 1.0, 0.0, 0
	for k, c := range inside {
		left *= 1 - math.Min(1, c.Gain/whole)
		cost += c.own
		if k > 0 { // payable adds the handling of the first
			cost += handlingMinutes * a.l.eco.LabourPerMinute
		}
		if score := whole * (1 - left) / a.payable(cost); score > best {
			best, size = score, k+1
		}
	}
	first := inside[0]
	if size < 2 || best <= first.Score {
		return
	}
	first.Score = best
	first.together = nil
	for _, c := range inside[1:size] {
		first.together = append(first.together, c.Finding)
	}
}

func subset(a, b []string) bool {
	for _, x := range a {
		found := false
		for _, y := range b {
			found = found || x == y
		}
		if !found {
			return false
		}
	}
	return true
}

// decide applies the stop rules in order: sure enough, worth measuring, worth
// repairing, outside what the model knows. What pays goes before handing over at
// EscalateAt: after the complaint alone the unmodelled cause is often that
// probable, and in simulation most such boards are then found.
func (a *adviser) decide() *Advice {
	adv := &Advice{Posterior: a.post, Candidates: make([]Candidate, len(a.list))}
	for k, c := range a.list {
		adv.Candidates[k] = *c
	}
	adv.Reason.Loss = gainScale * a.loss
	if i := a.mostProbable(); i >= 0 && a.post.Marginals[i] > ConfidentAt {
		return a.repairOf(adv, i, ReasonConfident)
	}
	if c := a.paying(); c != nil {
		return a.measure(adv, c)
	}
	if i := a.first; i >= 0 {
		if len(a.list) == 0 {
			return a.repairOf(adv, i, ReasonNothingLeft)
		}
		return a.repairOf(adv, i, ReasonNothingPays)
	}
	if a.post.Unmodelled > EscalateAt {
		return a.escalateFor(adv, ReasonUnmodelled, a.post.Unmodelled)
	}
	if len(a.st.Confirmed) > 0 {
		return a.repairOf(adv, a.m.causeIndex[a.st.Confirmed[0]], ReasonConfirmed)
	}
	if a.post.NoFault > 0.5 {
		return a.escalateFor(adv, ReasonNoFault, a.post.NoFault)
	}
	return a.escalateFor(adv, ReasonNothingHelps, 0)
}

func (a *adviser) measure(adv *Advice, c *Candidate) *Advice {
	adv.Kind, adv.Finding = AdviseMeasure, c.Finding
	adv.Reason.Code = ReasonBestGain
	if len(c.together) > 0 {
		adv.Reason.Code, adv.Reason.Together = ReasonSharedOpening, c.together
	} else if len(c.Access) == 0 && a.l.takesTime(a.action(c.Finding).Access) {
		adv.Reason.Code = ReasonAlreadyOpen
	}
	adv.Reason.Gain, adv.Reason.Cost, adv.Reason.Anyway = c.Gain, c.Cost, c.anyway
	if len(c.First) > 0 {
		adv.Finding, adv.Reason.Code, adv.Reason.For = c.First[0], ReasonInterlock, c.Finding
		adv.Retake = a.retake(adv.Finding, 1)
	}
	j := a.m.findingIndex[c.Finding]
	adv.ExpectedCost = c.Cost + c.before + a.repairAfter(j, a.o.outcomes(j))
	return adv
}

func (a *adviser) repairOf(adv *Advice, i int, code string) *Advice {
	adv.Kind, adv.Cause = AdviseRepair, a.m.causes[i].ID
	adv.Reason.Code = code
	adv.Reason.Probability = a.post.Marginals[i]
	adv.Reason.Cost = a.l.wrong[i]
	adv.ExpectedCost = a.repair
	if a.skip[i] {
		adv.ExpectedCost += a.l.wrong[i]
	}
	return adv
}

func (a *adviser) escalateFor(adv *Advice, code string, p float64) *Advice {
	adv.Kind = AdviseEscalate
	adv.Reason.Code, adv.Reason.Probability = code, p
	adv.ExpectedCost = a.l.escalate
	if code == ReasonNoFault {
		adv.ExpectedCost = a.repair
	}
	return adv
}

func (a *adviser) mostProbable() int {
	best := -1
	for i, p := range a.post.Marginals {
		if !a.skip[i] && (best < 0 || p > a.post.Marginals[best]) {
			best = i
		}
	}
	return best
}

// paying is the best measurement that is worth taking, or nil. By loss it must
// save more than it costs, and one of its outcomes must change what is done.
func (a *adviser) paying() *Candidate {
	for _, c := range a.list {
		if c.Score <= 1 {
			return nil
		}
		if a.rule == ByRepairCost || c.decides {
			return c
		}
	}
	return nil
}
