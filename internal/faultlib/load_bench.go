package faultlib

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"nextprobe/internal/measure"
)

// defaultLeak is a measurement's leak where the file states none.
const defaultLeak = 0.005

func contains(list []string, s string) bool { return slices.Contains(list, s) }

func indexed(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i) }

func (ld *loader) symptoms(n *yaml.Node) {
	seen := map[string]bool{}
	for _, it := range ld.list(n, "symptoms") {
		m := ld.mapping(it.node, it.path, "id", "by", "group", "text", "ask", "safety_stop", "leak")
		if m == nil {
			continue
		}
		s := Symptom{ID: m.id("id"), By: m.text("by"), Group: m.text("group"), Text: m.needText("text"), Ask: m.text("ask"),
			SafetyStop: m.bool("safety_stop"), Leak: m.needNumber("leak", 0, 1)}
		if s.By != "" && s.By != "customer" && s.By != "technician" {
			ld.failAt(m.at("by"), "%q; customer or technician is expected", s.By)
		}
		ld.twice(seen, m, "symptom", s.ID)
		if !contains(ld.lib.SymptomGroups, s.Group) {
			ld.lib.SymptomGroups = append(ld.lib.SymptomGroups, s.Group)
		}
		ld.known.symptoms[s.ID] = len(ld.lib.Symptoms)
		ld.lib.Symptoms = append(ld.lib.Symptoms, s)
	}
}

func (ld *loader) twice(seen map[string]bool, m *mapping, what, id string) {
	if id != "" && seen[id] {
		ld.failAt(m.at("id"), "the %s %q stands twice", what, id)
	}
	seen[id] = true
}

func (ld *loader) measurements(n *yaml.Node) {
	seen := map[string]bool{}
	for _, it := range ld.list(n, "measurements") {
		m := ld.mapping(it.node, it.path, "id", "title", "kind", "algorithm", "of", "points", "instrument", "access", "access_if",
			"minutes", "hazard", "caution", "note", "pattern", "inputs", "params", "compute", "outcomes", "normal", "leak", "examples", "src", "own")
		if m == nil {
			continue
		}
		if id := m.get("id"); !isNull(id) && id.Kind == yaml.ScalarNode && id.Value != "" {
			ld.rename(m, "measurements."+id.Value)
		}
		x := ld.measurement(m)
		ld.twice(seen, m, "measurement", x.ID)
		ld.known.measurements[x.ID] = len(ld.lib.Measurements)
		ld.lib.Measurements = append(ld.lib.Measurements, x)
	}
}

// rename gives a mapping a path that says more than its place in a list.
func (ld *loader) rename(m *mapping, path string) {
	m.path = path
	ld.nodes[path] = m.node
	for _, e := range m.entries {
		ld.nodes[m.at(e.key)] = e.val
	}
}

func (ld *loader) measurement(m *mapping) Measurement {
	x := Measurement{
		Title: m.needText("title"), Of: m.needText("of"), Points: m.text("points"), Instrument: m.text("instrument"),
		Caution: m.text("caution"), Note: m.text("note"), Pattern: m.text("pattern"), Access: m.needText("access"),
		Minutes: m.needNumber("minutes", 0, 1e5), Hazard: m.whole("hazard", 0, 0, 4), Leak: m.number("leak", defaultLeak, 0, 1),
		Sources: m.texts("src"), Own: m.bool("own"),
	}
	ld.caution(m, "caution", x.Hazard, x.Caution)
	x.Definition = measure.Definition{ID: m.id("id"), Kind: measure.Kind(m.needText("kind")), Algorithm: m.text("algorithm"),
		Inputs: ld.inputs(m), Params: m.numbers("params", math.Inf(-1), math.Inf(1)), Compute: ld.steps(m)}
	x.Outcomes = ld.outcomes(m, x.Kind)
	x.LevelOf, x.Levels = levels(x.Outcomes)
	x.Examples = ld.examples(m, x.Outcomes)
	if x.Levels < 2 && len(x.Outcomes) > 0 {
		ld.failAt(m.at("outcomes"), "a measurement needs a normal and at least one abnormal outcome")
	}
	ld.component(m.at("of"), x.Of, true)
	if !ld.hasOpening(x.Access) {
		ld.unknown("access_states", m.at("access"), "access state", x.Access)
	}
	for i, s := range x.Sources {
		if !ld.provenance[s] && !slices.ContainsFunc(ld.lib.Sources, func(o Source) bool { return o.ID == s }) {
			ld.unknown("sources", indexed(m.at("src"), i), "source", s)
		}
	}
	x.AccessIf = ld.accessIf(m)
	ld.compile(m, &x)
	return x
}

