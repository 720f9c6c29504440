package faultlib

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// entry is one key of a mapping.
type entry struct {
	key  string
	node *yaml.Node // the key's own place
	val  *yaml.Node
}

// mapping is a YAML mapping being read; a nil mapping has no keys.
type mapping struct {
	r       *reader
	node    *yaml.Node
	path    string
	entries []entry
}

// entriesOf lists the keys of a mapping in file order and reports keys that
// stand twice.
func (r *reader) entriesOf(n *yaml.Node, path string) *mapping {
	n = resolve(n)
	if n == nil || n.Kind != yaml.MappingNode {
		r.fail(n, path, "here stands %s; a mapping (key: value) is expected", kindWord(n))
		return nil
	}
	m := &mapping{r: r, node: n, path: path}
	r.nodes[path] = n
	seen := map[string]*yaml.Node{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k := resolve(n.Content[i])
		if k.Kind != yaml.ScalarNode {
			r.fail(k, path, "a key must be a word, not %s", kindWord(k))
			continue
		}
		if first := seen[k.Value]; first != nil {
			r.fail(k, join(path, k.Value), "%q stands twice here (first in line %d)", k.Value, first.Line)
			continue
		}
		seen[k.Value] = k
		m.entries = append(m.entries, entry{k.Value, k, resolve(n.Content[i+1])})
	}
	return m
}

// mapping reads a mapping with a fixed set of keys. In flow style an unquoted
// text ends at a comma and what follows becomes a key without a value; such a
// text is put together again, with a warning.
func (r *reader) mapping(n *yaml.Node, path string, keys ...string) *mapping {
	m := r.entriesOf(n, path)
	if m == nil {
		return nil
	}
	kept := m.entries[:0]
	for _, e := range m.entries {
		r.nodes[join(path, e.key)] = e.val
		if slices.Contains(keys, e.key) {
			kept = append(kept, e)
			continue
		}
		last := len(kept) - 1
		if m.node.Style&yaml.FlowStyle != 0 && isNull(e.val) && e.val.Value == "" && last >= 0 &&
			kept[last].val.Kind == yaml.ScalarNode {
			whole := *kept[last].val
			whole.Value += ", " + e.key
			whole.Tag = "!!str"
			kept[last].val = &whole
			r.add(Warning, e.node, join(path, kept[last].key), "the text is cut at the comma before %q; it is read whole, but put it in quotes", e.key)
			continue
		}
		r.fail(e.node, join(path, e.key), "unknown key %q; known here: %s", e.key, strings.Join(keys, ", "))
	}
	m.entries = kept
	return m
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func (m *mapping) get(key string) *yaml.Node {
	if m == nil {
		return nil
	}
	for _, e := range m.entries {
		if e.key == key {
			return e.val
		}
	}
	return nil
}

func (m *mapping) at(key string) string {
	if m == nil {
		return key
	}
	return join(m.path, key)
}

// has reports whether the key stands there with a value.
func (m *mapping) has(key string) bool { return !isNull(m.get(key)) }

// need returns the key's node and reports its absence.
func (m *mapping) need(key string) *yaml.Node {
	n := m.get(key)
	if m != nil && isNull(n) {
		m.r.fail(m.node, m.at(key), "%s is missing", key)
		return nil
	}
	return n
}

// text returns an optional text, need a required one.
func (m *mapping) text(key string) string { return m.asText(m.get(key), key) }

func (m *mapping) needText(key string) string {
	n := m.need(key)
	if n == nil {
		return ""
	}
	s := m.asText(n, key)
	if n.Kind == yaml.ScalarNode && strings.TrimSpace(s) == "" {
		m.r.fail(n, m.at(key), "%s is empty", key)
	}
	return s
}

func (m *mapping) asText(n *yaml.Node, key string) string {
	if isNull(n) {
		return ""
	}
	if n.Kind != yaml.ScalarNode {
		m.r.fail(n, m.at(key), "here stands %s; a text is expected", kindWord(n))
		return ""
	}
	if strings.Count(n.Value, "(") != strings.Count(n.Value, ")") && slices.Contains(proseKeys, key) {
		m.r.add(Warning, n, m.at(key), "the brackets do not match; has the text been cut?")
	}
	return n.Value
}

// proseKeys are keys whose text is prose, where a lone bracket is a mistake.
var proseKeys = []string{"name", "title", "text", "meaning", "note", "repair"}

// id returns a required id.
func (m *mapping) id(key string) string {
	s := m.needText(key)
	if s != "" && !idPattern.MatchString(s) {
		m.r.fail(m.get(key), m.at(key), "%q is no id; use letters, digits and _", s)
	}
	return s
}

func (m *mapping) bool(key string) bool {
	n := m.get(key)
	if isNull(n) {
		return false
	}
	var b bool
	if n.Kind != yaml.ScalarNode || n.Tag != "!!bool" || n.Decode(&b) != nil {
		m.r.fail(n, m.at(key), "here stands %s; true or false is expected", kindWord(n))
	}
	return b
}

// number returns an optional number within bounds, or its default.
func (m *mapping) number(key string, def, low, high float64) float64 {
	if !m.has(key) {
		return def
	}
	return m.r.number(m.get(key), m.at(key), low, high)
}

func (m *mapping) needNumber(key string, low, high float64) float64 {
	if n := m.need(key); n != nil {
		return m.r.number(n, m.at(key), low, high)
	}
	return low
}

// whole is number for whole numbers.
func (m *mapping) whole(key string, def, low, high int) int {
	f := m.number(key, float64(def), float64(low), float64(high))
	if f != math.Trunc(f) {
		m.r.fail(m.get(key), m.at(key), "%v; a whole number is expected", f)
	}
	return int(f)
}

func (r *reader) number(n *yaml.Node, path string, low, high float64) float64 {
	r.nodes[path] = n
	f, ok := scalarNumber(n)
	if !ok {
		r.fail(n, path, "here stands %s; a number is expected", kindWord(n))
		return low
	}
	if f < low || f > high {
		r.fail(n, path, "%v; %s is expected", f, rangeWords(low, high))
		return low
	}
	return f
}

func rangeWords(low, high float64) string {
	switch {
	case math.IsInf(high, 1) && math.IsInf(low, -1):
		return "a number"
	case math.IsInf(high, 1):
		return fmt.Sprintf("a number of at least %v", low)
	}
	return fmt.Sprintf("a number from %v to %v", low, high)
}

func scalarNumber(n *yaml.Node) (float64, bool) {
	if n == nil || n.Kind != yaml.ScalarNode || n.Tag != "!!int" && n.Tag != "!!float" {
		return 0, false
	}
	var f float64
	if n.Decode(&f) != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		return 0, false
	}
	return f, true
}

