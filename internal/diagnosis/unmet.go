package diagnosis

import (
	"fmt"
	"slices"
)

// Unmet is a measurement that an interlock forbids for now.
type Unmet struct {
	Finding string
	// First are the findings to measure before it, in order; once they have come
	// out as the interlock asks, the caller no longer lists it. Without any, nothing
	// that can be measured now would meet the interlock, and it is not proposed.
	First []string
}

func (m *Model) checkUnmet(c *checker, st State) {
	for k, u := range st.Unmet {
		if _, ok := m.findingIndex[u.Finding]; !ok {
			c.failf(fmt.Sprintf("unmet[%d].finding", k), "no finding %q in this model", u.Finding)
		}
		for n, id := range u.First {
			if _, ok := m.findingIndex[id]; !ok {
				c.failf(fmt.Sprintf("unmet[%d].first[%d]", k, n), "no finding %q in this model", id)
			}
		}
	}
}

// before lists what must be measured before a finding, in an order that meets
// every interlock on the way; none where nothing must. It is not ok where the
// interlocks cannot be met: nothing would, one of them is not among the actions
// or cannot be measured, or they wait for each other.
func (a *adviser) before(finding string) (first []string, ok bool) {
	var visit func(id string, waiting []string) bool
	visit = func(id string, waiting []string) bool {
		if slices.Contains(waiting, id) {
			return false
		}
		waiting = append(waiting, id)
		for _, u := range a.st.Unmet {
			if u.Finding != id {
				continue
			}
			if len(u.First) == 0 {
				return false
			}
			for _, need := range u.First {
				if slices.Contains(first, need) {
					continue
				}
				if a.action(need) == nil || slices.Contains(a.st.Unavailable, need) || !visit(need, waiting) {
					return false
				}
				first = append(first, need)
			}
		}
		return true
	}
	ok = visit(finding, nil)
	return first, ok
}

func (a *adviser) action(finding string) *Action {
	for k := range a.l.eco.Actions {
		if a.l.eco.Actions[k].Finding == finding {
			return &a.l.eco.Actions[k]
		}
	}
	return nil
}

// price sets what a candidate costs with all that must be measured before it.
func (a *adviser) price(c *Candidate, act *Action) {
	eco := a.l.eco
	want := []string{act.Access}
	c.Access = a.l.missing(want)
	minutes, hazard := a.l.along(c.Access)
	c.Hazard = max(act.Hazard, hazard)
	c.Minutes = act.Minutes + minutes
	c.Cost = c.Minutes*eco.LabourPerMinute + eco.RiskCost[c.Hazard]
	c.anyway = a.stake.anyway(c.Access) * eco.LabourPerMinute
	c.own = act.Minutes*eco.LabourPerMinute + eco.RiskCost[act.Hazard]
	if len(c.First) == 0 {
		return
	}
	risk := eco.RiskCost[act.Hazard]
	own := act.Minutes
	for _, id := range c.First {
		need := a.action(id)
		want = append(want, need.Access)
		own += need.Minutes
		risk += eco.RiskCost[need.Hazard]
	}
	minutes, _ = a.l.reach(want)
	c.own = own*eco.LabourPerMinute + risk
	c.before = max(0, (own+minutes)*eco.LabourPerMinute+risk-c.Cost)
}
