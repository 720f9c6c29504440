package faultlib

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// Bounds of a TreeRequest. Each symptom that is present doubles the work of every
// inference below it; absent ones cost next to nothing.
const (
	maxTreePresent = 8
	maxTreeAbsent  = 30
)

// TreeRequest says which tree is wanted.
type TreeRequest struct {
	// Present and Absent are symptoms; at least one must be present.
	Present, Absent []string
	// Facts of the board; those not given have their defaults.
	Facts map[string]string
	// Exposures are ways of use, as at intake: each brings its history symptom and
	// makes roots more probable.
	Exposures []string
	// Unmet, when set, says what interlocks forbid at a place of the tree.
	Unmet func(readings []diagnosis.TreeReading, open []string) []diagnosis.Unmet
	// Depth is the most measurements on one way, 1 to diagnosis.MaxTreeDepth.
	Depth int
	// LabourPerHour is the labour rate in minor units of a currency.
	LabourPerHour float64
	// Model is the one that jobs use; nil means the library's own.
	Model *diagnosis.Model
	// Interrupted, when set, ends the compilation by its error.
	Interrupted func() error
}

// CompileTree compiles the policy for a complaint: a decision tree whose equal
// places are merged. The intake gates come first, openings undo and overtake each
// other as in a job, and results of no use are to be taken again. A symptom that
// is a stop sign gives a tree of one step. The error is invalid and names the
// field symptoms, absent, exposures, depth or facts.<fact>.
func (l *Library) CompileTree(req TreeRequest) (*diagnosis.Tree, error) {
	spec, seen, err := l.treeSpec(req)
	if err != nil {
		return nil, err
	}
	if gate, _ := l.StopFor(seen); gate != nil {
		cost := spec.Economy.EscalateCost
		return &diagnosis.Tree{Nodes: []diagnosis.TreeNode{{Kind: diagnosis.TreeStop, Reach: 1, Ways: 1, Cost: cost}}, Places: 1, Live: cost}, nil
	}
	model := req.Model
	if model == nil {
		if model, err = l.Model(ModelContext{}); err != nil {
			return nil, err
		}
	}
	if priors := l.RootPriors(req.Exposures); len(priors) > 0 {
		if model, err = model.WithPriors(priors); err != nil {
			return nil, err
		}
	}
	return model.CompileTree(spec)
}

