package faultlib

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"
)

func TestEmbeddedLibrary(t *testing.T) {
	t.Parallel()
	lib, issues := Load(Embedded())
	if lib == nil {
		t.Fatalf("does not load: %v", issues)
	}
	if got := [3]int{len(lib.Causes), len(lib.Symptoms), len(lib.Measurements)}; got != [3]int{97, 53, 83} {
		t.Errorf("causes, symptoms, measurements = %v", got)
	}
	sum := sha256.Sum256(Embedded())
	if lib.SHA256 != hex.EncodeToString(sum[:]) || lib.Edition != 4 || len(lib.Meta.Changes) == 0 {
		t.Errorf("identity: %s, edition %d, %d changes", lib.SHA256, lib.Edition, len(lib.Meta.Changes))
	}
	// What is left to warn of are outcomes that say that the part is so, or that rework
	// did it; meta.changes names each with its reason.
	warned, why := 0, strings.Join(lib.Meta.Changes, "\n")
	for _, i := range issues {
		what, _, ok := strings.Cut(strings.TrimPrefix(i.Message, "no cause produces "), ";")
		if warned++; i.Severity == Error || !ok || !strings.Contains(why, what) {
			t.Errorf("unexpected: %v", i)
		}
	}
	if warned != 2 {
		t.Errorf("%d warnings, meta.changes speaks of two", warned)
	}
	for i := range lib.Measurements {
		if lib.Measurements[i].Compiled() == nil {
			t.Errorf("%s is not compiled", lib.Measurements[i].ID)
		}
	}
	if c := lib.Cause("rider_limit"); strings.Count(c.Name, "(") != strings.Count(c.Name, ")") {
		t.Errorf("cut name %q", c.Name)
	}
}

// TestLabels: every reading and every computed value of the built-in edition has
// words, no two of one measurement the same; a file without labels loads (tiny).
func TestLabels(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	n := 0
	for i := range lib.Measurements {
		m := &lib.Measurements[i]
		seen := map[string]string{}
		check := func(id, label string) {
			n++
			switch first := label[:min(1, len(label))]; {
			case label == "":
				t.Errorf("%s.%s has no label", m.ID, id)
			case seen[label] != "":
				t.Errorf("%s: %s and %s are both called %q", m.ID, seen[label], id, label)
			case strings.ToUpper(first) != first || strings.Contains(label, "_") || strings.HasSuffix(label, "."):
				t.Errorf("%s.%s: %q is no label in sentence case", m.ID, id, label)
			}
			seen[label] = id
		}
		for _, in := range m.Inputs {
			check(in.ID, in.Label)
		}
		for _, s := range m.Compute {
			check(s.ID, s.Label)
		}
	}
	if n < 390 {
		t.Errorf("only %d labels were looked at", n)
	}
	if in := mustLoad(t, tinyWith("0.001", "0.02")).Measurements[0].Inputs[0]; in.Label != "" {
		t.Errorf("a file without labels gives %q", in.Label)
	}
}

// TestOutcomeLabels: every outcome of the built-in edition has a phrase for people
// that fits a button, is no sentence, and does not repeat the measurement's title.
func TestOutcomeLabels(t *testing.T) {
	t.Parallel()
	n := 0
	for _, m := range embeddedLibrary(t).Measurements {
		title := map[string]bool{}
		for _, w := range strings.Fields(strings.ToLower(m.Title)) {
			title[strings.Trim(w, ",")] = true
		}
		for _, o := range m.Outcomes {
			n++
			words := strings.Fields(strings.ToLower(o.Label))
			repeated := 0
			for _, w := range words {
				if title[strings.Trim(w, ",")] {
					repeated++
				}
			}
			switch {
			case o.Label == "" || o.Words() != o.Label:
				t.Errorf("%s.%s has no label", m.ID, o.ID)
			case strings.ContainsAny(o.Label, "_;:") || strings.HasSuffix(o.Label, "."):
				t.Errorf("%s.%s: %q is no short phrase", m.ID, o.ID, o.Label)
			case repeated > 2 && repeated*2 > len(words):
				t.Errorf("%s.%s: %q repeats the title %q", m.ID, o.ID, o.Label, m.Title)
			}
		}
	}
	if n != 370 {
		t.Errorf("%d labels were looked at", n)
	}
	loop := mustLoad(t, tinyWith("0.001", "0.02")).Measurement("loop")
	if w := loop.Outcome("open").Words(); w != "open" {
		t.Errorf("a file without labels says %q", w)
	}
}

