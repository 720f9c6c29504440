package shop

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
)

// treeWriter words the nodes of a tree for a board that is not on record.
type treeWriter struct {
	lib   *faultlib.Library
	board Board
}

func (w *treeWriter) step(k int, n *diagnosis.TreeNode) TreeStep {
	s := TreeStep{Step: k + 1, Kind: n.Kind, Measurement: measurementOf(n.Finding), Cause: n.Cause, Gate: n.Gate, Reach: n.Reach, Ways: n.Ways,
		Cost: n.StepCost, Minutes: n.StepMinutes, ExpectedCost: n.Cost, ExpectedMinutes: n.Minutes, Hazard: n.Hazard,
		Close: w.openings(n.Close), Open: w.openings(n.Access)}
	switch n.Kind {
	case diagnosis.AdviseMeasure:
		w.measure(&s, n)
	case diagnosis.AdviseRepair:
		w.repair(&s, n)
	case diagnosis.TreeStop:
		s.Name, s.Hazard = "Stop", 4
		if h := w.lib.Hazard(4); h != nil {
			s.Text = "Guided diagnosis ends here. " + sentence(h.Rule)
		}
	case diagnosis.TreeContinue:
		s.Name, s.Text = "Continue live", continueText[n.Cut]
	default:
		s.Name, s.Text = "Hand over", escalateText[n.Reason]
	}
	if h := w.lib.Hazard(s.Hazard); h != nil {
		s.HazardName = h.Name
	}
	return s
}

// sheetText says why a measurement is taken that does not tell most for its cost.
var sheetText = map[string]string{
	diagnosis.ReasonInterlock: "What comes next must not be done before this has come out well.",
	diagnosis.ReasonTakeAgain: "Take it again: the one result is not what the other findings let one expect, and a second look costs less than the risk of a needless repair or of handing over for nothing.",
}

// continueText says why a way ends before the policy does.
var continueText = map[string]string{
	diagnosis.CutThin:  "This is rare. Record what was measured in a job and follow its next step.",
	diagnosis.CutReach: "Each way that ends here is gone by fewer than one board in 200. Record what was measured in a job and follow its next step.",
	diagnosis.CutDepth: "The sheet ends here. Record what was measured in a job and follow its next step.",
	diagnosis.CutWork:  "This place was not worked out. Record what was measured in a job and follow its next step.",
	diagnosis.CutAgain: "The result is of no use and tells nothing. Mend what made it so and take the measurement again; where that cannot be, continue live without it.",
}

// escalateText says why the board is handed over.
var escalateText = map[string]string{
	diagnosis.ReasonUnmodelled:   "Most probably the cause is one that the library does not know. Ask somebody who knows this board.",
	diagnosis.ReasonNoFault:      "Most probably nothing is wrong that the library knows. Ask the owner for more about what happened.",
	diagnosis.ReasonNothingHelps: "Neither a measurement nor a repair is worth its cost. Ask the owner for more about what happened, or somebody who knows this board.",
}

func (w *treeWriter) openings(ids []string) []TreeOpening {
	var out []TreeOpening
	for _, id := range ids {
		if o := opening(w.lib, id); o != nil {
			out = append(out, TreeOpening{ID: id, Name: words(id), Note: o.Note, Sealed: o.Reseal})
		}
	}
	return out
}

// treeMeasure is the text of a measurement with nothing special about it.
const treeMeasure = "Measure, and go on by the outcome."

// Special reports whether the text of a step says more than its kind does.
func (s TreeStep) Special() bool { return s.Text != treeMeasure }

func (w *treeWriter) measure(s *TreeStep, n *diagnosis.TreeNode) {
	m := w.lib.Measurement(s.Measurement)
	s.Name = m.Title
	s.Text = treeMeasure
	if n.Gate {
		s.Text = "Before everything else: a pack that heats up by itself is neither opened nor charged."
	}
	if text := sheetText[n.Reason]; text != "" {
		s.Text, s.Again = text, n.Reason == diagnosis.ReasonTakeAgain
	}
	s.Hazard = w.lib.PathHazard(m.ID, w.board.Facts)
	s.Instructions, s.Expected = instructions(m), m.Compiled().Expected()
	path := openingPath(w.lib, accessOf(w.lib, m.ID, w.board))
	s.Cautions = w.cautions(&danger{access: n.Access, own: m.Caution, hazard: s.Hazard, path: path, takes: []string{m.ID}, measurement: m})
	for _, b := range n.Branches {
		s.Outcomes = append(s.Outcomes, TreeOutcome{Outcomes: results(m, b.Levels), Probability: b.Probability, Step: b.Node + 1})
	}
}

// results words the outcomes of some levels, in the measurement's order; the
// normal ones share level 0.
func results(m *faultlib.Measurement, levels []int) []TreeResult {
	var out []TreeResult
	for i, o := range m.Outcomes {
		if slices.Contains(levels, m.LevelOf[i]) {
			out = append(out, TreeResult{ID: o.ID, Text: o.Words(), Meaning: o.Meaning, Normal: o.Normal})
		}
	}
	return out
}

// idleFor reports whether a guard does not bind a measurement: one that only
// looks puts no probe in.
func (g guard) idleFor(m *faultlib.Measurement) bool {
	return g.probing && m.Kind == measure.Inspection
}

// danger is what can hurt at a step.
type danger struct {
	access []string // opened for it
	own    string   // the measurement's caution
	hazard int
	path   []faultlib.Opening // all that must be open for it
	takes  []string           // measurements taken in it
	// measurement is the step itself, nil for a repair with its proofs.
	measurement *faultlib.Measurement
}