// WithExposures are symptoms with those that exposures bring and that are not
// among them, as far as the library has them.
func (l *Library) WithExposures(symptoms, exposures []string) []string {
	out := slices.Clone(symptoms)
	for _, id := range ExposureSymptoms(exposures) {
		if l.Symptom(id) != nil && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

// treeSpec checks a request and turns it into the engine's terms.
func (l *Library) treeSpec(req TreeRequest) (diagnosis.TreeSpec, []Seen, error) {
	t := &treeReader{lib: l, seen: map[string]bool{}}
	t.exposures(req)
	present := l.WithExposures(req.Present, req.Exposures)
	t.symptoms("symptoms", present, true, maxTreePresent)
	t.symptoms("absent", req.Absent, false, maxTreeAbsent)
	if len(present) == 0 {
		t.failf("symptoms", "name at least one symptom that is present")
	}
	if req.Depth < 1 || req.Depth > diagnosis.MaxTreeDepth {
		t.failf("depth", "%d; give 1 to %d measurements", req.Depth, diagnosis.MaxTreeDepth)
	}
	facts, err := l.Facts(req.Facts, "facts")
	if pe := problem.As(err); pe != nil {
		t.fields = append(t.fields, pe.Fields...)
	}
	if err := problem.InFields(t.fields); err != nil {
		return diagnosis.TreeSpec{}, nil, err
	}
	spec := diagnosis.TreeSpec{
		Evidence: t.evidence, Economy: l.Economy(EconomyContext{Facts: facts, LabourPerHour: req.LabourPerHour}),
		MaxDepth: req.Depth, Gates: l.treeGates(), Openings: l.treeOpenings(), Useless: l.uselessLevels(), Interrupted: req.Interrupted,
		Unmet: req.Unmet,
		State: l.closedBoard(),
	}
	return spec, t.gates, nil
}

// closedBoard is how a board stands at first: what costs nothing to reach (the
// board closed and off) is reached.
func (l *Library) closedBoard() diagnosis.State {
	var st diagnosis.State
	for i := range l.Openings {
		if o := &l.Openings[i]; o.OpenMin+o.CloseMin == 0 && len(o.Requires) == 0 {
			st.Open = append(st.Open, o.ID)
		}
	}
	return st
}

// treeReader collects the symptoms of a request and what is wrong with them.
type treeReader struct {
	lib      *Library
	seen     map[string]bool
	evidence []diagnosis.Observation
	gates    []Seen
	fields   []problem.Field
}

func (t *treeReader) failf(field, format string, args ...any) {
	t.fields = append(t.fields, problem.Field{Field: field, Message: fmt.Sprintf(format, args...)})
}

// exposures checks them; one may not bring a symptom that is said to be absent.
func (t *treeReader) exposures(req TreeRequest) {
	for k, id := range req.Exposures {
		i := slices.IndexFunc(exposures, func(x Exposure) bool { return x.ID == id })
		switch {
		case i < 0:
			known := make([]string, len(exposures))
			for n := range exposures {
				known[n] = exposures[n].ID
			}
			t.failf("exposures", "there is no exposure %q; give some of %s", id, strings.Join(known, ", "))
		case slices.Contains(req.Exposures[:k], id):
			t.failf("exposures", "the exposure %q stands twice; keep one", id)
		case slices.Contains(req.Absent, exposures[i].Symptom):
			t.failf("absent", "%q is denied, but the exposure %q brings it; take one of the two away", exposures[i].Symptom, id)
		}
	}
}

func (t *treeReader) symptoms(field string, ids []string, present bool, most int) {
	if len(ids) > most {
		t.failf(field, "%d symptoms; give at most %d, those that bother the rider most", len(ids), most)
		return
	}
	for _, id := range ids {
		obs, err := t.lib.ObserveSymptom(id, present)
		switch {
		case err != nil:
			t.failf(field, "%s", t.lib.noSymptom(id))
		case t.seen[id]:
			t.failf(field, "the symptom %q stands twice; keep one", id)
		default:
			t.seen[id] = true
			t.evidence = append(t.evidence, obs)
			t.gates = append(t.gates, Seen{Symptom: id, Present: present})
		}
	}
}

func (l *Library) noSymptom(id string) string {
	text := fmt.Sprintf("there is no symptom %q in this library", id)
	if near := l.NearestSymptoms(id); len(near) > 0 {
		text += "; the nearest are " + strings.Join(near, ", ")
	}
	return text
}

// treeGates are the gates that are measured; a gate on a symptom has nothing to
// measure.
func (l *Library) treeGates() []diagnosis.TreeGate {
	var out []diagnosis.TreeGate
	for _, g := range l.Gates {
		m := l.Measurement(g.Measurement)
		if m == nil {
			continue
		}
		gate := diagnosis.TreeGate{Finding: MeasurementFinding(m.ID)}
		for i, o := range m.Outcomes {
			if slices.Contains(g.StopOn, o.ID) {
				gate.Stop = append(gate.Stop, m.LevelOf[i])
			}
		}
		out = append(out, gate)
	}
	return out
}

// treeOpenings says of each opening what it must find closed and which results it
// overtakes.
func (l *Library) treeOpenings() []diagnosis.TreeOpening {
	var out []diagnosis.TreeOpening
	for i := range l.Openings {
		o := &l.Openings[i]
		x := diagnosis.TreeOpening{ID: o.ID, Closes: slices.Clone(o.Closed)}
		for _, inv := range l.Invalidations {
			if !slices.Contains(inv.Openings, o.ID) {
				continue
			}
			for _, m := range inv.Results {
				x.Overtakes = append(x.Overtakes, MeasurementFinding(m))
			}
		}
		if len(x.Closes)+len(x.Overtakes) > 0 {
			out = append(out, x)
		}
	}
	return out
}

// uselessLevels are, by finding, the levels of outcomes that are no evidence.
func (l *Library) uselessLevels() map[string][]int {
	out := map[string][]int{}
	for i := range l.Measurements {
		m := &l.Measurements[i]
		for k, o := range m.Outcomes {
			if o.Inconclusive {
				id := MeasurementFinding(m.ID)
				out[id] = append(out[id], m.LevelOf[k])
			}
		}
	}
	return out
}

// nearestShown is how many near symptoms an error names.
const nearestShown = 3

// NearestSymptoms lists up to three symptoms whose ids are closest to what was
// typed: by how many letters differ from the whole id, or from its best word.
func (l *Library) NearestSymptoms(typed string) []string {
	typed = strings.ReplaceAll(strings.ToLower(strings.TrimSpace(typed)), " ", "_")
	type near struct {
		id       string
		distance int
	}
	var list []near
	for i := range l.Symptoms {
		id := l.Symptoms[i].ID
		d := editDistance(typed, id)
		close := 2*d <= max(len(typed), len(id))
		for _, w := range strings.Split(typed, "_") {
			for _, part := range strings.Split(id, "_") {
				// A word alone may be one letter in four off.
				if e := editDistance(w, part); len(w) >= 4 && 4*e <= len(part) {
					d, close = min(d, e+2), true
				}
			}
		}
		if close {
			list = append(list, near{id, d})
		}
	}
	slices.SortStableFunc(list, func(a, b near) int { return a.distance - b.distance })
	var out []string
	for _, n := range list[:min(nearestShown, len(list))] {
		out = append(out, n.id)
	}
	return out
}

// maxTyped bounds what is compared, so that a long text costs nothing.
const maxTyped = 64

// editDistance is how many letters must be put in, left out or changed
// (Levenshtein 1966).
func editDistance(a, b string) int {
	a, b = a[:min(len(a), maxTyped)], b[:min(len(b), maxTyped)]
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
