package faultlib

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nextprobe/internal/measure"
)

// lampDrop is an invented measurement for the tiny library of the tests.
func lampDrop() OwnMeasurement {
	return OwnMeasurement{
		ID: "lamp_drop", Title: `Lamp "drop" test: plug, lamp & cable`, Kind: measure.Numeric, Of: "cable", Points: "lamp terminals", Instrument: "voltmeter",
		Access: "plug_parted", Minutes: 4.5, Hazard: 1, Caution: "eye protection", Note: "yes",
		Inputs:  []measure.Input{{ID: "u_off", Label: "Voltage without the lamp", Unit: "V"}, {ID: "u_on", Label: "Voltage with the lamp", Unit: "V"}, {ID: "glow", Choice: []string{"none", "dim", "full"}}},
		Params:  []OwnParam{{"drop_max", 0.05}, {"huge", 1e9}},
		Compute: []measure.Step{{ID: "drop", Label: "Relative drop", Unit: "1", Expr: "(u_off - u_on) / u_off"}},
		Outcomes: []measure.Outcome{{ID: "open", When: "glow == 'none'", Meaning: "no path: nothing flows"}, {ID: "high", When: "drop > drop_max", Meaning: "too much resistance"},
			{ID: "normal", When: "true", Meaning: "sound"}},
		Examples: []measure.Example{{In: map[string]any{"u_off": "80 V", "u_on": 79.0, "glow": "full"}, Out: "normal"},
			{In: map[string]any{"u_off": 80.0, "u_on": 70.0, "glow": "dim"}, Out: "high"}, {In: map[string]any{"u_off": 80.0, "u_on": 80.0, "glow": "none"}, Out: "open"}},
		Links: []OwnLink{{"cable_open", "open", 0.7}, {"cable_open", "high", 0.2}, {"sensor_dead", "high", 1e-7}},
	}
}

func composed(t *testing.T, base string, m OwnMeasurement) string {
	t.Helper()
	c, issues := Compose([]byte(base), m)
	if c.Content == nil {
		t.Fatalf("does not compose: %v", issues)
	}
	return string(c.Content)
}

// normalised is a form's content as it comes back from a file.
func normalised(m OwnMeasurement) OwnMeasurement {
	m.Outcomes = slices.Clone(m.Outcomes)
	m.Outcomes[len(m.Outcomes)-1].Normal = true
	return m
}

