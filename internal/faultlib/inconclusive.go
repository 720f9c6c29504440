package faultlib

import (
	"fmt"
	"math"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/measure"
)

// ResultEvidence is what one result of a measurement says about the causes.
type ResultEvidence struct {
	// Observation is the evidence; it means nothing where Inconclusive is set.
	Observation diagnosis.Observation
	// Inconclusive: the result is of no use and no evidence at all.
	Inconclusive bool
	// Note says in a sentence that the result is of no use, or that some of the
	// reading's uncertainty was left out because it would be; "" otherwise.
	Note string
}

// ObserveResult is the evidence of a measurement's result: its outcome, and how
// the reading's uncertainty is shared among the outcomes, by their ids (empty:
// all of it on the outcome).
//
// An inconclusive outcome is no evidence, and neither is a reading that most
// probably is one. Where a likelihood gives such an outcome a smaller share, that
// share is left out and the rest raised to the same sum: P(result | cause) is then
// taken among the results that can be used. A measurement without inconclusive
// outcomes gives what ObserveOutcome and ObserveLikelihood give. The error names
// the field measurement, outcome or likelihood.
func (l *Library) ObserveResult(measurement, outcome string, likelihood map[string]float64) (ResultEvidence, error) {
	obs, err := l.ObserveOutcome(measurement, outcome)
	if err != nil {
		return ResultEvidence{}, err
	}
	if len(likelihood) > 0 {
		if obs, err = l.ObserveLikelihood(measurement, likelihood); err != nil {
			return ResultEvidence{}, err
		}
	}
	m := l.Measurement(measurement)
	if o := m.Outcome(outcome); o.Inconclusive {
		return ResultEvidence{Inconclusive: true, Note: noUse(o)}, nil
	}
	useful, lost, worst := m.useful(likelihood)
	switch {
	case lost == 0:
		return ResultEvidence{Observation: obs}, nil
	case likelihood[worst.ID] >= m.likeliest(likelihood):
		return ResultEvidence{Inconclusive: true, Note: noUse(worst)}, nil
	}
	note := fmt.Sprintf("With %.0f %% the reading would be of no use (%s); the rest is taken as evidence.", math.Max(1, 100*lost), worst.Words())
	obs, err = l.ObserveLikelihood(measurement, useful)
	return ResultEvidence{Observation: obs, Note: note}, err
}

// useful splits a likelihood: what lies on outcomes that can be used, raised to
// the whole sum; the share that does not; and the outcome that has most of it.
func (m *Measurement) useful(likelihood map[string]float64) (useful map[string]float64, lost float64, worst *measure.Outcome) {
	useful = map[string]float64{}
	kept, largest := 0.0, 0.0
	for i := range m.Outcomes {
		o := &m.Outcomes[i]
		switch p := likelihood[o.ID]; {
		case p == 0:
		case !o.Inconclusive:
			useful[o.ID] = p
			kept += p
		default:
			lost += p
			if p > largest {
				worst, largest = o, p
			}
		}
	}
	sum := kept + lost
	for id := range useful {
		useful[id] *= sum / kept
	}
	if sum > 0 {
		lost /= sum
	}
	return useful, lost, worst
}

// likeliest is the largest likelihood of an outcome that can be used.
func (m *Measurement) likeliest(likelihood map[string]float64) float64 {
	best := 0.0
	for _, o := range m.Outcomes {
		if !o.Inconclusive {
			best = math.Max(best, likelihood[o.ID])
		}
	}
	return best
}

func noUse(o *measure.Outcome) string {
	return fmt.Sprintf("This reading is of no use (%s) and counts as no evidence: take it again.", o.Words())
}

// OutcomeWords is how pages and sentences name an outcome of a measurement: its
// label, else its id with spaces. An id that the library does not have is worded
// likewise.
func (l *Library) OutcomeWords(measurement, outcome string) string {
	if m := l.Measurement(measurement); m != nil {
		if o := m.Outcome(outcome); o != nil {
			return o.Words()
		}
	}
	return measure.Outcome{ID: outcome}.Words()
}

// Inconclusive reports whether an outcome says only that the reading is of no use.
func (l *Library) Inconclusive(measurement, outcome string) bool {
	m := l.Measurement(measurement)
	if m == nil {
		return false
	}
	o := m.Outcome(outcome)
	return o != nil && o.Inconclusive
}
