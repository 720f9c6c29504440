package web

import (
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// fewCauses is how many causes get a bar at once; the rest folds away.
const fewCauses = 8

// benchRecords is all that is read for the page.
type benchRecords struct {
	file    shop.JobFile
	lib     *faultlib.Library
	version shop.LibraryVersion
	d       shop.Diagnosis
	req     shop.Requirements
	board   shop.BoardFile
	parts   []shop.Part
	log     []shop.AuditEvent
}

func (p *Pages) readBench(c echo.Context, id shop.ID, cause string) (r benchRecords, err error) {
	ctx, a := c.Request().Context(), actorOf(c)
	if r.file, err = p.svc.Job(ctx, a, id); err != nil {
		return r, err
	}
	if r.lib, r.version, err = p.svc.LibraryOf(ctx, a, r.file.Job.LibraryID); err != nil {
		return r, err
	}
	if r.d, err = p.svc.DiagnoseFileFor(ctx, a, r.file, cause); err != nil {
		return r, err
	}
	if r.req, err = p.svc.RequirementsOf(ctx, a, r.file); err != nil {
		return r, err
	}
	if r.board, err = p.svc.Board(ctx, a, r.file.Board.ID); err != nil {
		return r, err
	}
	parts, err := p.svc.Parts(ctx, a, shop.PartFilter{Page: shop.Page{Limit: 200}})
	if err != nil {
		return r, err
	}
	log, err := p.svc.Audit(ctx, a, id, shop.Page{Limit: 100})
	r.parts, r.log = parts.Items, log.Items
	return r, err
}

// loadBench reads a job and lays it out. show names the measurement to show
// instead of the advised one; f is the form that failed, if any.
func (p *Pages) loadBench(c echo.Context, id shop.ID, show string, f *Form) (*BenchPage, error) {
	cause := ""
	if f != nil {
		// The form of a cause that is shown only because it was asked for.
		for _, kind := range []string{"fault-", "sound-"} {
			if of, ok := strings.CutPrefix(f.ID, kind); ok {
				cause = of
			}
		}
	}
	return p.loadBenchFor(c, id, show, cause, f)
}

// loadBenchFor is loadBench with one cause shown and opened however improbable it is.
func (p *Pages) loadBenchFor(c echo.Context, id shop.ID, show, cause string, f *Form) (*BenchPage, error) {
	r, err := p.readBench(c, id, cause)
	if err != nil {
		return nil, err
	}
	file, d := r.file, r.d
	b := &benchBuilder{look: newLookup(r.lib), file: file, board: r.board, d: d, open: openNow(d), form: f, cause: cause}
	if b.meter, err = p.instrumentChoice(c); err != nil {
		return nil, err
	}
	pg := &BenchPage{
		Layout: Layout{Title: "Job " + formatInt(&file.Job.Number), Section: "/", Wide: true},
		File:   file, Library: r.version, Diagnosis: d, Currency: d.Currency, Ready: r.req.Ready, form: f,
		Waiting: waiting(p.opt.Now(), file.Job.OpenedAt), Closed: isClosed(file.Job.State),
	}
	if !pg.Closed {
		if pg.Carries, err = p.carries(c, file.Job.BoardID); err != nil {
			return nil, err
		}
	}
	pg.StopRule = b.look.rule(len(r.lib.Hazards) - 1)
	pg.Causes, pg.Rest = b.causes()
	pg.AllCauses = b.allCauses(cause)
	b.argue(pg)
	b.measure(pg, show)
	pg.Seen, pg.Withdrawn = b.observations()
	pg.Faults = b.faults()
	pg.Barring, pg.Met = b.requirements(r.req)
	pg.Verified = b.verifications()
	pg.NextState = stateMoves(file.Job.State, actorOf(c).Role)
	pg.AlsoCheck = b.alsoCheck()
	pg.Open = b.openings(d.OpenOpenings)
	pg.Gates, pg.Symptoms = b.stillToAsk(symptomGroups(r.lib, pg.Form("symptom")))
	for i := range pg.NextState {
		// While something bars it, "ready" is there to say what, not to be urged.
		if m := &pg.NextState[i]; m.To == shop.Ready {
			m.Primary = pg.Ready
		}
	}
	for _, part := range r.parts {
		pg.Parts = append(pg.Parts, Option{Value: part.ID.String(), Label: part.Number + " " + part.Name + " (" + formatInt(&part.Stock) + " in stock)"})
	}
	for _, e := range r.log {
		pg.Log = append(pg.Log, LogRow{AuditEvent: e, Text: logText(e, b.look)})
	}
	for _, e := range exposures {
		e.Selected = contains(file.Job.Exposures, e.Value)
		pg.Exposures = append(pg.Exposures, e)
	}
	return pg, nil
}

func isClosed(s shop.State) bool { return !s.Open() }

func contains[T comparable](list []T, v T) bool {
	for _, x := range list {
		if x == v {
			return true
		}
	}
	return false
}

func openNow(d shop.Diagnosis) map[string]bool {
	open := map[string]bool{}
	for _, o := range d.OpenOpenings {
		open[o.ID] = true
	}
	return open
}

// benchBuilder turns the records of a job into what the page shows.
type benchBuilder struct {
	look  *lookup
	file  shop.JobFile
	board shop.BoardFile
	d     shop.Diagnosis
	open  map[string]bool
	form  *Form
	cause string // shown and opened, "" for none
	meter instrumentChoice
}

// stillToAsk leaves out the symptoms that are on record: one has to be undone
// before it can be answered differently.
func (b *benchBuilder) stillToAsk(gates []SymptomRow, groups []SymptomGroup) ([]SymptomRow, []SymptomGroup) {
	answered := map[string]bool{}
	for i := range b.file.Observations {
		if o := &b.file.Observations[i]; o.Kind == shop.ObservedSymptom && o.Active() {
			answered[o.Symptom] = true
		}
	}
	done := func(r SymptomRow) bool { return answered[r.ID] }
	gates = slices.DeleteFunc(gates, done)
	for i := range groups {
		groups[i].Rows = slices.DeleteFunc(groups[i].Rows, done)
	}
	return gates, slices.DeleteFunc(groups, func(g SymptomGroup) bool { return len(g.Rows) == 0 })
}

func (b *benchBuilder) causes() (shown, rest []CauseRow) {
	connectors, installed := b.attachments()
	for i, v := range b.d.Causes {
		asked := v.ID == b.cause
		if v.Probability < 0.001 && !v.Confirmed && !asked {
			continue
		}
		row := CauseRow{CauseView: v, Connectors: connectors, Installed: installed,
			Suggested: b.d.Advice.Kind == "repair" && b.d.Advice.Cause == v.ID,
			Open:      asked || b.form != nil && b.form.ID == "fault-"+v.ID}
		b.lookAt(&row)
		if c := b.look.causes[v.ID]; c != nil {
			row.Repair, row.RepairMinutes, row.Hazard, row.Rule = c.Repair, c.RepairMinutes, c.Hazard, b.look.rule(c.Hazard)
		}
		if (i < fewCauses && v.Probability >= 0.01) || row.Open || row.Suggested {
			shown = append(shown, row)
		} else if len(rest) < 40 {
			rest = append(rest, row)
		}
	}
	return shown, rest
}

func (b *benchBuilder) attachments() (connectors, installed []Option) {
	connectors = []Option{{Label: "not at one connector"}}
	for _, c := range b.file.Connectors {
		if c.RemovedAt == nil {
			connectors = append(connectors, Option{Value: c.ID.String(), Label: strings.TrimSpace(c.Place + " · " + c.Family)})
		}
	}
	installed = []Option{{Label: "not one of our parts"}}
	for _, ip := range b.board.Installed {
		if ip.RemovedAt == nil {
			installed = append(installed, Option{Value: ip.ID.String(), Label: strings.TrimSpace(ip.PartName + " " + ip.Lot)})
		}
	}
	return connectors, installed
}

// measure sets the card and the runners-up.
func (b *benchBuilder) measure(pg *BenchPage, show string) {
	advised := b.d.Advice.Measurement
	// A stop sign ends guided diagnosis: nothing is proposed, only what was
	// asked for by name is shown.
	if show == "" && b.d.Stop == nil {
		show = advised
	}
	for _, n := range b.d.Next {
		if n.Measurement == nil {
			continue
		}
		pg.RunnersUp = append(pg.RunnersUp, Runner{ID: n.Measurement.ID, Title: n.Measurement.Title, Tells: n.Why,
			Minutes: n.Minutes, Cost: n.Cost, Hazard: n.Hazard.Level, Blocked: n.Blocked, Shown: n.Measurement.ID == show})
	}
	if len(pg.RunnersUp) > 12 {
		pg.RunnersUp = pg.RunnersUp[:12]
	}
	for i := range b.look.lib.Measurements {
		m := &b.look.lib.Measurements[i]
		pg.All = append(pg.All, Option{Value: m.ID, Label: m.Title, Selected: m.ID == show})
	}
	m := b.look.measurements[show]
	if m == nil {
		return
	}
	pg.Card = b.card(m, pg.Form("observe"))
	pg.Card.IsAdvised = show == advised
	if advised != "" && show != advised {
		pg.Advised, pg.AdvisedID = b.look.measurement(advised), advised
	}
}

// card lays out one measurement, from the diagnosis where it speaks of it.
func (b *benchBuilder) card(m *faultlib.Measurement, f *Form) *MeasureCard {
	card := &MeasureCard{Measurement: m, Component: b.look.component(m.Of), Points: m.Points, Form: f, Inspection: m.Kind == measure.Inspection || len(m.Inputs) == 0,
		Minutes: m.Minutes, Hazard: m.Hazard}
	access := b.look.stillToOpen(m, b.file.Board.Facts, b.open)
	for _, n := range b.d.Next {
		if n.Measurement != nil && n.Measurement.ID == m.ID {
			access, card.Hazard, card.Cautions, card.Expected, card.Why = n.Access, n.Hazard.Level, n.Cautions, n.Expected, n.Why
			card.Minutes, card.Cost, card.Outcomes, card.Blocked = n.Minutes, n.Cost, n.Outcomes, n.Blocked
		}
	}
	card.Steps, card.Reasons = b.openings(access), cannotReasons()
	b.plain(card, access)
	card.HazardName, card.Rule = hazardName(b.look.lib, card.Hazard), b.look.rule(card.Hazard)
	card.Cautions = b.unsaid(card)
	card.Readings, card.With = arrange(f, readingFields(f, m, seriesOf(b.file.Board))), b.meter.field(f, card)
	for _, g := range b.look.lib.Gates {
		card.Gate = card.Gate || g.Measurement == m.ID
	}
	for i := range b.file.Observations {
		if o := &b.file.Observations[i]; o.Measurement == m.ID && o.Active() {
			row := b.row(o)
			card.Before = &row
		}
	}
	return card
}

// seriesOf is a board's number of cell groups, 0 when it is not on record.
func seriesOf(board shop.Board) int {
	if n := board.SeriesCells; n != nil {
		return *n
	}
	return 0
}

// unsaid leaves out the cautions that the card shows elsewhere already: the
// hazard's rule above them, and the note of a step at the step itself.
func (b *benchBuilder) unsaid(card *MeasureCard) []string {
	var out []string
	for _, c := range card.Cautions {
		said := same(c, card.Rule)
		for _, s := range card.Steps {
			said = said || same(c, words(s.ID)+": "+s.Note)
		}
		if !said {
			out = append(out, c)
		}
	}
	return out
}

func same(a, b string) bool {
	return strings.EqualFold(strings.TrimRight(strings.TrimSpace(a), "."), strings.TrimRight(strings.TrimSpace(b), "."))
}

// plain fills what the diagnosis did not say about a measurement it does not
// propose: its own caution, the highest hazard on the way, its normal outcomes.
func (b *benchBuilder) plain(card *MeasureCard, access []faultlib.Opening) {
	if len(card.Cautions) == 0 && card.Caution != "" {
		card.Cautions = []string{card.Caution}
	}
	for _, o := range access {
		card.Hazard = max(card.Hazard, o.Hazard)
	}
	if len(card.Outcomes) == 0 {
		for _, o := range card.Measurement.Outcomes {
			card.Outcomes = append(card.Outcomes, shop.OutcomeView{ID: o.ID, Label: o.Label, Meaning: o.Meaning, Normal: o.Normal, Inconclusive: o.Inconclusive, Probability: -1})
		}
	}
	if c := card.Compiled(); card.Expected == "" && c != nil {
		card.Expected = c.Expected()
	}
}

func (b *benchBuilder) openings(list []faultlib.Opening) []OpeningRow {
	out := make([]OpeningRow, 0, len(list))
	for _, o := range list {
		out = append(out, OpeningRow{Opening: o, Rule: b.look.rule(o.Hazard)})
	}
	return out
}
