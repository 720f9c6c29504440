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
	r := reading{Observation: Observation{Finding: p.node.Finding, Level: level}, open: to.open, held: to.open, times: 1}
	if k := slices.IndexFunc(to.ev, func(old reading) bool { return old.Finding == r.Finding }); k >= 0 {
		// A measurement repeated replaces the earlier result.
		r.times += to.ev[k].times
		to.ev = slices.Delete(to.ev, k, k+1)
	}
	to.ev = append(to.ev, r)
}

// stateAt is where a job stands that came to a place.
func (g *grower) stateAt(p *place) State {
	st := g.spec.State
	st.Open, st.Once, st.Unmet = p.open, nil, slices.Clone(st.Unmet)
	readings := make([]TreeReading, len(p.ev))
	for k := range p.ev {
		r := &p.ev[k]
		readings[k] = TreeReading{r.Observation, r.held}
		if r.times == 1 {
			st.Once = append(st.Once, r.Finding)
		}
	}
	if g.spec.Unmet != nil {
		st.Unmet = append(st.Unmet, g.spec.Unmet(readings, p.open)...)
	}
	return st
}

func (g *grower) openUp(to *place, id string) {
	e := g.effects[id]
	to.open = slices.DeleteFunc(slices.Clone(to.open), func(other string) bool {
		ends := g.effects[other] != nil && slices.Contains(g.effects[other].Closes, id)
		return ends || e != nil && slices.ContainsFunc(e.Closes, func(c string) bool { return other == c || g.behind(other, c) })
	})
	for k := range to.ev {
		r := &to.ev[k]
		r.held = slices.DeleteFunc(slices.Clone(r.held), func(h string) bool { return !slices.Contains(to.open, h) })
	}
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
