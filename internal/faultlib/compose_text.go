package faultlib

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

type (
	node        = yaml.Node
	nodesByPath = map[string]*yaml.Node
)

// errShape is about files that are right but written in a way that text cannot
// be put into safely: lists of the sections in flow style, or aliases.
var errShape = errors.New("this library's file is written in a way that nothing can be added to here; give its measurements and links one entry per line and take it in again")

// textEdit replaces the bytes from..to.
type textEdit struct {
	from, to int
	with     string
}

// text is a file's text with edits to come, placed by YAML lines and columns.
type text struct {
	src    []byte
	starts []int // of each line, and the end of the text
	eol    string
	edits  []textEdit
	err    error
}

// lineBreaks are those that YAML counts lines by.
var lineBreaks = []string{"\r\n", "\n", "\r", "\u0085", "\u2028", "\u2029"}

func newText(src []byte) *text {
	t := &text{src: src, starts: []int{0}, eol: "\n"}
	if bytes.Contains(src, []byte("\r\n")) {
		t.eol = "\r\n"
	}
	for i := 0; i < len(src); {
		n := 0
		for _, b := range lineBreaks {
			if bytes.HasPrefix(src[i:], []byte(b)) {
				n = len(b)
				break
			}
		}
		i += max(n, 1)
		if n > 0 {
			t.starts = append(t.starts, i)
		}
	}
	if t.starts[len(t.starts)-1] != len(src) {
		t.starts = append(t.starts, len(src))
	}
	return t
}

// lines is how many lines there are; line numbers count from 1.
func (t *text) lines() int { return len(t.starts) - 1 }

func (t *text) start(line int) int { return t.starts[min(max(line, 1), len(t.starts))-1] }

func (t *text) line(n int) string {
	if n < 1 || n > t.lines() {
		return ""
	}
	return strings.TrimRight(string(t.src[t.starts[n-1]:t.starts[n]]), "\r\n\u0085\u2028\u2029")
}

// offset is the byte of a node; columns count characters.
func (t *text) offset(n *node) int {
	at := t.start(n.Line)
	for range n.Column - 1 {
		_, size := utf8.DecodeRune(t.src[at:])
		at += size
	}
	return at
}

func indent(line string) int { return len(line) - len(strings.TrimLeft(line, " ")) }

func blank(line string) bool { return strings.TrimSpace(line) == "" }

// idle reports a line that holds no value: blank, a comment at most so far
// indented (deeper ones belong to what stands above), or a document's end.
func idle(line string, depth int) bool {
	return blank(line) || indent(line) <= depth && strings.HasPrefix(strings.TrimLeft(line, " "), "#") || strings.HasPrefix(line, "...")
}

// lastLine goes back from a line over what is idle.
func (t *text) lastLine(from, depth int) int {
	for from > 1 && idle(t.line(from), depth) {
		from--
	}
	return from
}

func (t *text) edit(from, to int, with string) { t.edits = append(t.edits, textEdit{from, to, with}) }

// insertAfter puts whole lines after a line.
func (t *text) insertAfter(line int, lines string) {
	at := t.start(line + 1)
	if at > 0 && at == len(t.src) && !bytes.HasSuffix(t.src, []byte("\n")) {
		lines = t.eol + strings.TrimSuffix(lines, t.eol)
	}
	t.edit(at, at, lines)
}

// cutLines takes whole lines out.
func (t *text) cutLines(from, to int) { t.edit(t.start(from), t.start(to+1), "") }

// done applies the edits.
func (t *text) done() ([]byte, error) {
	if t.err != nil {
		return nil, t.err
	}
	slices.SortStableFunc(t.edits, func(a, b textEdit) int { return cmp.Compare(a.from, b.from) })
	var out bytes.Buffer
	at := 0
	for _, e := range t.edits {
		if e.from < at {
			return nil, errShape
		}
		out.Write(t.src[at:e.from])
		out.WriteString(e.with)
		at = e.to
	}
	out.Write(t.src[at:])
	return out.Bytes(), nil
}

