package shop

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
)

// advise turns the engine's advice into the one thing to do now. What stands
// before any ordering of tests comes first: a stop sign, then the intake gates.
func (q *inquiry) advise(d *Diagnosis) {
	if d.Stop != nil {
		d.Advice = Advice{Kind: adviseStop, Text: d.Stop.Text + " " + sentence(d.Stop.Rule)}
		return
	}
	lead := measurementOf(q.advice.Finding)
	switch gate := q.gateDue(); {
	case gate != "":
		lead = gate
		d.Advice = Advice{Kind: diagnosis.AdviseMeasure, Measurement: gate,
			Text: q.lib.Measurement(gate).Title + " comes before everything else: a pack that heats up by itself is neither opened nor charged."}
	case q.proofDue() != "":
		lead = q.proofDue()
		d.Advice = Advice{Kind: diagnosis.AdviseMeasure, Measurement: lead,
			Text: fmt.Sprintf("What was confirmed is repaired. Prove it: %s is still asked for.", q.lib.Measurement(lead).Title)}
	case q.file.Job.State == Repairing && q.toRepair > 0:
		lead = ""
		d.Advice = q.repairText(q.known[0], diagnosis.ReasonConfirmed)
	default:
		d.Advice = q.engineAdvice()
		if first := q.stepTo(lead); lead != "" && first != "" && first != lead {
			wanted := q.lib.Measurement(lead)
			lead = first
			d.Advice = Advice{Kind: diagnosis.AdviseMeasure, Measurement: first, Text: q.comesBefore(q.lib.Measurement(first), wanted)}
		}
	}
	d.Next = q.next(lead)
	if len(d.Next) > 0 && d.Advice.Measurement == d.Next[0].Measurement.ID && d.Next[0].Blocked != "" {
		d.Advice.Text += " " + d.Next[0].Blocked
	}
}

// gateDue is the first intake gate that was neither measured nor found not
// measurable.
func (q *inquiry) gateDue() string {
	cannot := unavailable(q.lib, q.file)
	for _, id := range gateMeasurements(q.lib) {
		taken := slices.ContainsFunc(q.found, func(x finding) bool { return x.ev.Finding == faultlib.MeasurementFinding(id) })
		if !taken && !slices.Contains(cannot, faultlib.MeasurementFinding(id)) {
			return id
		}
	}
	return ""
}

// proofDue is the next measurement that the closing gate asks for, once the job
// is being verified with nothing left to repair. What needs an opening that is
// open now comes first.
func (q *inquiry) proofDue() string {
	if q.file.Job.State != Verifying || q.toRepair > 0 {
		return ""
	}
	due := ""
	for _, r := range requirementsOf(q.lib, q.file).Items {
		if r.Met || r.Measurement == "" || r.Kind == requireStop {
			continue
		}
		// What an interlock asks for before it comes first; where nothing meets the
		// interlock, the next proof does.
		step := q.stepTo(r.Measurement)
		if step == "" {
			continue
		}
		if len(q.toOpen(step)) == 0 && len(openingPath(q.lib, accessOf(q.lib, step, q.file.Board))) > 0 {
			return step
		}
		if due == "" {
			due = step
		}
	}
	return due
}

// measurementOf is the measurement behind a finding of the model, "" for none.
func measurementOf(finding string) string {
	_, m := faultlib.FindingOf(finding)
	return m
}

func (q *inquiry) engineAdvice() Advice {
	a := q.advice
	switch a.Kind {
	case diagnosis.AdviseMeasure:
		return Advice{Kind: a.Kind, Measurement: measurementOf(a.Finding), Text: q.measureText()}
	case diagnosis.AdviseRepair:
		return q.repairText(a.Cause, a.Reason.Code)
	}
	return Advice{Kind: a.Kind, Text: q.escalateText()}
}

func (q *inquiry) measureText() string {
	r := q.advice.Reason
	title := q.lib.Measurement(measurementOf(q.advice.Finding)).Title
	switch r.Code {
	case diagnosis.ReasonInterlock:
		return q.comesBefore(q.lib.Measurement(measurementOf(q.advice.Finding)), q.lib.Measurement(measurementOf(r.For)))
	case diagnosis.ReasonTakeAgain:
		return q.againText()
	case diagnosis.ReasonAlreadyOpen:
		return title + " tells most for its cost, and what it needs is open already."
	case diagnosis.ReasonSharedOpening:
		names := make([]string, 0, len(r.Together))
		for _, id := range r.Together {
			if m := q.lib.Measurement(measurementOf(id)); m != nil {
				names = append(names, m.Title)
			}
		}
		return fmt.Sprintf("%s is worth the opening it needs, because more can be measured behind it: %s.", title, andList(names))
	}
	toTake := q.money(r.Cost) + " to take"
	if r.Anyway >= r.Cost/4 {
		// Else a measurement could seem dear that costs little more than the repair.
		toTake += fmt.Sprintf(", of which the repair will most probably spend %s anyway on what it opens", q.money(r.Anyway))
	}
	// The gain behind it is in the engine's own scale, which weighs harm against
	// money: a sum would say more than it knows.
	return fmt.Sprintf("%s tells most for its cost: %s.", title, toTake)
}

