package diagnosis

import "slices"

// take carries the state over to an outcome: what was opened is open, what it
// closes is closed, and what it overtakes is no longer evidence, except for
// results taken while that same opening was open.
func (g *grower) take(p, to *place, level int) {
	to.open = slices.Clone(p.open)
	to.ev = slices.Clone(p.ev)
	for _, id := range p.node.Access {
		g.openUp(to, id)
	}
	to.ev = append(to.ev, reading{Observation: Observation{Finding: p.node.Finding, Level: level}, open: to.open})
}

func (g *grower) openUp(to *place, id string) {
	e := g.effects[id]
	to.open = slices.DeleteFunc(slices.Clone(to.open), func(other string) bool {
		ends := g.effects[other] != nil && slices.Contains(g.effects[other].Closes, id)
		return ends || e != nil && slices.ContainsFunc(e.Closes, func(c string) bool { return other == c || g.behind(other, c) })
	})
	to.open = append(to.open, id)
	if e == nil {
		return
	}
	to.ev = slices.DeleteFunc(to.ev, func(r reading) bool {
		return slices.Contains(e.Overtakes, r.Finding) && !slices.Contains(r.open, id)
	})
}

// behind reports whether an opening requires another, directly or not. The
// ledger has checked that none requires itself.
func (g *grower) behind(id, before string) bool {
	for k := range g.spec.Economy.Openings {
		o := &g.spec.Economy.Openings[k]
		if o.ID == id {
			return slices.ContainsFunc(o.Requires, func(r string) bool { return r == before || g.behind(r, before) })
		}
	}
	return false
}

// toClose lists what of the open must be closed before the rest is opened.
func (g *grower) toClose(open, access []string) []string {
	var out []string
	for _, id := range open {
		for _, to := range access {
			if e := g.effects[to]; e != nil && slices.Contains(e.Closes, id) && !slices.Contains(out, id) {
				out = append(out, id)
			}
		}
	}
	return out
}