func TestComposeRoundTrip(t *testing.T) {
	t.Parallel()
	inFlow := strings.Replace(tinyWith("0.001", "0.02"), "    outcomes:\n      loop: {high: 0.4}\n", "    outcomes: {loop: {high: 0.4}}\n", 1)
	wholeFlow := strings.Replace(tinyWith("0.001", "0.02"), "  sensor_dead:\n    symptoms: {stutters: 0.5, smoke: 0.1}\n    outcomes:\n      loop: {high: 0.4}\n", "  sensor_dead: {symptoms: {stutters: 0.5, smoke: 0.1}}\n", 1)
	unlinked := strings.Replace(tinyWith("0.001", "0.02"), "  sensor_dead:\n    symptoms: {stutters: 0.5, smoke: 0.1}\n    outcomes:\n      loop: {high: 0.4}\n", "", 1)
	noOutcomes := strings.Replace(tinyWith("0.001", "0.02"), "    symptoms: {stutters: 0.5, smoke: 0.1}\n    outcomes:\n      loop: {high: 0.4}\n", "    symptoms: {stutters: 0.5, smoke: 0.1}\n", 1)
	lastIsLinks, _, found := strings.Cut(tinyWith("0.001", "0.02"), "interlocks:")
	if !found {
		t.Fatal("the tiny library has no interlocks any more")
	}
	lastIsLinks = strings.TrimSuffix(lastIsLinks, "\n")
	commented := strings.Replace(tinyWith("0.001", "0.02"), "intake_gates:", "    # of the loop\n\n# of the gates: ü – “quoted”\nintake_gates:", 1)
	for name, base := range map[string]string{
		"block": tinyWith("0.001", "0.02"), "outcomes in flow": inFlow, "entry in flow": wholeFlow, "cause without links": unlinked, "cause without outcomes": noOutcomes,
		"no newline at the end": lastIsLinks, "comments": commented, "carriage returns": strings.ReplaceAll(tinyWith("0.001", "0.02"), "\n", "\r\n"),
		"dashes at the margin": strings.Replace(commented, "measurements:\n", "measurements: # all\n", 1),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			mustLoad(t, base)
			with := composed(t, base, lampDrop())
			lib := mustLoad(t, with)
			own, ok := lib.Own("lamp_drop")
			if diff := cmp.Diff(normalised(lampDrop()), own, cmpopts.EquateEmpty()); !ok || diff != "" {
				t.Errorf("the form does not come back (-typed +loaded):\n%s\n%s", diff, with)
			}
			if strings.HasSuffix(name, "returns") && strings.Count(with, "\n") != strings.Count(with, "\r\n") {
				t.Error("line ends are mixed")
			}
			// Every line of the file stands there as before, in its order.
			rest := strings.Split(with, "\n")
			for _, line := range strings.Split(strings.TrimSuffix(base, "\n"), "\n") {
				i := slices.IndexFunc(rest, func(s string) bool {
					return s == line || strings.HasPrefix(line, "  sensor_dead: {") || strings.HasPrefix(line, "    outcomes: {")
				})
				if i < 0 {
					t.Fatalf("the line %q is gone or moved", line)
				}
				rest = rest[i+1:]
			}
			// Changing it again touches nothing else, and taking it out gives the old bytes.
			changed := lampDrop()
			changed.Title, changed.Links = "Lamp drop", changed.Links[:1]
			again := composed(t, composed(t, with, changed), lampDrop())
			if name == "block" && again != with {
				t.Errorf("a change and its taking back differ:\n%s", cmp.Diff(with, again))
			}
			without, issues := Withdraw([]byte(again), "lamp_drop")
			if strings.TrimSuffix(string(without), "\n") != strings.TrimSuffix(base, "\n") {
				t.Errorf("taken out again, the file differs: %v\n%s", issues, cmp.Diff(base, string(without)))
			}
		})
	}
}

func TestComposeIntoTheEmbeddedLibrary(t *testing.T) {
	t.Parallel()
	m := lampDrop()
	m.Of, m.Access = "motor_cable", "connector_unplugged"
	m.Links = []OwnLink{{"winding_open", "open", 0.7}, {"bearing_worn", "high", 0.01}}
	with := composed(t, string(Embedded()), m)
	lib, before := mustLoad(t, with), mustLoad(t, string(Embedded()))
	if len(lib.Measurements) != len(before.Measurements)+1 || lib.Measurements[len(lib.Measurements)-1].ID != "lamp_drop" {
		t.Error("the measurement is not the last of one more")
	}
	for i := range before.Measurements {
		if diff := cmp.Diff(before.Measurements[i], lib.Measurements[i], cmpopts.IgnoreUnexported(Measurement{}, AccessIf{})); diff != "" {
			t.Error(diff)
		}
	}
	if _, ok := before.Own("pack_heat_triage"); ok {
		t.Error("a measurement of the edition passes for the shop's own")
	}
	without, issues := Withdraw([]byte(with), "lamp_drop")
	if !bytes.Equal(without, Embedded()) {
		t.Errorf("taken out again, the library differs: %v", issues)
	}
	if _, issues := Withdraw(Embedded(), "pack_heat_triage"); !hasErrors(issues) {
		t.Error("a measurement of the edition was taken out")
	}
}

