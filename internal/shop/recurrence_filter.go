package shop

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"nextprobe/internal/faultlib"
)

// RecurrenceFilter narrows a recurrence report; an empty field does not. What each
// does to failures and exposure is defined at the head of store/recurrence.go.
type RecurrenceFilter struct {
	Model       string // make and model as recorded, in any case of letters; ModelNotRecorded
	Component   string
	Family      string // of a connector
	Cause       string
	FailureMode string
}

// ModelNotRecorded is the filter for boards without make and model.
const ModelNotRecorded = "-"

// Filtered says whether the report is about a part of the failures only.
func (q RecurrenceQuery) Filtered() bool { return q.Filter != RecurrenceFilter{} }

// End is where the window ends that was seen: To, or the present before it.
func (q RecurrenceQuery) End() time.Time {
	if !q.Now.IsZero() && q.Now.Before(q.To) {
		return q.Now
	}
	return q.To
}

// Observed is the failures that came under observation: a rate is of these, because
// those that were there when observation began say nothing of how often one comes.
func (g GroupCount) Observed() int { return g.Failures - g.AtEntry }

// RecurrenceChoice is a value that a report can be narrowed to.
type RecurrenceChoice struct{ Key, Name string }

// RecurrenceChoices are the values that a report can be narrowed to: models and
// families that the shop has recorded, the rest in the order of the library.
type RecurrenceChoices struct {
	Models, Families, Components, Causes, FailureModes []RecurrenceChoice
}

// RecurrenceChoices lists what a report can be narrowed to.
func (s *Service) RecurrenceChoices(ctx context.Context, a Actor) (RecurrenceChoices, error) {
	var c RecurrenceChoices
	if err := a.may(mayRead); err != nil {
		return c, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return c, err
	}
	models, families, err := s.store.RecurrenceChoices(ctx, a.ShopID)
	if err != nil {
		return c, err
	}
	for _, m := range models {
		if m == "" {
			c.Models = append(c.Models, RecurrenceChoice{ModelNotRecorded, "not recorded"})
			continue
		}
		c.Models = append(c.Models, RecurrenceChoice{m, m})
	}
	for _, f := range families {
		c.Families = append(c.Families, RecurrenceChoice{f, f})
	}
	for _, x := range lib.Components {
		c.Components = append(c.Components, RecurrenceChoice{x.ID, x.Name})
	}
	for _, x := range lib.Causes {
		c.Causes = append(c.Causes, RecurrenceChoice{x.ID, x.Name})
	}
	for _, x := range lib.Codes.FailureMode {
		c.FailureModes = append(c.FailureModes, RecurrenceChoice{x.ID, x.Text})
	}
	return c, nil
}

// trimmed is the filter without the blanks around its values.
func (f RecurrenceFilter) trimmed() RecurrenceFilter {
	for _, v := range []*string{&f.Model, &f.Component, &f.Family, &f.Cause, &f.FailureMode} {
		*v = strings.TrimSpace(*v)
	}
	return f
}

// checkFilter refuses values of which nothing is known, because a report of nothing
// would be taken for good news. Components, causes and modes may be of an earlier
// edition of the library: these are refused only where no failure names them.
func (s *Service) checkFilter(ctx context.Context, a Actor, lib *faultlib.Library, q RecurrenceQuery, failures int) error {
	f := q.Filter
	if !q.Filtered() {
		return nil
	}
	var c checker
	if f.Model != "" || f.Family != "" {
		models, families, err := s.store.RecurrenceChoices(ctx, a.ShopID)
		if err != nil {
			return err
		}
		if f.Model != "" && !slices.ContainsFunc(models, func(m string) bool { return strings.EqualFold(m, f.Model) || m == "" && f.Model == ModelNotRecorded }) {
			c.failf("model", "no board of make and model %q is recorded", f.Model)
		}
		if f.Family != "" && !slices.Contains(families, f.Family) {
			c.failf("connector_family", "no connector of family %q is in the register", f.Family)
		}
	}
	if failures == 0 {
		if f.Component != "" && lib.Component(f.Component) == nil {
			c.failf("component", "%q is no component of the library, and no failure in this time names it", f.Component)
		}
		if f.Cause != "" && lib.Cause(f.Cause) == nil {
			c.failf("cause", "%q is no cause of the library, and no failure in this time names it", f.Cause)
		}
		if f.FailureMode != "" && failureModeName(lib, f.FailureMode) == "" {
			c.failf("failure_mode", "%q is no failure mode of the library, and no failure in this time has it", f.FailureMode)
		}
	}
	return c.err()
}

func failureModeName(lib *faultlib.Library, id string) string {
	for _, code := range lib.Codes.FailureMode {
		if code.ID == id {
			return code.Text
		}
	}
	return ""
}

// filterWords says what a report was narrowed to, "" for a whole one.
func filterWords(lib *faultlib.Library, f RecurrenceFilter, group RecurrenceGroup) string {
	var said []string
	add := func(format, key, name string) {
		if name == "" {
			name = key
		}
		if key != "" {
			said = append(said, fmt.Sprintf(format, name))
		}
	}
	of := ""
	if group == ByAction {
		of = "repairs of "
	}
	model := f.Model
	if model == ModelNotRecorded {
		model = "not recorded"
	}
	add("boards of the model %s", f.Model, model)
	add(of+"the component %s", f.Component, componentName(lib, f.Component))
	add(of+"connectors of the family %s", f.Family, "")
	cause := ""
	if c := lib.Cause(f.Cause); c != nil {
		cause = c.Name
	}
	add(of+"the cause %s", f.Cause, cause)
	add(of+"the failure mode %s", f.FailureMode, failureModeName(lib, f.FailureMode))
	return strings.Join(said, "; ")
}