// comesBefore words what an interlock asks for before a measurement.
func (q *inquiry) comesBefore(first, wanted *faultlib.Measurement) string {
	return fmt.Sprintf("%s comes before %s, which tells most for its cost. %s", first.Title, lowerFirst(wanted.Title), q.blocked(wanted))
}

func (q *inquiry) repairText(cause, code string) Advice {
	c := q.lib.Cause(cause)
	adv := Advice{Kind: diagnosis.AdviseRepair, Cause: cause}
	p := 0.0
	if i := q.model.CauseIndex(cause); i >= 0 {
		p = q.advice.Posterior.Marginals[i]
	}
	switch {
	case slices.Contains(q.known, cause) && q.toRepair == 0:
		adv.Text = fmt.Sprintf("%s is repaired, and no further measurement pays. Move the job to verifying and prove the repair.", c.Name)
	case code == diagnosis.ReasonConfirmed:
		adv.Text = fmt.Sprintf("%s is confirmed and waits for its repair: %s.", c.Name, lowerFirst(strings.TrimSuffix(c.Repair, ".")))
	case code == diagnosis.ReasonConfident:
		adv.Text = fmt.Sprintf("%s is almost certain (%s). Confirm it and repair: %s.", c.Name, percent(p), lowerFirst(strings.TrimSuffix(c.Repair, ".")))
	case code == diagnosis.ReasonNothingLeft:
		adv.Text = fmt.Sprintf("Nothing is left to measure. %s (%s) is the repair that is worth most: %s.", c.Name, percent(p), lowerFirst(strings.TrimSuffix(c.Repair, ".")))
	default:
		adv.Text = fmt.Sprintf("No measurement saves what it costs. %s (%s) is the repair that is worth most: %s.", c.Name, percent(p), lowerFirst(strings.TrimSuffix(c.Repair, ".")))
	}
	return adv
}

func (q *inquiry) escalateText() string {
	r := q.advice.Reason
	switch r.Code {
	case diagnosis.ReasonUnmodelled:
		return fmt.Sprintf("This is outside what the fault library knows: with %s something else is at work. Ask somebody who knows this board, and write down what it was.", percent(r.Probability))
	case diagnosis.ReasonNoFault:
		return fmt.Sprintf("Most probably (%s) nothing is wrong that the fault library knows. Try to reproduce the complaint before you go on.", percent(r.Probability))
	}
	return "Neither a measurement nor a repair is worth its cost now. Ask the owner for more about what happened, or somebody who knows this board."
}

// next lists the measurements that may be taken, the leading one first.
func (q *inquiry) next(lead string) []NextMeasurement {
	var out []NextMeasurement
	if lead != "" {
		if c := q.candidate(lead); c != nil {
			out = append(out, q.nextMeasurement(c))
		}
	}
	for i := range q.advice.Candidates {
		c := &q.advice.Candidates[i]
		if len(out) >= nextShown {
			break
		}
		if measurementOf(c.Finding) != lead && c.Gain > 0 {
			out = append(out, q.nextMeasurement(c))
		}
	}
	return out
}

// candidate finds what the engine worked out for a measurement. One that was
// taken already, and is to be taken again as a proof, is not among its
// candidates: for it only the way there is worked out.
func (q *inquiry) candidate(id string) *diagnosis.Candidate {
	if c := q.advice.Candidate(faultlib.MeasurementFinding(id)); c != nil {
		return c
	}
	m := q.lib.Measurement(id)
	if m == nil {
		return nil
	}
	c := &diagnosis.Candidate{Finding: faultlib.MeasurementFinding(id), Minutes: m.Minutes, Hazard: m.Hazard}
	for _, o := range q.toOpen(id) {
		c.Access = append(c.Access, o.ID)
		c.Minutes += o.OpenMin + o.CloseMin
	}
	c.Cost = c.Minutes * float64(q.shop.LabourMinor) / 60
	return c
}

// toOpen lists what is still to open for a measurement, outermost first.
func (q *inquiry) toOpen(measurement string) []faultlib.Opening {
	d := doorsOf(q.file)
	var out []faultlib.Opening
	for _, o := range openingPath(q.lib, accessOf(q.lib, measurement, q.file.Board)) {
		if !d.open(o.ID) {
			out = append(out, o)
		}
	}
	return out
}