// child is the value of a mapping's key with the key, or nil.
func child(n *node, key string) (k, v *node) {
	if n == nil || n.Kind != yaml.MappingNode {
		return nil, nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i], n.Content[i+1]
		}
	}
	return nil, nil
}

// itemOf finds an entry of a section's list by its id.
func itemOf(root *node, section, id string) *node {
	_, list := child(root, section)
	if list = resolve(list); list == nil || list.Kind != yaml.SequenceNode {
		return nil
	}
	for _, item := range list.Content {
		if _, v := child(resolve(item), "id"); v != nil && v.Value == id && id != "" {
			return resolve(item)
		}
	}
	return nil
}

func isOwn(item *node) bool {
	_, v := child(item, "own")
	return v != nil && v.Value == "true"
}

func block(n *node, kind yaml.Kind) bool {
	return n != nil && n.Kind == kind && n.Style&yaml.FlowStyle == 0 && len(n.Content) > 0
}

// sectionEnd is the last line of a section's own text.
func (t *text) sectionEnd(root *node, section string) int {
	end := t.lines()
	for i := 0; i+3 < len(root.Content); i += 2 {
		if root.Content[i].Value == section {
			end = root.Content[i+2].Line - 1
		}
	}
	return t.lastLine(end, 0)
}

// dash is the line on which a list's entry begins.
func (t *text) dash(list *node, i int) int {
	line := list.Content[i].Line
	for line > 1 && !strings.HasPrefix(strings.TrimLeft(t.line(line), " "), "-") {
		line--
	}
	return line
}

// itemLines is where an entry of a block list stands, without what is idle behind it.
func (t *text) itemLines(root, list *node, section string, i int) (from, to int) {
	from, to = t.dash(list, i), t.sectionEnd(root, section)
	if i+1 < len(list.Content) {
		to = t.lastLine(t.dash(list, i+1)-1, list.Column-1)
	}
	return from, to
}

// list finds the measurements where they are written one by one.
func (t *text) list(root *node) *node {
	_, list := child(root, "measurements")
	if !block(root, yaml.MappingNode) || !block(list, yaml.SequenceNode) {
		t.err = errShape
		return nil
	}
	return list
}

func ownPlace(list *node, id string) int {
	return slices.IndexFunc(list.Content, func(n *node) bool {
		_, v := child(n, "id")
		return v != nil && v.Value == id && isOwn(n)
	})
}

// putItem writes the measurement in the place of its older self, or last.
func (t *text) putItem(root *node, m *OwnMeasurement) {
	list := t.list(root)
	if list == nil {
		return
	}
	if i := ownPlace(list, m.ID); i >= 0 {
		lines := m.yamlLines(resolve(list.Content[i]), list.Column-1, t.eol)
		from, to := t.itemLines(root, list, "measurements", i)
		t.edit(t.start(from), t.start(to+1), lines)
		return
	}
	t.insertAfter(t.sectionEnd(root, "measurements"), t.eol+m.yamlLines(nil, list.Column-1, t.eol))
}

// removeItem takes the measurement out with the blank line before it.
func (t *text) removeItem(root *node, id string) {
	list := t.list(root)
	if list == nil {
		return
	}
	i := ownPlace(list, id)
	if i < 0 {
		t.err = errShape
		return
	}
	from, to := t.itemLines(root, list, "measurements", i)
	if blank(t.line(from - 1)) {
		from--
	}
	t.cutLines(from, to)
}

// pairEnd is the last line of a key with its value in block style.
func (t *text) pairEnd(k, v *node) int {
	end := max(k.Line, deepest(v))
	for line := k.Line + 1; line <= t.lines(); line++ {
		switch s := t.line(line); {
		case blank(s):
		case indent(s) < k.Column:
			return end
		default:
			end = max(end, line)
		}
	}
	return end
}

func deepest(n *node) int {
	line := n.Line
	for _, c := range n.Content {
		line = max(line, deepest(c))
	}
	return line
}