// component checks the id of a component, or of a system where that will do.
func (ld *loader) component(path, id string, system bool) {
	if has(ld.known.components, id) ||
		system && slices.ContainsFunc(ld.lib.Systems, func(s System) bool { return s.ID == id }) {
		return
	}
	ld.unknown("taxonomy", path, "component", id)
}

func (ld *loader) inputs(m *mapping) []measure.Input {
	var out []measure.Input
	for _, it := range m.list("inputs") {
		in := ld.mapping(it.node, it.path, "id", "label", "unit", "element", "choice", "note", "nullable")
		if in == nil {
			continue
		}
		x := measure.Input{ID: in.needText("id"), Label: ld.label(in), Unit: in.text("unit"), Element: in.text("element"), Choice: in.texts("choice"),
			Note: in.text("note"), Nullable: in.bool("nullable")}
		if x.Unit == "" && len(x.Choice) == 0 {
			ld.fail(in.node, in.at("unit"), "input %q states neither a unit nor a choice", x.ID)
		}
		if x.Element != "" && x.Unit != "list" {
			ld.failAt(in.at("element"), "only a list has an element unit")
		}
		out = append(out, x)
	}
	return out
}

// label reads the optional words for a reading or a computed value.
func (ld *loader) label(m *mapping) string {
	s := m.text("label")
	switch n := utf8.RuneCountInString(s); {
	case n > measure.MaxLabel:
		ld.failAt(m.at("label"), "%d characters; a label has at most %d", n, measure.MaxLabel)
	case strings.ContainsFunc(s, unicode.IsControl):
		ld.failAt(m.at("label"), "a label holds no control characters")
	case strings.TrimSpace(s) != s:
		ld.failAt(m.at("label"), "a label neither begins nor ends with a space")
	}
	return s
}

func (ld *loader) steps(m *mapping) []measure.Step {
	var out []measure.Step
	for _, it := range m.list("compute") {
		if s := ld.mapping(it.node, it.path, "id", "label", "expr", "note", "unit"); s != nil {
			out = append(out, measure.Step{ID: s.needText("id"), Label: ld.label(s), Expr: s.needText("expr"), Note: s.text("note"), Unit: s.text("unit")})
		}
	}
	return out
}

func (ld *loader) outcomes(m *mapping, kind measure.Kind) []measure.Outcome {
	if m.need("outcomes") == nil {
		return nil
	}
	var out []measure.Outcome
	seen := map[string]bool{}
	for _, it := range m.list("outcomes") {
		o := ld.mapping(it.node, it.path, "id", "label", "inconclusive", "when", "meaning")
		if o == nil {
			continue
		}
		x := measure.Outcome{ID: o.id("id"), Label: ld.label(o), Inconclusive: o.bool("inconclusive"), When: o.text("when"), Meaning: o.text("meaning")}
		if kind == measure.Inspection && x.When != "" {
			ld.failAt(o.at("when"), "an inspection's outcome is chosen by eye and has no condition")
		}
		ld.twice(seen, o, "outcome", x.ID)
		out = append(out, x)
	}
	normal := m.texts("normal")
	for i, id := range normal {
		if !seen[id] {
			ld.failAt(indexed(m.at("normal"), i), "no outcome %q in this measurement", id)
		}
	}
	for i := range out {
		out[i].Normal = contains(normal, out[i].ID) || len(normal) == 0 && i == len(out)-1
	}
	ld.outcomeWords(m, out)
	return out
}

// outcomeWords checks that people can tell a measurement's outcomes apart by what
// pages call them, and that what is of no use is not called normal.
func (ld *loader) outcomeWords(m *mapping, list []measure.Outcome) {
	called := map[string]string{}
	useful, useless := false, false
	for i, o := range list {
		at := indexed(m.at("outcomes"), i)
		if first, taken := called[o.Words()]; taken && first != o.ID {
			ld.failAt(at, "%s and %s are both called %q; give each a label of its own", first, o.ID, o.Words())
		}
		called[o.Words()] = o.ID
		if o.Inconclusive && o.Normal {
			ld.failAt(at, "the outcome %q is normal, so it cannot be inconclusive", o.ID)
		}
		useful, useless = useful || !o.Inconclusive && !o.Normal, useless || o.Inconclusive
	}
	if useless && !useful {
		ld.failAt(m.at("outcomes"), "a measurement needs an abnormal outcome that is not inconclusive")
	}
}

