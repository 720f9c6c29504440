package diagnosis

import (
	"math"
	"slices"
	"strings"
)

const (
	// closeRace is how much better the best box may score than the next one and
	// still be compared with it by a second step.
	closeRace = 1.5
	// secondSteps is how many measurements are considered for the second step.
	secondSteps = 6
)

// lookAhead rescores the best two boxes (sets of openings still to open) by one
// further step: each is taken as if its first measurement were followed, outcome
// by outcome, by the one that then gains most for its cost, where that pays. The
// box that gains more for all it spends goes first. Nothing is compared where
// the next box is far behind.
func (a *adviser) lookAhead() {
	first := slices.IndexFunc(a.list, func(c *Candidate) bool { return c.decides })
	if first < 0 || a.list[first].Score <= 1 {
		return
	}
	box := strings.Join(a.list[first].Access, "\x00")
	next := first + 1
	for next < len(a.list) && (!a.list[next].decides || strings.Join(a.list[next].Access, "\x00") == box) {
		next++
	}
	if next == len(a.list) || a.list[next].Score <= 1 || a.list[next].Score*closeRace < a.list[first].Score {
		return
	}
	if best, other := a.twoSteps(a.list[first]), a.twoSteps(a.list[next]); other > best*(1+tieWithin) {
		moved := a.list[next]
		a.list = slices.Insert(slices.Delete(a.list, next, next+1), first, moved)
	}
}

// twoSteps is the gain by cost of a measurement with the best one after it.
func (a *adviser) twoSteps(c *Candidate) float64 {
	gain, cost := c.Gain, a.payable(c.Cost+c.before-c.anyway)
	opened := make([]string, 0, len(c.Access))
	for _, id := range c.Access {
		if !a.l.open[id] {
			a.l.open[id] = true
			opened = append(opened, id)
		}
	}
	j := a.m.findingIndex[c.Finding]
	for x, p := range c.Outcomes {
		if p < leastDeciding {
			continue
		}
		if s := a.o.s.withLevel(j, x); s != nil {
			g, k := a.bestSecond(s, c)
			gain, cost = gain+p*g, cost+p*k
		}
	}
	for _, id := range opened {
		delete(a.l.open, id)
	}
	return gain / cost
}

// bestSecond is the gain and the cost of the best measurement under further
// evidence, both 0 where none pays.
func (a *adviser) bestSecond(s *session, after *Candidate) (gain, cost float64) {
	sol, runs := s.solveRuns(true)
	if math.IsInf(sol.logE, -1) {
		return 0, 0
	}
	o := s.newOutlook(sol, runs)
	loss := a.stake.loss(sol.present, sol.share[1])
	best, tried := 1.0, 0
	for _, c := range a.list {
		if c == after || c.Gain <= 0 {
			continue
		}
		if tried++; tried > secondSteps {
			break
		}
		left := 0.0
		for _, out := range o.outcomes(a.m.findingIndex[c.Finding]) {
			if out.p > 0 {
				left += out.p * a.stake.loss(out.present, out.share)
			}
		}
		want := []string{a.action(c.Finding).Access}
		minutes, _ := a.l.reach(want)
		pay := a.payable(c.own + (minutes-a.stake.anyway(a.l.missing(want)))*a.l.eco.LabourPerMinute)
		if g := gainScale * (loss - left); g/pay > best {
			best, gain, cost = g/pay, g, pay
		}
	}
	return gain, cost
}
