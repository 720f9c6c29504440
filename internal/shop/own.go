package shop

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// OwnMeasurementInput is a measurement that a shop adds to its library, with the
// version that its form was opened on.
type OwnMeasurementInput struct {
	faultlib.OwnMeasurement
	// Base is the library version the form was opened on; saving on another than
	// the current one is Stale.
	Base ID
	// Replaces is the id of the own measurement being changed, "" for a new one.
	Replaces string
}

// MeasurementTrial is what the examples of a measurement came to.
type MeasurementTrial struct {
	Base     LibraryVersion // the current version, on which it was tried
	Examples []ExampleTrial
	// Warnings are worth a look and bar nothing; Field names the form's field.
	Warnings []problem.Field
}

// ExampleTrial is one example beside what it was expected to be.
type ExampleTrial struct {
	Expected string
	// Outcome is empty where the readings cannot be evaluated; Problem says why.
	Outcome, Meaning, Detail, Text, Problem string
	Normal, Agrees                          bool
	Values                                  []ResultValue
}

// Most rows that a form of a measurement may have.
const (
	MaxOwnInputs   = 16
	MaxOwnParams   = 16
	MaxOwnSteps    = 20
	MaxOwnOutcomes = 10
	MaxOwnExamples = 24
	MaxOwnLinks    = 30
)

// maxExpr bounds a formula or a condition, in characters.
const maxExpr = 400

// TryMeasurement computes the examples of a measurement with the current library
// and stores nothing. What is wrong with it comes back as an Invalid error with
// the fields of the form (`inputs[1].unit`, `examples[0].in.u_on`), beside the
// trial as far as it went.
func (s *Service) TryMeasurement(ctx context.Context, a Actor, in OwnMeasurementInput) (MeasurementTrial, error) {
	if err := a.may(mayBench); err != nil {
		return MeasurementTrial{}, err
	}
	trial, _, err := s.tryOwn(ctx, a, in)
	return trial, err
}

// SaveMeasurement tries a measurement and stores the library with it as a new
// version, which becomes current. Open jobs keep the version they began with.
func (s *Service) SaveMeasurement(ctx context.Context, a Actor, in OwnMeasurementInput) (LibraryVersion, error) {
	if err := a.may(mayLibrary); err != nil {
		return LibraryVersion{}, err
	}
	trial, content, err := s.tryOwn(ctx, a, in)
	if err != nil {
		return LibraryVersion{}, err
	}
	if in.Base != trial.Base.ID {
		return LibraryVersion{}, overtaken()
	}
	note, action := "added measurement "+in.ID, "library.measurement.add"
	if in.Replaces != "" {
		note, action = "changed measurement "+in.ID, "library.measurement.change"
	}
	return s.saveOver(ctx, a, trial.Base, content, note, action, in.ID)
}

// RemoveOwnMeasurement stores the library without a measurement that the shop
// added, as a new version. One of the edition itself is Invalid, as is one that
// other entries of the library still need.
func (s *Service) RemoveOwnMeasurement(ctx context.Context, a Actor, id string, base ID) (LibraryVersion, error) {
	if err := a.may(mayLibrary); err != nil {
		return LibraryVersion{}, err
	}
	content, v, err := s.currentContent(ctx, a)
	if err != nil {
		return LibraryVersion{}, err
	}
	if base != v.ID {
		return LibraryVersion{}, overtaken()
	}
	without, issues := faultlib.Withdraw(content, id)
	if without == nil {
		return LibraryVersion{}, problem.New(problem.Invalid, "This measurement cannot be taken out: %s.", issues[0].Message)
	}
	return s.saveOver(ctx, a, v, without, "took out measurement "+id, "library.measurement.remove", id)
}

func overtaken() error {
	return problem.New(problem.Stale, "The library has changed since this page was opened, so nothing was saved. What you typed is still here and stands on the new version now: look over it, try it and save again.")
}

func (s *Service) currentContent(ctx context.Context, a Actor) ([]byte, LibraryVersion, error) {
	v, err := s.store.CurrentLibrary(ctx, a.ShopID)
	if err != nil {
		return nil, v, err
	}
	return s.store.LibraryContent(ctx, a.ShopID, v.ID)
}

// saveOver stores a checked file on top of the version it was made from.
func (s *Service) saveOver(ctx context.Context, a Actor, over LibraryVersion, content []byte, note, action, id string) (LibraryVersion, error) {
	sum := sha256.Sum256(content)
	v := LibraryVersion{ID: newID(), SHA256: hex.EncodeToString(sum[:]), Edition: over.Edition, Note: note, Current: true, StoredAt: s.time(), By: a.Name}
	v, err := s.store.SaveLibraryOver(ctx, a.ShopID, over.ID, v, content, s.audit(a, action, "library", v.ID,
		map[string]any{"measurement": id, "sha256": v.SHA256, "over": over.Number}))
	s.libs.forget(a.ShopID)
	if problem.Is(err, problem.Stale) {
		return v, overtaken()
	}
	if err == nil {
		err = s.relearn(ctx, a)
	}
	return v, err
}

