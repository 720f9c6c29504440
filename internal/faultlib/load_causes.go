package faultlib

import (
	"math"
	"slices"

	"go.yaml.in/yaml/v3"

	"nextprobe/internal/diagnosis"
)

// sumTolerance is how far above 1 a row may sum: decimals such as 0.7 + 0.3
// leave a unit or two in the last place.
const sumTolerance = 1e-9

func (ld *loader) causes(n *yaml.Node) {
	seen := map[string]bool{}
	for _, it := range ld.list(n, "causes") {
		m := ld.mapping(it.node, it.path, "id", "name", "component", "mode", "mechanism", "typical_causes", "prior_per_1000",
			"repair", "parts", "repair_minutes", "hazard", "verify")
		if m == nil {
			continue
		}
		if id := m.get("id"); !isNull(id) && id.Kind == yaml.ScalarNode && id.Value != "" {
			ld.rename(m, "causes."+id.Value)
		}
		c := Cause{ID: m.id("id"), Name: m.needText("name"), Component: m.needText("component"), Mode: m.needText("mode"),
			Mechanism: m.text("mechanism"), TypicalCauses: m.texts("typical_causes"), PriorPer1000: m.needNumber("prior_per_1000", 0, 1000),
			Parts: m.texts("parts"), Hazard: m.whole("hazard", 0, 0, 4), RepairMinutes: ld.minutes(m), Verify: ld.checks(m, "verify")}
		if !m.has("repair") || m.get("repair").Value == "" && m.get("repair").Kind == yaml.ScalarNode {
			ld.add(Error, m.node, m.at("repair"), "the cause %q has no repair; say what mends it", c.ID)
		} else {
			c.Repair = m.text("repair")
		}
		ld.component(m.at("component"), c.Component, false)
		ld.code(m.at("mode"), "failure mode", c.Mode, ld.lib.Codes.FailureMode)
		ld.code(m.at("mechanism"), "failure mechanism", c.Mechanism, ld.lib.Codes.FailureMechanism)
		ld.twice(seen, m, "cause", c.ID)
		if c.ID == diagnosis.UnmodelledID {
			ld.failAt(m.at("id"), "%q is the id of the cause for what the library does not know", c.ID)
		}
		ld.known.causes[c.ID] = len(ld.lib.Causes)
		ld.lib.Causes = append(ld.lib.Causes, c)
	}
}

func (ld *loader) code(path, what, id string, list []CodeText) {
	if !slices.ContainsFunc(list, func(c CodeText) bool { return c.ID == id }) {
		ld.unknown("codes", path, what, id)
	}
}

// minutes reads a pair: in good and in bad circumstances.
func (ld *loader) minutes(m *mapping) (out [2]float64) {
	if m.need("repair_minutes") == nil {
		return out
	}
	list := m.list("repair_minutes")
	if len(list) != 2 {
		ld.failAt(m.at("repair_minutes"), "two numbers are expected: minutes when all goes well, and when not")
		return out
	}
	for i, it := range list {
		out[i] = ld.number(it.node, it.path, 0, 1e5)
	}
	if out[0] > out[1] {
		ld.failAt(m.at("repair_minutes"), "the first number is the smaller one; %v is above %v", out[0], out[1])
	}
	return out
}

// checks reads measurements with the outcomes they must have: `is` names one
// and `in` several. One that names a normal outcome accepts all normal outcomes.
func (ld *loader) checks(m *mapping, key string) []Check {
	var out []Check
	for _, it := range m.list(key) {
		c := ld.mapping(it.node, it.path, "m", "is", "in", "when", "optional")
		if c == nil {
			continue
		}
		x := Check{Measurement: c.needText("m"), When: c.text("when"), Optional: c.bool("optional")}
		switch {
		case c.has("is") == c.has("in"):
			ld.failAt(it.path, "say the outcome with is, or several with in")
		case c.has("in"):
			x.Outcomes = c.texts("in")
			ld.outcomeIDs(c.at("m"), c.at("in"), x.Measurement, x.Outcomes)
		default:
			id := c.text("is")
			x.Outcomes = []string{id}
			i, ok := ld.known.measurements[x.Measurement]
			if !ok {
				ld.outcomeIDs(c.at("m"), "", x.Measurement, nil)
				break
			}
			of := &ld.lib.Measurements[i]
			place := of.outcome(id)
			if place < 0 {
				ld.failAt(c.at("is"), "no outcome %q in measurement %s", id, x.Measurement)
				break
			}
			ld.conclusive(nil, c.at("is"), of, id)
			if of.Outcomes[place].Normal {
				x.Outcomes = of.normals()
			}
		}
		out = append(out, x)
	}
	return out
}

func (m *Measurement) normals() []string {
	var out []string
	for _, o := range m.Outcomes {
		if o.Normal {
			out = append(out, o.ID)
		}
	}
	return out
}

func (ld *loader) hasCause(id string) bool { return has(ld.known.causes, id) }

