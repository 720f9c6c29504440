package faultlib

import "nextprobe/internal/measure"

// readings evaluates raw readings and takes their likelihood over the outcomes
// as evidence.
func (e *evidenceReader) readings(at string, m *Measurement, raw map[string]any) {
	facts := make(map[string]any, len(e.facts))
	for k, v := range e.facts {
		facts[k] = v
	}
	values, _, err := m.compiled.Parse(raw, measure.ParseOptions{Facts: facts, Prefix: at + ".readings"})
	if err != nil {
		e.adopt("", err)
		return
	}
	if m.Kind == measure.Inspection {
		e.fail(at+".readings", "%s is judged by eye; give the outcome", m.ID)
		return
	}
	result, err := m.compiled.Evaluate(values)
	if err != nil {
		e.adopt("", err)
		return
	}
	like := make(map[string]float64, len(result.Likelihood))
	shares := make([]OutcomeProbability, len(result.Likelihood))
	for i, o := range result.Likelihood {
		like[o.ID] = o.Probability
		shares[i] = OutcomeProbability{o.ID, o.Probability}
	}
	obs, err := e.lib.ObserveLikelihood(m.ID, like)
	if err != nil {
		e.adopt(at, err)
		return
	}
	e.evidence = append(e.evidence, obs)
	e.gates = append(e.gates, Seen{Measurement: m.ID, Outcome: result.Outcome})
	e.readAs = append(e.readAs, ReadAs{Measurement: m.ID, Outcome: result.Outcome, Detail: result.Detail, Likelihood: shares, Text: result.Text})
}
