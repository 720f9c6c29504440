package faultlib

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// Findings of the model are named by kind, for a symptom and a measurement may
// share an id.
const (
	symptomPrefix     = "s:"
	measurementPrefix = "m:"
)

// SymptomFinding and MeasurementFinding are the ids of findings in the model.
func SymptomFinding(id string) string { return symptomPrefix + id }

// MeasurementFinding is the id of a measurement's finding in the model.
func MeasurementFinding(id string) string { return measurementPrefix + id }

// FindingOf splits a finding's id; exactly one of the two is not empty.
func FindingOf(finding string) (symptom, measurement string) {
	if s, ok := strings.CutPrefix(finding, symptomPrefix); ok {
		return s, ""
	}
	return "", strings.TrimPrefix(finding, measurementPrefix)
}

// ModelContext is what of a board and a shop bears on the model.
type ModelContext struct {
	// Facts of the board. In this format they change what a measurement costs,
	// not what it means: no prior and no link depends on them.
	Facts map[string]string
	// Priors replace a cause's prior (a probability), by cause id;
	// diagnosis.UnmodelledID replaces that of the unmodelled cause. By root id
	// they say how probable a root is, see RootPriors; hazards stay as the
	// library's own prior of the root has them.
	Priors map[string]float64
	// Links replace links of the file, each by a distribution over the finding's
	// levels before the floor. A pair that is no link in the file is refused.
	Links []diagnosis.Link
}

// Model builds the causal model: a leaky noisy-OR for symptoms, a leaky
// noisy-MAX for measurements.
//
// A measurement's abnormal outcomes are its levels, the first the highest; its
// normal outcomes together are level 0. What a row leaves is on level 0. Each
// leak and each link that stands in the file is mixed with the uniform
// distribution over the finding's levels by meta.floor; a pair that does not
// stand in the file is no link. The unmodelled cause is linked to every finding.
// The error is invalid and names the prior at fault.
func (l *Library) Model(ctx ModelContext) (*diagnosis.Model, error) {
	roots := map[string]float64{}
	for i := range l.Roots {
		if p, ok := ctx.Priors[l.Roots[i].ID]; ok {
			roots[l.Roots[i].ID] = p
		}
	}
	spec, err := l.Spec(ctx)
	if err != nil {
		return nil, err
	}
	m, err := diagnosis.New(spec)
	if err != nil || len(roots) == 0 {
		return m, err
	}
	return m.WithPriors(roots)
}

// Spec is the causal model by values, as Model builds it, but for the roots,
// which keep the library's priors. The error is Model's.
func (l *Library) Spec(ctx ModelContext) (diagnosis.Spec, error) {
	spec := diagnosis.Spec{Unmodelled: l.Meta.UnmodelledPrior}
	for i := range l.Causes {
		c := &l.Causes[i]
		spec.Causes = append(spec.Causes, diagnosis.Cause{ID: c.ID, Prior: c.PriorPer1000 / 1000})
	}
	if err := l.override(&spec, ctx.Priors); err != nil {
		return spec, err
	}
	for i := range l.Symptoms {
		s := &l.Symptoms[i]
		spec.Findings = append(spec.Findings, diagnosis.Finding{ID: SymptomFinding(s.ID),
			Levels: []string{"absent", "present"}, Leak: l.floored([]float64{1 - s.Leak, s.Leak})})
	}
	for i := range l.Measurements {
		m := &l.Measurements[i]
		spec.Findings = append(spec.Findings, diagnosis.Finding{ID: MeasurementFinding(m.ID),
			Levels: m.levelNames(), Leak: l.floored(m.spread(m.Leak))})
	}
	rows := l.LinkRows()
	if err := relink(rows, ctx.Links); err != nil {
		return spec, err
	}
	for _, r := range rows {
		spec.Links = append(spec.Links, diagnosis.Link{Cause: r.Cause, Finding: r.Finding, P: l.floored(r.P)})
	}
	if spec.Unmodelled > 0 {
		strength := l.Meta.UnmodelledStrength
		for _, f := range spec.Findings {
			p := []float64{1 - strength, strength}
			if _, id := FindingOf(f.ID); id != "" {
				p = l.Measurement(id).spread(strength)
			}
			spec.UnmodelledLinks = append(spec.UnmodelledLinks, diagnosis.Link{Cause: diagnosis.UnmodelledID, Finding: f.ID, P: l.floored(p)})
		}
	}
	l.addRoots(&spec)
	return spec, nil
}

