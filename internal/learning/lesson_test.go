package learning

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// dist draws a distribution over levels, every value above 0.
func dist(r *rand.Rand, levels int) []float64 {
	p := make([]float64, levels)
	sum := 0.0
	for z := range p {
		p[z] = 0.02 + r.Float64()
		sum += p[z]
	}
	for z := range p {
		p[z] /= sum
	}
	return p
}

// network draws a small model: 4 causes, the unmodelled one, 4 findings of 2 or 3 levels.
func network(seed uint64) diagnosis.Spec {
	r := rand.New(rand.NewPCG(seed, 1))
	spec := diagnosis.Spec{Unmodelled: 0.03}
	for i := range 4 {
		spec.Causes = append(spec.Causes, diagnosis.Cause{ID: fmt.Sprintf("c%d", i), Prior: 0.02 + 0.3*r.Float64()})
	}
	for j := range 4 {
		names := []string{"good", "low", "open"}[:2+j%2]
		f := diagnosis.Finding{ID: fmt.Sprintf("f%d", j), Levels: names, Leak: dist(r, len(names))}
		spec.Findings = append(spec.Findings, f)
		for i := range spec.Causes {
			if r.Float64() < 0.7 {
				spec.Links = append(spec.Links, diagnosis.Link{Cause: spec.Causes[i].ID, Finding: f.ID, P: dist(r, len(names))})
			}
		}
		spec.UnmodelledLinks = append(spec.UnmodelledLinks, diagnosis.Link{Finding: f.ID, P: dist(r, len(names))})
	}
	return spec
}

// world is one complete state: which causes are there, and what each of them, the
// leak and the unmodelled cause made of each finding.
type oracle struct {
	c       Case
	total   float64
	present map[string]float64
	trigger map[string]float64 // cause@finding@level
	against map[string]float64 // Σ odds ratio of the state, where the cause is not there
}

// enumerate is the definition worked out without any shortcut: it walks all states
// of the roots, all sets of causes and, within each, all levels that every one of
// them can draw.
func enumerate(c Case) *oracle {
	o := &oracle{c: c, present: map[string]float64{}, trigger: map[string]float64{}, against: map[string]float64{}}
	for mask := range 1 << len(c.Spec.Roots) {
		p := 1.0
		var on []string
		for k, r := range c.Spec.Roots {
			q := r.Prior
			if told, ok := c.Priors[r.ID]; ok {
				q = told
			}
			if mask>>k&1 == 1 {
				on = append(on, r.ID)
				p *= q
			} else {
				p *= 1 - q
			}
		}
		o.causes(on, p)
	}
	return o
}

func (o *oracle) causes(on []string, weight float64) {
	c := o.c
	n := len(c.Spec.Causes)
	priors := make([]float64, n)
	for i := range priors {
		priors[i] = under(c.Spec, i, on)
	}
	for set := range 1 << (n + 1) {
		p := weight
		in := on[:len(on):len(on)]
		missing := map[string]float64{}
		for i := 0; i <= n; i++ {
			id, prior := diagnosis.UnmodelledID, c.Spec.Unmodelled
			if i < n {
				id, prior = c.Spec.Causes[i].ID, priors[i]
			}
			there := prior
			switch q, ok := c.Priors[id]; {
			case ok && (i == n || q < 1):
				there = q
			case ok && set>>i&1 == 0:
				p = 0 // It was confirmed.
			}
			if set>>i&1 == 1 {
				p *= there
				in = append(in, id)
				continue
			}
			p *= 1 - there
			if i < n {
				mu := c.Spec.Causes[i].Prior
				missing[id] = prior / (1 - prior) / (mu / (1 - mu))
			}
		}
		if p > 0 {
			before := o.total
			o.visit(in, p)
			for id, r := range missing {
				o.against[id] += r * (o.total - before)
			}
		}
	}
}