// tryOwn checks a measurement against the current library; content is nil where
// the error is not.
func (s *Service) tryOwn(ctx context.Context, a Actor, in OwnMeasurementInput) (MeasurementTrial, []byte, error) {
	var trial MeasurementTrial
	var c checker
	c.ownMeasurement(&in.OwnMeasurement)
	base, v, err := s.currentContent(ctx, a)
	if err != nil {
		return trial, nil, err
	}
	trial.Base = v
	ed, err := s.libs.of(ctx, a.ShopID, v.ID)
	if err != nil {
		return trial, nil, err
	}
	_, own := ed.lib.Own(in.ID)
	switch {
	case in.Replaces != "" && in.ID != in.Replaces:
		c.failf("id", "stays %q: jobs and causes know the measurement by it", in.Replaces)
	case in.Replaces == "" && own:
		c.failf("id", "the shop has a measurement %q already; open that one to change it, or choose another id", in.ID)
	}
	if len(c.fields) > 0 {
		return trial, nil, c.err()
	}
	out, issues := faultlib.Compose(base, in.OwnMeasurement)
	for i, run := range out.Runs {
		trial.Examples = append(trial.Examples, ExampleTrial{Expected: in.Examples[i].Out, Outcome: run.Outcome, Meaning: run.Meaning, Detail: run.Detail,
			Text: run.Text, Problem: run.Problem, Normal: run.Normal, Agrees: run.Agrees, Values: values(measure.Result{Values: run.Values})})
	}
	for _, i := range issues {
		if i.Severity == faultlib.Error {
			c.failf(i.Path, "%s", i.Message)
			continue
		}
		trial.Warnings = append(trial.Warnings, problem.Field{Field: i.Path, Message: i.Message})
	}
	if err := c.err(); err != nil {
		return trial, nil, err
	}
	return trial, out.Content, nil
}

// ownMeasurement trims the texts of a form and bounds them; what they mean is
// for the library to check.
func (c *checker) ownMeasurement(m *faultlib.OwnMeasurement) {
	for _, n := range []struct {
		field    string
		have, hi int
	}{{"inputs", len(m.Inputs), MaxOwnInputs}, {"params", len(m.Params), MaxOwnParams}, {"compute", len(m.Compute), MaxOwnSteps},
		{"outcomes", len(m.Outcomes), MaxOwnOutcomes}, {"examples", len(m.Examples), MaxOwnExamples}, {"links", len(m.Links), MaxOwnLinks}} {
		if n.have > n.hi {
			c.failf(n.field, "may be at most %d, are %d", n.hi, n.have)
			return
		}
	}
	type words struct {
		field string
		text  *string
		hi    int
	}
	all := []words{{"id", &m.ID, maxShort}, {"title", &m.Title, maxName}, {"of", &m.Of, maxShort}, {"points", &m.Points, maxAction}, {"instrument", &m.Instrument, maxAction},
		{"access", &m.Access, maxShort}, {"caution", &m.Caution, maxAction}, {"note", &m.Note, maxAction}}
	at := func(section string, i int, field string, text *string, hi int) {
		all = append(all, words{fmt.Sprintf("%s[%d].%s", section, i, field), text, hi})
	}
	for i := range m.Inputs {
		in := &m.Inputs[i]
		at("inputs", i, "id", &in.ID, maxShort)
		at("inputs", i, "label", &in.Label, maxShort)
		at("inputs", i, "unit", &in.Unit, maxShort)
		at("inputs", i, "unit", &in.Element, maxShort)
		at("inputs", i, "note", &in.Note, maxAction)
		for k := range in.Choice {
			at("inputs", i, "choice", &in.Choice[k], maxShort)
		}
	}
	for i := range m.Params {
		at("params", i, "id", &m.Params[i].ID, maxShort)
		if x := m.Params[i].Value; math.IsNaN(x) || math.IsInf(x, 0) {
			c.failf(fmt.Sprintf("params[%d].value", i), "must be a number")
		}
	}
	for i := range m.Compute {
		st := &m.Compute[i]
		at("compute", i, "id", &st.ID, maxShort)
		at("compute", i, "label", &st.Label, maxShort)
		at("compute", i, "unit", &st.Unit, maxShort)
		at("compute", i, "expr", &st.Expr, maxExpr)
	}
	for i := range m.Outcomes {
		o := &m.Outcomes[i]
		at("outcomes", i, "id", &o.ID, maxShort)
		at("outcomes", i, "label", &o.Label, maxShort)
		at("outcomes", i, "meaning", &o.Meaning, maxAction)
		at("outcomes", i, "when", &o.When, maxExpr)
	}
	for i := range m.Examples {
		at("examples", i, "out", &m.Examples[i].Out, maxShort)
		c.readable(fmt.Sprintf("examples[%d].in", i), m.Examples[i].In)
	}
	for i := range m.Links {
		at("links", i, "cause", &m.Links[i].Cause, maxShort)
		at("links", i, "outcome", &m.Links[i].Outcome, maxShort)
	}
	for _, w := range all {
		*w.text = c.line(w.field, *w.text, 0, w.hi)
	}
}
