package faultlib

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

const (
	// MaxBytes is the largest file that Load reads.
	MaxBytes = 8 << 20
	// maxNodes bounds the values of a file with its aliases written out, so that
	// a few lines of aliases of aliases cannot grow without end.
	maxNodes = 1 << 20
	// maxDepth is far above the format's own depth of nine.
	maxDepth = 40
)

var (
	idPattern   = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_.-]{0,99}$`)
	linePattern = regexp.MustCompile(`line (\d+)`)
)

// reader reads YAML nodes and collects what is wrong with them.
type reader struct {
	issues []Issue
	// nodes is where each path read so far stands, for checks that come later.
	nodes map[string]*yaml.Node
}

func (r *reader) add(sev Severity, n *yaml.Node, path, format string, args ...any) {
	line, column := 1, 1
	if n != nil {
		line, column = max(n.Line, 1), max(n.Column, 1)
	}
	r.issues = append(r.issues, Issue{sev, line, column, path, fmt.Sprintf(format, args...)})
}

func (r *reader) fail(n *yaml.Node, path, format string, args ...any) {
	r.add(Error, n, path, format, args...)
}

// nearest finds the node of a path, or of the closest path above it.
func (r *reader) nearest(path string) *yaml.Node {
	for path != "" {
		if n := r.nodes[path]; n != nil {
			return n
		}
		cut := max(strings.LastIndexByte(path, '.'), strings.LastIndexByte(path, '['))
		if cut < 0 {
			return nil
		}
		path = path[:cut]
	}
	return nil
}

func (r *reader) failAt(path, format string, args ...any) {
	r.add(Error, r.nearest(path), path, format, args...)
}

func (r *reader) warnAt(path, format string, args ...any) {
	r.add(Warning, r.nearest(path), path, format, args...)
}

// parse reads the one document of a file. It returns nil after an error.
func (r *reader) parse(data []byte) *yaml.Node {
	if len(data) > MaxBytes {
		r.fail(nil, "", "the file has %d bytes; %d MiB is the limit", len(data), MaxBytes>>20)
		return nil
	}
	// Every value but the last is followed by a comma or a line's end, so that
	// this much can be said before the costly part.
	if n := bytes.Count(data, []byte(",")) + bytes.Count(data, []byte("\n")); n > maxNodes {
		r.fail(nil, "", "more than %d values; a library of that size is none", maxNodes)
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc, more yaml.Node
	if err := dec.Decode(&doc); err != nil {
		at := &yaml.Node{Line: 1, Column: 1}
		if m := linePattern.FindStringSubmatch(err.Error()); m != nil {
			at.Line, _ = strconv.Atoi(m[1])
		}
		if err == io.EOF {
			r.fail(at, "", "the file is empty")
		} else {
			r.fail(at, "", "this is no YAML: %s", strings.TrimPrefix(err.Error(), "yaml: "))
		}
		return nil
	}
	if dec.Decode(&more) != io.EOF {
		r.fail(&more, "", "a library is one YAML document; this file has more, or something that is none")
		return nil
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 {
		r.fail(&doc, "", "the file is empty")
		return nil
	}
	count := 0
	if at, why := r.measure(doc.Content[0], 0, &count); why != "" {
		r.fail(at, "", "%s", why)
		return nil
	}
	return doc.Content[0]
}

// measure counts the nodes with aliases written out and looks at the depth.
func (r *reader) measure(n *yaml.Node, depth int, count *int) (*yaml.Node, string) {
	if *count++; *count > maxNodes {
		return n, fmt.Sprintf("more than %d values once aliases are written out", maxNodes)
	}
	if depth > maxDepth {
		return n, fmt.Sprintf("nested more than %d deep", maxDepth)
	}
	if n.Kind == yaml.AliasNode {
		if n.Alias == nil {
			return n, "an alias of nothing"
		}
		return r.measure(n.Alias, depth+1, count)
	}
	for _, c := range n.Content {
		if at, why := r.measure(c, depth+1, count); why != "" {
			return at, why
		}
	}
	return nil, ""
}

func resolve(n *yaml.Node) *yaml.Node {
	for n != nil && n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	return n
}

func isNull(n *yaml.Node) bool {
	return n == nil || n.Kind == yaml.ScalarNode && n.Tag == "!!null"
}

func kindWord(n *yaml.Node) string {
	switch {
	case isNull(n):
		return "nothing"
	case n.Kind == yaml.MappingNode:
		return "a mapping"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	}
	return fmt.Sprintf("%q", n.Value)
}

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
