package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
)

// list gives a list of readings the fields that fit it, and returns the options
// of the whole.
func (r *Reading) list(f *Form, m *faultlib.Measurement, in *measure.Input, series int) []string {
	name, unit := "r."+in.ID, in.Element
	if m.Algorithm == "alg_hall_sequence" {
		r.Kind = "hall"
		return []string{"rows=2", "placeholder=1 3 2 6 4 5 1", "hint=Each state in turn as a number (H1 counts 4, H2 2, H3 1) or as three digits such as 101; 12 changes or more."}
	}
	n, kind := listLength(m, in.ID), "elements"
	if perGroup(in) {
		n, kind, r.PerGroup = groupFields(f, in, series), "column", true
		r.Drawn = "spread"
		if in.ID == "taps" {
			r.Drawn = "step"
		}
	}
	if n <= 0 || (kind == "elements" && n > maxElements) || n > maxColumn {
		r.Kind, r.Drawn = "paste", ""
		return []string{"unit=" + unitText(unit), "rows=5", "placeholder=one value on each line, or separated by spaces or semicolons; - for one not taken, none for an empty list"}
	}
	r.Kind = kind
	labels := elementLabels(in, n)
	if labels[0] == "A–B" {
		r.Kind = "triangle"
	}
	spread(f, name, n)
	for i := range n {
		e := newField(f, fmt.Sprintf("%s.%d", name, i), labels[i], "mode=text", "placeholder="+notation(unit))
		if kind == "column" {
			e.Placeholder = ""
		}
		e.Unit = unitText(unit)
		r.Elements = append(r.Elements, e)
	}
	return []string{"unit=" + unitText(unit)}
}

// perGroup reports a list with one voltage for each cell group, or each pin
// between them.
func perGroup(in *measure.Input) bool {
	return in.Unit == "list" && in.Element == "V" && (in.ID == "taps" || strings.HasPrefix(in.Label, "Group voltages"))
}

// groupFields is how many fields a column gets: by the number of groups typed,
// else the board's, else as many as stand in the browser.
func groupFields(f *Form, in *measure.Input, series int) int {
	for _, name := range []string{"r.n", "r.series", "board.series_cells"} {
		if n, err := strconv.Atoi(f.Text(name)); err == nil && n > 0 {
			series = n
			break
		}
	}
	switch {
	case series <= 0:
		return elementCount(f, "r."+in.ID)
	case in.ID == "taps": // n groups lie between n + 1 pins
		return series + 1
	}
	return series
}

// elementCount is how many fields of a list the form sent.
func elementCount(f *Form, name string) int {
	n := 0
	for n <= maxColumn && f.Values.Has(name+"."+strconv.Itoa(n)) {
		n++
	}
	return n
}

// spread puts a pasted column into the fields of its list when it fits them;
// what does not fit stays where it was pasted.
func spread(f *Form, name string, n int) {
	list, _ := pasted(f.Get(name)).([]any)
	if len(list) == 0 || len(list) > n || elementValues(f, name) != nil {
		return
	}
	for i, v := range list {
		if v != nil {
			text := fmt.Sprint(v)
			if x, ok := v.(float64); ok {
				text = formatFloat(&x)
			}
			f.Values.Set(name+"."+strconv.Itoa(i), text)
		}
	}
	f.Values.Del(name)
}

// elementLabels name the fields of a list: the pairs or letters of the phases and
// the sensors where the library's label speaks of them, the pins of a plug from 0,
// else numbers.
func elementLabels(in *measure.Input, n int) []string {
	said := in.Label + " " + in.Note
	for _, names := range [][]string{{"A–B", "B–C", "C–A"}, {"A", "B", "C"}, {"H1", "H2", "H3"}} {
		if n == 3 && (strings.Contains(said, strings.Join(names, ", ")) || strings.Contains(said, names[0]+" to "+names[2])) {
			return names
		}
	}
	if n == 3 && (strings.HasPrefix(in.Label, "Phase currents") || strings.Contains(in.Label, "phase sensors")) {
		return []string{"A", "B", "C"}
	}
	out := make([]string, n)
	for i := range out {
		out[i] = strconv.Itoa(i + 1)
		if in.ID == "taps" {
			out[i] = "Pin " + strconv.Itoa(i)
		}
	}
	return out
}

// twoTimes reports a measurement with one quantity read twice, such as p1_kpa and
// p2_kpa, or v0 and v1: what lies between is timed.
func twoTimes(m *faultlib.Measurement) bool {
	bare := func(id string) string {
		return strings.Map(func(r rune) rune {
			if r >= '0' && r <= '9' {
				return -1
			}
			return r
		}, id)
	}
	for i := range m.Inputs {
		for j := range i {
			a, b := &m.Inputs[i], &m.Inputs[j]
			if a.ID != b.ID && a.Unit == b.Unit && a.Unit != "list" && bare(a.ID) == bare(b.ID) && (strings.HasPrefix(a.ID, "p") || strings.HasPrefix(a.ID, "v")) {
				return true
			}
		}
	}
	return false
}

// arrange is the order and grouping in which readings are shown: the number of
// cell groups before the column that follows it, three readings between the
// phases as a triangle.
func arrange(f *Form, list []Reading) []Reading {
	column := slices.IndexFunc(list, func(r Reading) bool { return r.PerGroup })
	count := slices.IndexFunc(list, isGroupCount)
	if column >= 0 && count > column {
		moved := list[count]
		list = slices.Insert(slices.Delete(slices.Clone(list), count, count+1), column, moved)
	}
	return phasePairs(f, list)
}

// isGroupCount reports the reading that says how many cell groups there are.
func isGroupCount(r Reading) bool { return r.Symbol == "n" || r.Symbol == "series" }

// phasePairs draws three readings r_ab, r_bc, r_ca as the triangle they form.
func phasePairs(f *Form, list []Reading) []Reading {
	ends, labels := [3]string{"_ab", "_bc", "_ca"}, [3]string{"A–B", "B–C", "C–A"}
	for i := 0; i+2 < len(list); i++ {
		stem, ok := strings.CutSuffix(list[i].Symbol, ends[0])
		if !ok || list[i+1].Symbol != stem+ends[1] || list[i+2].Symbol != stem+ends[2] || list[i].Unit != list[i+2].Unit {
			continue
		}
		tri := Reading{Kind: "triangle", Symbol: stem, Field: newField(f, "r."+stem, "Between the phases", "unit="+list[i].Unit)}
		for k, e := range list[i : i+3] {
			e.Label = labels[k]
			tri.Elements = append(tri.Elements, e.Field)
		}
		out := append(append([]Reading(nil), list[:i]...), tri)
		return append(out, list[i+3:]...)
	}
	return list
}

// listLength is the number of elements a list has in all the worked examples,
// 0 when they differ: a count of cells is the board's, a count of phases is three.
func listLength(m *faultlib.Measurement, id string) int {
	n := -1
	for _, e := range m.Examples {
		var got int
		switch l := e.In[id].(type) {
		case []any:
			got = len(l)
		case []float64:
			got = len(l)
		default:
			continue
		}
		if n >= 0 && n != got {
			return 0
		}
		n = got
	}
	return max(n, 0)
}
