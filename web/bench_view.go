package web

import (
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// BenchPage is a job at the bench.
type BenchPage struct {
	Layout
	File       shop.JobFile
	Library    shop.LibraryVersion
	Waiting    string
	WarrantyOf *shop.ID
	Currency   string

	Diagnosis shop.Diagnosis
	StopRule  string
	Causes    []CauseRow
	Rest      []CauseRow // below what is worth a bar
	Card      *MeasureCard
	Advised   string // title of the advised measurement, when another is shown
	AdvisedID string
	RunnersUp []Runner
	All       []Option // every measurement, for the search
	Symptoms  []SymptomGroup
	Gates     []SymptomRow
	Seen      []ObservationRow
	Withdrawn []ObservationRow
	Open      []OpeningRow
	Faults    []FaultRow
	Barring   []RequirementRow
	Met       []RequirementRow
	Ready     bool
	Verified  []VerificationRow
	NextState []StateMove
	Log       []LogRow
	Exposures []Option
	AlsoCheck []AlsoRow
	Parts     []Option
	Closed    bool // the job takes no more records

	form *Form // the one that came back with a mistake
}

// Form returns the form that failed when its id is asked for, else an empty
// one, so that each form on the page shows only its own mistakes.
func (pg *BenchPage) Form(id string) *Form {
	if pg.form != nil && pg.form.ID == id {
		return pg.form
	}
	return emptyForm(id)
}

// Stray is a failed form that the page no longer shows, because the job went on
// meanwhile or it was a plain button; its message then stands at the top.
func (pg *BenchPage) Stray() *Form {
	if pg.form == nil {
		return nil
	}
	id := pg.form.ID
	kind, rest, _ := strings.Cut(id, "-")
	shown := false
	switch kind {
	case "observe":
		shown = pg.Card != nil
	case "symptom":
		shown = pg.Allows("symptom")
	case "state":
		shown = len(pg.NextState) > 0
	case "intake":
		shown = !pg.Closed
	case "fault":
		for _, list := range [][]CauseRow{pg.Causes, pg.Rest} {
			for _, c := range list {
				shown = shown || (c.ID == rest && !c.Confirmed && pg.Allows("fault"))
			}
		}
	case "repair", "waive":
		for _, f := range pg.Faults {
			shown = shown || (f.ID.String() == rest && f.WaivedAt == nil && pg.Allows(map[string]string{"repair": "repair", "waive": "fault"}[kind]))
		}
	case "verify":
		for _, r := range pg.Barring {
			shown = shown || (r.FormID == id && pg.Allows("verify"))
		}
	}
	if shown {
		return nil
	}
	return pg.form
}

// Allows reports whether the job's state and the person's role let something be
// recorded; the use cases refuse it otherwise, so the page does not offer it.
func (pg *BenchPage) Allows(what string) bool {
	s := pg.File.Job.State
	switch what {
	case "symptom", "undo":
		return !pg.Closed && s != shop.Declined && s != shop.Ready
	case "measure":
		atBench := s != shop.Received && s != shop.Ready && s != shop.Declined && !pg.Closed
		return pg.Can("bench") && (atBench || (s == shop.Received && pg.Card != nil && pg.Card.Gate))
	case "open", "fault":
		return pg.Can("bench") && !pg.Closed && s != shop.Received && s != shop.Ready && s != shop.Declined
	case "close":
		return pg.Can("bench") && !pg.Closed && s != shop.Received && s != shop.Ready
	case "repair", "verify":
		return pg.Can("bench") && (s == shop.Diagnosing || s == shop.Repairing || s == shop.Verifying)
	}
	return false
}

// Forward is the move that is due now, offered at the top of the page.
func (pg *BenchPage) Forward() *StateMove {
	for i := range pg.NextState {
		s := pg.File.Job.State
		if m := &pg.NextState[i]; m.Primary && (s == shop.Received || s == shop.Ready || (s == shop.Verifying && pg.Ready)) {
			return m
		}
	}
	return nil
}

// Others reports whether a measurement beside the shown one would help.
func (pg *BenchPage) Others() bool {
	for _, r := range pg.RunnersUp {
		if !r.Shown {
			return true
		}
	}
	return false
}

// CauseRow is a probable cause.
type CauseRow struct {
	shop.CauseView
	For, Against  []EvidenceRow
	Repair        string
	RepairMinutes [2]float64
	Hazard        int
	Rule          string
	Connectors    []Option
	Installed     []Option
	Suggested     bool // the advice is to repair this
	Open          bool // its form came back with a mistake
}

// EvidenceRow says what an observation does to a cause.
type EvidenceRow struct {
	What, Weight string
}

// MeasureCard is one measurement with everything to take it.
type MeasureCard struct {
	*faultlib.Measurement
	IsAdvised  bool
	Component  string
	Why        string
	Expected   string
	Points     string
	Steps      []OpeningRow // still to open, outermost first
	Hazard     int
	HazardName string
	Rule       string
	Cautions   []string
	Blocked    string
	Minutes    float64
	Cost       float64
	Outcomes   []shop.OutcomeView
	Readings   []Reading
	Form       *Form
	Result     *ResultView // live evaluation
	Inspection bool
	Gate       bool            // asked before anything else, already on arrival
	Before     *ObservationRow // the observation this one would replace
}

// ResultView is a computed result as the page shows it.
type ResultView struct {
	Outcome, Meaning, Detail, Text string
	Normal                         bool
	Values                         []shop.ResultValue
	Warnings                       []string
	// Edge says how the outcome is shared when a reading is on the edge.
	Edge []shop.OutcomeView
	// Rule is set when the outcome is a stop sign: what to do now.
	Rule    string
	Missing []string // readings still to type
	Wrong   []FieldError
}

// Runner is another measurement that would help.
type Runner struct {
	ID, Title, Tells string
	Minutes, Cost    float64
	Hazard           int
	Blocked          string
	Shown            bool
}

// ObservationRow is an observation with its words.
type ObservationRow struct {
	shop.Observation
	What, Said string
	Normal     bool
	Values     []shop.ResultValue
	Text       string
	Warnings   []string
	Readings   string
	Why        string // why it no longer counts
}

// OpeningRow is an opening with what it takes.
type OpeningRow struct {
	faultlib.Opening
	Rule string
}

// FaultRow is a confirmed fault with its repairs.
type FaultRow struct {
	shop.Fault
	Name, ComponentName string
	Connector           string
	InstalledPart       string
	Repairs             []shop.Repair
	Suggested           string // the library's repair
	Parts               []string
	Rule                string
	Hazard              int
	Minutes             [2]float64
}

// RequirementRow is something that bars ready, with the form that meets it.
type RequirementRow struct {
	shop.Requirement
	Title  string
	Card   *MeasureCard // how to take the verification
	FormID string
}

// VerificationRow is a verification taken.
type VerificationRow struct {
	shop.Verification
	Title, Meaning string
}

// StateMove is a state the job may go to.
type StateMove struct {
	To      shop.State
	Label   string
	Primary bool // the usual way forward
}

// LogRow is a line of the job's log.
type LogRow struct {
	shop.AuditEvent
	Text string
}

// AlsoRow is a consequence worth a look.
type AlsoRow struct {
	shop.AlsoCheck
	FromName string
	Tests    []Option
}

// fewCauses is how many causes get a bar at once; the rest folds away.
const fewCauses = 8

// loadBench reads a job and lays it out. show names the measurement to show
// instead of the advised one; f is the form that failed, if any.
func (p *Pages) loadBench(c echo.Context, id shop.ID, show string, f *Form) (*BenchPage, error) {
	ctx, a := c.Request().Context(), actorOf(c)
	file, err := p.svc.Job(ctx, a, id)
	if err != nil {
		return nil, err
	}
	lib, version, err := p.svc.LibraryOf(ctx, a, file.Job.LibraryID)
	if err != nil {
		return nil, err
	}
	d, err := p.svc.DiagnoseFile(ctx, a, file)
	if err != nil {
		return nil, err
	}
	req, err := p.svc.RequirementsOf(ctx, a, file)
	if err != nil {
		return nil, err
	}
	board, err := p.svc.Board(ctx, a, file.Board.ID)
	if err != nil {
		return nil, err
	}
	parts, err := p.svc.Parts(ctx, a, shop.PartFilter{Page: shop.Page{Limit: 200}})
	if err != nil {
		return nil, err
	}
	log, err := p.svc.Audit(ctx, a, id, shop.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	b := &benchBuilder{look: newLookup(lib), file: file, board: board, d: d, open: openNow(d), form: f}
	pg := &BenchPage{
		Layout: Layout{Title: "Job " + formatInt(&file.Job.Number), Section: "/", Wide: true},
		File:   file, Library: version, Diagnosis: d, Currency: d.Currency, Ready: req.Ready, form: f,
		Waiting: waiting(p.opt.Now(), file.Job.OpenedAt), Closed: isClosed(file.Job.State),
	}
	pg.StopRule = b.look.rule(len(lib.Hazards) - 1)
	pg.Causes, pg.Rest = b.causes()
	b.measure(pg, show)
	pg.Seen, pg.Withdrawn = b.observations()
	pg.Faults = b.faults()
	pg.Barring, pg.Met = b.requirements(req)
	pg.Verified = b.verifications()
	pg.NextState = stateMoves(file.Job.State, a.Role)
	pg.AlsoCheck = b.alsoCheck()
	pg.Open = b.openings(d.OpenOpenings)
	pg.Gates, pg.Symptoms = symptomGroups(lib, pg.Form("symptom"))
	for _, part := range parts.Items {
		pg.Parts = append(pg.Parts, Option{Value: part.ID.String(), Label: part.Number + " " + part.Name + " (" + formatInt(&part.Stock) + " in stock)"})
	}
	for _, e := range log.Items {
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
}

func (b *benchBuilder) causes() (shown, rest []CauseRow) {
	connectors, installed := b.attachments()
	for i, v := range b.d.Causes {
		if v.Probability < 0.001 && !v.Confirmed {
			continue
		}
		row := CauseRow{CauseView: v, Connectors: connectors, Installed: installed,
			Suggested: b.d.Advice.Kind == "repair" && b.d.Advice.Cause == v.ID,
			Open:      b.form != nil && b.form.ID == "fault-"+v.ID}
		if c := b.look.causes[v.ID]; c != nil {
			row.Repair, row.RepairMinutes, row.Hazard, row.Rule = c.Repair, c.RepairMinutes, c.Hazard, b.look.rule(c.Hazard)
		}
		for _, e := range v.Evidence {
			er := EvidenceRow{What: b.what(e.ObservationID), Weight: weight(e.Decibans)}
			switch {
			case er.What == "" || (e.Decibans < 1 && e.Decibans > -1):
			case e.Decibans > 0:
				row.For = append(row.For, er)
			default:
				row.Against = append(row.Against, er)
			}
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

// what names an observation in a few words.
func (b *benchBuilder) what(id shop.ID) string {
	for _, o := range b.file.Observations {
		if o.ID != id {
			continue
		}
		if o.Kind == shop.ObservedSymptom {
			if o.Present {
				return b.look.symptom(o.Symptom)
			}
			return "Not seen: " + b.look.symptom(o.Symptom)
		}
		if o.Result == nil {
			return b.look.measurement(o.Measurement)
		}
		return b.look.measurement(o.Measurement) + ": " + words(o.Result.Outcome)
	}
	return ""
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
	card.Steps = b.openings(access)
	b.plain(card, access)
	card.HazardName, card.Rule = hazardName(b.look.lib, card.Hazard), b.look.rule(card.Hazard)
	card.Cautions = b.unsaid(card)
	card.Expected = strings.TrimPrefix(card.Expected, "Good is: ")
	card.Readings = readingFields(f, m)
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
			card.Outcomes = append(card.Outcomes, shop.OutcomeView{ID: o.ID, Meaning: o.Meaning, Normal: o.Normal, Probability: -1})
		}
	}
	if card.Expected == "" {
		var good []string
		for _, o := range card.Measurement.Outcomes {
			if o.Normal {
				good = append(good, words(o.ID)+" ("+o.Meaning+")")
			}
		}
		card.Expected = strings.Join(good, ", or ")
	}
}

func (b *benchBuilder) openings(list []faultlib.Opening) []OpeningRow {
	out := make([]OpeningRow, 0, len(list))
	for _, o := range list {
		out = append(out, OpeningRow{Opening: o, Rule: b.look.rule(o.Hazard)})
	}
	return out
}

// PartLine is one line of parts used in a repair.
type PartLine struct{ Part, Quantity, Lot, Serial Field }

func partLine(pg *BenchPage, f *Form, i int) PartLine {
	n := formatInt(&i)
	if f.Get("quantity."+n) == "" {
		// One is what is usually used; without a part chosen the line is ignored.
		f.Values.Set("quantity."+n, "1")
	}
	return PartLine{
		Part:     choiceField(f, "part."+n, "Part", append([]Option{{Label: "none"}}, pg.Parts...)),
		Quantity: newField(f, "quantity."+n, "Quantity", "mode=numeric"),
		Lot:      newField(f, "lot."+n, "Lot"),
		Serial:   newField(f, "serial."+n, "Serial"),
	}
}

// IntakeForm is the form that corrects the intake: as it stands, or as typed.
func (pg *BenchPage) IntakeForm() *Form {
	if pg.form != nil && pg.form.ID == "intake-edit" {
		return pg.form
	}
	return filledForm("intake-edit", "complaint", pg.File.Job.Complaint, "odometer_km", formatFloat(pg.File.Job.OdometerKM), "condition", pg.File.Job.Condition)
}