// cautions are those of what is opened for the step, its own, the rule of its
// hazard, what must hold before hands or probes go in or a charger is switched on,
// and the voltage near it.
func (w *treeWriter) cautions(d *danger) []string {
	var out []string
	for _, id := range d.access {
		if o := opening(w.lib, id); o != nil && o.Note != "" {
			out = append(out, sentence(words(id)+": "+o.Note))
		}
	}
	if d.own != "" && d.own != "none" {
		out = append(out, sentence(d.own))
	}
	if h := w.lib.Hazard(d.hazard); h != nil && d.hazard > 0 {
		out = append(out, sentence(h.Rule))
	}
	for _, g := range guards {
		// What binds only after work in the job has no place on a sheet that ends
		// with the first repair.
		if il := w.lib.Interlock(g.action); il != nil && g.worked == nil && d.behind(g) {
			out = append(out, w.interlock(g, il, d.measurement)...)
		}
	}
	bare := d.hazard >= 3 || slices.ContainsFunc(d.path, func(o faultlib.Opening) bool { return slices.Contains(packContacts, o.ID) })
	if bare {
		out = append(out, faultlib.TouchOf(nil, "").Caution())
	}
	return out
}

// behind reports whether a guard stands before the step.
func (d *danger) behind(g guard) bool {
	if slices.ContainsFunc(d.takes, func(id string) bool { return slices.Contains(g.measurements, id) }) {
		return true
	}
	opens := slices.ContainsFunc(d.path, func(o faultlib.Opening) bool { return o.ID == g.opening })
	return opens && (d.measurement == nil || !g.idleFor(d.measurement))
}

func (w *treeWriter) interlock(g guard, il *faultlib.Interlock, step *faultlib.Measurement) []string {
	since := " since this was opened"
	if g.standing {
		since = " yet"
	}
	var out []string
	for _, ck := range il.Require {
		if step != nil && ck.Measurement == step.ID {
			return nil
		}
		m := w.lib.Measurement(ck.Measurement)
		if m == nil || ck.Optional {
			continue
		}
		out = append(out, fmt.Sprintf("First, if it was not measured%s: %s must come out as %s (%s).", since, m.Title, w.outcomeList(m, ck.Outcomes), il.Why))
	}
	return out
}

func (w *treeWriter) outcomeList(m *faultlib.Measurement, listed []string) string {
	var names []string
	for _, id := range acceptable(m, [][]string{listed}) {
		names = append(names, "“"+m.Outcome(id).Words()+"”")
	}
	return orList(names)
}

func (w *treeWriter) repair(s *TreeStep, n *diagnosis.TreeNode) {
	c := w.lib.Cause(n.Cause)
	s.Name, s.Repair, s.Parts, s.Probability = c.Name, sentence(c.Repair), c.Parts, n.Probability
	s.Text = fmt.Sprintf("Repair this (%s), then prove it. Where a proof fails, or the trouble is still there, continue live.", percent(n.Probability))
	s.Hazard = max(n.Hazard, c.Hazard)
	var path []faultlib.Opening
	var takes []string
	for _, ck := range c.Verify {
		if !ck.Optional {
			takes = append(takes, ck.Measurement)
		}
		for _, o := range openingPath(w.lib, accessOf(w.lib, ck.Measurement, w.board)) {
			if !ck.Optional && !slices.ContainsFunc(path, func(x faultlib.Opening) bool { return x.ID == o.ID }) {
				path = append(path, o)
				s.Hazard = max(s.Hazard, o.Hazard)
			}
		}
	}
	s.Cautions = w.cautions(&danger{access: n.Access, hazard: s.Hazard, path: path, takes: takes})
	for _, ck := range c.Verify {
		w.prove(s, ck, false)
	}
	for _, il := range w.lib.Interlocks {
		if il.Action == handBack {
			for _, ck := range il.Require {
				w.prove(s, ck, true)
			}
		}
	}
}

// prove adds a proof; what every hand-back asks for is left out where the repair
// asks for it already.
func (w *treeWriter) prove(s *TreeStep, ck faultlib.Check, always bool) {
	m := w.lib.Measurement(ck.Measurement)
	twice := slices.ContainsFunc(s.Prove, func(p TreeProof) bool { return p.Measurement == ck.Measurement })
	if m == nil || ck.Optional || twice {
		return
	}
	p := TreeProof{Measurement: m.ID, Name: m.Title, When: ck.When, Always: always}
	for _, id := range acceptable(m, [][]string{ck.Outcomes}) {
		o := m.Outcome(id)
		p.Outcomes = append(p.Outcomes, TreeResult{ID: id, Text: o.Words(), Meaning: o.Meaning, Normal: o.Normal})
	}
	s.Prove = append(s.Prove, p)
}

// Label is the step in one line: what a diagram's box says.
func (s TreeStep) Label() string {
	if s.Kind == diagnosis.AdviseRepair {
		return "Repair: " + s.Name
	}
	if s.Again {
		return "Again: " + s.Name
	}
	return s.Name
}

// Words are the outcomes in one line.
func (o TreeOutcome) Words() string {
	names := make([]string, len(o.Outcomes))
	for i, r := range o.Outcomes {
		names[i] = r.Text
	}
	return strings.Join(names, " or ")
}

// Words are the outcomes that prove, in one line.
func (p TreeProof) Words() string { return TreeOutcome{Outcomes: p.Outcomes}.Words() }