// removeRows takes out what each cause makes of a measurement; a mapping that
// held nothing else goes with it.
func (t *text) removeRows(root *node, id string) {
	linksKey, links := child(root, "links")
	if linksKey == nil || links.Kind != yaml.MappingNode {
		return
	}
	for i := 0; i+1 < len(links.Content); i += 2 {
		_, outcomes := child(links.Content[i+1], "outcomes")
		if k, _ := child(outcomes, id); k == nil {
			continue
		}
		switch {
		case len(outcomes.Content) > 2:
			t.removePair(outcomes, id)
		case len(links.Content[i+1].Content) > 2:
			t.removePair(links.Content[i+1], "outcomes")
		default:
			t.removePair(links, links.Content[i].Value)
		}
	}
}

func (t *text) removePair(in *node, key string) {
	k, v := child(in, key)
	if in.Style&yaml.FlowStyle == 0 {
		t.cutLines(k.Line, t.pairEnd(k, v))
		return
	}
	from, to := t.offset(k), t.flowEnd(t.offset(v))
	if to < 0 {
		t.err = errShape
		return
	}
	rest := t.src[to:]
	if trimmed := bytes.TrimLeft(rest, " "); bytes.HasPrefix(trimmed, []byte(",")) {
		to += len(rest) - len(bytes.TrimLeft(trimmed[1:], " "))
	} else if before := bytes.TrimRight(t.src[:from], " "); bytes.HasSuffix(before, []byte(",")) {
		from = len(before) - 1
	}
	t.edit(from, to, "")
}

// flowEnd is the place behind a flow mapping, -1 where none begins there.
func (t *text) flowEnd(at int) int {
	depth, quote := 0, byte(0)
	for i := at; i < len(t.src); i++ {
		switch c := t.src[i]; {
		case i == at && c != '{':
			return -1
		case quote == '"' && c == '\\':
			i++
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '{' || c == '[':
			depth++
		case c == '}' || c == ']':
			if depth--; depth == 0 {
				return i + 1
			}
		}
	}
	return -1
}

// putRows writes what each cause makes of the measurement.
func (t *text) putRows(root *node, m *OwnMeasurement) {
	_, links := child(root, "links")
	if !block(links, yaml.MappingNode) {
		t.err = errShape
		return
	}
	pad := func(n int) string { return strings.Repeat(" ", n) }
	var causes []string
	for _, l := range m.Links {
		if slices.Contains(causes, l.Cause) {
			continue
		}
		causes = append(causes, l.Cause)
		row := m.rowText(l.Cause)
		_, entry := child(links, l.Cause)
		_, outcomes := child(entry, "outcomes")
		switch {
		case entry == nil:
			depth := links.Column - 1
			t.insertAfter(t.sectionEnd(root, "links"), fmt.Sprintf("%s%s:%s%soutcomes:%s%s%s%s",
				pad(depth), l.Cause, t.eol, pad(depth+2), t.eol, pad(depth+4), row, t.eol))
		case outcomes != nil:
			t.putPair(outcomes, row, row)
		default:
			t.putPair(entry, "outcomes: {"+row+"}", "outcomes:"+t.eol+pad(entry.Column+1)+row)
		}
	}
}

// putPair adds a pair to a mapping: first in flow style, last in block style.
func (t *text) putPair(in *node, flow, lines string) {
	switch {
	case in.Kind != yaml.MappingNode || in.Style&yaml.FlowStyle == 0 && len(in.Content) == 0:
		t.err = errShape
	case in.Style&yaml.FlowStyle != 0:
		if len(in.Content) > 0 {
			flow += ", "
		}
		at := t.offset(in) + 1
		t.edit(at, at, flow)
	default:
		last := len(in.Content) - 2
		t.insertAfter(t.pairEnd(in.Content[last], in.Content[last+1]), strings.Repeat(" ", in.Column-1)+lines+t.eol)
	}
}
