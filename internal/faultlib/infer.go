package faultlib

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
)

// inferRate is the labour rate that InferJSON reckons with, in minor units per
// hour; only proportions matter to the order of measurements.
const inferRate = 6000

// Inference is the answer of InferJSON.
type Inference struct {
	PEvidence  float64            `json:"p_evidence"`
	Causes     []CauseProbability `json:"causes"`
	Unmodelled float64            `json:"unmodelled"`
	NoFault    float64            `json:"no_fault"`
	// Roots is what the evidence says of the common circumstances, absent where
	// the library has none.
	Roots        []RootProbability `json:"roots,omitempty"`
	Explanations []ExplanationJSON `json:"explanations"`
	Covered      float64           `json:"covered"`
	Advice       AdviceJSON        `json:"advice"`
	Next         []NextJSON        `json:"next"`
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
	// Inconclusive: the result is of no use and was taken as no evidence. Note says
	// so in a sentence, or that a part of the likelihood was left out.
	Inconclusive bool   `json:"inconclusive,omitempty"`
	Note         string `json:"note,omitempty"`
}

// InferJSON infers causes and the next step from evidence in JSON:
//
//	{"context": {"facts": {"motor_plug": "external"}, "exposures": ["rain"]}, "open": ["motor_box_open"],
//	 "observations": [{"symptom": "soot_at_pin", "present": true},
//	  {"measurement": "motor_ident", "outcome": "failed"},
//	  {"measurement": "motor_ntc", "readings": {"r_ohm": "11k3"}},
//	  {"measurement": "hall_timing", "unavailable": true}]}
//
// Exposures set the priors of the roots that name them; they set no symptom.
// Numbers in the answer keep their full precision. The error is invalid and
// names each field at fault (`observations[2].measurement`).
func (l *Library) InferJSON(evidence []byte) (*Inference, error) {
	e := &evidenceReader{lib: l, seen: map[string]string{}}
	if err := e.read(evidence); err != nil {
		return nil, err
	}
	return l.infer(e)
}

func (l *Library) infer(e *evidenceReader) (*Inference, error) {
	model, err := l.Model(ModelContext{Facts: e.facts, Priors: l.RootPriors(e.exposures)})
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
		Roots: l.RootProbabilities(post), Covered: covered, TruncationBound: post.Truncation, Dropped: post.Dropped, Observations: e.readAs,
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
	diagnosis.ReasonInterlock:     "an interlock asks for it before the measurement that saves most",
	diagnosis.ReasonTakeAgain:     "it is not what the rest lets one expect, and was misread with %p; a second look costs less than the risk of a needless repair",
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
