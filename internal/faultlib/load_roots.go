package faultlib

import (
	"maps"
	"math"
	"slices"

	"go.yaml.in/yaml/v3"

	"nextprobe/internal/diagnosis"
)

// mostFactor bounds a hazard factor: beyond it a root is the cause itself.
const mostFactor = 1e6

// roots reads the optional section: by id, name, prior, symptoms, exposures and
// raises. It stands after causes, symptoms and links, which it refers to.
func (ld *loader) roots(n *yaml.Node) {
	all := ld.entriesOf(n, "roots")
	if all == nil {
		return
	}
	if len(all.entries) > diagnosis.MaxRoots {
		ld.fail(all.entries[diagnosis.MaxRoots].node, "roots", "%d roots; at most %d are possible, for inference runs through all states they can be in together",
			len(all.entries), diagnosis.MaxRoots)
	}
	for _, e := range all.entries {
		at := all.at(e.key)
		switch {
		case !idPattern.MatchString(e.key):
			ld.fail(e.node, at, "%q is no id; use letters, digits and _", e.key)
		case ld.hasCause(e.key) || e.key == diagnosis.UnmodelledID:
			ld.fail(e.node, at, "%q is the id of a cause; give the root another", e.key)
		}
		m := ld.mapping(e.val, at, "name", "prior", "symptoms", "exposures", "raises")
		if m == nil {
			continue
		}
		r := Root{ID: e.key, Name: m.needText("name"), Prior: m.needNumber("prior", 0, 1)}
		r.Symptoms = ld.shares(m, "symptoms", "symptom", 1, func(id string) bool { return has(ld.known.symptoms, id) })
		r.Exposures = ld.shares(m, "exposures", "exposure", 1, func(id string) bool {
			return slices.ContainsFunc(exposures, func(x Exposure) bool { return x.ID == id })
		})
		m.need("raises")
		r.Raises = ld.shares(m, "raises", "cause", mostFactor, ld.hasCause)
		ld.lib.Roots = append(ld.lib.Roots, r)
		ld.countedTwice(m, &r)
	}
	ld.reachable()
}

// shares reads numbers from 0 to high by ids of one kind.
func (ld *loader) shares(m *mapping, key, what string, high float64, known func(id string) bool) map[string]float64 {
	out := map[string]float64{}
	if !m.has(key) {
		return out
	}
	sub := ld.entriesOf(m.get(key), m.at(key))
	if sub == nil {
		return out
	}
	for _, e := range sub.entries {
		if !known(e.key) {
			ld.fail(e.node, sub.at(e.key), "no %s %q in this library", what, e.key)
		}
		ld.nodes[sub.at(e.key)] = e.val
		out[e.key] = ld.number(e.val, sub.at(e.key), 0, high)
	}
	return out
}

// countedTwice warns where the same news would reach a cause by two ways: from a
// symptom of the root and from the cause's own link to it, or from an exposure
// that sets the prior and its history symptom.
func (ld *loader) countedTwice(m *mapping, r *Root) {
	for i := range ld.lib.Links {
		l := &ld.lib.Links[i]
		if _, raised := r.Raises[l.Cause]; !raised {
			continue
		}
		for _, id := range slices.Sorted(maps.Keys(r.Symptoms)) {
			if _, linked := l.Symptoms[id]; linked {
				ld.warnAt("links."+l.Cause+".symptoms."+id, "counted twice: cause %q depends on root %q, which shows in symptom %q, and is linked to that symptom itself; take the link out", l.Cause, r.ID, id)
			}
		}
	}
	for _, x := range exposures {
		_, says := r.Exposures[x.ID]
		if _, shows := r.Symptoms[x.Symptom]; says && shows {
			ld.warnAt(m.at("exposures")+"."+x.ID, "counted twice: exposure %q sets the symptom %q, which shows root %q already; take one of the two out", x.ID, x.Symptom, r.ID)
		}
	}
}

// reachable refuses factors of 0 that keep a cause from its prior.
func (ld *loader) reachable() {
	for i := range ld.lib.Causes {
		c := &ld.lib.Causes[i]
		reach, path := ld.lib.Reach(c.ID), ""
		for k := range ld.lib.Roots {
			r := &ld.lib.Roots[k]
			if f, ok := r.Raises[c.ID]; ok && f == 0 {
				path = "roots." + r.ID + ".raises." + c.ID
			}
		}
		if p := c.PriorPer1000 / 1000; path != "" && p > 0 && p < 1 && p >= reach {
			ld.failAt(path, "with factor 0 the cause %q can be there in a share %v of the boards at most, not in %v", c.ID, math.Round(reach*1e6)/1e6, p)
		}
	}
}
