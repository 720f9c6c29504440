package shop

import (
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/faultlib"
)

// Kinds of requirement (contract).
const (
	requireStop         = "stop"
	requireFault        = "fault"
	requireVerification = "verification"
	requireRecheck      = "recheck"
	requireOpening      = "opening"
)

// handBack is the interlock that guards the last step of a job. Its checks with
// a condition are those of a sealed box that was opened (`when: any box was
// opened`): the library has no other condition there, and its reseal mark says
// which openings are meant. It is the only interlock the closing gate needs.
const handBack = "hand_back"

// demand is one reason to measure something before ready. Several demands on one
// measurement become one requirement.
type demand struct {
	kind        string
	measurement string
	outcomes    []string // listed ones that pass beside the normal ones
	since       stamp    // only a later result counts
	why         string
	fault       *Fault
}

// requirementsOf is the closing gate: everything that must be done before a job
// is ready, met or not, in a fixed order: stop signs, faults, measurements,
// openings.
func requirementsOf(lib *faultlib.Library, f JobFile) Requirements {
	var r Requirements
	r.Items = append(r.Items, stopItems(lib, f)...)
	for i := range f.Faults {
		r.Items = append(r.Items, faultItem(lib, f, &f.Faults[i]))
	}
	r.Items = append(r.Items, proofItems(lib, f, demandsOf(lib, f))...)
	r.Items = append(r.Items, openingItems(lib, f)...)
	r.Ready = r.unmet() == 0
	return r
}

func faultItem(lib *faultlib.Library, f JobFile, fault *Fault) Requirement {
	name := fault.Cause
	if c := lib.Cause(fault.Cause); c != nil {
		name = c.Name
	}
	item := Requirement{Kind: requireFault, FaultID: &fault.ID, Cause: fault.Cause,
		Text: fmt.Sprintf("Repair “%s”, or waive it with a reason.", name), Why: "It was confirmed in this job."}
	if last := lastRepair(f, fault.ID); last != nil {
		item.Met, item.MetBy = true, &last.ID
	}
	if fault.WaivedAt != nil {
		item.Met, item.MetBy = true, &fault.ID
	}
	return item
}

// lastRepair is the newest repair of a fault; nil when there is none.
func lastRepair(f JobFile, fault ID) *Repair {
	var last *Repair
	for i := range f.Repairs {
		r := &f.Repairs[i]
		if r.FaultID == fault && (last == nil || r.stamp().after(last.stamp())) {
			last = r
		}
	}
	return last
}

func (r *Repair) stamp() stamp       { return stamp{r.At, r.ID} }
func (o *Observation) stamp() stamp  { return stamp{o.At, o.ID} }
func (v *Verification) stamp() stamp { return stamp{v.At, v.ID} }
func (e *AccessEvent) stamp() stamp  { return stamp{e.At, e.ID} }

// demandsOf collects every reason to measure, in order: what proves the repaired
// faults, what the hand-back asks for, and what became invalid.
func demandsOf(lib *faultlib.Library, f JobFile) []demand {
	var out []demand
	anyRepair := stamp{}
	for i := range f.Faults {
		fault := &f.Faults[i]
		last := lastRepair(f, fault.ID)
		if last == nil {
			continue
		}
		anyRepair = later(anyRepair, last.stamp())
		cause := lib.Cause(fault.Cause)
		if cause == nil || fault.WaivedAt != nil {
			continue
		}
		for _, ck := range cause.Verify {
			if !ck.Optional {
				out = append(out, demand{kind: requireVerification, measurement: ck.Measurement, outcomes: ck.Outcomes,
					since: last.stamp(), why: fmt.Sprintf("It proves the repair of “%s”.", cause.Name), fault: fault})
			}
		}
	}
	out = append(out, handBackDemands(lib, f, anyRepair)...)
	return append(out, rechecks(lib, f)...)
}

func handBackDemands(lib *faultlib.Library, f JobFile, anyRepair stamp) []demand {
	var out []demand
	resealed, closed := lastClosing(lib, f)
	for _, il := range lib.Interlocks {
		if il.Action != handBack {
			continue
		}
		for _, ck := range il.Require {
			d := demand{kind: requireVerification, measurement: ck.Measurement, outcomes: ck.Outcomes, since: anyRepair,
				why: fmt.Sprintf("It is asked for before every hand-back: %s.", il.Why)}
			if ck.When != "" {
				if !resealed {
					continue
				}
				d.since = later(anyRepair, closed)
				d.why = "A sealed box was opened in this job; this proves that it is tight again."
			}
			if !ck.Optional {
				out = append(out, d)
			}
		}
	}
	return out
}

// lastClosing reports whether a sealed box was opened in the job, and when the
// last one was closed again. While one is open no result can count, so that the
// moment lies after every record then.
func lastClosing(lib *faultlib.Library, f JobFile) (opened bool, closed stamp) {
	d := doorsOf(f)
	stillOpen := false
	for i := range f.Access {
		e := &f.Access[i]
		o := opening(lib, e.Opening)
		if o == nil || !o.Reseal {
			continue
		}
		opened = true
		closed = later(closed, e.stamp())
		stillOpen = stillOpen || d.open(e.Opening)
	}
	if stillOpen {
		closed = never(f)
	}
	return opened, closed
}

