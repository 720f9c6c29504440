package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func (p *Pages) benchPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	pg, err := p.loadBenchFor(c, id, c.QueryParam("m"), c.QueryParam("c"), nil)
	if err != nil {
		return err
	}
	return p.render(c, http.StatusOK, "bench", pg)
}

// benchAgain shows the page with what was typed and what is wrong with it, or
// passes on an error the person cannot mend.
func (p *Pages) benchAgain(c echo.Context, id shop.ID, show string, f *Form, err error) error {
	if err != nil {
		pe := userMistake(err)
		if pe == nil {
			return err
		}
		if !f.Failed() {
			f.fail(pe)
		}
	}
	pg, err := p.loadBench(c, id, show, f)
	if err != nil {
		return err
	}
	return p.render(c, http.StatusUnprocessableEntity, "bench", pg)
}

func (p *Pages) benchDone(c echo.Context, id shop.ID, anchor, message string) error {
	p.flash(c, message)
	return redirect(c, "/jobs/"+id.String()+anchor)
}

// measurementOf finds a measurement in the edition the job's diagnosis uses.
func (p *Pages) measurementOf(c echo.Context, job shop.ID, measurement string) (*faultlib.Measurement, *faultlib.Library, error) {
	ctx, a := c.Request().Context(), actorOf(c)
	file, err := p.svc.Job(ctx, a, job)
	if err != nil {
		return nil, nil, err
	}
	lib, _, err := p.svc.LibraryOf(ctx, a, file.Job.LibraryID)
	if err != nil {
		return nil, nil, err
	}
	if m := newLookup(lib).measurements[measurement]; m != nil {
		return m, lib, nil
	}
	return nil, nil, problem.New(problem.NotFound, "The fault library of this job has no measurement %q.", measurement)
}

// observe records a symptom, readings, an outcome, or that a measurement
// cannot be taken.
func (p *Pages) observe(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "observe")
	if err != nil {
		return err
	}
	if f.Get("symptoms") != "" {
		return p.observeSymptoms(c, id, f)
	}
	if f.Get("sound") != "" {
		return p.observeSound(c, id, f)
	}
	m, _, err := p.measurementOf(c, id, f.Get("measurement"))
	if err != nil {
		return err
	}
	in := shop.ObservationInput{Measurement: m.ID}
	switch {
	case f.Get("unavailable") != "":
		skipped(f, &in)
	case f.Get("outcome") != "":
		in.Outcome = f.Get("outcome")
	default:
		in.Readings, in.Instrument = readingValues(f, m), measuredWith(f)
	}
	o, err := p.svc.Observe(c.Request().Context(), actorOf(c), id, in)
	if err != nil {
		failReadings(f, m, userMistake(err))
		return p.benchAgain(c, id, m.ID, f, err)
	}
	p.remember(c, f)
	text := m.Title + " " + skippedText(in.Reason, in.Note) + "."
	if o.Result != nil {
		text = m.Title + " recorded: " + outcomeWords(m, o.Result.Outcome) + "."
	}
	return p.benchDone(c, id, "", text)
}

// observeSymptoms records every symptom answered in the form.
func (p *Pages) observeSymptoms(c echo.Context, id shop.ID, f *Form) error {
	f.ID = "symptom"
	n := 0
	for _, name := range sortedKeys(f.Values) {
		symptom, ok := strings.CutPrefix(name, "s.")
		answer := f.Get(name)
		if !ok || (answer != "present" && answer != "absent") {
			continue
		}
		present := answer == "present"
		if _, err := p.svc.Observe(c.Request().Context(), actorOf(c), id, shop.ObservationInput{Symptom: symptom, Present: &present}); err != nil {
			return p.benchAgain(c, id, "", f, err)
		}
		f.Values.Del(name)
		n++
	}
	if n == 0 {
		f.Message = "Answer at least one question first."
		return p.benchAgain(c, id, "", f, nil)
	}
	return p.benchDone(c, id, "", plural(n, "symptom", "symptoms")+" recorded.")
}

func (p *Pages) retract(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	oid, err := pathID(c, "oid")
	if err != nil {
		return err
	}
	if err := p.svc.Retract(c.Request().Context(), actorOf(c), id, oid); err != nil {
		return p.benchAgain(c, id, "", emptyForm("observations"), err)
	}
	return p.benchDone(c, id, "#observations", "Observation withdrawn; the log keeps it.")
}

func (p *Pages) access(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "access")
	if err != nil {
		return err
	}
	in := shop.AccessInput{Opening: f.Get("opening"), State: shop.OpeningState(f.Get("state"))}
	if _, err := p.svc.Access(c.Request().Context(), actorOf(c), id, in); err != nil {
		return p.benchAgain(c, id, f.Get("m"), f, err)
	}
	to := "/jobs/" + id.String()
	if m := f.Get("m"); m != "" {
		to += "?m=" + url.QueryEscape(m)
	}
	p.flash(c, words(in.Opening)+" recorded as "+string(in.State)+".")
	return redirect(c, to)
}

