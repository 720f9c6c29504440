package faultlib

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// Composition is a library with a shop's own measurement in it.
type Composition struct {
	// Content is the file's text, nil where an issue is an error.
	Content []byte
	// Runs are the examples as they came out, in their order; empty where the
	// formulas do not stand.
	Runs []ExampleRun
}

// Compose puts a shop's own measurement into the text of a library: at the end
// of its measurements, or in the place of one that the shop added under the same
// id. Nothing else of the text changes. The result is loaded whole and tried on
// the measurement's examples. The Path of an issue is a field of the form
// (`inputs[1].unit`, `examples[0].in.r`, `links[0].p`), or "" for the whole.
func Compose(base []byte, m OwnMeasurement) (Composition, []Issue) {
	c := &composer{own: m, placed: m}
	root := (&reader{nodes: nodesByPath{}}).parse(base)
	if root == nil {
		return Composition{}, []Issue{{Severity: Error, Message: "the library that this is to be added to is no YAML"}}
	}
	c.precheck(root)
	content, err := c.write(base, root)
	if err != nil {
		c.fail("", "%v", err)
		return Composition{}, c.issues
	}
	ld := read(content)
	runs := c.rehearse(ld)
	for _, i := range sortIssues(ld.issues) {
		c.take(i)
	}
	issues := uniqueFields(c.issues)
	if hasErrors(issues) {
		return Composition{Runs: runs}, issues
	}
	return Composition{content, runs}, issues
}

// Withdraw takes a measurement that the shop added, and what its causes make of
// it, out of the text of a library.
func Withdraw(base []byte, id string) ([]byte, []Issue) {
	root := (&reader{nodes: nodesByPath{}}).parse(base)
	if root == nil {
		return nil, []Issue{{Severity: Error, Message: "the library is no YAML"}}
	}
	if item := itemOf(root, "measurements", id); item == nil || !isOwn(item) {
		return nil, []Issue{{Severity: Error, Path: "id", Message: fmt.Sprintf("the shop has no measurement %q of its own", id)}}
	}
	t := newText(base)
	t.removeItem(root, id)
	t.removeRows(root, id)
	content, err := t.done()
	if err == nil {
		err = sameBeside(root, content, id)
	}
	if err != nil {
		return nil, []Issue{{Severity: Error, Message: err.Error()}}
	}
	_, issues := Load(content)
	if hasErrors(issues) {
		issues = slices.DeleteFunc(issues, func(i Issue) bool { return i.Severity != Error })
		for k := range issues {
			issues[k].Message = fmt.Sprintf("%q is still needed: %s: %s", id, issues[k].Path, issues[k].Message)
			issues[k].Path = ""
		}
		return nil, issues
	}
	return content, nil
}

// composer collects what is wrong with a form.
type composer struct {
	own    OwnMeasurement
	placed OwnMeasurement // own under an id that can be placed, so that the rest is checked too
	issues []Issue
	tried  bool
}

func (c *composer) fail(path, format string, args ...any) {
	c.issues = append(c.issues, Issue{Severity: Error, Path: path, Message: fmt.Sprintf(format, args...)})
}

// unplaced is the id under which a measurement is checked whose own will not do.
const unplaced = "measurement_without_an_id"

// precheck looks at what the file could not be written with, or what a library
// may leave out and a shop's own measurement may not.
func (c *composer) precheck(root *node) {
	m := &c.own
	switch item := itemOf(root, "measurements", m.ID); {
	case m.ID == "":
		c.fail("id", "is missing; give a short name such as lamp_drop")
	case !ownID.MatchString(m.ID):
		c.fail("id", "%q is no id: 2 to 60 small letters, digits and underscores, beginning with a letter", m.ID)
	case m.ID == "new" || m.ID == unplaced:
		c.fail("id", "%q means something else here; choose another id", m.ID)
	case item != nil && !isOwn(item):
		c.fail("id", "the library has a measurement %q already; choose another id", m.ID)
	}
	if len(c.issues) > 0 {
		c.placed.ID = unplaced
	}
	if m.Kind != measure.Numeric && m.Kind != measure.Inspection {
		c.fail("kind", "choose readings with formulas, or an inspection")
		c.placed.Kind = measure.Numeric
	}
	for _, f := range []struct{ path, text, want string }{
		{"points", m.Points, "say where to put the probes or where to look"},
		{"instrument", m.Instrument, "say with what; for an inspection perhaps: light, magnifier"},
	} {
		if strings.TrimSpace(f.text) == "" {
			c.fail(f.path, "is missing; %s", f.want)
		}
	}
	c.precheckRows()
	c.precheckLinks(root)
}