// never is a moment after everything recorded in the file.
func never(f JobFile) stamp {
	last := stamp{at: f.Job.UpdatedAt}
	for i := range f.Verifications {
		last = later(last, f.Verifications[i].stamp())
	}
	for i := range f.Observations {
		last = later(last, f.Observations[i].stamp())
	}
	for i := range last.id {
		last.id[i] = 0xff
	}
	return last
}

// rechecks are the results taken in this job that a later event made invalid. One
// of no use proved nothing before either.
func rechecks(lib *faultlib.Library, f JobFile) []demand {
	var out []demand
	for i := range f.Observations {
		o := &f.Observations[i]
		if o.InvalidatedAt != nil && o.RetractedAt == nil && !useless(lib, o) && !replaced(lib, f, o) {
			out = append(out, demand{kind: requireRecheck, measurement: o.Measurement, since: o.stamp(), why: spoilt(o.InvalidatedBy)})
		}
	}
	for i := range f.Verifications {
		v := &f.Verifications[i]
		if v.InvalidatedAt != nil {
			out = append(out, demand{kind: requireRecheck, measurement: v.Measurement, since: v.stamp(), why: spoilt(v.InvalidatedBy)})
		}
	}
	return out
}

func spoilt(event string) string {
	return fmt.Sprintf("The earlier result no longer counts: %s.", strings.ReplaceAll(event, "_", " "))
}

// proofItems merges the demands on each measurement and looks for what meets them.
func proofItems(lib *faultlib.Library, f JobFile, demands []demand) []Requirement {
	var out []Requirement
	for i, first := range demands {
		asked := func(d demand) bool { return d.measurement == first.measurement }
		if m := lib.Measurement(first.measurement); m != nil && !slices.ContainsFunc(demands[:i], asked) {
			out = append(out, proofItem(f, m, demands[i:], asked))
		}
	}
	return out
}

func proofItem(f JobFile, m *faultlib.Measurement, demands []demand, asked func(demand) bool) Requirement {
	item := Requirement{Kind: requireRecheck, Measurement: m.ID}
	since := stamp{}
	var accepted [][]string
	var why []string
	for _, d := range demands {
		if !asked(d) {
			continue
		}
		since = later(since, d.since)
		accepted = append(accepted, d.outcomes)
		if !slices.Contains(why, d.why) {
			why = append(why, d.why)
		}
		if d.kind == requireVerification {
			item.Kind = requireVerification
		}
		if d.fault != nil && item.FaultID == nil {
			item.FaultID, item.Cause = &d.fault.ID, d.fault.Cause
		}
	}
	item.Outcomes = acceptable(m, accepted)
	item.Why = strings.Join(why, " ")
	item.MetBy = f.proof(m.ID, item.Outcomes, since, item.Kind == requireRecheck)
	item.Met = item.MetBy != nil
	item.Text = fmt.Sprintf("%s must come out as %s.", m.Title, outcomeNames(m, item.Outcomes))
	return item
}

// acceptable lists, in the measurement's order, the outcomes that pass for every
// demand. A normal outcome passes always: where a check names one of several
// healthy outcomes (one direction of a cycle), the others are as healthy.
func acceptable(m *faultlib.Measurement, accepted [][]string) []string {
	var out []string
	for _, o := range m.Outcomes {
		everywhere := true
		for _, list := range accepted {
			everywhere = everywhere && slices.Contains(list, o.ID)
		}
		if o.Normal || everywhere && len(accepted) > 0 {
			out = append(out, o.ID)
		}
	}
	return out
}

// proof finds the newest result of a measurement that counts as proof: taken
// after the moment, still valid, and one that passes. When the newest valid
// result after the moment does not pass, there is no proof.
func (f JobFile) proof(measurement string, outcomes []string, since stamp, observationsToo bool) *ID {
	newest := since
	var by *ID
	look := func(at stamp, outcome string, id *ID) {
		if !at.after(newest) {
			return
		}
		newest, by = at, nil
		if slices.Contains(outcomes, outcome) {
			by = id
		}
	}
	for i := range f.Verifications {
		if v := &f.Verifications[i]; v.Measurement == measurement && v.InvalidatedAt == nil {
			look(v.stamp(), v.Result.Outcome, &v.ID)
		}
	}
	for i := range f.Observations {
		o := &f.Observations[i]
		if !observationsToo || o.Measurement != measurement || !o.Active() || o.Result == nil {
			continue
		}
		look(o.stamp(), o.Result.Outcome, &o.ID)
	}
	return by
}

// openingItems asks for each opening ever opened to be closed.
func openingItems(lib *faultlib.Library, f JobFile) []Requirement {
	d := doorsOf(f)
	var out []Requirement
	for _, o := range lib.Openings {
		if !d.opened[o.ID] {
			continue
		}
		last := d.last[o.ID]
		item := Requirement{Kind: requireOpening, Opening: o.ID, Met: last.State == Closed,
			Text: fmt.Sprintf("Close it again: %s.", strings.ReplaceAll(o.ID, "_", " ")), Why: "It was opened in this job."}
		if item.Met {
			item.MetBy = &last.ID
		}
		out = append(out, item)
	}
	return out
}
