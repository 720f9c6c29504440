package faultlib

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// look gives the warnings about the model as a whole.
func (ld *loader) look() {
	lib := ld.lib
	symptoms, outcomes := map[string]bool{}, map[string]bool{}
	for i := range lib.Links {
		l := &lib.Links[i]
		for s, p := range l.Symptoms {
			symptoms[s] = symptoms[s] || p > 0
		}
		for m, row := range l.Outcomes {
			for o, p := range row {
				outcomes[m+"."+o] = outcomes[m+"."+o] || p > 0
			}
		}
	}
	for i := range lib.Roots {
		for s, p := range lib.Roots[i].Symptoms {
			symptoms[s] = symptoms[s] || p > 0
		}
	}
	for i, s := range lib.Symptoms {
		if !symptoms[s.ID] {
			ld.warnAt(indexed("symptoms", i), "no cause is linked to the symptom %q; it says nothing", s.ID)
		}
	}
	for i := range lib.Measurements {
		m := &lib.Measurements[i]
		for k, o := range m.Outcomes {
			if !o.Normal && !o.Inconclusive && !outcomes[m.ID+"."+o.ID] {
				ld.warnAt(indexed("measurements."+m.ID+".outcomes", k), "no cause produces %s %s; only its leak explains it", m.ID, o.ID)
			}
		}
	}
	ld.lookAtCauses()
}

// lookAtCauses warns of causes that nothing reaches or that nothing separates.
func (ld *loader) lookAtCauses() {
	same := map[string]string{}
	for i := range ld.lib.Causes {
		id := ld.lib.Causes[i].ID
		path := "causes." + id
		l := ld.lib.LinksOf(id)
		switch {
		case l == nil || len(l.Symptoms)+len(l.Outcomes) == 0:
			ld.warnAt(path, "the cause %q has no links; nothing can lead to it", id)
			continue
		case len(l.Symptoms) == 0:
			ld.warnAt("links."+id, "the cause %q has no symptoms; only a measurement can lead to it", id)
		case len(l.Outcomes) == 0:
			ld.warnAt("links."+id, "no measurement shows the cause %q", id)
			continue
		}
		key := signature(l.Outcomes)
		if first := same[key]; first != "" {
			ld.warnAt("links."+id, "no measurement separates the causes %q and %q; their outcomes are alike", first, id)
			continue
		}
		same[key] = id
	}
}

func signature(rows map[string]map[string]float64) string {
	var b strings.Builder
	for _, m := range slices.Sorted(maps.Keys(rows)) {
		for _, o := range slices.Sorted(maps.Keys(rows[m])) {
			if p := rows[m][o]; p > 0 {
				fmt.Fprintf(&b, "%s/%s=%v;", m, o, p)
			}
		}
	}
	return b.String()
}