func (ld *loader) links(n *yaml.Node) {
	all := ld.entriesOf(n, "links")
	if all == nil {
		return
	}
	for _, e := range all.entries {
		if !ld.hasCause(e.key) {
			ld.fail(e.node, all.at(e.key), "no cause %q in this library", e.key)
		}
		m := ld.mapping(e.val, all.at(e.key), "symptoms", "outcomes")
		if m == nil {
			continue
		}
		l := Link{Cause: e.key, Symptoms: map[string]float64{}, Outcomes: map[string]map[string]float64{}}
		if m.has("symptoms") {
			if sub := ld.entriesOf(m.get("symptoms"), m.at("symptoms")); sub != nil {
				for _, s := range sub.entries {
					if !has(ld.known.symptoms, s.key) {
						ld.fail(s.node, sub.at(s.key), "no symptom %q in this library", s.key)
					}
					l.Symptoms[s.key] = ld.number(s.val, sub.at(s.key), 0, 1)
				}
			}
		}
		if m.has("outcomes") {
			ld.rows(m, &l)
		}
		ld.lib.Links = append(ld.lib.Links, l)
	}
}

func (ld *loader) rows(m *mapping, l *Link) {
	sub := ld.entriesOf(m.get("outcomes"), m.at("outcomes"))
	if sub == nil {
		return
	}
	for _, e := range sub.entries {
		of, known := ld.known.measurements[e.key]
		if !known {
			ld.fail(e.node, sub.at(e.key), "no measurement %q in this library", e.key)
		}
		row := ld.entriesOf(e.val, sub.at(e.key))
		if row == nil {
			continue
		}
		p := map[string]float64{}
		sum := 0.0
		for _, o := range row.entries {
			if known && ld.lib.Measurements[of].outcome(o.key) < 0 {
				ld.fail(o.node, row.at(o.key), "no outcome %q in measurement %s", o.key, e.key)
			}
			if known {
				ld.conclusive(o.node, row.at(o.key), &ld.lib.Measurements[of], o.key)
			}
			p[o.key] = ld.number(o.val, row.at(o.key), 0, 1)
			sum += p[o.key]
		}
		if sum > 1+sumTolerance {
			ld.fail(e.node, row.path, "the row sums to %v; at most 1 is possible", math.Round(sum*1e9)/1e9)
		}
		l.Outcomes[e.key] = p
	}
}

func (ld *loader) interlocks(n *yaml.Node) {
	seen := map[string]bool{}
	for _, it := range ld.list(n, "interlocks") {
		m := ld.mapping(it.node, it.path, "action", "when", "require", "why", "decision")
		if m == nil {
			continue
		}
		x := Interlock{Action: m.id("action"), When: m.text("when"), Why: m.needText("why"), Decision: m.text("decision"),
			Require: ld.checks(m, "require")}
		if seen[x.Action] && x.Action != "" {
			ld.failAt(m.at("action"), "the action %q stands twice", x.Action)
		}
		seen[x.Action] = true
		ld.lib.Interlocks = append(ld.lib.Interlocks, x)
	}
}

func (ld *loader) invalidations(n *yaml.Node) {
	seen := map[string]bool{}
	for _, it := range ld.list(n, "invalidates") {
		m := ld.mapping(it.node, it.path, "event", "results", "openings", "components", "symptoms")
		if m == nil {
			continue
		}
		x := Invalidation{Event: m.id("event"), Results: m.texts("results"), Openings: m.texts("openings"), Components: m.texts("components"), Symptoms: m.texts("symptoms")}
		if seen[x.Event] && x.Event != "" {
			ld.failAt(m.at("event"), "the event %q stands twice", x.Event)
		}
		seen[x.Event] = true
		for i, id := range x.Results {
			ld.outcomeIDs(indexed(m.at("results"), i), "", id, nil)
		}
		for i, id := range x.Openings {
			if !ld.hasOpening(id) {
				ld.unknown("access_states", indexed(m.at("openings"), i), "access state", id)
			}
		}
		for i, id := range x.Components {
			ld.component(indexed(m.at("components"), i), id, false)
		}
		for i, id := range x.Symptoms {
			if !slices.ContainsFunc(ld.lib.Symptoms, func(s Symptom) bool { return s.ID == id }) {
				ld.failAt(indexed(m.at("symptoms"), i), "no symptom %q in this library", id)
			}
		}
		ld.lib.Invalidations = append(ld.lib.Invalidations, x)
	}
}

func (ld *loader) consequences(n *yaml.Node) {
	for _, it := range ld.list(n, "consequences") {
		m := ld.mapping(it.node, it.path, "from", "to", "p", "note")
		if m == nil {
			continue
		}
		x := Consequence{From: m.needText("from"), To: m.needText("to"), P: m.needNumber("p", 0, 1), Note: m.text("note")}
		for _, end := range [][2]string{{"from", x.From}, {"to", x.To}} {
			if end[1] != "" && !ld.hasCause(end[1]) {
				ld.failAt(m.at(end[0]), "no cause %q in this library", end[1])
			}
		}
		if x.From == x.To && x.From != "" {
			ld.failAt(m.at("to"), "a cause is no consequence of itself")
		}
		ld.lib.Consequences = append(ld.lib.Consequences, x)
	}
}