func (l *Library) override(spec *diagnosis.Spec, priors map[string]float64) error {
	var wrong []problem.Field
	for _, id := range slices.Sorted(maps.Keys(priors)) {
		p := priors[id]
		i, known := l.index.causes[id]
		switch {
		case l.Root(id) != nil:
		case !known && id != diagnosis.UnmodelledID:
			wrong = append(wrong, problem.Field{Field: "priors." + id, Message: "the library has no cause of that name"})
		case math.IsNaN(p) || p < 0 || p > 1:
			wrong = append(wrong, problem.Field{Field: "priors." + id, Message: fmt.Sprintf("%v; give a probability from 0 to 1", p)})
		case known:
			spec.Causes[i].Prior = p
		default:
			spec.Unmodelled = p
		}
	}
	return problem.InFields(wrong)
}

// floored mixes a distribution with the uniform one over its levels.
func (l *Library) floored(p []float64) []float64 {
	e := l.Meta.Floor
	for i := range p {
		p[i] = (1-e)*p[i] + e/float64(len(p))
	}
	return p
}

// spread shares a probability equally among the abnormal levels.
func (m *Measurement) spread(abnormal float64) []float64 {
	p := make([]float64, m.Levels)
	p[0] = 1 - abnormal
	for x := 1; x < m.Levels; x++ {
		p[x] = abnormal / float64(m.Levels-1)
	}
	return p
}

// row is a link's distribution over levels: the rest is on level 0.
func (m *Measurement) row(outcomes map[string]float64) []float64 {
	p := make([]float64, m.Levels)
	sum := 0.0
	for i, o := range m.Outcomes {
		if x := m.LevelOf[i]; x > 0 {
			p[x] = outcomes[o.ID]
			sum += p[x]
		}
	}
	p[0] = math.Max(0, 1-sum)
	return p
}

func (m *Measurement) levelNames() []string {
	names := make([]string, m.Levels)
	names[0] = strings.Join(m.normals(), "|")
	for i, o := range m.Outcomes {
		if x := m.LevelOf[i]; x > 0 {
			names[x] = o.ID
		}
	}
	return names
}

// OutcomeProbability is an outcome with its probability.
type OutcomeProbability struct {
	ID          string  `json:"id"`
	Probability float64 `json:"probability"`
}

// OutcomeProbabilities turns probabilities by level, as the model predicts them,
// into those of the outcomes in file order. Several normal outcomes share level
// 0's probability equally, for nothing in the model tells them apart.
func (m *Measurement) OutcomeProbabilities(levels []float64) []OutcomeProbability {
	if len(levels) != m.Levels {
		return nil
	}
	normal := float64(len(m.Outcomes) - (m.Levels - 1))
	out := make([]OutcomeProbability, len(m.Outcomes))
	for i, o := range m.Outcomes {
		p := levels[m.LevelOf[i]]
		if m.LevelOf[i] == 0 {
			p /= normal
		}
		out[i] = OutcomeProbability{o.ID, p}
	}
	return out
}

// ObserveSymptom is the evidence that a symptom is present or absent. The error
// names the field symptom.
func (l *Library) ObserveSymptom(id string, present bool) (diagnosis.Observation, error) {
	if l.Symptom(id) == nil {
		return diagnosis.Observation{}, problem.InField("symptom", "no symptom %q in this library", id)
	}
	o := diagnosis.Observation{Finding: SymptomFinding(id)}
	if present {
		o.Level = 1
	}
	return o, nil
}

