package web

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// row puts an observation in words.
func (b *benchBuilder) row(o *shop.Observation) ObservationRow {
	r := ObservationRow{Observation: *o}
	switch {
	case o.Kind == shop.ObservedSymptom:
		r.What = b.look.symptom(o.Symptom)
		r.Said, r.Normal = "present", false
		if !o.Present {
			r.Said, r.Normal = "asked, not so", true
		}
		if o.FromExposure {
			r.Said += " (from how it was used)"
		}
	case o.Kind == shop.ObservedCause:
		r.What, r.Said, r.Normal, r.Text = b.look.cause(o.Cause), "looked at, sound", true, o.Note
	case o.Unavailable:
		r.What, r.Said, r.Normal = b.look.measurement(o.Measurement), skippedText(o.Reason, o.Note), true
	default:
		r.What = b.look.measurement(o.Measurement)
		if o.Result != nil {
			meaning, normal := b.look.meaning(o.Measurement, o.Result.Outcome)
			r.Said, r.Normal = b.look.outcome(o.Measurement, o.Result.Outcome), normal
			if o.Result.Detail != "" {
				r.Said += " · " + o.Result.Detail
			}
			r.Text, r.Values, r.Warnings = o.Result.Text, o.Result.Values, o.Result.Warnings
			if u := o.Result.Instrument; u != nil {
				r.With, r.Late = withText(u), u.Overdue
			}
			if r.Text == "" {
				r.Text = meaning
			}
			r.Readings = readingsText(b.look.measurements[o.Measurement], o.Result.Readings)
			r.Pictures = b.pictures(o.Measurement, o.Result)
		}
	}
	switch {
	case o.RetractedAt != nil:
		r.Why = "withdrawn by " + o.RetractedBy
	case o.SupersededBy != nil:
		r.Why = "taken again later"
	case o.InvalidatedAt != nil:
		r.Why = "no longer valid: " + words(o.InvalidatedBy)
	}
	return r
}

// readingsText lists raw readings in the measurement's order, each with its
// label; a bare number is in the unit of its input. What the library does not
// know (an older edition's reading) follows with its id.
func readingsText(m *faultlib.Measurement, readings map[string]any) string {
	parts := make([]string, 0, len(readings))
	known := map[string]bool{}
	if m != nil {
		for i := range m.Inputs {
			in := &m.Inputs[i]
			known[in.ID] = true
			if v, ok := readings[in.ID]; ok {
				parts = append(parts, readingLabel(in)+": "+readingText(in, v))
			}
		}
	}
	for _, k := range sortedKeys(readings) {
		if !known[k] {
			parts = append(parts, k+": "+valueText(readings[k]))
		}
	}
	return strings.Join(parts, "; ")
}

// readingText prints one reading; what was typed with its own unit keeps it.
func readingText(in *measure.Input, v any) string {
	unit := ""
	switch v := v.(type) {
	case float64:
		unit = unitText(in.Unit)
	case []any:
		unit = unitText(in.Element)
		for _, e := range v {
			if _, bare := e.(float64); !bare {
				unit = ""
			}
		}
	}
	return strings.TrimSpace(valueText(v) + " " + unit)
}

// observations lists what counts now, newest first, and what no longer does.
func (b *benchBuilder) observations() (seen, withdrawn []ObservationRow) {
	for i := range b.file.Observations {
		o := &b.file.Observations[i]
		if r := b.row(o); r.Why != "" {
			withdrawn = append(withdrawn, r)
		} else {
			seen = append(seen, r)
		}
	}
	slices.Reverse(seen)
	slices.Reverse(withdrawn)
	return seen, withdrawn
}