// precheckRows names what a row lacks, in the form's words rather than a file's.
func (c *composer) precheckRows() {
	need := func(section string, i int, field, text, want string) {
		if strings.TrimSpace(text) == "" {
			c.fail(fmt.Sprintf("%s[%d].%s", section, i, field), "is missing; %s", want)
		}
	}
	for i, in := range c.own.Inputs {
		need("inputs", i, "id", in.ID, "give the reading a short name for the formulas, such as u_on")
	}
	for i, p := range c.own.Params {
		need("params", i, "id", p.ID, "give the limit a short name for the formulas")
	}
	for i, s := range c.own.Compute {
		need("compute", i, "id", s.ID, "give the value a short name for the conditions")
		need("compute", i, "expr", s.Expr, "write the formula")
	}
	for i, o := range c.own.Outcomes {
		need("outcomes", i, "id", o.ID, "give the outcome a short name, such as high")
		need("outcomes", i, "meaning", o.Meaning, "say what this outcome means")
	}
	for i, e := range c.own.Examples {
		need("examples", i, "out", e.Out, "say which outcome is expected")
	}
}

func (c *composer) precheckLinks(root *node) {
	c.placed.Links = nil
	seen := map[OwnLink]bool{}
	for i, l := range c.own.Links {
		at := fmt.Sprintf("links[%d].", i)
		place := slices.IndexFunc(c.own.Outcomes, func(o measure.Outcome) bool { return o.ID == l.Outcome })
		key := OwnLink{Cause: l.Cause, Outcome: l.Outcome}
		switch {
		case itemOf(root, "causes", l.Cause) == nil:
			c.fail(at+"cause", "choose a cause from the list")
		case place < 0:
			c.fail(at+"outcome", "%q is none of the outcomes above", l.Outcome)
		case place == len(c.own.Outcomes)-1:
			c.fail(at+"outcome", "%q is the normal outcome; it gets what the others leave", l.Outcome)
		case seen[key]:
			c.fail(at+"outcome", "this cause and outcome stand here twice")
		default:
			c.placed.Links = append(c.placed.Links, l)
		}
		seen[key] = true
	}
}

// write gives the text with the measurement in it.
func (c *composer) write(base []byte, root *node) ([]byte, error) {
	m := &c.placed
	t := newText(base)
	t.putItem(root, m)
	t.removeRows(root, m.ID)
	content, err := t.done()
	if err == nil && len(m.Links) > 0 {
		r := &reader{nodes: nodesByPath{}}
		without := r.parse(content)
		if without == nil {
			return nil, errShape
		}
		t = newText(content)
		t.putRows(without, m)
		content, err = t.done()
	}
	if err == nil {
		err = sameBeside(root, content, m.ID)
	}
	return content, err
}

// rehearse tries the examples and reports, at its own field, whatever keeps one
// from coming out as it says; each outcome of a computed measurement must be
// shown by one.
func (c *composer) rehearse(ld *loader) []ExampleRun {
	i := slices.IndexFunc(ld.lib.Measurements, func(x Measurement) bool { return x.ID == c.placed.ID })
	if i < 0 || ld.lib.Measurements[i].compiled == nil {
		return nil
	}
	c.tried = true
	m := &ld.lib.Measurements[i]
	var runs []ExampleRun
	shown := map[string]bool{}
	wrong := len(c.issues)
	for k, ex := range c.own.Examples {
		run := c.run(m, k, ex)
		shown[run.Outcome] = shown[run.Outcome] || run.Agrees
		runs = append(runs, run)
	}
	if m.Kind == measure.Numeric && len(c.issues) == wrong {
		for _, o := range m.Outcomes {
			if !shown[o.ID] {
				c.fail("examples", "no example comes out as %q; add one, so that every outcome is tried", o.ID)
			}
		}
	}
	return runs
}

func (c *composer) run(m *Measurement, k int, ex measure.Example) ExampleRun {
	at := fmt.Sprintf("examples[%d]", k)
	if m.Kind == measure.Inspection {
		c.fail(at+".out", "an inspection has no readings to work an example with; leave the examples empty")
		return ExampleRun{Problem: "an inspection is judged by eye"}
	}
	r, _, err := m.compiled.Parse(ex.In, measure.ParseOptions{Prefix: at + ".in"})
	if err != nil {
		return c.stuck(at+".in", at, err)
	}
	res, err := m.compiled.Evaluate(r)
	if err != nil {
		return c.stuck(at+".in", at, err)
	}
	run := ExampleRun{Outcome: res.Outcome, Normal: res.Normal, Detail: res.Detail, Text: res.Text, Values: res.Values, Agrees: res.Outcome == ex.Out}
	if o := m.outcome(res.Outcome); o >= 0 {
		run.Meaning = m.Outcomes[o].Meaning
	}
	if !run.Agrees && m.outcome(ex.Out) >= 0 {
		c.fail(at+".out", "comes out as %q, not %q", res.Outcome, ex.Out)
	}
	return run
}

// stuck reports readings that cannot be evaluated at the fields they name.
func (c *composer) stuck(prefix, at string, err error) ExampleRun {
	e := problem.As(err)
	if e == nil || len(e.Fields) == 0 {
		c.fail(at+".out", "%v", err)
		return ExampleRun{Problem: err.Error()}
	}
	var words []string
	for _, f := range e.Fields {
		path := f.Field
		if !strings.HasPrefix(path, prefix) {
			path = at + ".out"
		}
		c.fail(path, "%s", f.Message)
		words = append(words, strings.TrimPrefix(f.Field, prefix+".")+" "+f.Message)
	}
	return ExampleRun{Problem: strings.Join(words, "; ")}
}