// under is P(cause | these roots true, the others not): 1 − exp(−h·Π factors), h
// halved in on until the mean over the roots' priors is the cause's.
func under(spec diagnosis.Spec, i int, on []string) float64 {
	times := func(is func(k int) bool) (p, factor float64) {
		p, factor = 1, 1
		for k, r := range spec.Roots {
			if !is(k) {
				p *= 1 - r.Prior
				continue
			}
			p *= r.Prior
			for _, f := range r.Raises {
				if f.Cause == spec.Causes[i].ID {
					factor *= f.Factor
				}
			}
		}
		return p, factor
	}
	low, high := 0.0, 50.0
	for range 200 {
		h, mean := (low+high)/2, 0.0
		for mask := range 1 << len(spec.Roots) {
			p, f := times(func(k int) bool { return mask>>k&1 == 1 })
			mean += p * (1 - math.Exp(-h*f))
		}
		if mean < spec.Causes[i].Prior {
			low = h
		} else {
			high = h
		}
	}
	_, f := times(func(k int) bool { return slices.Contains(on, spec.Roots[k].ID) })
	return 1 - math.Exp(-low*f)
}

func (o *oracle) root(id string) *diagnosis.Root {
	for k := range o.c.Spec.Roots {
		if o.c.Spec.Roots[k].ID == id {
			return &o.c.Spec.Roots[k]
		}
	}
	return nil
}

func (o *oracle) link(cause, finding string) []float64 {
	links := slices.Concat(o.c.Spec.Links, o.c.Spec.UnmodelledLinks)
	if r := o.root(cause); r != nil {
		links = r.Links
	}
	for _, l := range links {
		if l.Finding == finding && (l.Cause == cause || l.Cause == "" && (cause == diagnosis.UnmodelledID || o.root(cause) != nil)) {
			return l.P
		}
	}
	return nil
}

func (o *oracle) visit(in []string, p float64) {
	type share struct{ by map[string]float64 } // cause@finding@level: P(that draw, e_j | set)
	var shares []share
	var evs []float64
	for _, e := range o.c.Evidence {
		var f diagnosis.Finding
		for _, x := range o.c.Spec.Findings {
			if x.ID == e.Finding {
				f = x
			}
		}
		like := likelihood(e, len(f.Levels))
		s := share{map[string]float64{}}
		ev := 0.0
		var walk func(k, top int, q float64, drawn []string)
		walk = func(k, top int, q float64, drawn []string) {
			if k == len(in) {
				q *= like[top]
				ev += q
				for _, d := range drawn {
					s.by[d] += q
				}
				return
			}
			row := o.link(in[k], f.ID)
			if row == nil {
				walk(k+1, top, q, drawn)
				return
			}
			for z, v := range row {
				walk(k+1, max(top, z), q*v, append(drawn[:len(drawn):len(drawn)], in[k]+"@"+f.ID+"@"+f.Levels[z]))
			}
		}
		for z, v := range f.Leak {
			walk(0, z, v, nil)
		}
		shares, evs = append(shares, s), append(evs, ev)
	}
	after := 1.0
	for _, id := range o.c.NormalAfter {
		for _, f := range o.c.Spec.Findings {
			if f.ID == id {
				after *= f.Leak[0]
			}
		}
		for _, cause := range in {
			if row := o.link(cause, id); row != nil && o.c.Priors[cause] != 1 && o.root(cause) == nil {
				after *= row[0]
			}
		}
	}
	all := p * after
	for _, v := range evs {
		all *= v
	}
	o.total += all
	for _, cause := range in {
		o.present[cause] += all
	}
	for k, s := range shares {
		for d, v := range s.by {
			o.trigger[d] += all * v / evs[k]
		}
	}
}

func cases(seed uint64) Case {
	r := rand.New(rand.NewPCG(seed, 2))
	c := Case{Spec: network(seed)}
	for j, f := range c.Spec.Findings {
		switch n := len(f.Levels); {
		case j == int(seed)%5: // Not looked at.
		case r.Float64() < 0.3:
			c.Evidence = append(c.Evidence, diagnosis.Observation{Finding: f.ID, Likelihood: dist(r, n)})
		default:
			c.Evidence = append(c.Evidence, diagnosis.Observation{Finding: f.ID, Level: r.IntN(n)})
		}
	}
	if seed%3 > 0 {
		c.Priors = map[string]float64{"c1": 1}
		c.NormalAfter = []string{"f0", "f3"}[:seed%3]
	}
	return c
}