func (q *inquiry) nextMeasurement(c *diagnosis.Candidate) NextMeasurement {
	m := q.lib.Measurement(measurementOf(c.Finding))
	n := NextMeasurement{Measurement: m, Cost: c.Cost, Minutes: c.Minutes, Access: q.toOpen(m.ID), Score: c.Score,
		Instructions: instructions(m), Expected: m.Compiled().Expected(), Why: q.why(m, c), Blocked: q.blocked(m)}
	if h := q.lib.Hazard(q.lib.PathHazard(m.ID, q.file.Board.Facts)); h != nil {
		n.Hazard = *h
	}
	n.Cautions = q.cautions(m, n.Hazard)
	shares := m.OutcomeProbabilities(c.Outcomes)
	for i, o := range m.Outcomes {
		v := outcomeView(o)
		if shares != nil {
			v.Probability = shares[i].Probability
		}
		n.Outcomes = append(n.Outcomes, v)
	}
	return n
}

func instructions(m *faultlib.Measurement) string {
	out := sentence(m.Points)
	if m.Instrument != "" {
		out += " With: " + lowerFirst(m.Instrument) + "."
	}
	if m.Note != "" {
		out += " " + sentence(m.Note)
	}
	return strings.TrimSpace(out)
}

// cautions are those of every opening on the way, of the measurement itself, and
// the rule of the highest hazard met.
func (q *inquiry) cautions(m *faultlib.Measurement, h faultlib.Hazard) []string {
	var out []string
	for _, o := range openingPath(q.lib, accessOf(q.lib, m.ID, q.file.Board)) {
		if o.Note != "" {
			out = append(out, sentence(words(o.ID)+": "+o.Note))
		}
	}
	if m.Caution != "" && m.Caution != "none" {
		out = append(out, sentence(m.Caution))
	}
	if h.Level > 0 {
		out = append(out, sentence(h.Rule))
	}
	if nearPack(q.lib, m, h, q.file.Board) {
		out = append(out, faultlib.TouchOf(q.file.Board.SeriesCells, q.file.Board.Chemistry).Caution())
	}
	return out
}

// packContacts are the openings that bare a contact of pack, bus or charge port.
var packContacts = []string{"charge_port", "connector_unplugged", "battery_box_open", "motor_box_live"}

// nearPack reports whether a step can bring a hand to the pack's voltage: by the
// highest hazard met, or because of what is opened for it.
func nearPack(lib *faultlib.Library, m *faultlib.Measurement, h faultlib.Hazard, board Board) bool {
	return h.Level >= 3 || slices.ContainsFunc(openingPath(lib, accessOf(lib, m.ID, board)), func(o faultlib.Opening) bool {
		return slices.Contains(packContacts, o.ID)
	})
}

// why says what the measurement separates: how the causes move when it comes out
// abnormal in the most probable way, and when it comes out well.
func (q *inquiry) why(m *faultlib.Measurement, c *diagnosis.Candidate) string {
	if len(c.Shifts) == 0 {
		return q.whyAgain(m)
	}
	worst := 0
	for l := range c.Outcomes {
		if l > 0 && !levelOutcome(m, l).Inconclusive && (worst == 0 || c.Outcomes[l] > c.Outcomes[worst]) {
			worst = l
		}
	}
	var out []string
	if s := c.Shifts[worst]; s.Up != "" {
		out = append(out, fmt.Sprintf("If it comes out as “%s” (%s), %s rises from %s to %s.", levelOutcome(m, worst).Words(), percent(c.Outcomes[worst]),
			q.causeName(s.Up), percent(s.UpFrom), percent(s.UpTo)))
	}
	if s := c.Shifts[0]; s.Down != "" {
		out = append(out, fmt.Sprintf("If it comes out well (%s), %s falls from %s to %s.", percent(c.Outcomes[0]),
			q.causeName(s.Down), percent(s.DownFrom), percent(s.DownTo)))
	}
	if len(out) == 0 {
		return "It moves none of the probable causes."
	}
	return strings.Join(out, " ")
}

// levelOutcome is the outcome of a level; of several normal ones the first.
func levelOutcome(m *faultlib.Measurement, level int) measure.Outcome {
	return m.Outcomes[slices.Index(m.LevelOf, level)]
}

func (q *inquiry) causeName(id string) string {
	if c := q.lib.Cause(id); c != nil {
		return "“" + c.Name + "”"
	}
	return "a cause outside the fault library"
}

// percent prints a probability as people read it, with more digits near the ends.
func percent(p float64) string {
	x := 100 * p
	switch {
	case x > 0 && x < 0.1:
		return "under 0.1 %"
	case x < 1 || x > 99 && x < 100:
		return strconv.FormatFloat(math.Round(x*10)/10, 'f', -1, 64) + " %"
	}
	return strconv.FormatFloat(math.Round(x), 'f', 0, 64) + " %"
}

// money prints minor units of the shop's currency as an amount.
func (q *inquiry) money(minor float64) string {
	return fmt.Sprintf("%.2f %s", minor/100, q.shop.Currency)
}

func words(id string) string { return strings.ReplaceAll(id, "_", " ") }

// sentence gives a note of the library a capital and a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

func lowerFirst(s string) string {
	if len(s) > 1 && s[1] >= 'a' && s[1] <= 'z' {
		return strings.ToLower(s[:1]) + s[1:]
	}
	return s
}
