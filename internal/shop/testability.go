package shop

import (
	"context"
	"fmt"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// Testability is what the shop's library can tell of its causes, worded. Shares
// are from 0 to 1.
type Testability struct {
	Edition int    `json:"edition"`
	SHA256  string `json:"sha256"`
	// Version is the shop's number of the library, 0 outside a shop.
	Version int `json:"version,omitempty"`
	// Learned says that the shop's own numbers took part.
	Learned bool `json:"learned"`
	// Apart is the distance from which on a finding separates two causes; Method
	// says in words what that and the shares mean.
	Apart  float64 `json:"apart"`
	Method string  `json:"method"`

	Causes       int `json:"causes"`
	Measurements int `json:"measurements"`
	Boards       int `json:"boards"`

	Detected               TestabilityShare `json:"detected"`
	DetectedByMeasurements TestabilityShare `json:"detected_by_measurements"`
	IsolatedToOne          TestabilityShare `json:"isolated_to_one"`
	IsolatedToTwo          TestabilityShare `json:"isolated_to_two"`

	Undetected []TestabilityRef    `json:"undetected"`
	Groups     []TestabilityGroup  `json:"groups"`
	Pairs      []TestabilityPair   `json:"pairs"`
	Masked     []TestabilityMasked `json:"masked"`
	// Idle are the measurements that no board was advised to take.
	Idle []TestabilityIdle `json:"idle"`
}

// TestabilityShare is a share of the causes, by prior and each counting the same.
type TestabilityShare struct {
	Weighted   float64 `json:"weighted"`
	Unweighted float64 `json:"unweighted"`
}

// TestabilityRef names an entry of the library.
type TestabilityRef struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// TestabilityGroup is causes that no symptom and no measurement separates.
type TestabilityGroup struct {
	Causes []TestabilityRef `json:"causes"`
	// Prior is the sum of their priors.
	Prior float64 `json:"prior"`
	// Nearest is the measurement that comes nearest, and its distance.
	Nearest  *TestabilityRef `json:"nearest"`
	Distance float64         `json:"distance"`
	// Advice is what would split the group.
	Advice []string `json:"advice"`
}

// TestabilityPair is two causes that no measurement separates.
type TestabilityPair struct {
	A        TestabilityRef  `json:"a"`
	B        TestabilityRef  `json:"b"`
	Nearest  *TestabilityRef `json:"nearest"`
	Distance float64         `json:"distance"`
	// Symptom separates them where it is set.
	Symptom *TestabilityRef `json:"symptom"`
}

// TestabilityMasked is a cause and those behind which it does not show.
type TestabilityMasked struct {
	Cause TestabilityRef   `json:"cause"`
	By    []TestabilityRef `json:"by"`
}

// TestabilityIdle is a measurement that was never advised.
type TestabilityIdle struct {
	TestabilityRef
	// BestScore is its largest gain over cost at any place of any board: 1 and
	// below, it never saves what it costs; above, others always tell more.
	BestScore float64 `json:"best_score"`
	Pays      bool    `json:"pays"`
	// Needed says what asks for it beside the ordering of tests: a proof, a gate or
	// an interlock.
	Needed []string `json:"needed"`
}

// LibraryTestability judges the shop's current library with the model that its
// jobs use. It is worked out once per library version and learned state.
func (s *Service) LibraryTestability(ctx context.Context, a Actor) (Testability, error) {
	if err := a.may(mayRead); err != nil {
		return Testability{}, err
	}
	ed, err := s.jobEdition(ctx, a)
	if err != nil {
		return Testability{}, err
	}
	key := reportKey{hash: ed.version.SHA256}
	if ed.learned != nil {
		key.learned = learnedKey{a.ShopID, ed.learned.Number}
	}
	ctx, cancel := context.WithTimeout(ctx, treeTime)
	defer cancel()
	told, err := s.reports.testability(ctx, key, func() (*faultlib.Testability, error) { return ed.lib.Testability(ed.model, ctx.Err) })
	if err != nil {
		return Testability{}, tooSlow(err, "The report")
	}
	t := WordTestability(ed.lib, told)
	t.Version, t.Learned = ed.version.Number, ed.learned != nil
	return t, nil
}

// jobEdition is the current library with the numbers that a job opened now uses.
func (s *Service) jobEdition(ctx context.Context, a Actor) (*edition, error) {
	ed, err := s.current(ctx, a.ShopID)
	if err != nil {
		return nil, err
	}
	number, err := s.learnedFor(ctx, a, ed)
	if err != nil {
		return nil, err
	}
	return s.libs.withLearned(ctx, a.ShopID, ed, number)
}

// WordTestability words what a library can tell. It is pure.
func WordTestability(lib *faultlib.Library, told *faultlib.Testability) Testability {
	w := testabilityWriter{lib}
	t := Testability{Edition: lib.Edition, SHA256: lib.SHA256, Apart: told.Apart, Causes: told.Causes, Measurements: len(told.Uses), Boards: told.Boards,
		Method: fmt.Sprintf("One fault at a time, and one that the library knows. A symptom or measurement separates two causes where its outcomes differ by a total variation distance of %g or more: "+
			"who sees one result of it, both causes being as probable, then names the right one at least %.0f times in 100. Detected is what some symptom or measurement separates from a sound board; "+
			"isolated are, of the detected, those in an ambiguity group of one, or of at most two. Weighted counts causes by their priors. The notions are those of IEEE Std 1522 (from memory).",
			told.Apart, 50*(1+told.Apart)),
		Detected: TestabilityShare(told.Detected), DetectedByMeasurements: TestabilityShare(told.DetectedByTests),
		IsolatedToOne: TestabilityShare(told.IsolatedToOne), IsolatedToTwo: TestabilityShare(told.IsolatedToTwo),
		Undetected: w.causes(told.Undetected), Groups: []TestabilityGroup{}, Pairs: []TestabilityPair{}, Masked: []TestabilityMasked{}, Idle: []TestabilityIdle{}}
	for k, g := range told.Groups {
		t.Groups = append(t.Groups, TestabilityGroup{Causes: w.causes(g.Causes), Prior: g.Weight, Nearest: w.finding(g.Nearest), Distance: g.Distance,
			Advice: w.advice(g, told.Hints[k])})
	}
	for _, p := range told.Pairs {
		t.Pairs = append(t.Pairs, TestabilityPair{A: w.cause(p.A), B: w.cause(p.B), Nearest: w.finding(p.Nearest), Distance: p.Distance, Symptom: w.finding(p.Symptom)})
	}
	for _, m := range told.Masked {
		t.Masked = append(t.Masked, TestabilityMasked{Cause: w.cause(m.Cause), By: w.causes(m.By)})
	}
	for _, u := range told.Uses {
		if ref := w.finding(u.Finding); u.Chosen == 0 && ref != nil {
			t.Idle = append(t.Idle, TestabilityIdle{TestabilityRef: *ref, BestScore: u.BestScore, Pays: u.Pays(), Needed: w.needed(ref.ID)})
		}
	}
	return t
}

type testabilityWriter struct{ lib *faultlib.Library }

func (w testabilityWriter) cause(id string) TestabilityRef {
	if c := w.lib.Cause(id); c != nil {
		return TestabilityRef{id, c.Name}
	}
	return TestabilityRef{id, words(id)}
}

func (w testabilityWriter) causes(ids []string) []TestabilityRef {
	out := make([]TestabilityRef, len(ids))
	for i, id := range ids {
		out[i] = w.cause(id)
	}
	return out
}

// finding names a symptom or a measurement; nil for none.
func (w testabilityWriter) finding(id string) *TestabilityRef {
	symptom, measurement := faultlib.FindingOf(id)
	if s := w.lib.Symptom(symptom); s != nil {
		return &TestabilityRef{symptom, s.Text}
	}
	if m := w.lib.Measurement(measurement); m != nil {
		return &TestabilityRef{measurement, m.Title}
	}
	return nil
}

// advice says what would split a group: first what the library has, then which
// kind of measurement is missing.
func (w testabilityWriter) advice(g diagnosis.AmbiguityGroup, h faultlib.SplitHint) []string {
	var out []string
	if m := w.lib.Measurement(h.Sharpen); m != nil {
		out = append(out, fmt.Sprintf("“%s” comes nearest (distance %.2f): finer outcomes, or links learned from results, may split them.", m.Title, g.Distance))
	}
	if len(h.Link) > 0 {
		names := make([]string, len(h.Link))
		for i, id := range h.Link {
			names[i] = "“" + w.lib.Measurement(id).Title + "”"
		}
		out = append(out, fmt.Sprintf("The library does not say what each of them makes of %s: state it if it differs.", andList(names)))
	}
	return append(out, w.missing(h))
}

// missing says which kind of measurement would split a group.
func (w testabilityWriter) missing(h faultlib.SplitHint) string {
	parts := make([]string, len(h.Components))
	for i, id := range h.Components {
		parts[i] = lowerFirst(componentName(w.lib, id))
	}
	if len(parts) > 1 {
		return fmt.Sprintf("A measurement that acts on one of them alone would split them: feed, bypass or substitute %s, and see whether the trouble stays.", orList(parts))
	}
	if len(h.Modes) > 1 {
		modes := make([]string, len(h.Modes))
		for i, id := range h.Modes {
			modes[i] = "“" + words(id) + "”"
		}
		return fmt.Sprintf("They sit in one component (%s) and differ in how it failed: an inspection or a measurement that tells %s apart would split them.", parts[0], andList(modes))
	}
	return "They are one component in one failure mode: where the repair is the same too, one cause would do."
}

// needed says what else asks for a measurement.
func (w testabilityWriter) needed(id string) []string {
	out := []string{}
	asks := func(list []faultlib.Check) bool {
		return slices.ContainsFunc(list, func(c faultlib.Check) bool { return c.Measurement == id })
	}
	proofs := 0
	for i := range w.lib.Causes {
		if asks(w.lib.Causes[i].Verify) {
			proofs++
		}
	}
	switch {
	case proofs == 1:
		out = append(out, "proves a repair")
	case proofs > 1:
		out = append(out, fmt.Sprintf("proves %d repairs", proofs))
	}
	if isGate(w.lib, id) {
		out = append(out, "is an intake gate")
	}
	for _, il := range w.lib.Interlocks {
		if asks(il.Require) {
			out = append(out, "must hold before: "+words(il.Action))
		}
	}
	return out
}
