package diagnosis

import (
	"math"

	"nextprobe/internal/problem"
)

// ExplainOptions bounds the search for explanations. The zero value means sets
// of up to three causes down to a thousandth of the best, as many as there are.
type ExplainOptions struct {
	MaxCauses int     // causes at once, at least 1; 0 means 3
	Ratio     float64 // least probability relative to the best, in (0,1]; 0 means 1e-3
	Limit     int     // explanations returned at most; 0 means all
}

// Explanation is one set of causes, all present and all others absent, with its
// share of P(E). The unmodelled cause stands in it as UnmodelledID; the empty
// set is "no fault".
type Explanation struct {
	Causes      []string
	Probability float64
}

// Explanations returns the most probable sets of causes, best first (ties by
// the causes' order), and the share of P(E) they cover together. Causes with
// prior 1 stand in every set and do not count towards MaxCauses. Errors as
// Infer; invalid for options out of range.
//
// Findings that Infer leaves out (Posterior.Dropped) are left out here too, so
// that the shares are of the same P(E).
func (m *Model) Explanations(ev []Observation, opt ExplainOptions) ([]Explanation, float64, error) {
	opt, err := opt.filled()
	if err != nil {
		return nil, 0, err
	}
	s, err := m.prepare(ev)
	if err != nil {
		return nil, 0, err
	}
	logE := s.logEvidence()
	if math.IsInf(logE, -1) {
		return nil, 0, m.errImpossible(s.steps)
	}
	list, covered := s.explain(opt, logE)
	return list, covered, nil
}

func (o ExplainOptions) filled() (ExplainOptions, error) {
	if o.MaxCauses == 0 {
		o.MaxCauses = 3
	}
	if o.Ratio == 0 {
		o.Ratio = 1e-3
	}
	var c checker
	if o.MaxCauses < 0 {
		c.failf("max_causes", "%d; give at least 1", o.MaxCauses)
	}
	if !(o.Ratio > 0 && o.Ratio <= 1) {
		c.failf("ratio", "%v; give a number above 0 and at most 1", o.Ratio)
	}
	if o.Limit < 0 {
		c.failf("limit", "%d; give 0 for all, or a positive number", o.Limit)
	}
	return o, problem.InFields(c.fields)
}
