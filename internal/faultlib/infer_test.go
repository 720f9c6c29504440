package faultlib

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// rawLibrary is the file as plain YAML, so that the check below shares nothing
// with the loader.
type rawLibrary struct {
	Meta struct {
		Floor      float64
		Unmodelled struct{ Prior, Strength float64 }
	}
	Symptoms []struct {
		ID   string
		Leak float64
	}
	Measurements []struct {
		ID       string
		Leak     *float64
		Outcomes []struct{ ID string }
	}
	Causes []struct {
		ID    string
		Prior float64 `yaml:"prior_per_1000"`
	}
	Links map[string]struct {
		Symptoms map[string]float64
		Outcomes map[string]map[string]float64
	}
}

// below is P(finding stays below what was seen) for one cause, and for the leak:
// F(0) of a symptom that is present, or F(L-1) of a measurement at its highest
// level, the first outcome.
type below struct {
	leak, unmodelled float64
	cause            map[string]float64
}

func (r *rawLibrary) symptom(id string) below {
	e := r.Meta.Floor
	b := below{unmodelled: (1-e)*(1-r.Meta.Unmodelled.Strength) + e/2, cause: map[string]float64{}}
	for _, s := range r.Symptoms {
		if s.ID == id {
			b.leak = (1-e)*(1-s.Leak) + e/2
		}
	}
	for cause, l := range r.Links {
		if p, ok := l.Symptoms[id]; ok {
			b.cause[cause] = (1-e)*(1-p) + e/2
		}
	}
	return b
}

func (r *rawLibrary) highest(id string) below {
	e := r.Meta.Floor
	b := below{cause: map[string]float64{}}
	for _, m := range r.Measurements {
		if m.ID != id {
			continue
		}
		n := float64(len(m.Outcomes))
		leak := 0.005
		if m.Leak != nil {
			leak = *m.Leak
		}
		b.leak = (1-e)*(1-leak/(n-1)) + e*(n-1)/n
		b.unmodelled = (1-e)*(1-r.Meta.Unmodelled.Strength/(n-1)) + e*(n-1)/n
		for cause, l := range r.Links {
			if row, ok := l.Outcomes[id]; ok {
				b.cause[cause] = (1-e)*(1-row[m.Outcomes[0].ID]) + e*(n-1)/n
			}
		}
	}
	return b
}

// exact sums inclusion and exclusion over the findings, all of which are at their
// highest level: P(E, cause forced) = Σ_S (-1)^|S| Π over S. For three findings
// the eight terms cancel by less than three digits.
func (r *rawLibrary) exact(seen []below, forced string) float64 {
	total := 0.0
	for set := range 1 << len(seen) {
		sign, p := 1.0, 1.0
		leak, unmodelled := 1.0, 1.0
		for k := range seen {
			if set>>k&1 == 1 {
				sign = -sign
				leak *= seen[k].leak
				unmodelled *= seen[k].unmodelled
			}
		}
		p *= leak
		factor := func(id string, prior, f float64) float64 {
			if id == forced {
				return prior * f
			}
			return 1 - prior + prior*f
		}
		p *= factor("unmodelled", r.Meta.Unmodelled.Prior, unmodelled)
		for _, c := range r.Causes {
			f := 1.0
			for k := range seen {
				if v, ok := seen[k].cause[c.ID]; ok && set>>k&1 == 1 {
					f *= v
				}
			}
			p *= factor(c.ID, c.Prior/1000, f)
		}
		total += sign * p
	}
	return total
}

// noFault is P(E, no cause): the leaks alone.
func (r *rawLibrary) noFault(seen []below) float64 {
	p := 1 - r.Meta.Unmodelled.Prior
	for _, b := range seen {
		p *= 1 - b.leak
	}
	for _, c := range r.Causes {
		p *= 1 - c.Prior/1000
	}
	return p
}

// TestRainScenario: ridden in rain, soot at a pin, motor identification fails; with
// the library as it is, without a floor, and without an unmodelled cause.
func TestRainScenario(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, floor, prior string }{
		{"as it is", "floor: 0.001", "{prior: 0.02,"}, {"no floor", "floor: 0 ", "{prior: 0.02,"},
		{"nothing unmodelled", "floor: 0.001", "{prior: 0,"}, {"neither", "floor: 0 ", "{prior: 0,"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			text := strings.Replace(string(Embedded()), "floor: 0.001", c.floor, 1)
			rainScenario(t, strings.Replace(text, "{prior: 0.02,", c.prior, 1))
		})
	}
}