func TestComposePlacesEveryMistake(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		field, words string
		spoil        func(m *OwnMeasurement)
	}{
		{"id", "missing", func(m *OwnMeasurement) { m.ID = "" }},
		{"id", "small letters", func(m *OwnMeasurement) { m.ID = "Lamp drop" }},
		{"id", "already", func(m *OwnMeasurement) { m.ID = "loop" }},
		{"id", "another", func(m *OwnMeasurement) { m.ID = "new" }},
		{"title", "missing", func(m *OwnMeasurement) { m.Title = "" }},
		{"kind", "choose", func(m *OwnMeasurement) { m.Kind = "algorithm" }},
		{"of", "missing", func(m *OwnMeasurement) { m.Of = "" }},
		{"of", "no component", func(m *OwnMeasurement) { m.Of = "sail" }},
		{"points", "probes", func(m *OwnMeasurement) { m.Points = " " }},
		{"instrument", "with what", func(m *OwnMeasurement) { m.Instrument = "" }},
		{"access", "no access state", func(m *OwnMeasurement) { m.Access = "moon" }},
		{"minutes", "from 0", func(m *OwnMeasurement) { m.Minutes = -1 }},
		{"hazard", "0 to 4", func(m *OwnMeasurement) { m.Hazard = 5 }},
		{"caution", "heed", func(m *OwnMeasurement) { m.Caution = "" }},
		{"inputs[0].id", "missing", func(m *OwnMeasurement) { m.Inputs[0].ID = "" }},
		{"inputs[0].id", "no name", func(m *OwnMeasurement) { m.Inputs[0].ID = "U off" }},
		{"inputs[1].unit", "", func(m *OwnMeasurement) { m.Inputs[1].Unit = "furlong" }},
		{"inputs[2].unit", "choice", func(m *OwnMeasurement) { m.Inputs[2].Choice = nil }},
		{"inputs[1].label", "at most", func(m *OwnMeasurement) { m.Inputs[1].Label = strings.Repeat("x", 41) }},
		{"params[0].id", "missing", func(m *OwnMeasurement) { m.Params[0].ID = "" }},
		{"params[1].id", "twice", func(m *OwnMeasurement) { m.Params[1].ID = "drop_max" }},
		{"params[0].id", "language", func(m *OwnMeasurement) { m.Params[0].ID = "mean" }},
		{"compute[0].expr", "", func(m *OwnMeasurement) { m.Compute[0].Expr = "u_off +" }},
		{"compute[0].expr", "missing", func(m *OwnMeasurement) { m.Compute[0].Expr = "" }},
		{"compute[0].expr", "u_of", func(m *OwnMeasurement) { m.Compute[0].Expr = "u_of - u_on" }},
		{"compute[0].unit", "", func(m *OwnMeasurement) { m.Compute[0].Unit = "furlong" }},
		{"compute[0].id", "taken", func(m *OwnMeasurement) { m.Compute[0].ID = "u_on" }},
		{"outcomes", "at least", func(m *OwnMeasurement) { m.Outcomes = m.Outcomes[2:] }},
		{"outcomes", "at least", func(m *OwnMeasurement) { m.Outcomes = nil }},
		{"outcomes[1].id", "twice", func(m *OwnMeasurement) { m.Outcomes[1].ID = "open" }},
		{"outcomes[1].when", "condition", func(m *OwnMeasurement) { m.Outcomes[1].When = "" }},
		{"outcomes[2].when", "", func(m *OwnMeasurement) { m.Outcomes[2].When = "nonsense(" }},
		{"outcomes[0].meaning", "missing", func(m *OwnMeasurement) { m.Outcomes[0].Meaning = "" }},
		{"examples[0].out", "no outcome", func(m *OwnMeasurement) { m.Examples[0].Out = "odd" }},
		{"examples[0].out", `comes out as "normal"`, func(m *OwnMeasurement) { m.Examples[0].Out = "high" }},
		{"examples[1].in.u_on", "", func(m *OwnMeasurement) { m.Examples[1].In["u_on"] = "70 A" }},
		{"examples[1].in.u_on", "missing", func(m *OwnMeasurement) { delete(m.Examples[1].In, "u_on") }},
		{"examples", `"open"`, func(m *OwnMeasurement) { m.Examples = m.Examples[:2] }},
		{"examples", `"high"`, func(m *OwnMeasurement) { m.Examples = nil }},
		{"inputs[2].id", "missing", func(m *OwnMeasurement) { m.Inputs[2].ID = " " }},
		{"compute[0].id", "missing", func(m *OwnMeasurement) { m.Compute[0].ID = "" }},
		{"outcomes[1].id", "missing", func(m *OwnMeasurement) { m.Outcomes[1].ID = "" }},
		{"examples[0].out", "missing", func(m *OwnMeasurement) { m.Examples[0].Out = "" }},
		{"links[2].cause", "choose", func(m *OwnMeasurement) { m.Links[2].Cause = "gremlin" }},
		{"links[2].cause", "choose", func(m *OwnMeasurement) { m.Links[2].Cause = "" }},
		{"links[2].outcome", "none of", func(m *OwnMeasurement) { m.Links[2].Outcome = "odd" }},
		{"links[2].outcome", "normal", func(m *OwnMeasurement) { m.Links[2].Outcome = "normal" }},
		{"links[1].outcome", "twice", func(m *OwnMeasurement) { m.Links[1].Outcome = "open" }},
		{"links[2].p", "0 to 1", func(m *OwnMeasurement) { m.Links[2].P = 1.5 }},
		{"links[1].p", "at most 1", func(m *OwnMeasurement) { m.Links[1].P = 0.6 }},
		{"examples[0].out", "inspection", func(m *OwnMeasurement) {
			m.Kind, m.Inputs, m.Params, m.Compute = measure.Inspection, nil, nil, nil
			for i := range m.Outcomes {
				m.Outcomes[i].When = ""
			}
		}},
		{"kind", "inspection", func(m *OwnMeasurement) { m.Kind = measure.Inspection }},
	} {
		m := lampDrop()
		c.spoil(&m)
		got, issues := Compose([]byte(tinyWith("0.001", "0.02")), m)
		found := slices.ContainsFunc(issues, func(i Issue) bool {
			return i.Severity == Error && i.Path == c.field && strings.Contains(i.Message, c.words)
		})
		if !found || got.Content != nil {
			t.Errorf("want %q at %s, got %v", c.words, c.field, issues)
		}
		for _, i := range issues {
			if strings.Contains(i.Message, "in the library itself") || i.Message == "" {
				t.Errorf("%s: an issue without a field: %v", c.field, i)
			}
		}
	}
}