func TestEmbeddedIsACopy(t *testing.T) {
	t.Parallel()
	b := Embedded()
	b[0] ^= 0xff
	if Embedded()[0] == b[0] {
		t.Error("the embedded bytes can be changed from outside")
	}
}

func TestLoadIsDeterministic(t *testing.T) {
	t.Parallel()
	broken := strings.ReplaceAll(tinyWith("0.001", "0.02"), "loop", "lop_x")
	broken = strings.Replace(broken, "id: lop_x", "id: loop", 1)
	_, first := Load([]byte(broken))
	if len(first) < 3 {
		t.Fatalf("expected several errors, got %v", first)
	}
	for range 5 {
		if _, again := Load([]byte(broken)); !slices.Equal(first, again) {
			t.Fatalf("differs:\n%v\n%v", first, again)
		}
	}
	if !slices.IsSortedFunc(first, func(a, b Issue) int { return (a.Line-b.Line)*10000 + a.Column - b.Column }) {
		t.Errorf("not in order of position: %v", first)
	}
}

// TestIssues edits the tiny library and looks for the issue at the right place.
func TestIssues(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, from, to string
		at             string // the issue stands where this text first stands after the edit
		severity       Severity
		message        string
	}{
		{"unknown top key", "intake_gates:", "gates:", "gates:", Error, `unknown key "gates"`},
		{"unknown cause key", "    parts: [cable]", "    spare: [cable]", "spare:", Error, `unknown key "spare"`},
		{"missing key", "    component: sensor\n", "", "id: sensor_dead", Error, "component is missing"},
		{"missing section", "symptoms:\n  - {id: stutters", "symptom:\n  - {id: stutters", "meta:", Error, "symptoms is missing"},
		{"key twice", "    prior_per_1000: 50\n", "    prior_per_1000: 50\n    mode: open_circuit\n", "mode: open_circuit\n    repair", Error, `"mode" stands twice`},
		{"cause twice", "id: sensor_dead", "id: cable_open", "", Error, `the cause "cable_open" stands twice`},
		{"symptom twice", "{id: smoke,", "{id: stutters,", "", Error, `the symptom "stutters" stands twice`},
		{"outcome twice", "{id: high, when", "{id: open, when", "", Error, `the outcome "open" stands twice`},
		{"prior out of range", "prior_per_1000: 20", "prior_per_1000: 2000", "2000\n    repair", Error, "a number from 0 to 1000 is expected"},
		{"leak out of range", "leak: 0.02", "leak: 1.02", "1.02", Error, "a number from 0 to 1 is expected"},
		{"probability out of range", "{stutters: 0.8}", "{stutters: -0.8}", "-0.8", Error, "a number from 0 to 1 is expected"},
		{"probability no number", "{stutters: 0.8}", "{stutters: often}", "often", Error, `"often"; a number is expected`},
		{"not a number", "floor: 0.001", "floor: .nan", ".nan", Error, "a number is expected"},
		{"row sums above 1", "{open: 0.7, high: 0.2}", "{open: 0.7, high: 0.4}", "loop: {open", Error, "the row sums to 1.1"},
		{"unknown component", "component: sensor", "component: sensr", "sensr", Error, `no component "sensr"`},
		{"unknown mode", "mode: open_circuit", "mode: opened", "opened", Error, `no failure mode "opened"`},
		{"unknown mechanism", "mechanism: corrosion", "mechanism: rust", "rust", Error, `no failure mechanism "rust"`},
		{"label too long", "{id: r, unit", "{id: r, label: \"" + strings.Repeat("Ω", 41) + "\", unit", "\"Ω", Error, "41 characters; a label has at most 40"},
		{"label with control character", "{id: twice, expr", `{id: twice, label: "Twice\tover", expr`, `"Twice`, Error, "no control characters"},
		{"label with a space at its end", "{id: twice, expr", `{id: twice, label: "Twice ", expr`, `"Twice `, Error, "neither begins nor ends with a space"},
		{"unknown measured component", "    of: cable", "    of: cabel", "cabel", Error, `no component "cabel"`},
		{"unknown access", "access: box_open", "access: lid_open", "lid_open", Error, `no access state "lid_open"`},
		{"unknown access_if access", "access: plug_parted}]", "access: plug_out}]", "plug_out", Error, `no access state "plug_out"`},
		{"unknown fact", "plug == 'outside'", "plugg == 'outside'", `"plugg`, Error, `no board fact "plugg"`},
		{"unknown fact value", "plug == 'outside'", "plug == 'ouside'", `"plug == 'ouside`, Error, `is never "ouside"`},
		{"no condition", "plug == 'outside' and", "plug == and", `"plug == and`, Error, "not a condition"},
		{"condition beyond facts", "plug == 'outside' and", "len(plug) > 1 and", `"len(plug`, Error, "only comparisons"},
		{"unknown source", "src: [handbook, E]", "src: [handbook, F]", "F]", Error, `no source "F"`},
		{"unknown linked cause", "  sensor_dead:\n    symptoms", "  sensor_ded:\n    symptoms", "sensor_ded", Error, `no cause "sensor_ded"`},
		{"unknown linked symptom", "{stutters: 0.8}", "{stuters: 0.8}", "stuters", Error, `no symptom "stuters"`},
		{"unknown linked measurement", "      loop: {high", "      loops: {high", "loops", Error, `no measurement "loops"`},
		{"unknown linked outcome", "{high: 0.4}", "{hi: 0.4}", "hi: 0.4", Error, `no outcome "hi" in measurement loop`},
		{"unknown verification", "verify: [{m: loop", "verify: [{m: lop", "lop,", Error, `no measurement "lop"`},
		{"unknown verified outcome", "{m: loop, is: good}", "{m: loop, is: fine}", "fine", Error, `no outcome "fine"`},
		{"unknown interlock outcome", "in: [good, high]", "in: [good, hi]", "hi]", Error, `no outcome "hi"`},
		{"unknown invalidated", "results: [loop]", "results: [lop]", "lop]", Error, `no measurement "lop"`},
		{"unknown consequence", "to: sensor_dead", "to: sensor_ded", "sensor_ded", Error, `no cause "sensor_ded"`},
		{"gate on unknown symptom", "- {symptom: smoke, stop: true}", "- {symptom: smok, stop: true}", "smok,", Error, `no symptom "smok"`},
		{"gate on both", "- {symptom: smoke, stop: true}", "- {symptom: smoke, measurement: loop, stop: true}", "{symptom: smoke, meas", Error, "either a measurement or a symptom"},
		{"expression does not parse", `"2 * r"`, `"2 * * r"`, `"2 * * r"`, Error, "twice"},
		{"unknown name", `"r > limit"`, `"r > limt"`, `"r > limt"`, Error, "limt"},
		{"unknown unit", "unit: ohm", "unit: ohmz", "ohmz", Error, "ohmz"},
		{"gap", `{id: good, when: "true"`, `{id: good, when: "r < 5"`, `"r < 5"`, Error, "some readings have no outcome"},
		{"never reached", `"r > limit"`, `"r > 2000"`, `"r > 2000"`, Error, "can never be reached"},
		{"example's outcome", "{in: {r: 2000}, out: open}", "{in: {r: 200}, out: open}", "", Error, "high"},
		{"example's value", "{twice: 10}", "{twice: 11}", "", Error, "twice"},
		{"example's outcome unknown", "out: open}", "out: opened}", "opened", Error, `no outcome "opened"`},
		{"cause without repair", "    repair: Replace the sensor\n", "", "id: sensor_dead", Error, "has no repair"},
		{"hazard without caution", "    caution: wheel still\n", "", "id: loop", Error, "hazard 1 without a caution"},
		{"opening without caution", "hazard: 2, note: box dead}", "hazard: 2}", "{open_min: 15", Error, "hazard 2 without a caution"},
		{"cyclic openings", "requires: [outside]", "requires: [box_open]", "[box_open]", Error, "requires itself"},
		{"unknown requirement", "requires: [plug_parted]", "requires: [plug_out]", "plug_out", Error, `no access state "plug_out"`},
		{"falling table", "- [10, 100]", "- [-1, 100]", "[-1, 100]", Error, "must rise"},
		{"minutes the wrong way", "repair_minutes: [20, 40]", "repair_minutes: [40, 20]", "[40, 20]", Error, "the smaller one"},
		{"default not a value", "default: inside", "default: within", "within", Error, `"within" is not among the values`},
		{"kind", "kind: numeric", "kind: numerical", "numerical", Error, "inspection, numeric or algorithm"},
		{"list where text", "title: Loop resistance", "title: [a]", "[a]", Error, "here stands a list; a text is expected"},
		{"text where list", "parts: [cable]", "parts: cable", "cable\n    repair_minutes", Error, "a list is expected"},
		{"no YAML", "measurements:\n", "measurements: ]\n", "", Error, "this is no YAML"},

		{"long label", "{id: open, when", "{id: open, label: \"an open circuit somewhere between plug and motor\", when", `"an open`, Error, "a label has at most 40"},
		{"one label twice", "{id: high, when", "{id: high, label: open, when", "{id: high", Error, `open and high are both called "open"`},
		{"normal of no use", "{id: good, when", "{id: good, inconclusive: true, when", "{id: good", Error, "cannot be inconclusive"},
		{"cause of no use", "{id: high, when", "{id: high, inconclusive: true, when", "high: 0.2", Error, `"high" of loop is inconclusive`},

		{"warns of a cut text", "name: motor cable}", "name: motor cable, black}", "black", Warning, "cut at the comma"},
		{"warns of a lone bracket", "name: Sensor dead", "name: Sensor dead (wet", "Sensor dead (wet", Warning, "brackets do not match"},
		{"warns of an unlinked symptom", ", smoke: 0.1}", "}", "{id: smoke", Warning, `no cause is linked to the symptom "smoke"`},
		{"warns of an unlinked cause", "  sensor_dead:\n    symptoms: {stutters: 0.5, smoke: 0.1}\n    outcomes:\n      loop: {high: 0.4}\n", "", "id: sensor_dead", Warning, "has no links"},
		{"warns of causes alike", "{high: 0.4}", "{open: 0.7, high: 0.2}", "symptoms: {stutters: 0.5", Warning, "no measurement separates"},
		{"warns of an outcome without cause", "{open: 0.7, high: 0.2}", "{high: 0.2}", `{id: open, when`, Warning, "no cause produces loop open"},
		{"warns of an unknown key in meta", "  version: 3\n", "  version: 3\n  colour: grey\n", "colour", Warning, "it is not read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			text := tinyWith("0.001", "0.02")
			if !strings.Contains(text, c.from) {
				t.Fatalf("no %q in the fixture", c.from)
			}
			text = strings.Replace(text, c.from, c.to, 1)
			lib, issues := Load([]byte(text))
			if (lib == nil) != (c.severity == Error) {
				t.Errorf("library nil: %v", lib == nil)
			}
			i := slices.IndexFunc(issues, func(i Issue) bool { return i.Severity == c.severity && strings.Contains(i.Message, c.message) })
			if i < 0 {
				t.Fatalf("no %s with %q among %v", c.severity, c.message, issues)
			}
			if issues[i].Line < 1 || issues[i].Column < 1 {
				t.Errorf("no position: %v", issues[i])
			}
			if c.at == "" {
				return
			}
			if line, column := placeOf(t, text, c.at); issues[i].Line != line || issues[i].Column != column {
				t.Errorf("at %d:%d, expected %d:%d: %v", issues[i].Line, issues[i].Column, line, column, issues[i])
			}
		})
	}
}

