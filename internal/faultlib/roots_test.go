package faultlib

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
)

const wet = `  - {id: wet, by: customer, group: history, text: "Was wet", ask: "When?", leak: 0}
`

const oneRoot = `roots:
  water: {name: "Water came in", prior: 0.5, symptoms: {wet: 1}, exposures: {storage: 1}, raises: {cable_open: 3, sensor_dead: 3}}
`

// rooted is the tiny library, floor 0 and nothing unmodelled, with a symptom for
// water and a section roots.
func rooted(roots string) string {
	return strings.Replace(tinyWith("0", "0"), "measurements:\n", wet+"measurements:\n", 1) + roots
}

// solveY is the y with y + y³ = 2(1 − p): exp(−hazard) of a cause with marginal p
// under a root of 1/2 and factor 3.
func solveY(p float64) float64 {
	y := 1.0
	for range 60 {
		y -= (y*y*y + y - 2*(1-p)) / (3*y*y + 1)
	}
	return y
}

func TestRootsRaiseCausesTogether(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, rooted(oneRoot))
	y := solveY(0.05)
	dry, soaked := 1-y, 1-y*y*y
	for _, c := range []struct {
		evidence string
		water    float64
		cable    float64
	}{
		{`{}`, 0.5, 0.05},
		{`{"observations": [{"symptom": "wet", "present": true}]}`, 1, soaked},
		{`{"observations": [{"symptom": "wet", "present": false}]}`, 0, dry},
		{`{"context": {"exposures": ["storage"]}}`, 1, soaked},
		{`{"context": {"exposures": ["rain"]}}`, 0.5, 0.05},
	} {
		a, err := lib.InferJSON([]byte(c.evidence))
		if err != nil {
			t.Fatal(c.evidence, err)
		}
		if len(a.Roots) != 1 || a.Roots[0].ID != "water" || math.Abs(a.Roots[0].Probability-c.water) > 1e-12 {
			t.Errorf("%s: roots %v, want water %v", c.evidence, a.Roots, c.water)
		}
		for _, x := range a.Causes {
			if x.ID == "cable_open" && math.Abs(x.Probability-c.cable) > 1e-12 {
				t.Errorf("%s: cable_open %v, want %v", c.evidence, x.Probability, c.cable)
			}
		}
	}
	// A cause that is there speaks for water, and water for the other cause.
	m, err := lib.Model(ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	known, err := m.WithPriors(map[string]float64{"cable_open": 1 - 1e-12})
	if err != nil {
		t.Fatal(err)
	}
	if got := known.Roots(); len(got) != 1 || got[0].ID != "water" || got[0].Prior != 0.5 {
		t.Errorf("roots %v", got)
	}
	open, err := lib.ObserveOutcome("loop", "open")
	if err != nil {
		t.Fatal(err)
	}
	post, err := m.Infer([]diagnosis.Observation{open})
	if err != nil {
		t.Fatal(err)
	}
	other := m.CauseIndex("sensor_dead")
	if post.Roots[0] <= 0.6 || post.Marginals[other] <= 0.02 {
		t.Errorf("an open cable gives water %v and a dead sensor %v", post.Roots[0], post.Marginals[other])
	}
}

func TestLibrariesWithoutRootsReportNone(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0.001", "0.02"))
	a, err := lib.InferJSON([]byte(`{}`))
	if err != nil {
		t.Fatal(err)
	}
	raw, err := json.Marshal(a)
	if err != nil || strings.Contains(string(raw), `"roots"`) {
		t.Errorf("roots in %s (%v)", raw, err)
	}
	if len(lib.Roots) > 0 || len(lib.RootPriors([]string{"rain"})) > 0 || lib.Root("water") != nil {
		t.Error("roots without roots")
	}
	if _, err := lib.InferJSON([]byte(`{"context": {"exposures": ["frogs"]}}`)); err == nil || !strings.Contains(err.Error(), "frogs") {
		t.Errorf("an unknown exposure: %v", err)
	}
}