// ObserveOutcome is the evidence of a measurement's outcome. The error names the
// field measurement or outcome.
func (l *Library) ObserveOutcome(measurement, outcome string) (diagnosis.Observation, error) {
	m := l.Measurement(measurement)
	if m == nil {
		return diagnosis.Observation{}, problem.InField("measurement", "no measurement %q in this library", measurement)
	}
	i := m.outcome(outcome)
	if i < 0 {
		return diagnosis.Observation{}, problem.InField("outcome", "measurement %s has no outcome %q; it has %s", measurement, outcome, strings.Join(m.outcomeIDs(), ", "))
	}
	return diagnosis.Observation{Finding: MeasurementFinding(measurement), Level: m.LevelOf[i]}, nil
}

func (m *Measurement) outcomeIDs() []string {
	ids := make([]string, len(m.Outcomes))
	for i, o := range m.Outcomes {
		ids[i] = o.ID
	}
	return ids
}

// ObserveLikelihood is the evidence of a reading that may belong to several
// outcomes: the likelihood of each by its id, those not named 0. The likelihood
// of level 0 is the sum over the normal outcomes. A likelihood that lies on one
// level alone is plain evidence. The error names the field measurement or
// likelihood.
func (l *Library) ObserveLikelihood(measurement string, likelihood map[string]float64) (diagnosis.Observation, error) {
	m := l.Measurement(measurement)
	if m == nil {
		return diagnosis.Observation{}, problem.InField("measurement", "no measurement %q in this library", measurement)
	}
	var wrong []problem.Field
	like := make([]float64, m.Levels)
	for _, id := range slices.Sorted(maps.Keys(likelihood)) {
		v, i := likelihood[id], m.outcome(id)
		switch {
		case i < 0:
			wrong = append(wrong, problem.Field{Field: "likelihood." + id, Message: fmt.Sprintf("measurement %s has no such outcome", measurement)})
		case math.IsNaN(v) || math.IsInf(v, 0) || v < 0:
			wrong = append(wrong, problem.Field{Field: "likelihood." + id, Message: fmt.Sprintf("%v; a likelihood is finite and not negative", v)})
		default:
			like[m.LevelOf[i]] += v
		}
	}
	if err := problem.InFields(wrong); err != nil {
		return diagnosis.Observation{}, err
	}
	o := diagnosis.Observation{Finding: MeasurementFinding(measurement), Likelihood: like}
	positive := 0
	for x, v := range like {
		if v > 0 {
			positive++
			o.Level = x
		}
	}
	switch positive {
	case 0:
		return diagnosis.Observation{}, problem.InField("likelihood", "at least one outcome must be possible")
	case 1:
		o.Likelihood = nil
	default:
		o.Level = 0
	}
	return o, nil
}

// Seen is a symptom or an outcome, as a gate looks at it.
type Seen struct {
	Symptom string
	Present bool
	// Measurement and Outcome are set where Symptom is not.
	Measurement, Outcome string
}

// stopHazard is the level whose rule is shown when a gate stops the work.
const stopHazard = 4

// StopFor returns the first gate, in file order, that what was seen makes a
// stop, with the hazard whose rule is then shown; nil, nil when the work may go
// on. A symptom marked safety_stop stops also where no gate names it.
func (l *Library) StopFor(seen []Seen) (*Gate, *Hazard) {
	gates := slices.Clone(l.Gates)
	for i := range l.Symptoms {
		s := &l.Symptoms[i]
		if s.SafetyStop && !slices.ContainsFunc(gates, func(g Gate) bool { return g.Symptom == s.ID }) {
			gates = append(gates, Gate{Symptom: s.ID})
		}
	}
	for i := range gates {
		g := &gates[i]
		for _, s := range seen {
			if g.Symptom != "" && g.Symptom == s.Symptom && s.Present ||
				g.Measurement != "" && g.Measurement == s.Measurement && contains(g.StopOn, s.Outcome) {
				h := l.Hazard(stopHazard)
				if h == nil {
					h = &Hazard{Level: stopHazard, Name: "stop", Rule: "Stop: do not go on. Get people away from the board and call the supervisor."}
				}
				return g, h
			}
		}
	}
	return nil, nil
}
