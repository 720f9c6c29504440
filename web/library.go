package web

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// LibraryPage browses the current edition of the fault library.
type LibraryPage struct {
	Layout
	Version      shop.LibraryVersion
	Status       string
	Query        string
	Causes       []LibraryGroup
	Symptoms     []LibraryGroup
	Measurements []LibraryGroup
	Counts       [3]int // causes, symptoms, measurements shown
	Hazards      []faultlib.Hazard
	Openings     []faultlib.Opening
}

// LibraryGroup is entries under a heading.
type LibraryGroup struct {
	Name    string
	Entries []LibraryEntry
}

// LibraryEntry is one line.
type LibraryEntry struct {
	ID, Name, Note, Href string
	// Own marks a measurement that the shop added itself.
	Own bool
}

func (p *Pages) libraryPage(c echo.Context) error {
	lib, version, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	look := newLookup(lib)
	q := strings.TrimSpace(c.QueryParam("q"))
	pg := &LibraryPage{Layout: Layout{Title: "Fault library", Section: "/library"}, Version: version, Status: lib.Meta.Status, Query: q, Hazards: lib.Hazards, Openings: lib.Openings}
	causes, symptoms, measurements := newGrouping(q), newGrouping(q), newGrouping(q)
	for i := range lib.Causes {
		cs := &lib.Causes[i]
		causes.add(look.component(cs.Component), LibraryEntry{ID: cs.ID, Name: cs.Name, Note: words(cs.Mode), Href: "/library/causes/" + cs.ID})
	}
	for i := range lib.Symptoms {
		s := &lib.Symptoms[i]
		symptoms.add(s.Group, LibraryEntry{ID: s.ID, Name: s.Text, Note: s.Ask})
	}
	for i := range lib.Measurements {
		m := &lib.Measurements[i]
		measurements.add(look.component(m.Of), LibraryEntry{ID: m.ID, Name: m.Title, Note: minutes(m.Minutes) + ", " + m.Instrument, Href: "/library/measurements/" + m.ID, Own: m.Own})
	}
	pg.Causes, pg.Symptoms, pg.Measurements = causes.groups, symptoms.groups, measurements.groups
	pg.Counts = [3]int{causes.n, symptoms.n, measurements.n}
	return p.render(c, http.StatusOK, "library", pg)
}

// grouping collects entries under headings in the order they first appear.
type grouping struct {
	query  string
	groups []LibraryGroup
	at     map[string]int
	n      int
}

func newGrouping(q string) *grouping {
	return &grouping{query: strings.ToLower(q), at: map[string]int{}}
}

func (g *grouping) add(group string, e LibraryEntry) {
	if g.query != "" && !strings.Contains(strings.ToLower(e.ID+" "+e.Name+" "+e.Note+" "+group), g.query) {
		return
	}
	i, ok := g.at[group]
	if !ok {
		i = len(g.groups)
		g.at[group] = i
		g.groups = append(g.groups, LibraryGroup{Name: group})
	}
	g.groups[i].Entries = append(g.groups[i].Entries, e)
	g.n++
}

// MeasurementPage is the reference of one measurement.
type MeasurementPage struct {
	Layout
	Measurement *faultlib.Measurement
	Component   string
	Rule        string
	HazardName  string
	Access      []faultlib.Opening
	Params      []shop.ResultValue
	Tells       []LibraryEntry
	Sources     []faultlib.Source
	// Useless: it has an outcome that says only that the reading is of no use.
	Useless bool
}

func (p *Pages) measurementPage(c echo.Context) error {
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	look := newLookup(lib)
	m := look.measurements[c.Param("mid")]
	if m == nil {
		return problem.New(problem.NotFound, "The fault library has no such measurement.")
	}
	pg := &MeasurementPage{Layout: Layout{Title: m.Title, Section: "/library"}, Measurement: m,
		Useless: slices.ContainsFunc(m.Outcomes, func(o measure.Outcome) bool { return o.Inconclusive }), Component: look.component(m.Of),
		Rule: look.rule(m.Hazard), HazardName: hazardName(lib, m.Hazard), Access: look.stillToOpen(m, nil, nil)}
	for _, k := range sortedKeys(m.Params) {
		pg.Params = append(pg.Params, shop.ResultValue{ID: k, Value: m.Params[k]})
	}
	for i := range lib.Links {
		l := &lib.Links[i]
		if _, ok := l.Outcomes[m.ID]; ok {
			pg.Tells = append(pg.Tells, LibraryEntry{ID: l.Cause, Name: look.cause(l.Cause), Href: "/library/causes/" + l.Cause})
		}
	}
	for _, s := range lib.Sources {
		if contains(m.Sources, s.ID) {
			pg.Sources = append(pg.Sources, s)
		}
	}
	return p.render(c, http.StatusOK, "measurement", pg)
}

// CausePage is the reference of one cause.
type CausePage struct {
	Layout
	Cause     *faultlib.Cause
	Component string
	Rule      string
	Hazard    string
	Verify    []LibraryEntry
	Symptoms  []LinkRow
	Shows     []LinkRow
}

// LinkRow is how often a cause shows a finding.
type LinkRow struct {
	Name, Href  string
	Outcome     string
	Probability float64
}

func (p *Pages) causePage(c echo.Context) error {
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	look := newLookup(lib)
	cs := look.causes[c.Param("cid")]
	if cs == nil {
		return problem.New(problem.NotFound, "The fault library has no such cause.")
	}
	pg := &CausePage{Layout: Layout{Title: cs.Name, Section: "/library"}, Cause: cs, Component: look.component(cs.Component), Rule: look.rule(cs.Hazard), Hazard: hazardName(lib, cs.Hazard)}
	for _, v := range cs.Verify {
		names := make([]string, len(v.Outcomes))
		for i, o := range v.Outcomes {
			names[i] = look.outcome(v.Measurement, o)
		}
		pg.Verify = append(pg.Verify, LibraryEntry{ID: v.Measurement, Name: look.measurement(v.Measurement), Note: strings.Join(names, " or "), Href: "/library/measurements/" + v.Measurement})
	}
	for i := range lib.Links {
		l := &lib.Links[i]
		if l.Cause != cs.ID {
			continue
		}
		for _, s := range sortedKeys(l.Symptoms) {
			pg.Symptoms = append(pg.Symptoms, LinkRow{Name: look.symptom(s), Probability: l.Symptoms[s]})
		}
		for _, m := range sortedKeys(l.Outcomes) {
			for _, o := range sortedKeys(l.Outcomes[m]) {
				pg.Shows = append(pg.Shows, LinkRow{Name: look.measurement(m), Href: "/library/measurements/" + m, Outcome: look.outcome(m, o), Probability: l.Outcomes[m][o]})
			}
		}
	}
	return p.render(c, http.StatusOK, "cause", pg)
}
