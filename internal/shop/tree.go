package shop

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// TreeInput says which decision tree is wanted.
type TreeInput struct {
	// Symptoms are present, Absent ones were asked and are not.
	Symptoms, Absent []string
	// Facts of the board; those not given have their defaults.
	Facts map[string]string
	// Exposures are what is known of the use, as at intake: they bring their history
	// symptoms and make common circumstances more probable.
	Exposures []string
	// Depth is the most measurements on one way; nil is diagnosis.DefaultTreeDepth.
	Depth *int
}

// Tree is the live policy compiled from a complaint, worded for print. Money is
// in minor units of Currency, reach and probability are from 0 to 1.
type Tree struct {
	Edition int    `json:"edition"`
	SHA256  string `json:"sha256"`
	// Version is the shop's number of the library, 0 outside a shop.
	Version int `json:"version,omitempty"`
	// Date is when it was compiled, as the caller gave it.
	Date     string        `json:"date"`
	Symptoms []TreeSymptom `json:"symptoms"`
	Facts    []TreeFact    `json:"facts"`
	// Exposures are the ways of use that the tree holds for.
	Exposures []TreeExposure `json:"exposures,omitempty"`
	Depth     int            `json:"depth"`
	Currency  string         `json:"currency,omitempty"`
	// LabourPerHour is the labour rate the costs are reckoned with.
	LabourPerHour float64 `json:"labour_per_hour"`
	// ExpectedCost and ExpectedMinutes are those of the first step, LiveCost what
	// the live policy expects there itself; Method says how each is worked out.
	ExpectedCost    float64 `json:"expected_cost"`
	ExpectedMinutes float64 `json:"expected_minutes"`
	LiveCost        float64 `json:"live_expected_cost"`
	Method          string  `json:"method"`
	// Places is how many decisions the tree has before equal ones were merged.
	Places int `json:"places"`
	// Cut says that the tree was ended by its limit of work.
	Cut   bool       `json:"cut"`
	Notes []string   `json:"notes"`
	Steps []TreeStep `json:"steps"` // Steps[0] comes first; Step is its number
}

// TreeSymptom is a symptom the tree begins with.
type TreeSymptom struct {
	ID      string `json:"id"`
	Text    string `json:"text"`
	Present bool   `json:"present"`
}

// TreeExposure is a way of use that the owner told of.
type TreeExposure struct {
	ID   string `json:"id"`
	Text string `json:"text"`
}

// TreeFact is a board fact the tree holds for.
type TreeFact struct {
	ID    string `json:"id"`
	Value string `json:"value"`
	Text  string `json:"text"`
}

// Kinds of TreeStep beside the engine's measure, repair and escalate.
const (
	TreeStops     = diagnosis.TreeStop
	TreeContinues = diagnosis.TreeContinue
)

// TreeStep is one decision. Of a step that several ways lead to, numbers are
// means over these ways.
type TreeStep struct {
	Step        int    `json:"step"` // from 1
	Kind        string `json:"kind"`
	Measurement string `json:"measurement,omitempty"`
	Cause       string `json:"cause,omitempty"`
	// Gate marks a safety check that comes before any ordering of tests.
	Gate bool `json:"gate,omitempty"`
	// Again marks a second look at a doubtful reading.
	Again bool   `json:"again,omitempty"`
	Name  string `json:"name"`
	Text  string `json:"text"`
	// Reach is the share of boards that come here, Ways from how many places.
	Reach float64 `json:"reach"`
	Ways  int     `json:"ways"`
	// Probability is that of the cause to repair.
	Probability float64 `json:"probability,omitempty"`
	// Cost and Minutes are this step's own, the expected ones those from here on.
	Cost            float64 `json:"cost"`
	Minutes         float64 `json:"minutes"`
	ExpectedCost    float64 `json:"expected_cost"`
	ExpectedMinutes float64 `json:"expected_minutes"`

	Close      []TreeOpening `json:"close,omitempty"`
	Open       []TreeOpening `json:"open,omitempty"`
	Hazard     int           `json:"hazard"`
	HazardName string        `json:"hazard_name,omitempty"`
	Cautions   []string      `json:"cautions,omitempty"`
	// Instructions and Expected are of a measurement: where and with what, and
	// what a good reading is.
	Instructions string        `json:"instructions,omitempty"`
	Expected     string        `json:"expected,omitempty"`
	Outcomes     []TreeOutcome `json:"outcomes,omitempty"`
	// Repair and Parts are of a repair, Prove what must come out well after it.
	Repair string      `json:"repair,omitempty"`
	Parts  []string    `json:"parts,omitempty"`
	Prove  []TreeProof `json:"prove,omitempty"`
}

