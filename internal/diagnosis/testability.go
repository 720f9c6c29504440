package diagnosis

import (
	"cmp"
	"math"
	"slices"

	"nextprobe/internal/problem"
)

// DefaultApart is the total variation distance from which on a finding separates
// two causes. Who sees one result of it, both causes being as probable, names the
// right one with probability (1 + distance)/2: three times in four at 0.5.
const DefaultApart = 0.5

// TestabilitySpec says how a model's testability is judged.
type TestabilitySpec struct {
	// Apart is the total variation distance between the outcome distributions of
	// two causes from which on a finding separates them, above 0 and at most 1; 0
	// means DefaultApart.
	Apart float64
	// Tests are the findings that can be measured; the others are symptoms, which
	// come as they come. None means all.
	Tests []string
}

// Testability is what the findings of a model can tell of its causes when one
// fault is present and the cause that the model does not know is not. A cause's
// outcomes are those of the model with only this cause, leaks included.
//
// The notions are those of IEEE Std 1522-2004 (from memory), with a distance in
// place of the pass and fail of a dependency matrix; where every outcome is
// certain they agree. The share of faults detected (FFD there) is Σλ over the
// causes that some finding separates from no fault, over Σλ over all; the share
// isolated to at most L (FFI_L) is Σλ over the detected causes in an ambiguity
// group of at most L, over Σλ over the detected. λ is the prior, or 1 where
// unweighted.
type Testability struct {
	Apart  float64
	Causes int
	// Detected by any finding, and DetectedByTests by what can be measured.
	Detected, DetectedByTests Share
	// IsolatedToOne and IsolatedToTwo are shares of the detected causes, by all
	// findings.
	IsolatedToOne, IsolatedToTwo Share
	// Undetected are the causes that no finding separates from no fault.
	Undetected []string
	// Groups are the ambiguity groups of two and more detected causes, the largest
	// share of priors first. A chain of causes each of which is not separated from
	// the next is one group, so that groups share no cause.
	Groups []AmbiguityGroup
	// Pairs are the pairs of detected causes that no test separates.
	Pairs []CausePair
	// Masked are the detected causes that another one hides: no finding separates
	// both being present from the other alone.
	Masked []MaskedCause
}

// Share is a share of the causes, from 0 to 1; 0 of none.
type Share struct {
	Weighted, Unweighted float64
}

// AmbiguityGroup is a set of causes that no finding separates.
type AmbiguityGroup struct {
	Causes []string
	// Weight is the sum of their priors.
	Weight float64
	// Nearest is the test that comes nearest to separating them and Distance the
	// greatest distance it puts between two of them; "" where none is linked.
	Nearest  string
	Distance float64
}

// CausePair is two causes that no test separates.
type CausePair struct {
	A, B string
	// Nearest is the test that comes nearest and its distance; "" for none.
	Nearest  string
	Distance float64
	// Symptom separates the two where it is not "".
	Symptom string
}

// MaskedCause is a cause with those that hide it.
type MaskedCause struct {
	Cause string
	By    []string
}

// testability carries one judgement.
type testability struct {
	m      *Model
	apart  float64
	isTest []bool
	links  [][]causeLink // by cause, by finding in order
	weight []float64
	found  []bool // detected by some finding
	merged []int  // union of causes not separated
	pairs  []CausePair
}

// Testability judges what the model's findings can tell. Errors: invalid for a
// threshold out of range or an unknown test.
func (m *Model) Testability(spec TestabilitySpec) (*Testability, error) {
	t := &testability{m: m, apart: spec.Apart, isTest: make([]bool, len(m.findings))}
	var c checker
	fill(&t.apart, DefaultApart)
	if !(t.apart > 0 && t.apart <= 1) {
		c.failf("apart", "%v; give a distance above 0 and at most 1", spec.Apart)
	}
	for k := range t.isTest {
		t.isTest[k] = spec.Tests == nil
	}
	for _, id := range spec.Tests {
		j, ok := m.findingIndex[id]
		if !ok {
			c.failf("tests", "no finding %q in this model", id)
			continue
		}
		t.isTest[j] = true
	}
	if err := problem.InFields(c.fields); err != nil {
		return nil, err
	}
	for i := range m.causes {
		row := slices.Clone(m.byCause[i])
		slices.SortFunc(row, func(a, b causeLink) int { return cmp.Compare(a.finding, b.finding) })
		t.links = append(t.links, row)
		t.weight = append(t.weight, m.causes[i].Prior)
		t.merged = append(t.merged, i)
	}
	r := &Testability{Apart: t.apart, Causes: len(m.causes)}
	t.detect(r)
	t.compare()
	r.Pairs = t.pairs
	t.group(r)
	t.mask(r)
	return r, nil
}

// distance is the total variation distance at a finding between two sets of
// causes, each given by the links of its members to the finding.
func (m *Model) distance(finding int, a, b []effect) float64 {
	leak := m.leak[finding].cdf
	sum, pa, pb := 0.0, 0.0, 0.0
	for x := range leak {
		ca, cb := leak[x], leak[x]
		for _, e := range a {
			ca *= e.cdf[x]
		}
		for _, e := range b {
			cb *= e.cdf[x]
		}
		sum += math.Abs((ca - pa) - (cb - pb))
		pa, pb = ca, cb
	}
	return sum / 2
}