// The counts against a walk through every state of the world.
func TestCountsAgainstEnumeration(t *testing.T) {
	t.Parallel()
	links := 0
	for seed := range uint64(90) {
		c := cases(seed)
		if seed >= 60 {
			c = rooted(c, seed)
		}
		want := enumerate(c)
		got, err := Learn(c)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range got.Causes {
			near(t, fmt.Sprintf("seed %d: P(%s)", seed, n.Cause), n.Present, want.present[n.Cause]/want.total)
			near(t, fmt.Sprintf("seed %d: %s counts", seed, n.Cause), 1+n.Extra, (want.present[n.Cause]+want.against[n.Cause])/want.total)
			if n.Resolved < 0 || n.Resolved > 1 || n.Present == 1 && n.Resolved != 1 {
				t.Errorf("seed %d: %+v", seed, n)
			}
		}
		for _, n := range got.Links {
			links++
			sum := 0.0
			for _, l := range n.Levels {
				near(t, fmt.Sprintf("seed %d: %s at %s of %s", seed, n.Cause, l.Level, n.Finding), l.Count, want.trigger[n.Cause+"@"+n.Finding+"@"+l.Level]/want.total)
				sum += l.Count
			}
			near(t, fmt.Sprintf("seed %d: %s of %s in all", seed, n.Cause, n.Finding), sum, want.present[n.Cause]/want.total)
			if n.Resolved < 0 || n.Resolved > sum+1e-12 {
				t.Errorf("seed %d: resolved %v of %v", seed, n.Resolved, sum)
			}
		}
	}
	if links < 200 {
		t.Errorf("only %d links compared", links)
	}
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-11) {
		t.Errorf("%s: %.15g, want %.15g", what, got, want)
	}
}

// A single cause, a single finding: the counts by hand. With prior p, link q and
// leak k (both for the abnormal level), P(trigger | seen) = p·q/(p·q + k − p·q·k).
func TestOneCauseByHand(t *testing.T) {
	t.Parallel()
	const p, q, k = 0.1, 0.8, 0.05
	spec := diagnosis.Spec{
		Causes:   []diagnosis.Cause{{ID: "c", Prior: p}},
		Findings: []diagnosis.Finding{{ID: "f", Levels: []string{"absent", "present"}, Leak: []float64{1 - k, k}}},
		Links:    []diagnosis.Link{{Cause: "c", Finding: "f", P: []float64{1 - q, q}}},
	}
	got, err := Learn(Case{Spec: spec, Evidence: []diagnosis.Observation{{Finding: "f", Level: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	seen := p*q + k - p*q*k
	near(t, "triggered", got.Links[0].Levels[1].Count, p*q/seen)
	near(t, "there, but the leak showed it", got.Links[0].Levels[0].Count, p*(1-q)*k/seen)

	// Nothing seen: the cause adds its prior and tells nothing.
	got, err = Learn(Case{Spec: spec})
	if err != nil {
		t.Fatal(err)
	}
	if c := got.Causes[0]; c.Present != p || c.Resolved != 0 || len(got.Links) != 0 {
		t.Errorf("unexamined: %+v", got)
	}

	// Confirmed, and not shown: a whole job, all on the normal level.
	got, err = Learn(Case{Spec: spec, Priors: map[string]float64{"c": 1}, Evidence: []diagnosis.Observation{{Finding: "f"}}})
	if err != nil {
		t.Fatal(err)
	}
	if l := got.Links[0]; l.Levels[0].Count != 1 || l.Levels[1].Count != 0 || l.Resolved != 1 {
		t.Errorf("confirmed and not shown: %+v", l)
	}
}

func TestLearnRefuses(t *testing.T) {
	t.Parallel()
	for name, spoil := range map[string]func(*Case){
		"normal_after[0]":         func(c *Case) { c.NormalAfter = []string{"nothing"} },
		"priors.nobody":           func(c *Case) { c.Priors = map[string]float64{"nobody": 1} },
		"observations[0].finding": func(c *Case) { c.Evidence = []diagnosis.Observation{{Finding: "nothing"}} },
		"causes[0].prior":         func(c *Case) { c.Spec.Causes[0].Prior = 2 },
	} {
		c := Case{Spec: network(1)}
		spoil(&c)
		_, err := Learn(c)
		if e := problem.As(err); e == nil || e.Fields[0].Field != name {
			t.Errorf("%s: %v", name, err)
		}
	}
}
