package faultlib

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// evidenceReader checks evidence and collects what is wrong with it.
type evidenceReader struct {
	lib         *Library
	facts       map[string]string
	open        []string
	exposures   []string
	evidence    []diagnosis.Observation
	unavailable []string
	gates       []Seen
	readAs      []ReadAs
	seen        map[string]string // finding -> where it stands
	fields      []problem.Field
}

func (e *evidenceReader) fail(field, format string, args ...any) {
	e.fields = append(e.fields, problem.Field{Field: field, Message: fmt.Sprintf(format, args...)})
}

// adopt takes over the fields of an error under a prefix.
func (e *evidenceReader) adopt(prefix string, err error) {
	p := problem.As(err)
	if p == nil || len(p.Fields) == 0 {
		message := err.Error()
		if p != nil {
			message = p.Message
		}
		e.fail(prefix, "%s", message)
		return
	}
	for _, f := range p.Fields {
		e.fail(join(prefix, f.Field), "%s", f.Message)
	}
}

func (e *evidenceReader) read(evidence []byte) error {
	if len(evidence) > MaxBytes {
		return problem.New(problem.TooLarge, "The evidence has more than %d MiB.", MaxBytes>>20)
	}
	dec := json.NewDecoder(bytes.NewReader(evidence))
	var top map[string]json.RawMessage
	if err := dec.Decode(&top); err != nil || top == nil {
		return problem.InField("evidence", "a JSON object with context, open and observations is expected%s", because(err))
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return problem.InField("evidence", "something stands after the JSON object")
	}
	e.known("", top, "context", "open", "observations")
	e.context(top["context"])
	e.openings(top["open"])
	var list []json.RawMessage
	if raw := top["observations"]; given(raw) {
		if err := json.Unmarshal(raw, &list); err != nil {
			e.fail("observations", "a list is expected")
		}
	}
	for i, raw := range list {
		e.observation(indexed("observations", i), raw)
	}
	return problem.InFields(e.fields)
}

func because(err error) string {
	if err == nil {
		return ""
	}
	return " (" + err.Error() + ")"
}

func given(raw json.RawMessage) bool { return len(raw) > 0 && string(raw) != "null" }

func (e *evidenceReader) known(prefix string, m map[string]json.RawMessage, keys ...string) {
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if !slices.Contains(keys, k) {
			e.fail(join(prefix, k), "unknown; known here are %s", strings.Join(keys, ", "))
		}
	}
}

func (e *evidenceReader) context(raw json.RawMessage) {
	var ctx map[string]json.RawMessage
	if given(raw) {
		if err := json.Unmarshal(raw, &ctx); err != nil {
			e.fail("context", "an object is expected")
			return
		}
	}
	e.known("context", ctx, "facts", "exposures")
	if given(ctx["exposures"]) {
		if err := json.Unmarshal(ctx["exposures"], &e.exposures); err != nil {
			e.fail("context.exposures", "a list of exposures is expected, such as [\"rain\"]")
		}
	}
	for i, id := range e.exposures {
		if !slices.ContainsFunc(exposures, func(x Exposure) bool { return x.ID == id }) {
			e.fail(indexed("context.exposures", i), "no exposure %q", id)
		}
	}
	facts := map[string]string{}
	if given(ctx["facts"]) {
		if err := json.Unmarshal(ctx["facts"], &facts); err != nil {
			e.fail("context.facts", "an object of texts is expected, such as {\"motor_plug\": \"external\"}")
			return
		}
	}
	var err error
	if e.facts, err = e.lib.Facts(facts, "context.facts"); err != nil {
		e.adopt("", err)
	}
}

func (e *evidenceReader) openings(raw json.RawMessage) {
	var list []string
	if given(raw) {
		if err := json.Unmarshal(raw, &list); err != nil {
			e.fail("open", "a list of access states is expected")
			return
		}
	}
	// What costs nothing to reach (the board closed and off) is how a board stands.
	for i := range e.lib.Openings {
		if o := &e.lib.Openings[i]; o.OpenMin+o.CloseMin == 0 && len(o.Requires) == 0 {
			e.open = append(e.open, o.ID)
		}
	}
	for i, id := range list {
		if e.lib.Opening(id) == nil {
			e.fail(indexed("open", i), "no access state %q in this library", id)
			continue
		}
		// What is open stands open with all that it requires.
		for _, o := range e.lib.OpeningPath(id) {
			if !contains(e.open, o.ID) {
				e.open = append(e.open, o.ID)
			}
		}
	}
}