// readingForm reads a form of readings that is still being typed: the job, the form,
// its measurement and the job's library.
func (p *Pages) readingForm(c echo.Context) (id shop.ID, f *Form, m *faultlib.Measurement, lib *faultlib.Library, err error) {
	if id, err = pathID(c, "id"); err != nil {
		return id, nil, nil, nil, err
	}
	if f, err = readForm(c, "observe"); err != nil {
		return id, nil, nil, nil, err
	}
	m, lib, err = p.measurementOf(c, id, f.Get("measurement"))
	return id, f, m, lib, err
}

// evaluate computes while the technician types; nothing is recorded.
func (p *Pages) evaluate(c echo.Context) error {
	id, f, m, lib, err := p.readingForm(c)
	if err != nil {
		return err
	}
	values := readingValues(f, m)
	e, err := p.svc.EvaluateFor(c.Request().Context(), actorOf(c), id, m.ID, shop.EvaluateInput{Readings: values, Instrument: measuredWith(f)})
	if err != nil {
		pe := userMistake(err)
		if pe == nil {
			return err
		}
		return p.fragment(c, "bench", "result", unfinished(f, m, pe))
	}
	return p.fragment(c, "bench", "result", resultOf(lib, m, values, e))
}

// readingsAgain draws the fields again for another number of cell groups.
func (p *Pages) readingsAgain(c echo.Context) error {
	id, f, m, _, err := p.readingForm(c)
	if err != nil {
		return err
	}
	if c.QueryParam("form") != f.ID {
		f.ID = verifyForm(m.ID)
	}
	file, err := p.svc.Job(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	return p.fragment(c, "bench", "readings", &MeasureCard{Measurement: m, Form: f, Readings: arrange(f, readingFields(f, m, seriesOf(file.Board)))})
}

// unfinished tells readings that are still missing from ones that are wrong.
func unfinished(f *Form, m *faultlib.Measurement, pe *problem.Error) *ResultView {
	failReadings(f, m, pe)
	r := &ResultView{}
	for _, in := range readingFields(f, m, 0) {
		msg := f.Error(in.Name)
		switch {
		case msg == "":
		case blank(f, in):
			r.Missing = append(r.Missing, in.Label)
		default:
			r.Wrong = append(r.Wrong, FieldError{Field: in.Name, Label: in.Label, Message: msg})
		}
	}
	if len(r.Missing)+len(r.Wrong) == 0 {
		r.Wrong = []FieldError{{Label: "", Message: pe.Message}}
	}
	return r
}

// stopRule is what to do when an outcome is a stop sign, "" when it is none.
func stopRule(lib *faultlib.Library, measurement, outcome string) string {
	for _, g := range lib.Gates {
		if g.Measurement == measurement && contains(g.StopOn, outcome) && len(lib.Hazards) > 0 {
			return lib.Hazards[len(lib.Hazards)-1].Rule
		}
	}
	return ""
}

func blank(f *Form, in Reading) bool {
	if f.Text(in.Name) != "" {
		return false
	}
	if len(in.Elements) == 0 {
		return true
	}
	for _, e := range in.Elements {
		if f.Text(e.Name) == "" {
			return true
		}
	}
	return false
}

// resultOf is a computed result with what helps to read it.
func resultOf(lib *faultlib.Library, m *faultlib.Measurement, readings map[string]any, e shop.Evaluation) *ResultView {
	r := resultView(e)
	r.Rule, r.Picture = stopRule(lib, m.ID, e.Outcome), pictureOf(m, readings, e)
	// One picture is enough, unless the result may as well be another.
	if r.Picture == nil || r.Edge != nil {
		r.Line = numberLine(e.Deciding, func(outcome string) string { return outcomeWords(m, outcome) })
	}
	return r
}

func resultView(e shop.Evaluation) *ResultView {
	r := &ResultView{Outcome: e.Outcome, Meaning: e.Meaning, Detail: e.Detail, Text: e.Text, Normal: e.Normal, Values: e.Values, Warnings: e.Warnings, With: withText(e.Instrument)}
	// The page says in a line of its own how the outcome is shared.
	r.Text, _, _ = strings.Cut(r.Text, "; on the edge")
	r.Said, r.Useless = words(e.Outcome), e.Inconclusive
	shared, sound := 0, 0
	for _, l := range e.Likelihood {
		if l.ID == e.Outcome {
			r.Said = l.Words()
		}
		if l.Probability >= 0.01 {
			shared++
			r.Edge = append(r.Edge, l)
			if l.Normal {
				sound++
			}
		}
	}
	if shared < 2 {
		r.Edge = nil
	}
	r.Unsure = sound > 0 && sound < shared
	return r
}

func (p *Pages) confirmFault(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "fault")
	if err != nil {
		return err
	}
	f.ID = "fault-" + f.Get("cause")
	in := shop.FaultInput{Cause: f.Get("cause"), ConnectorID: f.OptID("connector_id"), InstalledPartID: f.OptID("installed_part_id"), Note: f.Text("note"),
		Disagreement: shop.Disagreement(f.Get("disagreement")), Grounds: f.Text("grounds")}
	if invalid(f) {
		return p.benchAgain(c, id, "", f, nil)
	}
	if _, err := p.svc.ConfirmFault(c.Request().Context(), actorOf(c), id, in); err != nil {
		return p.benchAgain(c, id, "", f, err)
	}
	return p.benchDone(c, id, "#faults", "Fault confirmed. Record the repair when it is done.")
}

