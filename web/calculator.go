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

// CalculatorPage offers what can be computed from readings without a job: the
// choice, or one measurement with its fields. Nothing is stored.
type CalculatorPage struct {
	Layout
	Query  string
	Groups []LibraryGroup
	Count  int

	Card *MeasureCard // nil on the page of choice
	// Board is the fact of the board that the measurement does not ask for itself.
	Board  *Field
	Result *ResultView
}

// computable reports a measurement that makes something of readings.
func computable(m *faultlib.Measurement) bool {
	return m.Kind != measure.Inspection && len(m.Inputs) > 0
}

func (p *Pages) calculatorChoice(c echo.Context) error {
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	look, q := newLookup(lib), strings.TrimSpace(c.QueryParam("q"))
	g := newGrouping(q)
	for i := range lib.Measurements {
		if m := &lib.Measurements[i]; computable(m) {
			g.add(look.component(m.Of), LibraryEntry{ID: m.ID, Name: m.Title, Note: m.Instrument, Href: "/calculator/" + m.ID})
		}
	}
	return p.render(c, http.StatusOK, "calculator", &CalculatorPage{Layout: Layout{Title: "Bench calculator", Section: "/calculator"}, Query: q, Groups: g.groups, Count: g.n})
}

// calculation finds the measurement and reads what was typed.
func (p *Pages) calculation(c echo.Context) (*faultlib.Library, *faultlib.Measurement, *Form, error) {
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return nil, nil, nil, err
	}
	m := newLookup(lib).measurements[c.Param("mid")]
	if m == nil || !computable(m) {
		return nil, nil, nil, problem.New(problem.NotFound, "The fault library has no measurement of that name that is computed from readings.")
	}
	if c.Request().Method == http.MethodGet {
		return lib, m, emptyForm("calc"), nil
	}
	f, err := readForm(c, "calc")
	return lib, m, f, err
}

// calculatorPage shows the fields, and after a POST the result beside what was typed.
func (p *Pages) calculatorPage(c echo.Context) error {
	lib, m, f, err := p.calculation(c)
	if err != nil {
		return err
	}
	status := http.StatusOK
	var result *ResultView
	if c.Request().Method == http.MethodPost {
		if result, err = p.calculate(c, lib, m, f); err != nil {
			return err
		}
		if result.Outcome == "" {
			status = http.StatusUnprocessableEntity
		}
	}
	meter, err := p.instrumentChoice(c)
	if err != nil {
		return err
	}
	pg := calculatorOf(lib, m, f, meter)
	pg.Result = result
	return p.render(c, status, "calculator", pg)
}

// calculatorLive answers the page's script while readings are typed.
func (p *Pages) calculatorLive(c echo.Context) error {
	lib, m, f, err := p.calculation(c)
	if err != nil {
		return err
	}
	r, err := p.calculate(c, lib, m, f)
	if err != nil {
		return err
	}
	return p.fragment(c, "calculator", "result", r)
}

// calculatorFields draws the fields again for another number of cell groups.
func (p *Pages) calculatorFields(c echo.Context) error {
	lib, m, f, err := p.calculation(c)
	if err != nil {
		return err
	}
	return p.fragment(c, "calculator", "readings", calculatorOf(lib, m, f, instrumentChoice{}).Card)
}

func (p *Pages) calculate(c echo.Context, lib *faultlib.Library, m *faultlib.Measurement, f *Form) (*ResultView, error) {
	facts := boardFactsOf(f)
	if f.Failed() {
		return &ResultView{Wrong: f.Errors}, nil
	}
	values := readingValues(f, m)
	e, err := p.svc.Evaluate(c.Request().Context(), actorOf(c), m.ID, shop.EvaluateInput{Readings: values, Board: facts, Instrument: measuredWith(f)})
	if err != nil {
		pe := userMistake(err)
		if pe == nil {
			return nil, err
		}
		return unfinished(f, m, pe), nil
	}
	p.remember(c, f)
	return resultOf(lib, m, values, e), nil
}

// boardFactsOf reads what is said of the board; its other facts are readings of
// the measurements that need them.
func boardFactsOf(f *Form) map[string]any {
	facts := map[string]any{}
	switch n := f.OptInt("board.series_cells"); {
	case n == nil:
	case *n < 1 || *n > maxColumn:
		f.reject("board.series_cells", "Enter a count from 1 to 48, for example 20.")
	default:
		facts["series_cells"] = float64(*n)
	}
	return facts
}

func calculatorOf(lib *faultlib.Library, m *faultlib.Measurement, f *Form, meter instrumentChoice) *CalculatorPage {
	look := newLookup(lib)
	card := &MeasureCard{Measurement: m, Component: look.component(m.Of), Points: m.Points, Form: f, Minutes: m.Minutes, Hazard: m.Hazard,
		HazardName: hazardName(lib, m.Hazard), Rule: look.rule(m.Hazard), Readings: arrange(f, readingFields(f, m, 0))}
	for _, o := range look.stillToOpen(m, nil, nil) {
		card.Hazard = max(card.Hazard, o.Hazard)
	}
	card.HazardName, card.Rule = hazardName(lib, card.Hazard), look.rule(card.Hazard)
	if m.Caution != "" && !same(m.Caution, card.Rule) {
		card.Cautions = []string{m.Caution}
	}
	if how := m.Compiled(); how != nil {
		card.Expected = how.Expected()
	}
	card.With = meter.field(f, card)
	pg := &CalculatorPage{Layout: Layout{Title: m.Title, Section: "/calculator"}, Card: card}
	if needsCount(card.Readings) {
		series := newField(f, "board.series_cells", "Cells in series of the board", "mode=numeric", "hint=As many fields stand below; without it, paste the column.")
		pg.Board = &series
	}
	return pg
}

// needsCount reports a column that would get its fields from a count not asked
// for among the readings.
func needsCount(list []Reading) bool {
	return slices.ContainsFunc(list, func(r Reading) bool { return r.PerGroup }) &&
		!slices.ContainsFunc(list, isGroupCount)
}
