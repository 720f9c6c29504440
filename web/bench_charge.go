package web

import (
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// The technician in charge: what may be done in place of what is advised, in
// words. The reasons are short choices, because they are tapped at the bench.

var unavailableWords = map[shop.UnavailableReason]string{
	shop.NoInstrument: "no instrument for it", shop.NoAccess: "no access to it", shop.WouldDamage: "would damage something",
	shop.CustomerDeclined: "the customer declined it", shop.OtherReason: "another reason",
}

var disagreementWords = map[shop.Disagreement]string{
	shop.SeenDirectly: "I can see the fault", shop.TestedAnother: "tested another way", shop.KnownHere: "known on this board or model",
	shop.AdviceRefuted: "the advised cause is sound", shop.OtherGrounds: "another reason",
}

// cannotReasons are the short choices of "cannot measure"; other is a field of its own.
func cannotReasons() []Option {
	var out []Option
	for _, r := range shop.UnavailableReasons() {
		if r != shop.OtherReason {
			out = append(out, Option{Value: string(r), Label: unavailableWords[r]})
		}
	}
	return out
}

func disagreements() []Option {
	var out []Option
	for _, r := range shop.Disagreements() {
		out = append(out, Option{Value: string(r), Label: disagreementWords[r]})
	}
	return out
}

// skipped reads why a measurement cannot be taken. A plain 1 is a skip without a
// reason.
func skipped(f *Form, in *shop.ObservationInput) {
	in.Unavailable = true
	if v := f.Get("unavailable"); v != "1" {
		in.Reason = shop.UnavailableReason(v)
	}
	if in.Reason == shop.OtherReason {
		in.Note = f.Text("cannot_note")
		f.alias("note", "cannot_note")
	}
}

// skippedText says on the page and in the log why it was not measured.
func skippedText(r shop.UnavailableReason, note string) string {
	switch {
	case r == "":
		return "cannot be measured here"
	case r == shop.OtherReason && note != "":
		return "cannot be measured here: " + note
	}
	return "cannot be measured here: " + unavailableWords[r]
}

// observeSound records that a cause was looked at and found sound.
func (p *Pages) observeSound(c echo.Context, id shop.ID, f *Form) error {
	cause, absent := f.Get("sound"), false
	f.ID = "sound-" + cause
	if _, err := p.svc.Observe(c.Request().Context(), actorOf(c), id, shop.ObservationInput{Cause: cause, Present: &absent, Note: f.Text("note")}); err != nil {
		return p.benchAgain(c, id, "", f, err)
	}
	return p.benchDone(c, id, "#causes", "Recorded as looked at and sound; the causes are weighed anew.")
}

// ConflictView is a conflict with the way to take the doubtful results again.
type ConflictView struct {
	Text   string
	Strong bool
	Again  []AgainRow
}

// AgainRow leads to a result that is worth taking again.
type AgainRow struct{ Title, Link string }

// argue puts the argument of the diagnosis on the page.
func (b *benchBuilder) argue(pg *BenchPage) {
	a := b.d.Argument
	if a == nil {
		return
	}
	pg.Scale, pg.Whole = a.Scale, a.Whole
	for _, list := range [][]CauseRow{pg.Causes, pg.Rest} {
		for i := range list {
			if arg := a.Of(list[i].ID); arg != nil {
				list[i].Sentences, list[i].Brief = arg.Sentences, arg.Brief
			}
		}
	}
	pg.Lead = b.leadText(pg)
	if c := a.Conflict; c != nil {
		v := &ConflictView{Text: c.Text, Strong: c.Strong}
		for _, t := range c.Again {
			row := AgainRow{Title: t.Title, Link: "#observations"}
			if t.Measurement != "" {
				row.Link = "/jobs/" + b.file.Job.ID.String() + "?m=" + url.QueryEscape(t.Measurement) + "#next"
			}
			v.Again = append(v.Again, row)
		}
		pg.Conflict = v
	}
}

// leadText is the sentence on why, beside the advice: the argument for the cause
// to repair, or for the most probable one that is not confirmed.
func (b *benchBuilder) leadText(pg *BenchPage) string {
	for _, c := range pg.Causes {
		wanted := c.Suggested || b.d.Advice.Cause == ""
		if wanted && !c.Confirmed && c.Brief != "" {
			return c.Brief
		}
	}
	return ""
}

// lookAt fills in how a cause is refuted: by the library's inspection where it has
// one that can be taken and was not yet, else by a look that is recorded as such.
func (b *benchBuilder) lookAt(row *CauseRow) {
	id := shop.InspectionOf(b.look.lib, row.ID)
	taken := slices.ContainsFunc(b.file.Observations, func(o shop.Observation) bool {
		skip := o.Unavailable && o.RetractedAt == nil && o.SupersededBy == nil
		return o.Measurement == id && (skip || o.Result != nil && o.Active())
	})
	if id != "" && !taken {
		row.LookAt = &Option{Value: id, Label: b.look.measurement(id)}
	}
	for i := range b.file.Observations {
		if o := &b.file.Observations[i]; o.Cause == row.ID && o.Active() {
			row.Sound = true
		}
	}
	if advised := b.d.Advice.Cause; advised != "" && advised != row.ID {
		row.InsteadOf = b.look.cause(advised)
		row.Why = disagreements()
	}
}

// allCauses lists every cause by component, for confirming one that is not shown.
func (b *benchBuilder) allCauses(chosen string) []Option {
	out := []Option{{Label: "choose a cause"}}
	for i := range b.look.lib.Components {
		for _, c := range b.look.lib.CausesOf(b.look.lib.Components[i].ID) {
			out = append(out, Option{Value: c.ID, Label: b.look.lib.Components[i].Name + ": " + c.Name, Selected: c.ID == chosen})
		}
	}
	return out
}

// disagreed says why a fault was confirmed in place of the advised repair.
func (l *lookup) disagreed(f shop.Fault) string {
	var parts []string
	if f.Advised != "" {
		parts = append(parts, "in place of "+l.cause(f.Advised)+", which was advised")
	}
	var why []string
	if w := disagreementWords[f.Disagreement]; w != "" {
		why = append(why, w)
	}
	if f.Grounds != "" {
		why = append(why, f.Grounds)
	}
	switch {
	case len(why) > 0:
		parts = append(parts, strings.Join(why, ", "))
	case f.Advised != "":
		parts = append(parts, "no reason given")
	}
	return strings.Join(parts, ": ")
}

// again lists the measurements whose results before a fault's repair pointed to
// it: taken once more, they say whether the repair has helped.
func (b *benchBuilder) again(f shop.Fault, repairs []shop.Repair) []Option {
	links := b.look.lib.LinksOf(f.Cause)
	if len(repairs) == 0 || links == nil {
		return nil
	}
	repaired := repairs[len(repairs)-1].At
	var out []Option
	for i := range b.file.Observations {
		o := &b.file.Observations[i]
		if o.Result == nil || o.RetractedAt != nil || links.Outcomes[o.Measurement][o.Result.Outcome] <= 0 || !o.At.Before(repaired) || b.takenSince(o) {
			continue
		}
		m := b.look.measurements[o.Measurement]
		if m != nil && !slices.ContainsFunc(out, func(x Option) bool { return x.Value == m.ID }) {
			out = append(out, Option{Value: m.ID, Label: m.Title + " (was: " + b.look.outcome(m.ID, o.Result.Outcome) + ")"})
		}
	}
	return out
}

// takenSince reports whether a later result of the same measurement is on record.
func (b *benchBuilder) takenSince(o *shop.Observation) bool {
	later := slices.ContainsFunc(b.file.Observations, func(x shop.Observation) bool {
		return x.Measurement == o.Measurement && x.Result != nil && x.RetractedAt == nil && x.At.After(o.At)
	})
	return later || slices.ContainsFunc(b.file.Verifications, func(x shop.Verification) bool {
		return x.Measurement == o.Measurement && x.At.After(o.At)
	})
}

// GoOn offers to look for the next fault once what was confirmed is repaired.
func (pg *BenchPage) GoOn() bool {
	s := pg.File.Job.State
	if s != shop.Repairing && s != shop.Verifying || len(pg.Faults) == 0 {
		return false
	}
	for _, f := range pg.Faults {
		if f.WaivedAt == nil && len(f.Repairs) == 0 {
			return false
		}
	}
	return slices.ContainsFunc(pg.NextState, func(m StateMove) bool { return m.To == shop.Diagnosing })
}

// decided words a decision of the technician for the log; "" for what is none.
func (l *lookup) decided(e shop.AuditEvent) string {
	text := func(key string) string { s, _ := e.Detail[key].(string); return s }
	yes := func(key string) bool { b, _ := e.Detail[key].(bool); return b }
	switch {
	case e.Action == "observation.create" && yes("sound"):
		return join("looked at “"+l.cause(text("cause"))+"”: sound", text("note"))
	case e.Action == "observation.create" && yes("unavailable"):
		return l.measurement(text("measurement")) + " " + skippedText(shop.UnavailableReason(text("reason")), text("note"))
	case e.Action == "observation.create" && text("measurement") != "":
		out := l.measurement(text("measurement")) + ": " + l.outcome(text("measurement"), text("outcome"))
		if instead := text("instead_of"); instead != "" {
			out += ", in place of the advised " + l.measurement(instead)
		}
		return out
	case e.Action == "observation.create" && text("symptom") != "":
		said := "present"
		if !yes("present") {
			said = "asked, not so"
		}
		return l.symptom(text("symptom")) + ": " + said
	case e.Action == "observation.retract":
		if yes("unavailable") {
			return "can measure after all: " + l.found(text("finding"))
		}
		return "took back: " + l.found(text("finding"))
	case e.Action == "job.fault":
		f := shop.Fault{Advised: text("instead_of_repair"), Disagreement: shop.Disagreement(text("reason")), Grounds: text("grounds")}
		return join("confirmed “"+l.cause(text("cause"))+"”", l.disagreed(f))
	case e.Action == "job.waive":
		return join("left unrepaired: “"+l.cause(text("cause"))+"”", text("reason"))
	}
	return ""
}

func join(what, more string) string {
	if more == "" {
		return what
	}
	return what + "; " + more
}

// found names what an observation was about.
func (l *lookup) found(id string) string {
	switch {
	case l.symptoms[id] != nil:
		return l.symptom(id)
	case l.measurements[id] != nil:
		return l.measurement(id)
	}
	return "“" + l.cause(id) + "”"
}