func (e *evidenceReader) observation(at string, raw json.RawMessage) {
	var o map[string]json.RawMessage
	if err := json.Unmarshal(raw, &o); err != nil || o == nil {
		e.fail(at, "an object is expected")
		return
	}
	hasSymptom, hasMeasurement := given(o["symptom"]), given(o["measurement"])
	switch {
	case hasSymptom == hasMeasurement:
		e.fail(at, "give either symptom with present, or measurement with outcome or readings")
	case hasSymptom:
		e.known(at, o, "symptom", "present")
		e.symptom(at, o)
	default:
		e.known(at, o, "measurement", "outcome", "readings", "unavailable")
		e.measurement(at, o)
	}
}

// take decodes one field of an observation.
func take[T any](e *evidenceReader, at, key, want string, raw json.RawMessage) (v T, ok bool) {
	if err := json.Unmarshal(raw, &v); err != nil {
		e.fail(at+"."+key, "%s is expected", want)
		return v, false
	}
	return v, true
}

// once reports a finding that stands twice.
func (e *evidenceReader) once(at, key, finding string) bool {
	if first, twice := e.seen[finding]; twice {
		e.fail(at+"."+key, "stands twice (first in %s); keep the one that counts", first)
		return false
	}
	e.seen[finding] = at
	return true
}

func (e *evidenceReader) symptom(at string, o map[string]json.RawMessage) {
	id, ok := take[string](e, at, "symptom", "the id of a symptom", o["symptom"])
	if !ok {
		return
	}
	if !given(o["present"]) {
		e.fail(at+".present", "is missing; give true or false")
		return
	}
	present, ok := take[bool](e, at, "present", "true or false", o["present"])
	if !ok {
		return
	}
	obs, err := e.lib.ObserveSymptom(id, present)
	if err != nil {
		e.adopt(at, err)
		return
	}
	if e.once(at, "symptom", obs.Finding) {
		e.evidence = append(e.evidence, obs)
		e.gates = append(e.gates, Seen{Symptom: id, Present: present})
		e.readAs = append(e.readAs, ReadAs{Symptom: id, Present: &present})
	}
}

func (e *evidenceReader) measurement(at string, o map[string]json.RawMessage) {
	id, ok := take[string](e, at, "measurement", "the id of a measurement", o["measurement"])
	if !ok {
		return
	}
	m := e.lib.Measurement(id)
	if m == nil {
		e.fail(at+".measurement", "no measurement %q in this library", id)
		return
	}
	if !e.once(at, "measurement", MeasurementFinding(id)) {
		return
	}
	n := 0
	for _, key := range []string{"outcome", "readings", "unavailable"} {
		if given(o[key]) {
			n++
		}
	}
	switch {
	case n != 1:
		e.fail(at, "give one of outcome, readings and unavailable")
	case given(o["unavailable"]):
		if yes, ok := take[bool](e, at, "unavailable", "true", o["unavailable"]); ok && yes {
			e.unavailable = append(e.unavailable, MeasurementFinding(id))
			e.readAs = append(e.readAs, ReadAs{Measurement: id, Unavailable: true})
		}
	case given(o["outcome"]):
		if outcome, ok := take[string](e, at, "outcome", "the id of an outcome", o["outcome"]); ok {
			e.outcome(at, id, outcome)
		}
	default:
		if readings, ok := take[map[string]any](e, at, "readings", "an object of readings", o["readings"]); ok {
			e.readings(at, m, readings)
		}
	}
}

func (e *evidenceReader) outcome(at, id, outcome string) {
	e.result(at, ReadAs{Measurement: id, Outcome: outcome}, nil)
}

// result takes a result for what it says; one of no use is listed and no evidence.
func (e *evidenceReader) result(at string, as ReadAs, likelihood map[string]float64) {
	said, err := e.lib.ObserveResult(as.Measurement, as.Outcome, likelihood)
	if err != nil {
		e.adopt(at, err)
		return
	}
	if !said.Inconclusive {
		e.evidence = append(e.evidence, said.Observation)
		e.gates = append(e.gates, Seen{Measurement: as.Measurement, Outcome: as.Outcome})
	}
	as.Inconclusive, as.Note = said.Inconclusive, said.Note
	e.readAs = append(e.readAs, as)
}

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
	e.result(at, ReadAs{Measurement: m.ID, Outcome: result.Outcome, Detail: result.Detail, Likelihood: shares, Text: result.Text}, like)
}