// TreeOpening is something to open or to close.
type TreeOpening struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Note string `json:"note,omitempty"`
	// Sealed marks a box whose leak test falls due.
	Sealed bool `json:"sealed,omitempty"`
}

// TreeOutcome is what follows some outcomes of a measurement.
type TreeOutcome struct {
	Outcomes    []TreeResult `json:"outcomes"`
	Probability float64      `json:"probability"`
	Step        int          `json:"step"`
}

// TreeResult is one outcome in words.
type TreeResult struct {
	ID      string `json:"id"`
	Text    string `json:"text"`
	Meaning string `json:"meaning,omitempty"`
	Normal  bool   `json:"normal,omitempty"`
}

// TreeProof is a measurement that must come out so after a repair.
type TreeProof struct {
	Measurement string       `json:"measurement"`
	Name        string       `json:"name"`
	Outcomes    []TreeResult `json:"outcomes"`
	When        string       `json:"when,omitempty"`
	// Always marks what every hand-back asks for, whatever was repaired.
	Always bool `json:"always,omitempty"`
}

// TreeSetting is what a tree is compiled in: everything that comes from outside
// the library and the request.
type TreeSetting struct {
	// Model is the one that jobs use; nil means the library's own.
	Model         *diagnosis.Model
	LabourPerHour float64
	Currency      string
	Version       int
	Date          string
	Interrupted   func() error
}

// treeTime is how long a tree or report may take for a caller that sets no limit of
// its own, as a request does. The bound on its work ends it long before on any
// machine we know.
const treeTime = 5 * time.Minute

// LibraryTree compiles the live policy for a complaint, with the model and the
// labour rate that the shop's jobs use. The error is invalid and names symptoms,
// absent, depth or facts.<fact>; unavailable when it takes too long.
func (s *Service) LibraryTree(ctx context.Context, a Actor, in TreeInput) (Tree, error) {
	if err := a.may(mayRead); err != nil {
		return Tree{}, err
	}
	ed, err := s.jobEdition(ctx, a)
	if err != nil {
		return Tree{}, err
	}
	sh, err := s.store.ShopByID(ctx, a.ShopID)
	if err != nil {
		return Tree{}, err
	}
	ctx, cancel := context.WithTimeout(ctx, treeTime)
	defer cancel()
	if err := s.reports.enter(ctx); err != nil {
		return Tree{}, tooSlow(err, "The tree")
	}
	defer s.reports.leave()
	t, err := CompileTree(ed.lib, in, TreeSetting{Model: ed.model, LabourPerHour: math.Max(1, float64(sh.LabourMinor)), Currency: sh.Currency,
		Version: ed.version.Number, Date: s.time().Format(time.DateOnly), Interrupted: ctx.Err})
	return t, tooSlow(err, "The tree")
}

// tooSlow words a deadline of ours for the caller; a request that was called off
// stays what it is.
func tooSlow(err error, what string) error {
	if errors.Is(err, context.DeadlineExceeded) {
		return problem.New(problem.Unavailable, "%s took too long to work out, because the server is busy. Ask for a smaller depth, or later.", what).Because(err)
	}
	return err
}

