package shop

import (
	"fmt"

	"nextprobe/internal/faultlib"
)

// stopSign is a stop sign seen in a job and where it stands.
type stopSign struct {
	gate   string
	text   string
	rule   string
	by     *Observation
	met    bool
	metBy  *ID
	proofs []string // measurements that end it after a repair
}

// stopSigns lists the stop signs seen in a job, in order of time. One ends when
// it is retracted, or when a fault was repaired after it and every gate
// measurement came out normal after that repair. A normal result alone does not
// end it: a pack that warmed up by itself once is not sound because it has
// cooled down.
func stopSigns(lib *faultlib.Library, f JobFile) []stopSign {
	proofs := gateMeasurements(lib)
	var out []stopSign
	for i := range f.Observations {
		o := &f.Observations[i]
		text, rule := stopOf(lib, o)
		if text == "" || o.RetractedAt != nil {
			continue
		}
		s := stopSign{gate: o.Symptom + o.Measurement, text: text, rule: rule, by: o, proofs: proofs}
		s.met, s.metBy = stopEnded(lib, f, o, proofs)
		out = append(out, s)
	}
	return out
}

func gateMeasurements(lib *faultlib.Library) []string {
	var out []string
	for _, g := range lib.Gates {
		if g.Measurement != "" {
			out = append(out, g.Measurement)
		}
	}
	return out
}

// stopOf says what was seen and which rule to follow when an observation is a
// stop sign; "" when it is none.
func stopOf(lib *faultlib.Library, o *Observation) (text, rule string) {
	seen := faultlib.Seen{Symptom: o.Symptom, Present: o.Present}
	if o.Result != nil {
		seen = faultlib.Seen{Measurement: o.Measurement, Outcome: o.Result.Outcome}
	}
	gate, hazard := lib.StopFor([]faultlib.Seen{seen})
	switch {
	case gate == nil:
		return "", ""
	case gate.Symptom != "":
		return lib.Symptom(gate.Symptom).Text + ".", hazard.Rule
	}
	m := lib.Measurement(gate.Measurement)
	return fmt.Sprintf("%s came out as “%s”: %s.", m.Title, outcomeName(m, o.Result.Outcome), meaning(m, o.Result.Outcome)), hazard.Rule
}

func stopEnded(lib *faultlib.Library, f JobFile, o *Observation, proofs []string) (bool, *ID) {
	repaired := stamp{}
	for i := range f.Repairs {
		if r := f.Repairs[i].stamp(); r.after(o.stamp()) {
			repaired = later(repaired, r)
		}
	}
	if repaired == (stamp{}) || len(proofs) == 0 {
		return false, nil
	}
	var by *ID
	for _, id := range proofs {
		m := lib.Measurement(id)
		if by = f.proof(id, acceptable(m, nil), repaired, true); by == nil {
			return false, nil
		}
	}
	return true, by
}

func meaning(m *faultlib.Measurement, outcome string) string {
	for _, o := range m.Outcomes {
		if o.ID == outcome {
			return o.Meaning
		}
	}
	return ""
}

func stopItems(lib *faultlib.Library, f JobFile) []Requirement {
	var out []Requirement
	for _, s := range stopSigns(lib, f) {
		item := Requirement{Kind: requireStop, Met: s.met, MetBy: s.metBy, Why: s.text}
		if len(s.proofs) > 0 {
			m := lib.Measurement(s.proofs[0])
			item.Measurement, item.Outcomes = m.ID, acceptable(m, nil)
			item.Text = fmt.Sprintf("A stop sign stands: repair what caused it, then %s must come out as %s; or retract it if it was a mistake.", m.Title, outcomeNames(m, item.Outcomes))
		}
		out = append(out, item)
	}
	return out
}

// standingStop is the first stop sign that has not ended; nil when none stands.
func standingStop(lib *faultlib.Library, f JobFile) *Stop {
	for _, s := range stopSigns(lib, f) {
		if !s.met {
			return &Stop{Gate: s.gate, Text: s.text, Rule: s.rule, ObservationID: s.by.ID}
		}
	}
	return nil
}