// levels ranks outcomes: the abnormal ones from the highest level down as they
// stand, all normal ones together level 0.
func levels(list []measure.Outcome) (of []int, n int) {
	of = make([]int, len(list))
	for i := len(list) - 1; i >= 0; i-- {
		if !list[i].Normal {
			n++
			of[i] = n
		}
	}
	return of, n + 1
}

func (ld *loader) examples(m *mapping, outcomes []measure.Outcome) []measure.Example {
	var out []measure.Example
	for _, it := range m.list("examples") {
		e := ld.mapping(it.node, it.path, "in", "out", "detail", "values")
		if e == nil {
			continue
		}
		x := measure.Example{Out: e.needText("out"), Detail: e.text("detail"), Values: e.numbers("values", math.Inf(-1), math.Inf(1))}
		if e.need("in") != nil {
			x.In, _ = ld.value(e.get("in"), e.at("in")).(map[string]any)
			if x.In == nil {
				ld.failAt(e.at("in"), "the readings of an example are a mapping")
			}
		}
		if x.Out != "" && !slices.ContainsFunc(outcomes, func(o measure.Outcome) bool { return o.ID == x.Out }) {
			ld.failAt(e.at("out"), "no outcome %q in this measurement", x.Out)
		}
		out = append(out, x)
	}
	return out
}

// compile hands the definition to measure and places what it finds.
func (ld *loader) compile(m *mapping, x *Measurement) {
	switch x.Kind {
	case measure.Inspection, measure.Numeric, measure.Algorithm:
	case "":
		return
	default:
		ld.failAt(m.at("kind"), "%q; inspection, numeric or algorithm is expected", x.Kind)
		return
	}
	faulty := len(ld.issues)
	compiled, issues := measure.Compile(x.Definition, ld.lib.Tables)
	for _, i := range issues {
		ld.failAt(m.at(i.Path), "%s", i.Message)
	}
	if compiled == nil || hasErrors(ld.issues[faulty:]) {
		return
	}
	x.compiled = compiled
	for _, i := range compiled.CheckExamples() {
		ld.failAt(m.at(i.Path), "%s", i.Message)
	}
}

func (ld *loader) gates(n *yaml.Node) {
	for _, it := range ld.list(n, "intake_gates") {
		m := ld.mapping(it.node, it.path, "measurement", "stop_on", "symptom", "stop")
		if m == nil {
			continue
		}
		g := Gate{Measurement: m.text("measurement"), StopOn: m.texts("stop_on"), Symptom: m.text("symptom")}
		switch {
		case (g.Measurement == "") == (g.Symptom == ""):
			ld.failAt(it.path, "a gate names either a measurement or a symptom")
		case g.Symptom != "" && !has(ld.known.symptoms, g.Symptom):
			ld.failAt(m.at("symptom"), "no symptom %q in this library", g.Symptom)
		case g.Symptom != "" && !m.bool("stop"):
			ld.failAt(it.path, "a gate on a symptom says stop: true")
		case g.Measurement != "":
			m.need("stop_on")
			ld.outcomeIDs(m.at("measurement"), m.at("stop_on"), g.Measurement, g.StopOn)
		}
		ld.lib.Gates = append(ld.lib.Gates, g)
	}
}

// outcomeIDs checks a measurement's id and a list of its outcomes.
func (ld *loader) outcomeIDs(path, listPath, id string, outcomes []string) *Measurement {
	i, ok := ld.known.measurements[id]
	if !ok {
		if id != "" {
			ld.failAt(path, "no measurement %q in this library", id)
		}
		return nil
	}
	m := &ld.lib.Measurements[i]
	for k, o := range outcomes {
		if m.outcome(o) < 0 {
			ld.failAt(indexed(listPath, k), "no outcome %q in measurement %s", o, id)
		}
		ld.conclusive(nil, indexed(listPath, k), m, o)
	}
	return m
}

// conclusive refuses an inconclusive outcome where something is concluded from
// one. The issue stands at the node, or without one where the path stands.
func (ld *loader) conclusive(n *yaml.Node, path string, m *Measurement, outcome string) {
	o := m.Outcome(outcome)
	if o == nil || !o.Inconclusive {
		return
	}
	if n == nil {
		n = ld.nodes[path]
	}
	ld.fail(n, path, "the outcome %q of %s is inconclusive: a reading of no use speaks for no cause, passes nothing and stops nothing", outcome, m.ID)
}

// outcome is the place of an outcome, or -1.
func (m *Measurement) outcome(id string) int {
	return slices.IndexFunc(m.Outcomes, func(o measure.Outcome) bool { return o.ID == id })
}