func rainScenario(t *testing.T, text string) {
	t.Helper()
	var raw rawLibrary
	if err := yaml.Unmarshal([]byte(text), &raw); err != nil {
		t.Fatal(err)
	}
	lib := mustLoad(t, text)
	got, err := lib.InferJSON([]byte(`{"context": {"facts": {"motor_plug": "external"}}, "open": ["outside"], "observations": [
		{"symptom": "soot_at_pin", "present": true}, {"symptom": "water_history", "present": true},
		{"measurement": "motor_ident", "outcome": "failed"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	seen := []below{raw.symptom("soot_at_pin"), raw.symptom("water_history"), raw.highest("motor_ident")}
	pe := raw.exact(seen, "")
	close := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-10*math.Abs(want)) {
			t.Errorf("%s = %.17g, expected %.17g", what, got, want)
		}
	}
	close("P(E)", got.PEvidence, pe)
	close("log P(E)", got.LogEvidence, math.Log(pe))
	close("unmodelled", got.Unmodelled, raw.exact(seen, "unmodelled")/pe)
	close("no fault", got.NoFault, raw.noFault(seen)/pe)
	if len(got.Causes) != 97 {
		t.Fatalf("%d causes", len(got.Causes))
	}
	for i, c := range got.Causes {
		close(c.ID, c.Probability, raw.exact(seen, c.ID)/pe)
		if i > 0 {
			before := got.Causes[i-1]
			if before.Probability < c.Probability || before.Probability == c.Probability && before.ID > c.ID {
				t.Errorf("%s before %s", before.ID, c.ID)
			}
		}
	}
	if got.Causes[0].ID != "phase_pin_burned" {
		t.Errorf("the most probable cause is %s", got.Causes[0].ID)
	}
	checkAnswer(t, lib, got)
}

// checkAnswer looks at what every answer must keep.
func checkAnswer(t *testing.T, lib *Library, a *Inference) {
	t.Helper()
	sum := 0.0
	for i, x := range a.Explanations {
		sum += x.Probability
		if i > 0 && x.Probability > a.Explanations[i-1].Probability {
			t.Errorf("explanations out of order at %d", i)
		}
	}
	if math.Abs(sum-a.Covered) > 1e-9 || a.Covered > 1+1e-9 || len(a.Explanations) == 0 {
		t.Errorf("covered %v, the explanations sum to %v", a.Covered, sum)
	}
	if !slices.Contains([]string{"measure", "repair", "escalate"}, a.Advice.Kind) || a.Advice.Text == "" {
		t.Errorf("advice %+v", a.Advice)
	}
	if a.Advice.Kind == "measure" && lib.Measurement(a.Advice.Measurement) == nil || a.Advice.Kind == "repair" && lib.Cause(a.Advice.Cause) == nil {
		t.Errorf("advice %+v", a.Advice)
	}
	for _, n := range a.Next {
		m := lib.Measurement(n.Measurement)
		if m == nil || len(n.Outcomes) != len(m.Outcomes) || n.Cost < 0 || n.Minutes < m.Minutes {
			t.Errorf("next %+v", n)
			continue
		}
		sum := 0.0
		for i, o := range n.Outcomes {
			sum += o.Probability
			if o.ID != m.Outcomes[i].ID {
				t.Errorf("%s: outcome %s out of order", n.Measurement, o.ID)
			}
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Errorf("%s: outcomes sum to %v", n.Measurement, sum)
		}
	}
}

func TestInferReadings(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	a, err := lib.InferJSON([]byte(`{"observations": [
		{"measurement": "phase_resistance_3", "readings": {"r_ab": "101 mOhm", "r_bc": 100, "r_ca": {"value": 0.1005, "unit": "Ohm"}, "t_wind_c": 20, "r_model_20": null, "flex_change_pct": 0.2}},
		{"measurement": "hall_timing", "unavailable": true}, {"symptom": "stutter_at_start", "present": false}]}`))
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Observations) != 3 || a.Observations[0].Outcome != "balanced" || a.Observations[0].Text == "" {
		t.Errorf("read as %+v", a.Observations)
	}
	for _, n := range a.Next {
		if n.Measurement == "hall_timing" || n.Measurement == "phase_resistance_3" {
			t.Errorf("%s is proposed again", n.Measurement)
		}
	}
	checkAnswer(t, lib, a)
	// The same by its outcome gives the same, for the reading is far from a limit.
	b, err := lib.InferJSON([]byte(`{"observations": [{"measurement": "phase_resistance_3", "outcome": "balanced"},
		{"measurement": "hall_timing", "unavailable": true}, {"symptom": "stutter_at_start", "present": false}]}`))
	if err != nil {
		t.Fatal(err)
	}
	if a.PEvidence != b.PEvidence {
		t.Errorf("P(E) %v and %v", a.PEvidence, b.PEvidence)
	}
}

func TestInferNothingSeen(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	for _, text := range []string{`{}`, `{"context": {}, "open": [], "observations": []}`, `{"context": null, "observations": null}`} {
		a, err := lib.InferJSON([]byte(text))
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if a.PEvidence != 1 {
			t.Errorf("P of nothing is %v", a.PEvidence)
		}
		for _, c := range a.Causes {
			near(t, c.ID, c.Probability, lib.Cause(c.ID).PriorPer1000/1000)
		}
		near(t, "unmodelled", a.Unmodelled, 0.02)
	}
}

func TestInferStops(t *testing.T) {
	t.Parallel()
	a, err := embeddedLibrary(t).InferJSON([]byte(`{"observations": [{"measurement": "pack_heat_triage",
		"readings": {"t_box_c": "41 C", "t_amb_c": 21, "t_box10_c": 43}}]}`))
	if err != nil {
		t.Fatal(err)
	}
	if !a.Advice.Stop || a.Advice.Kind != "escalate" || len(a.Next) != 0 || !strings.Contains(a.Advice.Text, "do not continue") {
		t.Errorf("advice %+v, %d next", a.Advice, len(a.Next))
	}
}

func TestInferKeepsFullPrecision(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0.001", "0.02"))
	a, err := lib.InferJSON([]byte(`{"observations": [{"symptom": "stutters", "present": true}]}`))
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var back Inference
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if back.PEvidence != a.PEvidence || back.Causes[0] != a.Causes[0] {
		t.Errorf("%v became %v", a.PEvidence, back.PEvidence)
	}
}

func TestInferErrorsNameTheField(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	for _, c := range []struct {
		evidence string
		fields   []string
	}{
		{`[]`, []string{"evidence"}},
		{`{`, []string{"evidence"}},
		{`{} {}`, []string{"evidence"}},
		{`{"observation": []}`, []string{"observation"}},
		{`{"observations": {}}`, []string{"observations"}},
		{`{"context": {"fact": {}}}`, []string{"context.fact"}},
		{`{"context": {"facts": {"motor_plug": "outside"}}}`, []string{"context.facts.motor_plug"}},
		{`{"context": {"facts": {"motor_plug": 1}}}`, []string{"context.facts"}},
		{`{"open": ["lid"]}`, []string{"open[0]"}},
		{`{"open": "lid"}`, []string{"open"}},
		{`{"observations": [{"symptom": "x", "present": true}]}`, []string{"observations[0].symptom"}},
		{`{"observations": [{"symptom": "wheel_play"}]}`, []string{"observations[0].present"}},
		{`{"observations": [{"symptom": "wheel_play", "present": "yes"}]}`, []string{"observations[0].present"}},
		{`{"observations": [{}]}`, []string{"observations[0]"}},
		{`{"observations": [7]}`, []string{"observations[0]"}},
		{`{"observations": [{"symptom": "wheel_play", "present": true, "sure": true}]}`, []string{"observations[0].sure"}},
		{`{"observations": [{"symptom": "wheel_play", "present": true}, {"measurement": "x", "outcome": "y"}, {"measurement": "hall_timing", "outcome": "y"}]}`,
			[]string{"observations[1].measurement", "observations[2].outcome"}},
		{`{"observations": [{"measurement": "hall_timing"}]}`, []string{"observations[0]"}},
		{`{"observations": [{"measurement": "hall_timing", "outcome": "even", "readings": {}}]}`, []string{"observations[0]"}},
		{`{"observations": [{"measurement": "hall_timing", "outcome": "even"}, {"measurement": "hall_timing", "outcome": "even"}]}`, []string{"observations[1].measurement"}},
		{`{"observations": [{"measurement": "bus_termination", "readings": {"r_ohm": "60 V"}}]}`, []string{"observations[0].readings.r_ohm"}},
		{`{"observations": [{"measurement": "bus_termination", "readings": {}}]}`, []string{"observations[0].readings.r_ohm"}},
		{`{"observations": [{"measurement": "stand_spin", "readings": {}}]}`, []string{"observations[0].readings"}},
	} {
		_, err := lib.InferJSON([]byte(c.evidence))
		p := problem.As(err)
		if p == nil || p.Code != problem.Invalid {
			t.Errorf("%s: %v", c.evidence, err)
			continue
		}
		var got []string
		for _, f := range p.Fields {
			got = append(got, f.Field)
			if f.Message == "" {
				t.Errorf("%s: %s says nothing", c.evidence, f.Field)
			}
		}
		if !slices.Equal(got, c.fields) {
			t.Errorf("%s: fields %v, expected %v", c.evidence, got, c.fields)
		}
	}
}

// TestAdviceTexts: every reason that the engine can give has words.
func TestAdviceTexts(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0", "0.02"))
	for _, c := range []struct {
		advice diagnosis.Advice
		want   string
	}{
		{diagnosis.Advice{Kind: diagnosis.AdviseMeasure, Finding: "m:loop", Reason: diagnosis.Reason{Code: diagnosis.ReasonAlreadyOpen}},
			"Measure: Loop resistance; it saves most for what it costs, and what it needs is open already."},
		{diagnosis.Advice{Kind: diagnosis.AdviseRepair, Cause: "cable_open", Reason: diagnosis.Reason{Code: diagnosis.ReasonConfident, Probability: 0.934}},
			"Repair: Cable open; its probability is 93 %."},
		{diagnosis.Advice{Kind: diagnosis.AdviseEscalate, Reason: diagnosis.Reason{Code: diagnosis.ReasonUnmodelled, Probability: 0.4}},
			"Hand over; with 40 % this is outside what the library knows."},
	} {
		if got := lib.AdviceText(&c.advice); got != c.want {
			t.Errorf("%q, expected %q", got, c.want)
		}
	}
	for _, code := range []string{diagnosis.ReasonBestGain, diagnosis.ReasonAlreadyOpen, diagnosis.ReasonSharedOpening, diagnosis.ReasonConfident,
		diagnosis.ReasonConfirmed, diagnosis.ReasonNothingPays, diagnosis.ReasonNothingLeft, diagnosis.ReasonUnmodelled, diagnosis.ReasonNoFault,
		diagnosis.ReasonNothingHelps} {
		if reasonWords[code] == "" {
			t.Errorf("no words for the reason %s", code)
		}
	}
}

func FuzzInferJSON(f *testing.F) {
	f.Add([]byte(`{"context": {"facts": {"plug": "outside"}}, "open": ["box_open"], "observations": [{"symptom": "stutters", "present": true}, {"measurement": "loop", "readings": {"r": "4k7"}}]}`))
	f.Add([]byte(`{"observations": [{"measurement": "loop", "outcome": "open"}, {"symptom": "smoke", "present": false}]}`))
	f.Add([]byte(`{"observations": [{"measurement": "loop", "readings": {"r": [1, {}]}}, null, {"measurement": "loop", "unavailable": true}]}`))
	lib := mustLoad(f, tinyWith("0.001", "0.02"))
	f.Fuzz(func(t *testing.T, data []byte) {
		a, err := lib.InferJSON(data)
		if err != nil {
			if p := problem.As(err); p == nil || p.Message == "" {
				t.Fatalf("error %v", err)
			}
			return
		}
		if !(a.PEvidence > 0) || len(a.Causes) != 2 {
			t.Fatalf("answer %+v", a)
		}
	})
}