func (b *benchBuilder) faults() []FaultRow {
	var out []FaultRow
	for _, f := range b.file.Faults {
		row := FaultRow{Fault: f, Name: b.look.cause(f.Cause), ComponentName: b.look.component(f.Component)}
		if c := b.look.causes[f.Cause]; c != nil {
			row.Suggested, row.Parts, row.Hazard, row.Rule, row.Minutes = c.Repair, c.Parts, c.Hazard, b.look.rule(c.Hazard), c.RepairMinutes
		}
		for _, c := range b.file.Connectors {
			if f.ConnectorID != nil && c.ID == *f.ConnectorID {
				row.Connector = strings.TrimSpace(c.Place + " · " + c.Family)
			}
		}
		for _, ip := range b.board.Installed {
			if f.InstalledPartID != nil && ip.ID == *f.InstalledPartID {
				row.InstalledPart = strings.TrimSpace(ip.PartName + " " + ip.Lot)
			}
		}
		for _, r := range b.file.Repairs {
			if r.FaultID == f.ID {
				row.Repairs = append(row.Repairs, r)
			}
		}
		row.Disagreed, row.Again = b.look.disagreed(f), b.again(f, row.Repairs)
		out = append(out, row)
	}
	return out
}

// pictures draws a saved result as it was drawn when the readings were typed.
func (b *benchBuilder) pictures(measurement string, res *shop.Result) []*Picture {
	m := b.look.measurements[measurement]
	if m == nil || res.Readings == nil {
		return nil
	}
	_, normal := b.look.meaning(measurement, res.Outcome)
	e := shop.Evaluation{Measurement: measurement, Outcome: res.Outcome, Normal: normal, Detail: res.Detail, Values: res.Values}
	var out []*Picture
	if p := pictureOf(m, res.Readings, e); p != nil {
		out = append(out, p)
	}
	// One picture is enough, unless the result might as well have been another.
	if len(out) == 0 || len(res.Likelihood) > 1 {
		if p := numberLine(res.Deciding, func(outcome string) string { return outcomeWords(m, outcome) }); p != nil {
			out = append(out, p)
		}
	}
	return out
}

// verifyForm is the id of the form in which a verification is taken.
func verifyForm(measurement string) string { return "verify-" + measurement }

func (b *benchBuilder) requirements(req shop.Requirements) (barring, met []RequirementRow) {
	for i, it := range req.Items {
		row := RequirementRow{Requirement: it, Title: it.Text, FormID: fmt.Sprintf("verify-%d", i)}
		if it.Measurement != "" {
			row.FormID = verifyForm(it.Measurement)
			if m := b.look.measurements[it.Measurement]; m != nil && !it.Met {
				f := emptyForm(row.FormID)
				if b.form != nil && b.form.ID == row.FormID {
					f = b.form
				}
				row.Card = b.card(m, f)
			}
		}
		if it.Met {
			met = append(met, row)
		} else {
			barring = append(barring, row)
		}
	}
	return barring, met
}

func (b *benchBuilder) verifications() []VerificationRow {
	var out []VerificationRow
	for _, v := range b.file.Verifications {
		out = append(out, VerificationRow{Verification: v, Said: b.look.proof(v), Title: b.look.measurement(v.Measurement), With: withText(v.Result.Instrument), Pictures: b.pictures(v.Measurement, &v.Result)})
	}
	slices.Reverse(out)
	return out
}

func (b *benchBuilder) alsoCheck() []AlsoRow {
	var out []AlsoRow
	for _, ac := range b.d.AlsoCheck {
		row := AlsoRow{AlsoCheck: ac, FromName: b.look.cause(ac.From)}
		for _, m := range ac.Measurements {
			row.Tests = append(row.Tests, Option{Value: m, Label: b.look.measurement(m)})
		}
		out = append(out, row)
	}
	return out
}

// logText puts a log entry in words: the action's own, with what it was about.
func logText(e shop.AuditEvent, look *lookup) string {
	if text := look.decided(e); text != "" {
		return text
	}
	text := strings.NewReplacer(".", ": ", "_", " ").Replace(e.Action)
	for _, k := range sortedKeys(e.Detail) {
		v := e.Detail[k]
		s, isText := v.(string)
		switch {
		case k == "symptom" && isText:
			text += " · " + look.symptom(s)
		case k == "measurement" && isText:
			text += " · " + look.measurement(s)
		case k == "verification" && isText:
			text += " · " + look.measurement(s)
		case k == "outcome" && isText:
			of, _ := e.Detail["measurement"].(string)
			if of == "" {
				of, _ = e.Detail["verification"].(string)
			}
			text += " · " + look.outcome(of, s)
		case k == "cause" && isText:
			text += " · " + look.cause(s)
		case isText && s != "":
			text += " · " + words(k) + " " + words(s)
		}
	}
	return text
}
