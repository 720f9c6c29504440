package faultlib

import (
	"crypto/sha256"
	"encoding/hex"
	"math"

	"go.yaml.in/yaml/v3"

	"nextprobe/internal/measure"
)

// Load reads and checks a library whole. It reports every issue, sorted by
// position; the Library is nil when one of them is an error. Load never panics,
// and the same bytes always give the same answer.
func Load(data []byte) (*Library, []Issue) {
	ld := read(data)
	issues := sortIssues(ld.issues)
	if hasErrors(issues) {
		return nil, issues
	}
	sum := sha256.Sum256(data)
	ld.lib.SHA256 = hex.EncodeToString(sum[:])
	return ld.lib, issues
}

// read fills a Library as far as the file allows.
func read(data []byte) *loader {
	ld := &loader{reader: &reader{nodes: map[string]*yaml.Node{}}, lib: &Library{Tables: map[string]measure.Table{}}, known: newIndex(&Library{})}
	if root := ld.parse(data); root != nil {
		ld.file(root)
	}
	return ld
}

// loader fills a Library from a file.
type loader struct {
	*reader
	lib *Library
	// stated is which sections the file has. Ids of a section that it lacks
	// cannot be checked; that is one warning, not an error for each use.
	stated     map[string]bool
	provenance map[string]bool
	// known is the index as far as the file has been read.
	known index
}

// sections are the keys of the file, in the order in which they are read: later
// ones refer to earlier ones.
var sections = []struct {
	key  string
	read func(ld *loader, n *yaml.Node)
}{
	{"meta", (*loader).meta},
	{"sources", (*loader).sources},
	{"codes", (*loader).codes},
	{"hazard_levels", (*loader).hazards},
	{"access_states", (*loader).openings},
	{"tables", (*loader).tables},
	{"taxonomy", (*loader).taxonomy},
	{"symptoms", (*loader).symptoms},
	{"measurements", (*loader).measurements},
	{"intake_gates", (*loader).gates},
	{"algorithms", (*loader).algorithms},
	{"causes", (*loader).causes},
	{"links", (*loader).links},
	{"roots", (*loader).roots},
	{"interlocks", (*loader).interlocks},
	{"invalidates", (*loader).invalidations},
	{"consequences", (*loader).consequences},
}

// required are the sections without which there is nothing to infer.
var required = []string{"meta", "symptoms", "measurements", "causes", "links"}

func (ld *loader) file(root *yaml.Node) {
	keys := make([]string, len(sections))
	for i, s := range sections {
		keys[i] = s.key
	}
	top := ld.mapping(root, "", keys...)
	if top == nil {
		return
	}
	ld.stated = map[string]bool{}
	for _, e := range top.entries {
		ld.stated[e.key] = !isNull(e.val)
	}
	for _, key := range required {
		top.need(key)
	}
	for _, s := range sections {
		if top.has(s.key) {
			s.read(ld, top.get(s.key))
		}
	}
	for _, key := range []string{"hazard_levels", "access_states", "taxonomy", "codes"} {
		if !ld.stated[key] {
			ld.add(Warning, root, key, "the section %s is missing; its ids are not checked where they are used", key)
		}
	}
	ld.lib.index = newIndex(ld.lib)
	ld.openingCycles()
	ld.look()
}

// unknown reports an id that a section of the file does not have.
func (ld *loader) unknown(section, path, what, id string) {
	if id != "" && ld.stated[section] {
		ld.failAt(path, "no %s %q in this library", what, id)
	}
}

func (ld *loader) meta(n *yaml.Node) {
	m := ld.entriesOf(n, "meta")
	if m == nil {
		return
	}
	lib := ld.lib
	for _, e := range m.entries {
		ld.nodes[m.at(e.key)] = e.val
		switch e.key {
		case "version", "floor", "unmodelled", "board_facts", "status", "changes", "units", "temperature_reference_c",
			"expression_language", "outcome_rule", "inconclusive_rule", "link_rule", "prior_rule", "time_rule", "provenance":
		default:
			ld.add(Warning, e.node, m.at(e.key), "unknown key %q; it is not read", e.key)
		}
	}
	m.need("version")
	lib.Edition = m.whole("version", 1, 1, math.MaxInt32)
	lib.Meta.Floor = m.number("floor", 0.001, 0, 1)
	lib.Meta.Status = m.text("status")
	lib.Meta.Changes = m.texts("changes")
	lib.Meta.UnmodelledPrior, lib.Meta.UnmodelledStrength = 0.02, 0.2
	if m.has("unmodelled") {
		u := ld.mapping(m.get("unmodelled"), "meta.unmodelled", "prior", "strength")
		lib.Meta.UnmodelledPrior = u.number("prior", 0.02, 0, 1)
		lib.Meta.UnmodelledStrength = u.number("strength", 0.2, 0, 1)
	}
	if m.has("board_facts") {
		ld.boardFacts(m.get("board_facts"))
	}
	ld.provenance = map[string]bool{}
	if m.has("provenance") {
		if p := ld.entriesOf(m.get("provenance"), "meta.provenance"); p != nil {
			for _, e := range p.entries {
				ld.provenance[e.key] = true
			}
		}
	}
}