func (p *Pages) waiveFault(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	fid, err := pathID(c, "fid")
	if err != nil {
		return err
	}
	f, err := readForm(c, "waive-"+fid.String())
	if err != nil {
		return err
	}
	if _, err := p.svc.WaiveFault(c.Request().Context(), actorOf(c), id, fid, f.Text("reason")); err != nil {
		return p.benchAgain(c, id, "", f, err)
	}
	return p.benchDone(c, id, "#faults", "Fault left unrepaired, with the reason on record.")
}

// partLines is how many parts a repair's form offers at once.
const partLines = 4

func (p *Pages) repair(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "repair")
	if err != nil {
		return err
	}
	f.ID = "repair-" + f.Get("fault_id")
	in := shop.RepairInput{Action: f.Text("action"), Minutes: f.Int("minutes"), Note: f.Text("note")}
	if fid := f.OptID("fault_id"); fid != nil {
		in.FaultID = *fid
	}
	for i := range partLines {
		n := strconv.Itoa(i)
		part := f.OptID("part." + n)
		if part == nil {
			continue
		}
		quantity := f.Int("quantity." + n)
		at := "parts[" + strconv.Itoa(len(in.Parts)) + "]."
		f.alias(at+"quantity", "quantity."+n)
		f.alias(at+"part_id", "part."+n)
		f.alias(at+"lot", "lot."+n)
		f.alias(at+"serial", "serial."+n)
		in.Parts = append(in.Parts, shop.RepairPartInput{PartID: *part, Quantity: quantity, Lot: f.Text("lot." + n), Serial: f.Text("serial." + n)})
	}
	for _, s := range f.Values["removed"] {
		if rid, err := uuid.Parse(s); err == nil {
			in.Removed = append(in.Removed, rid)
		}
	}
	if invalid(f) {
		return p.benchAgain(c, id, "", f, nil)
	}
	if _, err := p.svc.Repair(c.Request().Context(), actorOf(c), id, in); err != nil {
		return p.benchAgain(c, id, "", f, err)
	}
	return p.benchDone(c, id, "#closing", "Repair recorded. Next: prove it.")
}

func (p *Pages) verify(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "verify")
	if err != nil {
		return err
	}
	f.ID = verifyForm(f.Get("measurement"))
	m, _, err := p.measurementOf(c, id, f.Get("measurement"))
	if err != nil {
		return err
	}
	in := shop.VerificationInput{Measurement: m.ID, Outcome: f.Get("outcome")}
	if in.Outcome == "" {
		in.Readings, in.Instrument = readingValues(f, m), measuredWith(f)
	}
	v, err := p.svc.Verify(c.Request().Context(), actorOf(c), id, in)
	if err != nil {
		failReadings(f, m, userMistake(err))
		return p.benchAgain(c, id, "", f, err)
	}
	p.remember(c, f)
	text := m.Title + " failed: " + outcomeWords(m, v.Result.Outcome) + ". The job cannot be marked ready yet."
	if v.Passed {
		text = m.Title + " passed: " + outcomeWords(m, v.Result.Outcome) + "."
	}
	return p.benchDone(c, id, "#closing", text)
}

func (p *Pages) moveJob(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "state")
	if err != nil {
		return err
	}
	to := shop.State(f.Get("to"))
	if _, err := p.svc.MoveJob(c.Request().Context(), actorOf(c), id, to, f.Text("reason")); err != nil {
		return p.benchAgain(c, id, "", f, err)
	}
	return p.benchDone(c, id, "", "The job is now "+stateText(to)+".")
}

func (p *Pages) editJob(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "intake-edit")
	if err != nil {
		return err
	}
	in := shop.JobPatch{
		Version:    f.Int("version"),
		Complaint:  shop.Change[string]{Set: true, Value: f.Text("complaint")},
		OdometerKM: shop.Change[*float64]{Set: true, Value: f.OptFloat("odometer_km")},
		Exposures:  shop.Change[[]string]{Set: true, Value: f.Values["exposures"]},
		Condition:  shop.Change[string]{Set: true, Value: f.Text("condition")},
	}
	if invalid(f) {
		return p.benchAgain(c, id, "", f, nil)
	}
	if _, err := p.svc.EditJob(c.Request().Context(), actorOf(c), id, in); err != nil {
		return p.benchAgain(c, id, "", f, err)
	}
	return p.benchDone(c, id, "", "Intake corrected.")
}