// item is one element of a list with its path.
type item struct {
	node *yaml.Node
	path string
}

func (m *mapping) list(key string) []item {
	n := m.get(key)
	if isNull(n) {
		return nil
	}
	return m.r.list(n, m.at(key))
}

func (r *reader) list(n *yaml.Node, path string) []item {
	n = resolve(n)
	r.nodes[path] = n
	if n == nil || n.Kind != yaml.SequenceNode {
		r.fail(n, path, "here stands %s; a list is expected", kindWord(n))
		return nil
	}
	out := make([]item, len(n.Content))
	for i, c := range n.Content {
		out[i] = item{resolve(c), fmt.Sprintf("%s[%d]", path, i)}
		r.nodes[out[i].path] = out[i].node
	}
	return out
}

// texts returns a list of texts.
func (m *mapping) texts(key string) []string {
	var out []string
	for _, it := range m.list(key) {
		if it.node.Kind != yaml.ScalarNode || isNull(it.node) {
			m.r.fail(it.node, it.path, "here stands %s; a text is expected", kindWord(it.node))
			continue
		}
		out = append(out, it.node.Value)
	}
	return out
}

// numbers returns a mapping of names to numbers.
func (m *mapping) numbers(key string, low, high float64) map[string]float64 {
	if !m.has(key) {
		return nil
	}
	out := map[string]float64{}
	if sub := m.r.entriesOf(m.get(key), m.at(key)); sub != nil {
		for _, e := range sub.entries {
			out[e.key] = m.r.number(e.val, sub.at(e.key), low, high)
		}
	}
	return out
}

// value turns a node into what JSON would give: float64, bool, string, nil,
// []any or map[string]any.
func (r *reader) value(n *yaml.Node, path string) any {
	n = resolve(n)
	r.nodes[path] = n
	switch {
	case isNull(n):
		return nil
	case n.Kind == yaml.MappingNode:
		out := map[string]any{}
		if m := r.entriesOf(n, path); m != nil {
			for _, e := range m.entries {
				out[e.key] = r.value(e.val, m.at(e.key))
			}
		}
		return out
	case n.Kind == yaml.SequenceNode:
		out := []any{}
		for _, it := range r.list(n, path) {
			out = append(out, r.value(it.node, it.path))
		}
		return out
	case n.Tag == "!!bool":
		var b bool
		if n.Decode(&b) == nil {
			return b
		}
	}
	if f, ok := scalarNumber(n); ok {
		return f
	}
	return n.Value
}