func (ld *loader) boardFacts(n *yaml.Node) {
	facts := ld.entriesOf(n, "meta.board_facts")
	if facts == nil {
		return
	}
	for _, e := range facts.entries {
		f := ld.mapping(e.val, facts.at(e.key), "values", "default", "text")
		if f == nil {
			continue
		}
		fact := BoardFact{ID: e.key, Default: f.needText("default"), Text: f.text("text"), Values: f.texts("values")}
		f.need("values")
		if fact.Default != "" && !contains(fact.Values, fact.Default) {
			ld.failAt(f.at("default"), "%q is not among the values", fact.Default)
		}
		ld.lib.Meta.BoardFacts = append(ld.lib.Meta.BoardFacts, fact)
	}
}

func (ld *loader) sources(n *yaml.Node) {
	all := ld.entriesOf(n, "sources")
	if all == nil {
		return
	}
	for _, e := range all.entries {
		if s := ld.mapping(e.val, all.at(e.key), "ref", "used_for", "checked"); s != nil {
			ld.lib.Sources = append(ld.lib.Sources, Source{e.key, s.needText("ref"), s.text("used_for"), s.text("checked")})
		}
	}
}

func (ld *loader) codes(n *yaml.Node) {
	m := ld.mapping(n, "codes", "failure_mode", "failure_mechanism", "failure_cause", "detection_method")
	c := &ld.lib.Codes
	c.FailureMode = ld.codeTexts(m, "failure_mode")
	c.FailureMechanism = ld.codeTexts(m, "failure_mechanism")
	c.DetectionMethod = ld.codeTexts(m, "detection_method")
	if m.has("failure_cause") {
		if groups := ld.entriesOf(m.get("failure_cause"), m.at("failure_cause")); groups != nil {
			for _, e := range groups.entries {
				c.FailureCause = append(c.FailureCause, CodeGroup{e.key, groups.texts(e.key)})
			}
		}
	}
}

func (ld *loader) codeTexts(m *mapping, key string) []CodeText {
	if !m.has(key) {
		return nil
	}
	var out []CodeText
	if sub := ld.entriesOf(m.get(key), m.at(key)); sub != nil {
		for _, e := range sub.entries {
			out = append(out, CodeText{e.key, sub.needText(e.key)})
		}
	}
	return out
}

func (ld *loader) hazards(n *yaml.Node) {
	m := ld.mapping(n, "hazard_levels", "0", "1", "2", "3", "4")
	if m == nil {
		return
	}
	for level, key := range []string{"0", "1", "2", "3", "4"} {
		if m.need(key) == nil {
			continue
		}
		h := ld.mapping(m.get(key), m.at(key), "name", "rule")
		ld.lib.Hazards = append(ld.lib.Hazards, Hazard{level, h.needText("name"), h.needText("rule")})
	}
}

func (ld *loader) openings(n *yaml.Node) {
	all := ld.entriesOf(n, "access_states")
	if all == nil {
		return
	}
	for _, e := range all.entries {
		m := ld.mapping(e.val, all.at(e.key), "open_min", "close_min", "requires", "closed", "reseal", "hazard", "note")
		if m == nil {
			continue
		}
		o := Opening{ID: e.key, OpenMin: m.needNumber("open_min", 0, 1e5), CloseMin: m.needNumber("close_min", 0, 1e5),
			Requires: m.texts("requires"), Closed: m.texts("closed"), Reseal: m.bool("reseal"), Hazard: m.whole("hazard", 0, 0, 4), Note: m.text("note")}
		ld.caution(m, "note", o.Hazard, o.Note)
		ld.known.openings[o.ID] = len(ld.lib.Openings)
		ld.lib.Openings = append(ld.lib.Openings, o)
	}
	for i := range ld.lib.Openings {
		o := &ld.lib.Openings[i]
		for k, id := range o.Requires {
			if !ld.hasOpening(id) {
				ld.unknown("access_states", indexed(all.at(o.ID)+".requires", k), "access state", id)
			}
		}
		ld.closed(all.at(o.ID)+".closed", o)
	}
}