func TestComposeInspection(t *testing.T) {
	t.Parallel()
	m := OwnMeasurement{ID: "lamp_look", Title: "Lamp", Kind: measure.Inspection, Of: "cable", Points: "lamp", Instrument: "eye", Access: "outside", Minutes: 1,
		Outcomes: []measure.Outcome{{ID: "broken", Meaning: "glass broken"}, {ID: "whole", Meaning: "sound"}}}
	lib := mustLoad(t, composed(t, tinyWith("0.001", "0.02"), m))
	if r, err := lib.Compiled("lamp_look").Inspect("whole"); err != nil || !r.Normal {
		t.Errorf("%+v, %v", r, err)
	}
	// An outcome that no cause produces is allowed, and said.
	_, issues := Compose([]byte(tinyWith("0.001", "0.02")), m)
	if len(issues) != 1 || issues[0].Severity != Warning || issues[0].Path != "outcomes[0]" {
		t.Errorf("%v", issues)
	}
}

func TestComposeRefusesWhatItCannotEdit(t *testing.T) {
	t.Parallel()
	flow := strings.Replace(tinyWith("0.001", "0.02"), "links:\n", "links: &l\n", 1)
	for name, base := range map[string]string{"nothing": "", "a list": "- 1\n", "flow": "{measurements: [{id: a}], links: {}}\n", "an alias": "x: &a [1]\nmeasurements: *a\n", "an empty list": "measurements: []\n"} {
		if c, issues := Compose([]byte(base), lampDrop()); c.Content != nil || !hasErrors(issues) {
			t.Errorf("%s: composed", name)
		}
	}
	composed(t, flow, lampDrop())
}

func TestComposeRunsShowWhatCameOut(t *testing.T) {
	t.Parallel()
	m := lampDrop()
	m.Examples[0].Out, m.Examples[1].In["u_on"] = "high", "much"
	c, _ := Compose([]byte(tinyWith("0.001", "0.02")), m)
	if len(c.Runs) != 3 {
		t.Fatalf("%d runs", len(c.Runs))
	}
	// (80 - 79) / 80, by hand.
	if r := c.Runs[0]; r.Agrees || r.Outcome != "normal" || len(r.Values) != 1 || r.Values[0].Value != 0.0125 || r.Text == "" || r.Meaning != "sound" {
		t.Errorf("%+v", r)
	}
	if r := c.Runs[1]; r.Agrees || r.Outcome != "" || !strings.HasPrefix(r.Problem, "u_on ") {
		t.Errorf("%+v", r)
	}
	if !c.Runs[2].Agrees {
		t.Errorf("%+v", c.Runs[2])
	}
}