// CompileTree is LibraryTree without a shop. It is pure: the same input gives the
// same tree.
func CompileTree(lib *faultlib.Library, in TreeInput, set TreeSetting) (Tree, error) {
	depth := diagnosis.DefaultTreeDepth
	if in.Depth != nil {
		depth = *in.Depth
	}
	facts, err := lib.Facts(in.Facts, "facts")
	board := Board{Facts: facts}
	req := faultlib.TreeRequest{Present: in.Symptoms, Absent: in.Absent, Facts: in.Facts, Exposures: in.Exposures, Depth: depth,
		LabourPerHour: set.LabourPerHour, Model: set.Model, Interrupted: set.Interrupted}
	if err == nil {
		req.Unmet = treeLocks(lib, board)
	}
	// A mistake in the facts is told with those in the rest.
	d, err := lib.CompileTree(req)
	if err != nil {
		return Tree{}, err
	}
	t := Tree{Edition: lib.Edition, SHA256: lib.SHA256, Version: set.Version, Date: set.Date, Depth: depth, Currency: set.Currency,
		LabourPerHour: set.LabourPerHour, ExpectedCost: d.Nodes[0].Cost, ExpectedMinutes: d.Nodes[0].Minutes, LiveCost: d.Live,
		Method: treeMethod, Places: d.Places, Cut: d.Cut, Notes: treeNotes(d)}
	for _, id := range lib.WithExposures(in.Symptoms, in.Exposures) {
		t.Symptoms = append(t.Symptoms, TreeSymptom{id, lib.Symptom(id).Text, true})
	}
	for _, e := range faultlib.Exposures() {
		if slices.Contains(in.Exposures, e.ID) {
			t.Exposures = append(t.Exposures, TreeExposure{e.ID, e.Text})
		}
	}
	for _, id := range in.Absent {
		t.Symptoms = append(t.Symptoms, TreeSymptom{id, lib.Symptom(id).Text, false})
	}
	t.Facts = []TreeFact{}
	for _, f := range lib.Meta.BoardFacts {
		t.Facts = append(t.Facts, TreeFact{f.ID, facts[f.ID], f.Text})
	}
	w := &treeWriter{lib: lib, board: board}
	for k := range d.Nodes {
		t.Steps = append(t.Steps, w.step(k, &d.Nodes[k]))
	}
	return t, nil
}

// treeLocks says what the interlocks forbid at a place of a tree. No work was done
// there, so that guards that follow work never bind.
func treeLocks(lib *faultlib.Library, board Board) func([]diagnosis.TreeReading, []string) []diagnosis.Unmet {
	return func(readings []diagnosis.TreeReading, _ []string) []diagnosis.Unmet {
		k := &locks{lib: lib, board: board, worked: func(guard) bool { return false }}
		k.came = func(g guard, need *faultlib.Measurement, outcomes []string) bool {
			for _, r := range readings {
				if measurementOf(r.Finding) == need.ID && (g.standing || slices.Contains(r.Held, accessOf(lib, need.ID, board))) {
					return slices.ContainsFunc(outcomes, func(id string) bool { return need.LevelOf[outcomeIndex(need, id)] == r.Level })
				}
			}
			return false
		}
		return k.unmet()
	}
}

func outcomeIndex(m *faultlib.Measurement, id string) int {
	return slices.IndexFunc(m.Outcomes, func(o measure.Outcome) bool { return o.ID == id })
}

const treeMethod = "Expected cost: every measurement's minutes, opening and closing included, at the labour rate, with a sum for its hazard, " +
	"and what follows each outcome by its probability; at the leaves what the live policy expects from there, because a repair may turn out to be the wrong one. " +
	"The live policy's own figure is its estimate at the first test: one measurement ahead, then the repairs in the order of probability over cost; the safety check before it is not in it. " +
	"Minutes are those of the steps shown, with opening, closing and the proof of the repair."

func treeNotes(d *diagnosis.Tree) []string {
	notes := []string{
		"Begin with the board complete, closed and switched off. What one step opens stays open for the next until a step says to close it.",
		"A reading close to a limit, or one that does not fit what was seen before: leave this sheet and continue live. The sheet takes every outcome as certain.",
		"Whenever something is hot, smokes, hisses, swells or smells of solvent: stop.",
	}
	if d.Cut {
		notes = append(notes, fmt.Sprintf("The tree is not complete: it was ended at its limit of %d inferences. What most boards come to was worked out first.", diagnosis.DefaultTreeWork))
	}
	return notes
}
