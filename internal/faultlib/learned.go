package faultlib

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// LinkRow is a link as it stands in the file, as a distribution over the
// finding's levels, before the floor. Level 0 has what the row leaves.
type LinkRow struct {
	Cause   string
	Finding string // as in the model, see FindingOf
	Levels  []string
	P       []float64
}

// LinkRows lists the links of the file: by cause in file order, symptoms first,
// each kind by id.
func (l *Library) LinkRows() []LinkRow {
	var rows []LinkRow
	for i := range l.Links {
		link := &l.Links[i]
		for _, s := range slices.Sorted(maps.Keys(link.Symptoms)) {
			p := link.Symptoms[s]
			rows = append(rows, LinkRow{link.Cause, SymptomFinding(s), []string{"absent", "present"}, []float64{1 - p, p}})
		}
		for _, id := range slices.Sorted(maps.Keys(link.Outcomes)) {
			m := l.Measurement(id)
			rows = append(rows, LinkRow{link.Cause, MeasurementFinding(id), m.levelNames(), m.row(link.Outcomes[id])})
		}
	}
	return rows
}

// relink replaces the rows of links by those of the shop's own experience.
func relink(rows []LinkRow, learned []diagnosis.Link) error {
	type pair struct{ cause, finding string }
	at := make(map[pair]int, len(rows))
	for k := range rows {
		at[pair{rows[k].Cause, rows[k].Finding}] = k
	}
	var wrong []problem.Field
	fail := func(k int, format string, args ...any) {
		wrong = append(wrong, problem.Field{Field: fmt.Sprintf("links[%d]", k), Message: fmt.Sprintf(format, args...)})
	}
	for k, l := range learned {
		i, ok := at[pair{l.Cause, l.Finding}]
		switch {
		case !ok:
			fail(k, "the library has no link of %s to %s", l.Cause, l.Finding)
		case len(l.P) != len(rows[i].P):
			fail(k, "%d probabilities for %d levels of %s", len(l.P), len(rows[i].P), l.Finding)
		case !sumsToOne(l.P):
			fail(k, "the probabilities of a row are 0 or more and sum to 1")
		default:
			rows[i].P = slices.Clone(l.P)
		}
	}
	return problem.InFields(wrong)
}

func sumsToOne(p []float64) bool {
	sum := 0.0
	for _, v := range p {
		if !(v >= 0) {
			return false
		}
		sum += v
	}
	return math.Abs(sum-1) <= 1e-9
}