func TestRootMistakesAreNamed(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, from, to string
		path, mark     string // where it is reported
		severity       Severity
		says           string
	}{
		{"prior above 1", "prior: 0.5", "prior: 1.5", "roots.water.prior", "1.5", Error, "1.5"},
		{"no prior", "prior: 0.5, ", "", "roots.water.prior", `{name: "Water`, Error, "missing"},
		{"no name", `name: "Water came in", `, "", "roots.water.name", "{prior: 0.5", Error, "missing"},
		{"nothing raised", ", raises: {cable_open: 3, sensor_dead: 3}", "", "roots.water.raises", `{name: "Water`, Error, "missing"},
		{"negative factor", "cable_open: 3", "cable_open: -3", "roots.water.raises.cable_open", "-3", Error, "-3"},
		{"unknown cause", "cable_open: 3", "frogs: 3", "roots.water.raises.frogs", "frogs", Error, `no cause "frogs"`},
		{"unknown symptom", "{wet: 1}", "{frogs: 1}", "roots.water.symptoms.frogs", "frogs", Error, `no symptom "frogs"`},
		{"unlikely symptom", "{wet: 1}", "{wet: 2}", "roots.water.symptoms.wet", "2}, exposures", Error, "2"},
		{"unknown exposure", "{storage: 1}", "{frogs: 1}", "roots.water.exposures.frogs", "frogs", Error, `no exposure "frogs"`},
		{"unknown key", "exposures:", "exposed:", "roots.water.exposed", "exposed", Error, "unknown key"},
		{"id of a cause", "  water:", "  cable_open:", "roots.cable_open", "cable_open: {name: \"Water", Error, "id of a cause"},
		{"out of reach", "prior: 0.5, symptoms: {wet: 1}, exposures: {storage: 1}, raises: {cable_open: 3",
			"prior: 0.96, symptoms: {wet: 1}, exposures: {storage: 1}, raises: {cable_open: 0", "roots.water.raises.cable_open", "0, sensor_dead", Error, "0.04"},
		{"counted twice", "{wet: 1}", "{wet: 1, stutters: 0.5}", "links.cable_open.symptoms.stutters", "0.8}\n    outcomes", Warning, "counted twice"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			text := rooted(strings.Replace(oneRoot, c.from, c.to, 1))
			lib, issues := Load([]byte(text))
			if (lib == nil) != (c.severity == Error) {
				t.Fatalf("loaded: %v, issues %v", lib != nil, issues)
			}
			line, column := placeOf(t, text, c.mark)
			for _, i := range issues {
				if i.Path == c.path && i.Severity == c.severity && strings.Contains(i.Message, c.says) {
					if i.Line != line || i.Column != column {
						t.Errorf("reported at %d:%d, want %d:%d", i.Line, i.Column, line, column)
					}
					return
				}
			}
			t.Errorf("no %s at %s in %v", c.severity, c.path, issues)
		})
	}
}

func TestAtMostFourRoots(t *testing.T) {
	t.Parallel()
	many := "roots:\n"
	for _, id := range []string{"a", "b", "c", "d", "e"} {
		many += "  " + id + ": {name: x, prior: 0.1, raises: {cable_open: 2}}\n"
	}
	text := rooted(many)
	lib, issues := Load([]byte(text))
	if lib != nil {
		t.Fatal("five roots load")
	}
	line, _ := placeOf(t, text, "  e: {name")
	for _, i := range issues {
		if i.Line == line && strings.Contains(i.Message, "at most 4") {
			return
		}
	}
	t.Errorf("issues %v", issues)
}

// An exposure that sets a history symptom of the root and the root's prior too
// would count twice.
func TestExposureAndItsSymptomCountTwice(t *testing.T) {
	t.Parallel()
	text := strings.ReplaceAll(rooted(strings.Replace(oneRoot, "storage", "rain", 1)), "wet", "water_history")
	lib, issues := Load([]byte(text))
	if lib == nil {
		t.Fatal(issues)
	}
	for _, i := range issues {
		if i.Severity == Warning && i.Path == "roots.water.exposures.rain" && strings.Contains(i.Message, "water_history") {
			return
		}
	}
	t.Errorf("no warning in %v", issues)
}
