package faultlib

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
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
		if errors.Is(err, io.EOF) {
			r.fail(at, "", "the file is empty")
		} else {
			r.fail(at, "", "this is no YAML: %s", strings.TrimPrefix(err.Error(), "yaml: "))
		}
		return nil
	}
	if err := dec.Decode(&more); !errors.Is(err, io.EOF) {
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