// closed checks what must be closed for an access state.
func (ld *loader) closed(path string, o *Opening) {
	for k, id := range o.Closed {
		switch {
		case !ld.hasOpening(id):
			ld.unknown("access_states", indexed(path, k), "access state", id)
		case id == o.ID || contains(o.Requires, id):
			ld.failAt(indexed(path, k), "access state %q cannot need %q closed: it is it, or requires it", o.ID, id)
		}
	}
}

func (ld *loader) hasOpening(id string) bool { return has(ld.known.openings, id) }

func has(places map[string]int, id string) bool {
	_, ok := places[id]
	return ok
}

// caution demands words where there is a hazard.
func (ld *loader) caution(m *mapping, key string, hazard int, text string) {
	if hazard >= 1 && (text == "" || text == "none") {
		ld.add(Error, m.node, m.at(key), "hazard %d without a caution: %s must say what to heed", hazard, key)
	}
}

// openingCycles reports access states that require themselves.
func (ld *loader) openingCycles() {
	for i := range ld.lib.Openings {
		start := ld.lib.Openings[i].ID
		seen := map[string]bool{}
		var reaches func(id string) bool
		reaches = func(id string) bool {
			o := ld.lib.Opening(id)
			if o == nil || seen[id] {
				return false
			}
			seen[id] = true
			for _, next := range o.Requires {
				if next == start || reaches(next) {
					return true
				}
			}
			return false
		}
		if reaches(start) {
			ld.failAt("access_states."+start+".requires", "access state %q requires itself, directly or by way of others", start)
		}
	}
}

func (ld *loader) tables(n *yaml.Node) {
	all := ld.entriesOf(n, "tables")
	if all == nil {
		return
	}
	for _, e := range all.entries {
		var t measure.Table
		for _, row := range ld.list(e.val, all.at(e.key)) {
			pair := ld.list(row.node, row.path)
			if len(pair) != 2 {
				ld.fail(row.node, row.path, "a row of a table has two numbers")
				continue
			}
			x := ld.number(pair[0].node, pair[0].path, math.Inf(-1), math.Inf(1))
			y := ld.number(pair[1].node, pair[1].path, math.Inf(-1), math.Inf(1))
			if len(t) > 0 && x <= t[len(t)-1][0] {
				ld.fail(row.node, row.path, "the first numbers of a table must rise; %v follows %v", x, t[len(t)-1][0])
			}
			t = append(t, [2]float64{x, y})
		}
		if len(t) < 2 {
			ld.fail(e.val, all.at(e.key), "a table needs at least two rows")
		}
		ld.lib.Tables[e.key] = t
	}
}

func (ld *loader) taxonomy(n *yaml.Node) {
	all := ld.entriesOf(n, "taxonomy")
	if all == nil {
		return
	}
	for _, e := range all.entries {
		sys := ld.mapping(e.val, all.at(e.key), "name", "components")
		if sys == nil {
			continue
		}
		ld.lib.Systems = append(ld.lib.Systems, System{e.key, sys.needText("name")})
		if sys.need("components") == nil {
			continue
		}
		parts := ld.entriesOf(sys.get("components"), sys.at("components"))
		if parts == nil {
			continue
		}
		for _, p := range parts.entries {
			c := ld.mapping(p.val, parts.at(p.key), "name")
			if has(ld.known.components, p.key) {
				ld.fail(p.node, parts.at(p.key), "the component %q stands twice", p.key)
				continue
			}
			ld.known.components[p.key] = len(ld.lib.Components)
			ld.lib.Components = append(ld.lib.Components, Component{p.key, c.needText("name"), e.key})
		}
	}
}

func (ld *loader) algorithms(n *yaml.Node) {
	all := ld.entriesOf(n, "algorithms")
	if all == nil {
		return
	}
	for _, e := range all.entries {
		if a := ld.mapping(e.val, all.at(e.key), "inputs", "steps", "note"); a != nil {
			a.texts("inputs")
			ld.lib.Algorithms = append(ld.lib.Algorithms, AlgorithmDoc{e.key, a.texts("steps"), a.text("note")})
		}
	}
}
