package diagnosis

import (
	"math"
	"slices"
)

// misreadShare is the share of readings that are written down wrong (common
// practice, no source; the simulation draws as many).
const misreadShare = 0.02

// doubtful is a reading to take again before money is spent on what it says.
type doubtful struct {
	finding string
	doubt   float64 // probability that it was misread
	gain    float64 // money that the second look saves
	cost    float64
	minutes float64
}

// doubt finds the reading whose second look saves most before a step that would
// waste money if the reading were wrong, or nil. A reading is misread with
// probability m/L for each of its L levels, or true with P(e_j | E without j): what
// the others led one to expect. So the doubt is m/L / (m/L + (1−m)·P(e_j | E
// without j)) by Bayes' rule, and the second look saves that share of the waste.
func (a *adviser) doubt(waste float64) *doubtful {
	var best *doubtful
	for k := range a.o.s.steps {
		st := &a.o.s.steps[k]
		id := a.m.findings[st.finding].ID
		act := a.action(id)
		if act == nil || !slices.Contains(a.st.Once, id) || slices.Contains(a.st.Unavailable, id) {
			continue
		}
		if first, ok := a.before(id); !ok || len(first) > 0 {
			continue
		}
		rest := a.o.s.without(k).solve()
		slip := misreadShare / float64(len(a.m.findings[st.finding].Levels))
		p := math.Min(1, math.Exp(a.o.sol.logE-rest.logE))
		d := &doubtful{finding: id, doubt: slip / (slip + (1-misreadShare)*p)}
		minutes, hazard := a.l.reach([]string{act.Access})
		d.minutes = act.Minutes + minutes
		d.cost = d.minutes*a.l.eco.LabourPerMinute + a.l.eco.RiskCost[max(hazard, act.Hazard)]
		d.gain = d.doubt * waste
		if d.gain > a.payable(d.cost) && (best == nil || d.gain*a.payable(best.cost) > best.gain*a.payable(d.cost)) {
			best = d
		}
	}
	return best
}

// takeAgain turns an advice into a second look where that pays: before a repair
// by what a needless one costs, before handing over by what that costs.
func (a *adviser) takeAgain(adv *Advice) *Advice {
	waste := a.l.escalate
	switch {
	case len(a.st.Once) == 0 || adv.Kind == AdviseMeasure:
		return adv
	case adv.Kind == AdviseRepair:
		i := a.m.causeIndex[adv.Cause]
		if a.skip[i] {
			return adv
		}
		waste = a.l.wrong[i]
	}
	d := a.doubt(waste)
	if d == nil {
		return adv
	}
	cause := adv.Cause
	adv.Kind, adv.Finding, adv.Cause = AdviseMeasure, d.finding, ""
	adv.Reason = Reason{Code: ReasonTakeAgain, Probability: d.doubt, Gain: d.gain, Cost: d.cost, Loss: adv.Reason.Loss, Instead: cause}
	adv.Retake = a.retake(d.finding, d.doubt)
	adv.ExpectedCost += d.cost
	return adv
}

// retake is a measurement of the evidence as one to take once more, or nil where
// it is not among the evidence. With the probability doubt it comes out as the
// rest of the evidence lets expect, else as before.
func (a *adviser) retake(finding string, doubt float64) *Candidate {
	j := a.m.findingIndex[finding]
	k := slices.IndexFunc(a.o.s.steps, func(st step) bool { return st.finding == j })
	if k < 0 {
		return nil
	}
	c := &Candidate{Finding: finding}
	act := a.action(finding)
	a.price(c, act)
	rest := a.o.s.without(k)
	after := rest.newOutlook(rest.solveRuns(true)).outcomes(j)
	at := slices.IndexFunc(a.ev, func(o Observation) bool { return o.Finding == finding })
	before := make([]float64, len(after))
	sum := 0.0
	for x := range after {
		switch l := a.ev[at].Likelihood; {
		case l != nil:
			before[x] = l[x] * after[x].p
		case x == a.ev[at].Level:
			before[x] = 1
		}
		sum += before[x]
	}
	c.Outcomes = make([]float64, len(after))
	for x := range after {
		c.Outcomes[x] = doubt * after[x].p
		if sum > 0 {
			c.Outcomes[x] += (1 - doubt) * before[x] / sum
		}
	}
	return c
}
