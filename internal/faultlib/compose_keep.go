package faultlib

import (
	"maps"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"nextprobe/internal/measure"
)

// What a form does not hold stays as it stands in the file when the measurement is
// changed: keys of the entry, and keys of a row that keeps its id. A form has no
// field to take such a key out with, so leaving it out says nothing.
var (
	heldKeys     = []string{"id", "title", "kind", "own", "of", "points", "instrument", "access", "minutes", "hazard", "caution", "note", "inputs", "params", "compute", "outcomes", "examples"}
	heldInput    = []string{"id", "label", "unit", "element", "choice", "note", "nullable"}
	heldStep     = []string{"id", "label", "unit", "expr"}
	heldOutcome  = []string{"id", "label", "when", "meaning", "inconclusive"}
	heldExample  = []string{"in", "out"}
	flowSpecials = ",[]{}"
)

// keepKeys adds to a row the keys of its older self that it neither holds nor
// states itself.
func (f *flow) keepKeys(old *node, held []string) {
	old = resolve(old)
	if old == nil || old.Kind != yaml.MappingNode {
		return
	}
	for i := 0; i+1 < len(old.Content); i += 2 {
		key := quoted(old.Content[i].Value)
		stated := slices.ContainsFunc(f.pairs, func(p string) bool { return strings.HasPrefix(p, key+": ") })
		if !stated && !slices.Contains(held, old.Content[i].Value) {
			f.put(key, nodeText(old.Content[i+1]))
		}
	}
}

// oldRow is the row of that id in a section of the older self, or nil.
func oldRow(old *node, section, id string) *node {
	if old == nil {
		return nil
	}
	return itemOf(old, section, id)
}

// oldExample is the older example with the same readings and outcome, or nil:
// what else is stated of it holds for these readings only.
func oldExample(old *node, e measure.Example) *node {
	_, list := child(old, "examples")
	if list = resolve(list); list == nil || list.Kind != yaml.SequenceNode {
		return nil
	}
	r := &reader{nodes: nodesByPath{}}
	for _, item := range list.Content {
		item = resolve(item)
		_, in := child(item, "in")
		_, out := child(item, "out")
		if in == nil || out == nil || out.Value != e.Out {
			continue
		}
		// Both are written the same way, so that 5 and 5.0 are one reading.
		if readings, ok := r.value(in, "in").(map[string]any); ok && valueText(taken(readings)) == valueText(taken(e.In)) {
			return item
		}
	}
	return nil
}

// taken leaves out what was not taken: a form has an empty field for it.
func taken(readings map[string]any) map[string]any {
	out := maps.Clone(readings)
	maps.DeleteFunc(out, func(_ string, v any) bool { return v == nil })
	return out
}

// restOfEntry writes the keys of the older entry that the form does not hold, one
// a line. Of the healthy outcomes that a file lists, those that are gone are left out.
func (m *OwnMeasurement) restOfEntry(old *node) []string {
	var lines []string
	for i := 0; old != nil && i+1 < len(old.Content); i += 2 {
		key, v := old.Content[i].Value, resolve(old.Content[i+1])
		switch {
		case slices.Contains(heldKeys, key):
		case key == "normal" && v.Kind == yaml.SequenceNode:
			var left []any
			for _, n := range v.Content {
				if slices.ContainsFunc(m.Outcomes, func(o measure.Outcome) bool { return o.ID == n.Value }) {
					left = append(left, n.Value)
				}
			}
			if len(left) > 0 {
				lines = append(lines, "normal: "+valueText(left))
			}
		default:
			lines = append(lines, quoted(key)+": "+nodeText(v))
		}
	}
	return lines
}

// nodeText writes a value of the file in flow style, as it would be read again.
func nodeText(n *node) string {
	n = resolve(n)
	switch {
	case n == nil:
		return "null"
	case n.Kind == yaml.SequenceNode:
		parts := make([]string, len(n.Content))
		for i, e := range n.Content {
			parts[i] = nodeText(e)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case n.Kind == yaml.MappingNode:
		var f flow
		for i := 0; i+1 < len(n.Content); i += 2 {
			f.put(quoted(n.Content[i].Value), nodeText(n.Content[i+1]))
		}
		return f.String()
	case n.ShortTag() == "!!str" || strings.ContainsAny(n.Value, flowSpecials):
		return quoted(n.Value)
	}
	return n.Value // a number, a truth value or null as it was written
}
