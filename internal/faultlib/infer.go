package faultlib

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// inferRate is the labour rate that InferJSON reckons with, in minor units per
// hour; only proportions matter to the order of measurements.
const inferRate = 6000

// Inference is the answer of InferJSON.
type Inference struct {
	PEvidence    float64            `json:"p_evidence"`
	Causes       []CauseProbability `json:"causes"`
	Unmodelled   float64            `json:"unmodelled"`
	NoFault      float64            `json:"no_fault"`
	Explanations []ExplanationJSON  `json:"explanations"`
	Covered      float64            `json:"covered"`
	Advice       AdviceJSON         `json:"advice"`
	Next         []NextJSON         `json:"next"`
	// Observations are what the readings were taken as.
	Observations []ReadAs `json:"observations"`
	// LogEvidence is ln P(E), for evidence so improbable that P(E) underflows;
	// TruncationBound how far the probabilities may be off, 0 when exact.
	LogEvidence     float64  `json:"log_evidence"`
	TruncationBound float64  `json:"truncation_bound"`
	Dropped         []string `json:"dropped,omitempty"`
}

// CauseProbability is P(cause present | E).
type CauseProbability struct {
	ID          string  `json:"id"`
	Probability float64 `json:"probability"`
}

// ExplanationJSON is a set of causes with the probability that these and no
// others are present; the empty set is "no fault".
type ExplanationJSON struct {
	Causes      []string `json:"causes"`
	Probability float64  `json:"probability"`
}

// AdviceJSON is the next step. Kind is measure, repair or escalate.
type AdviceJSON struct {
	Kind        string `json:"kind"`
	Measurement string `json:"measurement,omitempty"`
	Cause       string `json:"cause,omitempty"`
	Reason      string `json:"reason"`
	Text        string `json:"text"`
	// ExpectedCost is in minor units at 60.00 per hour of labour.
	ExpectedCost float64 `json:"expected_cost"`
	// Stop is set where a gate ends guided diagnosis.
	Stop bool `json:"stop,omitempty"`
}

// NextJSON is a measurement that may be taken, best first.
type NextJSON struct {
	Measurement string               `json:"measurement"`
	Cost        float64              `json:"cost"`
	Minutes     float64              `json:"minutes"`
	Score       float64              `json:"score"`
	Access      []string             `json:"access"`
	Hazard      int                  `json:"hazard"`
	Outcomes    []OutcomeProbability `json:"outcomes"`
}

// ReadAs is how one observation of the evidence was read.
type ReadAs struct {
	Symptom     string               `json:"symptom,omitempty"`
	Present     *bool                `json:"present,omitempty"`
	Measurement string               `json:"measurement,omitempty"`
	Outcome     string               `json:"outcome,omitempty"`
	Detail      string               `json:"detail,omitempty"`
	Likelihood  []OutcomeProbability `json:"likelihood,omitempty"`
	Text        string               `json:"text,omitempty"`
	Unavailable bool                 `json:"unavailable,omitempty"`
}

// InferJSON infers causes and the next step from evidence in JSON:
//
//	{"context": {"facts": {"motor_plug": "external"}}, "open": ["motor_box_open"],
//	 "observations": [{"symptom": "soot_at_pin", "present": true},
//	  {"measurement": "motor_ident", "outcome": "failed"},
//	  {"measurement": "motor_ntc", "readings": {"r_ohm": "11k3"}},
//	  {"measurement": "hall_timing", "unavailable": true}]}
//
// Numbers in the answer keep their full precision. The error is invalid and
// names each field at fault (`observations[2].measurement`).
func (l *Library) InferJSON(evidence []byte) (*Inference, error) {
	e := &evidenceReader{lib: l, seen: map[string]int{}}
	if err := e.read(evidence); err != nil {
		return nil, err
	}
	return l.infer(e)
}