func TestLoadCollectsAllErrors(t *testing.T) {
	t.Parallel()
	text := tinyWith("0.001", "0.02")
	for _, r := range [][2]string{{"prior_per_1000: 20", "prior_per_1000: -1"}, {"{high: 0.4}", "{high: 1.4}"}, {"of: cable", "of: cabel"}, {"p: 0.25", "p: 25"}} {
		text = strings.Replace(text, r[0], r[1], 1)
	}
	_, issues := Load([]byte(text))
	if n := len(issues); n != 4 {
		t.Errorf("%d issues, expected 4: %v", n, issues)
	}
}

func TestLimits(t *testing.T) {
	t.Parallel()
	bomb := "meta: &a0 [x, x, x, x, x, x, x, x, x, x]\n"
	for i := 1; i < 9; i++ {
		bomb += fmt.Sprintf("k%d: &a%d [%s]\n", i, i, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*a%d, ", i-1), 10), ", "))
	}
	for name, c := range map[string]struct{ text, want string }{
		"empty":         {"", "the file is empty"},
		"comment":       {"# nothing\n", "empty"},
		"scalar":        {"hello\n", "a mapping"},
		"two documents": {"a: 1\n---\nb: 2\n", "one YAML document"},
		"too large":     {strings.Repeat(" ", MaxBytes+1), "MiB is the limit"},
		"too many":      {"meta: [" + strings.Repeat("1,", MaxBytes/2-10) + "1]", "values"},
		"bomb":          {bomb, "once aliases are written out"},
		"deep":          {"meta: " + strings.Repeat("[", 200) + strings.Repeat("]", 200), "deep"},
		"self":          {"meta: &a [*a]\n", ""},
		"binary":        {"\x00\x01\x02", "no YAML"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			lib, issues := Load([]byte(c.text))
			if lib != nil || len(issues) == 0 {
				t.Fatalf("loads: %v", issues)
			}
			if !strings.Contains(issues[0].Message, c.want) {
				t.Errorf("%v, expected %q", issues[0], c.want)
			}
		})
	}
}

