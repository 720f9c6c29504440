package web

import (
	"fmt"
	"net/url"
	"regexp"
	"strconv"
)

// ownMove is what a button says that moves a row: its section, its number and the
// way.
var ownMove = regexp.MustCompile(`^(up|down)\.(inputs|params|compute|outcomes|examples|links)\[(\d{1,3})\]$`)

// moveRow lets a row change places with the nearest filled row above or below. The
// readings of the
// examples move with the readings they belong to. False where do moves nothing.
func moveRow(f *Form, do string) bool {
	m := ownMove.FindStringSubmatch(do)
	if m == nil {
		return false
	}
	from, _ := strconv.Atoi(m[3])
	rows := ownRows(f.Values)
	step := 1
	if m[1] == "up" {
		step = -1
	}
	for _, s := range ownSections {
		if s.Name != m[2] {
			continue
		}
		to := from + step
		for to >= 0 && to < rows[s.Name] && emptyRow(f, s, fmt.Sprintf("%s[%d].", s.Name, to), rows["inputs"]) {
			to += step
		}
		if from < rows[s.Name] && to >= 0 && to < rows[s.Name] {
			swapRows(f.Values, s, from, to, rows)
		}
	}
	return true
}

func swapRows(v url.Values, s ownSection, i, k int, rows map[string]int) {
	swap := func(a, b string) {
		x, hasX := v[a]
		y, hasY := v[b]
		v.Del(a)
		v.Del(b)
		if hasY {
			v[a] = y
		}
		if hasX {
			v[b] = x
		}
	}
	for _, name := range s.fields {
		swap(fmt.Sprintf("%s[%d].%s", s.Name, i, name), fmt.Sprintf("%s[%d].%s", s.Name, k, name))
	}
	switch s.Name {
	case "examples":
		for r := range rows["inputs"] {
			swap(fmt.Sprintf("examples[%d].in[%d]", i, r), fmt.Sprintf("examples[%d].in[%d]", k, r))
		}
	case "inputs":
		for e := range rows["examples"] {
			swap(fmt.Sprintf("examples[%d].in[%d]", e, i), fmt.Sprintf("examples[%d].in[%d]", e, k))
		}
	}
}