func (l *Library) infer(e *evidenceReader) (*Inference, error) {
	model, err := l.Model(ModelContext{Facts: e.facts})
	if err != nil {
		return nil, err
	}
	advice, err := model.Advise(e.evidence, l.Economy(EconomyContext{Facts: e.facts, LabourPerHour: inferRate}),
		diagnosis.State{Open: e.open, Unavailable: e.unavailable})
	if err != nil {
		return nil, err
	}
	explanations, covered, err := model.Explanations(e.evidence, diagnosis.ExplainOptions{})
	if err != nil {
		return nil, err
	}
	post := advice.Posterior
	a := &Inference{PEvidence: post.PEvidence, LogEvidence: post.LogEvidence, Unmodelled: post.Unmodelled, NoFault: post.NoFault,
		Covered: covered, TruncationBound: post.Truncation, Dropped: post.Dropped, Observations: e.readAs,
		Explanations: []ExplanationJSON{}, Next: []NextJSON{}}
	for i, c := range model.Causes() {
		a.Causes = append(a.Causes, CauseProbability{c.ID, post.Marginals[i]})
	}
	slices.SortFunc(a.Causes, func(x, y CauseProbability) int {
		return cmp.Or(cmp.Compare(y.Probability, x.Probability), cmp.Compare(x.ID, y.ID))
	})
	for _, x := range explanations {
		a.Explanations = append(a.Explanations, ExplanationJSON{append([]string{}, x.Causes...), x.Probability})
	}
	if gate, hazard := l.StopFor(e.gates); gate != nil {
		a.Advice = AdviceJSON{Kind: diagnosis.AdviseEscalate, Reason: "stop", Stop: true, Text: "Stop: " + hazard.Rule + "."}
		return a, nil
	}
	for _, c := range advice.Candidates {
		_, id := FindingOf(c.Finding)
		a.Next = append(a.Next, NextJSON{Measurement: id, Cost: c.Cost, Minutes: c.Minutes, Score: c.Score,
			Access: append([]string{}, c.Access...), Hazard: c.Hazard, Outcomes: l.Measurement(id).OutcomeProbabilities(c.Outcomes)})
	}
	a.Advice = l.adviceJSON(advice)
	return a, nil
}

func (l *Library) adviceJSON(advice *diagnosis.Advice) AdviceJSON {
	_, measurement := FindingOf(advice.Finding)
	return AdviceJSON{Kind: advice.Kind, Measurement: measurement, Cause: advice.Cause, Reason: advice.Reason.Code,
		Text: l.AdviceText(advice), ExpectedCost: advice.ExpectedCost}
}

// reasonWords say why, by the reason's code; %p is the probability in per cent.
var reasonWords = map[string]string{
	diagnosis.ReasonBestGain:      "it saves most for what it costs",
	diagnosis.ReasonAlreadyOpen:   "it saves most for what it costs, and what it needs is open already",
	diagnosis.ReasonSharedOpening: "together with others behind the same opening it saves most for what it costs",
	diagnosis.ReasonConfident:     "its probability is %p",
	diagnosis.ReasonConfirmed:     "the fault is confirmed and nothing else pays",
	diagnosis.ReasonNothingPays:   "no measurement saves what it costs; its probability is %p",
	diagnosis.ReasonNothingLeft:   "no measurement is left; its probability is %p",
	diagnosis.ReasonUnmodelled:    "with %p this is outside what the library knows",
	diagnosis.ReasonNoFault:       "with %p nothing is wrong that the library knows",
	diagnosis.ReasonNothingHelps:  "neither a measurement nor a repair is worth its cost",
}

// AdviceText words an advice in one sentence with its reason.
func (l *Library) AdviceText(a *diagnosis.Advice) string {
	why := strings.ReplaceAll(reasonWords[a.Reason.Code], "%p", fmt.Sprintf("%.0f %%", 100*a.Reason.Probability))
	what := "Hand over"
	_, measurement := FindingOf(a.Finding)
	if m := l.Measurement(measurement); m != nil && a.Kind == diagnosis.AdviseMeasure {
		what = "Measure: " + m.Title
	} else if c := l.Cause(a.Cause); c != nil && a.Kind == diagnosis.AdviseRepair {
		what = "Repair: " + c.Name
	}
	if why == "" {
		return what + "."
	}
	return what + "; " + why + "."
}

// evidenceReader checks evidence and collects what is wrong with it.
type evidenceReader struct {
	lib         *Library
	facts       map[string]string
	open        []string
	evidence    []diagnosis.Observation
	unavailable []string
	gates       []Seen
	readAs      []ReadAs
	seen        map[string]int
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
	if _, err := dec.Token(); err != io.EOF {
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
	e.known("context", ctx, "facts")
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
		e.fail(at+"."+key, "stands twice (first in observations[%d]); keep the one that counts", first)
		return false
	}
	var i int
	if _, err := fmt.Sscanf(at, "observations[%d]", &i); err == nil {
		e.seen[finding] = i
	}
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
	obs, err := e.lib.ObserveOutcome(id, outcome)
	if err != nil {
		e.adopt(at, err)
		return
	}
	e.evidence = append(e.evidence, obs)
	e.gates = append(e.gates, Seen{Measurement: id, Outcome: outcome})
	e.readAs = append(e.readAs, ReadAs{Measurement: id, Outcome: outcome})
}
