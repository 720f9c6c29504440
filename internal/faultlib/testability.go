package faultlib

import (
	"cmp"
	"maps"
	"slices"

	"nextprobe/internal/diagnosis"
)

// Testability is what a library's symptoms and measurements can tell, and which
// of its measurements ever pay.
type Testability struct {
	*diagnosis.Testability
	// Uses are those of all measurements, in library order.
	Uses []diagnosis.Use
	// Boards is how many boards with one fault the use was counted on.
	Boards int
	// Hints belong to the groups, by place.
	Hints []SplitHint
}

// SplitHint says what would split an ambiguity group.
type SplitHint struct {
	// Sharpen is the measurement that comes nearest to splitting it already.
	Sharpen string
	// Link are up to three measurements of the library that belong to a component
	// of the group and are linked to some of its causes or to none: what they make
	// of the others is not stated.
	Link []string
	// Components and Modes are those of the group, each once, in the order of the
	// causes: where components differ, what acts on one of them alone would split
	// the group; where only the modes do, what tells them apart.
	Components, Modes []string
}

const (
	// saysComplaint is how probable a symptom of the cause alone is that its board
	// comes in with; mostComplaints bounds how many are told.
	saysComplaint  = 0.5
	mostComplaints = 3
	linksShown     = 3
)

// useRate is the labour rate of the count; only proportions matter to what pays.
const useRate = inferRate

// Testability judges the library under a model (nil: its own). A board of the
// count has one cause of the library and comes in with up to three of the symptoms
// that this cause alone shows at least every second time, or with its likeliest
// one. The error is that of interrupted, when set.
func (l *Library) Testability(model *diagnosis.Model, interrupted func() error) (*Testability, error) {
	if model == nil {
		var err error
		if model, err = l.Model(ModelContext{}); err != nil {
			return nil, err
		}
	}
	var tests []string
	for i := range l.Measurements {
		tests = append(tests, MeasurementFinding(l.Measurements[i].ID))
	}
	told, err := model.Testability(diagnosis.TestabilitySpec{Tests: tests})
	if err != nil {
		return nil, err
	}
	facts, err := l.Facts(nil, "facts")
	if err != nil {
		return nil, err
	}
	use := diagnosis.UseSpec{Economy: l.Economy(EconomyContext{Facts: facts, LabourPerHour: useRate}), State: l.closedBoard(),
		Gates: l.treeGates(), Openings: l.treeOpenings(), Useless: l.uselessLevels(), Interrupted: interrupted}
	for i := range l.Causes {
		use.Boards = append(use.Boards, l.complaintOf(l.Causes[i].ID))
	}
	t := &Testability{Testability: told, Boards: len(use.Boards)}
	if t.Uses, err = model.UseOf(use); err != nil {
		return nil, err
	}
	for _, g := range told.Groups {
		t.Hints = append(t.Hints, l.split(g))
	}
	return t, nil
}

// complaintOf is a board with one fault. Stop signs are left out: no measurement
// is chosen after one.
func (l *Library) complaintOf(cause string) diagnosis.UseBoard {
	b := diagnosis.UseBoard{Cause: cause}
	link := l.LinksOf(cause)
	if link == nil {
		return b
	}
	var list []string
	for _, id := range slices.Sorted(maps.Keys(link.Symptoms)) {
		gate, _ := l.StopFor([]Seen{{Symptom: id, Present: true}})
		if gate == nil && link.Symptoms[id] > 0 {
			list = append(list, id)
		}
	}
	slices.SortStableFunc(list, func(x, y string) int { return cmp.Compare(link.Symptoms[y], link.Symptoms[x]) })
	for n, id := range list {
		if n > 0 && link.Symptoms[id] < saysComplaint || n == mostComplaints {
			break
		}
		b.Evidence = append(b.Evidence, diagnosis.Observation{Finding: SymptomFinding(id), Level: 1})
	}
	return b
}

// split looks for what would split a group.
func (l *Library) split(g diagnosis.AmbiguityGroup) SplitHint {
	var h SplitHint
	if g.Distance > 0 {
		_, h.Sharpen = FindingOf(g.Nearest)
	}
	for _, id := range g.Causes {
		c := l.Cause(id)
		if !slices.Contains(h.Components, c.Component) {
			h.Components = append(h.Components, c.Component)
		}
		if !slices.Contains(h.Modes, c.Mode) {
			h.Modes = append(h.Modes, c.Mode)
		}
	}
	for i := range l.Measurements {
		m := &l.Measurements[i]
		if len(h.Link) == linksShown || !slices.Contains(h.Components, m.Of) {
			continue
		}
		unstated := slices.ContainsFunc(g.Causes, func(id string) bool {
			link := l.LinksOf(id)
			return link == nil || link.Outcomes[m.ID] == nil
		})
		if unstated {
			h.Link = append(h.Link, m.ID)
		}
	}
	return h
}
