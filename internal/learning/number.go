package learning

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Expert is a number as the library has it: a cause's prior, or a link's
// distribution over its finding's levels (before any floor).
type Expert struct {
	Cause   string
	Finding string // "" for a prior
	Levels  []string
	P       []float64
	// Most is what a prior must stay below; 0 means 1. A root that rules a cause
	// out keeps it from being there more often.
	Most float64
}

// Status says whether a learned number is in use.
type Status string

// Statuses of a number.
const (
	// ExpertPrior: too few jobs, the library's number is used.
	ExpertPrior Status = "expert_prior"
	// Applied: in use without having been asked for, being within MostChange.
	Applied Status = "applied"
	// Accepted: in use, the owner agreed.
	Accepted Status = "accepted"
	// Waiting: the owner has to decide; what was in use before stays.
	Waiting Status = "waiting"
	// Rejected: the owner declined; the library's number is used.
	Rejected Status = "rejected"
)

// Decision is the owner's word on a number as it stood.
type Decision struct {
	Subject string
	Accept  bool
	Learned []float64 // by level, as it stood
}

// Number is what the jobs make of one of the library's numbers. Probabilities
// are in [0,1].
type Number struct {
	Subject string
	Cause   string
	Finding string
	// Jobs is the effective number of jobs behind it, 0 or more.
	Jobs   float64
	Levels []Level
	// Change is the largest factor, 1 or more, by which the odds of a level
	// differ between Learned and what was last agreed.
	Change float64
	Status Status
}

// Level is the probability of one level; a prior has one, that of presence.
type Level struct {
	Name                                string
	Expert, Learned, Lower, Upper, Used float64
}

// belowMost is how near a learned prior comes to its Expert.Most.
const belowMost = 0.999

// Present is the name of a prior's only level.
const Present = "present"

// Numbers sets what was learned against the library's numbers, in their order.
// The last decision on a subject counts.
//
// A prior is Beta(s·μ, s·(1−μ)) with the expected counts added; a link Dirichlet
// likewise. The interval is that of the marginal Beta distribution, whose weight
// is Strength plus the effective jobs: counts that are expected only, not seen,
// move the mean but do not narrow the interval.
//
// Within MostChange a number is used without asking: the library's numbers are
// estimates of no better accuracy, and a shop's owner who had to confirm every
// small move would stop reading. Change counts from what was last agreed (the
// library's number, or the one accepted), so that many small steps do not pass
// unseen.
func Numbers(experts []Expert, t Totals, decisions []Decision) []Number {
	last := make(map[string]*Decision, len(decisions))
	for k := range decisions {
		last[decisions[k].Subject] = &decisions[k]
	}
	out := make([]Number, len(experts))
	for k := range experts {
		n := learned(&experts[k], t)
		n.judge(last[n.Subject])
		out[k] = n
	}
	return out
}

func learned(e *Expert, t Totals) Number {
	n := Number{Subject: SubjectOf(e.Cause, e.Finding), Cause: e.Cause, Finding: e.Finding}
	if e.Finding == "" {
		c := t.Causes[e.Cause]
		n.Jobs = c.Resolved
		most := 1.0
		if e.Most > 0 {
			most = belowMost * e.Most
		}
		n.level(Present, e.P[0], c.Present, c.Jobs, most)
		return n
	}
	l := t.Links[n.Subject]
	n.Jobs = l.Resolved
	total := 0.0
	for _, name := range e.Levels {
		total += l.Levels[name] // A level that the library no longer has is left out.
	}
	for z, name := range e.Levels {
		n.level(name, e.P[z], l.Levels[name], total, 1)
	}
	return n
}

func (n *Number) level(name string, expert, count, total, most float64) {
	mean := math.Min(most, (Strength*expert+count)/(Strength+total))
	v := Level{Name: name, Expert: expert, Learned: mean}
	v.Lower, v.Upper = interval(mean, Strength+n.Jobs)
	n.Levels = append(n.Levels, v)
}

// interval is the central interval of Beta(w·m, w·(1−m)) at Confidence.
func interval(mean, weight float64) (lower, upper float64) {
	if !(mean > 0) || !(mean < 1) {
		return mean, mean
	}
	b := distuv.Beta{Alpha: weight * mean, Beta: weight * (1 - mean)}
	return b.Quantile((1 - Confidence) / 2), b.Quantile((1 + Confidence) / 2)
}

// judge sets the status and the numbers in use.
func (n *Number) judge(d *Decision) {
	if d != nil && len(d.Learned) != len(n.Levels) {
		d = nil // Said of another edition, with other levels.
	}
	agreed := n.expert()
	if d != nil && d.Accept {
		agreed = d.Learned
	}
	n.Change = n.factor(agreed)
	use := agreed
	switch {
	case n.Jobs < LeastJobs:
		n.Status, use = ExpertPrior, n.expert()
	case d != nil && !d.Accept && n.factor(d.Learned) <= NotableChange:
		n.Status = Rejected
	case d != nil && !d.Accept, n.Change > MostChange:
		n.Status = Waiting
	case d != nil:
		n.Status, use = Accepted, n.learned()
	default:
		n.Status, use = Applied, n.learned()
	}
	for z := range n.Levels {
		n.Levels[z].Used = use[z]
	}
}

// InUse reports whether the learned number is used.
func (n *Number) InUse() bool { return n.Status == Applied || n.Status == Accepted }

func (n *Number) learned() []float64 { return n.column(func(l *Level) float64 { return l.Learned }) }
func (n *Number) expert() []float64  { return n.column(func(l *Level) float64 { return l.Expert }) }

func (n *Number) column(of func(*Level) float64) []float64 {
	out := make([]float64, len(n.Levels))
	for z := range n.Levels {
		out[z] = of(&n.Levels[z])
	}
	return out
}

// Decide is the decision on the number as it stands.
func (n *Number) Decide(accept bool) Decision {
	return Decision{Subject: n.Subject, Accept: accept, Learned: n.learned()}
}

const (
	// leastPrior and leastLink bound a probability (and its complement) for the
	// comparison of odds: below them a difference decides nothing, and 0 has no
	// odds. A link below one in a hundred is what the floor and the leak are for.
	leastPrior = 1e-6
	leastLink  = 0.01
)

// factor is the largest factor between the odds of the learned levels and
// others. Odds, because 0.97 and 0.999 differ as much as 0.03 and 0.001.
func (n *Number) factor(than []float64) float64 {
	least := leastPrior
	if n.Finding != "" {
		least = leastLink
	}
	most := 0.0
	for z := range n.Levels {
		most = math.Max(most, math.Abs(logit(n.Levels[z].Learned, least)-logit(than[z], least)))
	}
	return math.Exp(most)
}

func logit(p, least float64) float64 {
	p = math.Max(least, math.Min(1-least, p))
	return math.Log(p / (1 - p))
}