// TestCutTextsAreReadWhole: flow style ends an unquoted text at a comma. Files
// written so must load, and say what they meant.
func TestCutTextsAreReadWhole(t *testing.T) {
	t.Parallel()
	text := strings.Replace(tinyWith("0", "0"), "meaning: high}", "meaning: high (joint, crimp, or wire)}", 1)
	lib := mustLoad(t, text)
	if got := lib.Measurement("loop").Outcome("high").Meaning; got != "high (joint, crimp, or wire)" {
		t.Errorf("meaning %q", got)
	}
}

// TestSmallestLibrary: only what inference needs must be there.
func TestSmallestLibrary(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, `meta: {version: 1}
symptoms:
  - {id: dead, text: "Dead", leak: 0.01}
measurements:
  - {id: fuse, title: Fuse, kind: inspection, of: fuse, access: anywhere, minutes: 2, outcomes: [{id: blown}, {id: whole}]}
causes:
  - {id: fuse_blown, name: Fuse blown, component: fuse, mode: open, prior_per_1000: 10, repair: New fuse, repair_minutes: [5, 10]}
links:
  fuse_blown: {symptoms: {dead: 0.9}, outcomes: {fuse: {blown: 1}}}
`)
	if lib.Meta.Floor != 0.001 || lib.Meta.UnmodelledPrior != 0.02 || lib.Meta.UnmodelledStrength != 0.2 || lib.Measurement("fuse").Leak != 0.005 {
		t.Errorf("defaults %+v", lib.Meta)
	}
	a, err := lib.InferJSON([]byte(`{"observations": [{"measurement": "fuse", "outcome": "blown"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	if a.Causes[0].Probability < 0.5 || len(a.Next) != 0 {
		t.Errorf("answer %+v", a)
	}
}

func TestAnchorsAreRead(t *testing.T) {
	t.Parallel()
	text := tinyWith("0", "0")
	text = strings.Replace(text, "{m: loop, is: good}", "&check {m: loop, is: good}", 1)
	text = strings.Replace(text, "verify: [{m: loop, is: good}]", "verify: [*check]", 1)
	if v := mustLoad(t, text).VerifyFor("sensor_dead"); len(v) != 1 || v[0].Measurement != "loop" {
		t.Errorf("verify %v", v)
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(tinyWith("0.001", "0.02")))
	f.Add([]byte("meta: &a [*a]\n"))
	f.Add([]byte("? [a]\n: b\n"))
	f.Add([]byte("links: {a: {outcomes: {b: null}}}\nmeta: {version: 1}\ncauses: [{id: a}]\nsymptoms: []\nmeasurements: [null, 1, {id: b}]\n"))
	f.Add([]byte("meta: !!binary x\nhazard_levels: {0: {name, rule}}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		lib, issues := Load(data)
		if (lib == nil) != hasErrors(issues) {
			t.Fatalf("library nil is %v with %v", lib == nil, issues)
		}
		for _, i := range issues {
			if i.Line < 1 || i.Column < 1 || i.Message == "" {
				t.Fatalf("an issue without place or words: %+v", i)
			}
		}
		if lib == nil {
			return
		}
		if _, err := lib.Model(ModelContext{}); err != nil {
			t.Fatalf("a library that loads gives no model: %v", err)
		}
	})
}

func BenchmarkLoad(b *testing.B) {
	data := Embedded()
	for b.Loop() {
		if lib, _ := Load(data); lib == nil {
			b.Fatal("does not load")
		}
	}
}