// detect finds the causes that show at all.
func (t *testability) detect(r *Testability) {
	t.found = make([]bool, len(t.links))
	byTest := make([]bool, len(t.links))
	for i, row := range t.links {
		for _, l := range row {
			if t.m.distance(l.finding, []effect{l.effect}, nil) >= t.apart {
				t.found[i] = true
				byTest[i] = byTest[i] || t.isTest[l.finding]
			}
		}
		if !t.found[i] {
			r.Undetected = append(r.Undetected, t.m.causes[i].ID)
		}
	}
	all := func(int) bool { return true }
	r.Detected = t.share(func(i int) bool { return t.found[i] }, all)
	r.DetectedByTests = t.share(func(i int) bool { return byTest[i] }, all)
}

// share is how much of the causes of a set belong to a part of it.
func (t *testability) share(part, of func(i int) bool) Share {
	var s, whole Share
	for i := range t.links {
		if !of(i) {
			continue
		}
		whole.Weighted += t.weight[i]
		whole.Unweighted++
		if part(i) {
			s.Weighted += t.weight[i]
			s.Unweighted++
		}
	}
	if whole.Weighted > 0 {
		s.Weighted /= whole.Weighted
	}
	if whole.Unweighted > 0 {
		s.Unweighted /= whole.Unweighted
	}
	return s
}

// gap is how far two causes are apart at best: by tests and by symptoms.
type gap struct {
	test, symptom         float64
	testID, symptomID     int
	testKnown, symptomToo bool
}

// between walks the findings linked to either of two causes; at all others both
// are as without a fault.
func (t *testability) between(i, k int) gap {
	var g gap
	a, b := t.links[i], t.links[k]
	for len(a) > 0 || len(b) > 0 {
		var j int
		var ea, eb []effect
		switch {
		case len(b) == 0 || len(a) > 0 && a[0].finding < b[0].finding:
			j, ea = a[0].finding, []effect{a[0].effect}
			a = a[1:]
		case len(a) == 0 || b[0].finding < a[0].finding:
			j, eb = b[0].finding, []effect{b[0].effect}
			b = b[1:]
		default:
			j, ea, eb = a[0].finding, []effect{a[0].effect}, []effect{b[0].effect}
			a, b = a[1:], b[1:]
		}
		g.note(j, t.m.distance(j, ea, eb), t.isTest[j])
	}
	return g
}

func (g *gap) note(finding int, d float64, test bool) {
	switch {
	case test && (!g.testKnown || d > g.test):
		g.test, g.testID, g.testKnown = d, finding, true
	case !test && (!g.symptomToo || d > g.symptom):
		g.symptom, g.symptomID, g.symptomToo = d, finding, true
	}
}

// compare takes every pair of detected causes and joins those that nothing
// separates.
func (t *testability) compare() {
	for i := range t.links {
		for k := i + 1; k < len(t.links); k++ {
			if !t.found[i] || !t.found[k] {
				continue
			}
			g := t.between(i, k)
			if g.test >= t.apart {
				continue
			}
			p := CausePair{A: t.m.causes[i].ID, B: t.m.causes[k].ID, Distance: g.test}
			if g.testKnown && g.test > 0 {
				p.Nearest = t.m.findings[g.testID].ID
			}
			if g.symptom >= t.apart {
				p.Symptom = t.m.findings[g.symptomID].ID
			} else if a, b := t.root(i), t.root(k); a != b {
				t.merged[max(a, b)] = min(a, b)
			}
			t.pairs = append(t.pairs, p)
		}
	}
}

func (t *testability) root(i int) int {
	for t.merged[i] != i {
		i = t.merged[i]
	}
	return i
}

// group lists the ambiguity groups and what of the faults they isolate.
func (t *testability) group(r *Testability) {
	members := make(map[int][]int)
	var roots []int
	for i := range t.links {
		if !t.found[i] {
			continue
		}
		root := t.root(i)
		if len(members[root]) == 0 {
			roots = append(roots, root)
		}
		members[root] = append(members[root], i)
	}
	isolated := func(most int) Share {
		return t.share(func(i int) bool { return len(members[t.root(i)]) <= most }, func(i int) bool { return t.found[i] })
	}
	r.IsolatedToOne, r.IsolatedToTwo = isolated(1), isolated(2)
	for _, root := range roots {
		if list := members[root]; len(list) > 1 {
			r.Groups = append(r.Groups, t.ambiguity(list))
		}
	}
	slices.SortStableFunc(r.Groups, func(a, b AmbiguityGroup) int { return cmp.Compare(b.Weight, a.Weight) })
}

func (t *testability) ambiguity(list []int) AmbiguityGroup {
	var g AmbiguityGroup
	for n, i := range list {
		g.Causes = append(g.Causes, t.m.causes[i].ID)
		g.Weight += t.weight[i]
		for _, k := range list[:n] {
			if b := t.between(i, k); b.testKnown && b.test > g.Distance {
				g.Nearest, g.Distance = t.m.findings[b.testID].ID, b.test
			}
		}
	}
	return g
}

// mask looks, for every detected cause, for those that hide it when both are
// present: at no finding of it does the pair look other than the second alone.
func (t *testability) mask(r *Testability) {
	for i, row := range t.links {
		if !t.found[i] {
			continue
		}
		m := MaskedCause{Cause: t.m.causes[i].ID}
		for k := range t.links {
			if k == i || t.shows(row, t.links[k]) {
				continue
			}
			m.By = append(m.By, t.m.causes[k].ID)
		}
		if len(m.By) > 0 {
			r.Masked = append(r.Masked, m)
		}
	}
}

func (t *testability) shows(row, other []causeLink) bool {
	for _, l := range row {
		var alone []effect
		if k, ok := slices.BinarySearchFunc(other, l.finding, func(o causeLink, j int) int { return cmp.Compare(o.finding, j) }); ok {
			alone = []effect{other[k].effect}
		}
		if t.m.distance(l.finding, append([]effect{l.effect}, alone...), alone) >= t.apart {
			return true
		}
	}
	return false
}
