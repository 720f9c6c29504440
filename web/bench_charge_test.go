package web

import (
	"net/url"
	"strings"
	"testing"

	"nextprobe/internal/shop"
)

func TestSkipsRefutesAndDisagrees(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	bench := "/jobs/" + jobID.String()
	c.get(bench)
	c.post(bench+"/observations", url.Values{"measurement": {"interbox_visual"}, "unavailable": {"no_instrument"}, "cannot_note": {"typed and left"}})
	c.post(bench+"/observations", url.Values{"measurement": {"interbox_visual"}, "unavailable": {"other"}, "cannot_note": {" the stand is lent out "}})
	c.post(bench+"/observations", url.Values{"sound": {"gasket_set"}, "note": {"soft and whole"}})
	c.post(bench+"/faults", url.Values{"cause": {"gasket_set"}, "disagreement": {"known_here"}, "grounds": {"the third one"}})
	if len(svc.calls) != 4 {
		t.Fatalf("%d calls", len(svc.calls))
	}
	if in := svc.calls[0].(shop.ObservationInput); !in.Unavailable || in.Reason != shop.NoInstrument || in.Note != "" {
		t.Errorf("skipped: %+v", in)
	}
	if in := svc.calls[1].(shop.ObservationInput); in.Reason != shop.OtherReason || in.Note != "the stand is lent out" {
		t.Errorf("skipped for another reason: %+v", in)
	}
	if in := svc.calls[2].(shop.ObservationInput); in.Cause != "gasket_set" || in.Present == nil || *in.Present || in.Note != "soft and whole" {
		t.Errorf("sound: %+v", in)
	}
	if in := svc.calls[3].(shop.FaultInput); in.Disagreement != shop.KnownHere || in.Grounds != "the third one" {
		t.Errorf("disagreed: %+v", in)
	}
}

func TestArgumentIsOnThePage(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	page := c.get("/jobs/" + jobID.String()).Body
	for _, want := range []string{
		`<p class="lead-why">“Cut without warning” (&#43;11 dB, moderate) points to`,
		`<p class="argument">Not looked at yet: “Contact resistance”.</p>`,
		`<p>“A” and “B” contradict each other (3.4 bits).</p>`,
		`<a class="button" href="/jobs/` + jobID.String() + `?m=phase_resistance_3#next">Take this again: Three phase-to-phase resistances</a>`,
		`<a class="button" href="#observations">Take this again: Power cut without warning</a>`,
		`<p>These 3 explanations cover 96 % of what is possible.</p>`,
		`<button name="unavailable" value="customer_declined" formnovalidate>the customer declined it</button>`,
		`Confirm another cause`,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
}

func TestDecisionsInTheLog(t *testing.T) {
	t.Parallel()
	svc, _ := setup(t)
	look := newLookup(svc.lib)
	cause, m := svc.lib.Causes[0], svc.lib.Measurements[0]
	other := svc.lib.Measurements[1]
	for _, tt := range []struct {
		action string
		detail map[string]any
		want   string
	}{
		{"observation.create", map[string]any{"measurement": m.ID, "outcome": m.Outcomes[0].ID, "instead_of": other.ID}, m.Title + ": " + outcomeWords(&m, m.Outcomes[0].ID) + ", in place of the advised " + other.Title},
		{"observation.create", map[string]any{"measurement": m.ID, "unavailable": true, "reason": "would_damage"}, m.Title + " cannot be measured here: would damage something"},
		{"observation.create", map[string]any{"measurement": m.ID, "unavailable": true, "reason": "other", "note": "lent out"}, m.Title + " cannot be measured here: lent out"},
		{"observation.create", map[string]any{"measurement": m.ID, "unavailable": true}, m.Title + " cannot be measured here"},
		{"observation.create", map[string]any{"cause": cause.ID, "sound": true, "note": "like new"}, "looked at “" + cause.Name + "”: sound; like new"},
		{"observation.retract", map[string]any{"finding": m.ID, "unavailable": true}, "can measure after all: " + m.Title},
		{"observation.retract", map[string]any{"finding": cause.ID}, "took back: “" + cause.Name + "”"},
		{"job.fault", map[string]any{"cause": cause.ID}, "confirmed “" + cause.Name + "”"},
		{"job.fault", map[string]any{"cause": cause.ID, "instead_of_repair": "rare"}, "confirmed “" + cause.Name + "”; in place of rare, which was advised: no reason given"},
		{"job.fault", map[string]any{"cause": cause.ID, "instead_of_repair": "rare", "reason": "seen_directly", "grounds": "it glows"}, "confirmed “" + cause.Name + "”; in place of rare, which was advised: I can see the fault, it glows"},
		{"job.waive", map[string]any{"cause": cause.ID, "reason": "cosmetic"}, "left unrepaired: “" + cause.Name + "”; cosmetic"},
	} {
		if got := logText(shop.AuditEvent{Action: tt.action, Detail: tt.detail}, look); got != tt.want {
			t.Errorf("reads %q\nwant  %q", got, tt.want)
		}
	}
}
