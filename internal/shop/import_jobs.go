package shop

import (
	"cmp"
	"strings"

	"nextprobe/internal/faultlib"
)

// importBasis is what a fault from before says of its probability.
const importBasis = "Taken over from earlier records. What was measured then is not known, so the probability is the library's before any measurement."

func (im *importer) job(r *importRow) *importTarget {
	board := r.target("board", true)
	state := State(cmp.Or(r.values["state"], string(Returned)))
	if state != Returned && state != Scrapped {
		if !state.Open() {
			r.c.oneOf("state", string(state), string(Returned), string(Scrapped))
		}
		return &importTarget{ImportRecord: ImportRecord{ID: newID()}, open: true}
	}
	opened, closed := r.moment("opened_at"), r.moment("closed_at")
	if !opened.IsZero() {
		r.notBefore("closed_at", &closed, opened, "opened_at")
	}
	j := Job{ID: newID(), State: state, Complaint: r.c.note("complaint", r.values["complaint"], maxLong), OdometerKM: r.number("odometer_km"), Exposures: strings.Fields(r.values["exposures"]),
		Condition: r.c.note("condition", r.values["condition"], maxLong), LibraryID: im.library, OpenedAt: opened, ClosedAt: &closed, UpdatedAt: closed}
	r.c.exposures(j.Exposures)
	if earlier := r.target("comeback_of", false); earlier != nil && board != nil && !earlier.open && !earlier.broken && !board.broken {
		if earlier.BoardID != board.BoardID || !earlier.At.Before(opened) {
			r.c.failf("comeback_of", "must be an earlier job of the same board")
		}
		j.ComebackOf = &earlier.ID
	}
	var cause *faultlib.Cause
	if id := r.values["cause"]; id != "" {
		cause = r.causeOf(id)
	} else if r.values["action"] != "" || r.values["component"] != "" {
		r.c.failf("cause", "must name what was confirmed, where there is an action or a component")
	}
	fault := r.faultOf(cause)
	action := r.c.line("action", r.values["action"], 0, maxAction)
	minutes := r.whole("minutes", maxMinutes)
	if board == nil || len(r.c.fields) > 0 {
		return nil
	}
	j.BoardID = board.BoardID
	im.plan.Jobs = append(im.plan.Jobs, j)
	if cause != nil {
		fault.JobID, fault.At = j.ID, opened
		im.confirm(r, fault, j.BoardID)
		if action != "" {
			im.plan.Repairs = append(im.plan.Repairs, ImportedRepair{Repair{ID: newID(), FaultID: fault.ID, Action: action, Minutes: orZero(minutes), At: closed, By: im.by}, j.ID})
		}
	}
	return &importTarget{ImportRecord: ImportRecord{ID: j.ID, BoardID: j.BoardID, At: opened}}
}

func orZero(n *int) int {
	if n == nil {
		return 0
	}
	return *n
}

// faultOf is a fault of the cause, nil for none, as the library describes it.
func (r *importRow) faultOf(cause *faultlib.Cause) Fault {
	if cause == nil {
		return Fault{}
	}
	return Fault{ID: newID(), Cause: cause.ID, Component: cmp.Or(r.component("component", r.values["component"]), cause.Component), FailureMode: cmp.Or(r.mode(r.values["failure_mode"]), cause.Mode),
		Probability: cause.PriorPer1000 / 1000, Basis: importBasis, By: r.im.by}
}

// mode checks a failure mode of the library; empty is allowed.
func (r *importRow) mode(id string) string {
	if id != "" && failureModeName(r.im.lib, id) == "" {
		r.c.failf("failure_mode", "%q is no failure mode of the fault library", id)
	}
	return id
}

func (im *importer) fault(r *importRow) *importTarget {
	job := r.target("job", true)
	if job != nil && job.open {
		return &importTarget{ImportRecord: ImportRecord{ID: newID()}, open: true}
	}
	if job != nil && job.already {
		r.c.failf("job", "the job %q is in this shop already; its faults come with it", r.values["job"])
	}
	cause := r.causeOf(r.values["cause"])
	f := r.faultOf(cause)
	f.At, f.Note = r.moment("at"), r.c.note("note", r.values["note"], maxLong)
	f.WaivedAt, f.WaivedBy, f.WaiveReason = r.optional("waived_at"), r.c.line("waived_by", r.values["waived_by"], 0, maxName), r.c.note("waive_reason", r.values["waive_reason"], maxLong)
	if (f.WaivedAt == nil) != (f.WaiveReason == "") {
		r.c.failf("waive_reason", "must be there where waived_at is, and only there")
	}
	if f.WaivedAt != nil && f.WaivedBy == "" {
		f.WaivedBy = im.by
	}
	f.ConnectorID, f.InstalledPartID = r.onBoard("connector", job), r.onBoard("installed_part", job)
	if job == nil || len(r.c.fields) > 0 {
		return nil
	}
	r.notBefore("at", &f.At, job.At, "the opening of its job")
	f.JobID = job.ID
	im.confirm(r, f, job.BoardID)
	return &importTarget{ImportRecord: ImportRecord{ID: f.ID, BoardID: job.BoardID, At: f.At}, job: job.ID}
}

// onBoard is the connector or part that a column names, on the board of the job.
func (r *importRow) onBoard(column string, job *importTarget) *ID {
	t := r.target(column, false)
	if t == nil {
		return nil
	}
	if job != nil && !job.broken && !t.broken && job.BoardID != t.BoardID {
		r.c.failf(column, "%q is not on the board of the job", r.values[column])
	}
	return &t.ID
}

// confirm adds a fault to the plan, once for each place.
func (im *importer) confirm(r *importRow, f Fault, board ID) {
	place := importPlace{job: f.JobID, cause: f.Cause}
	if f.ConnectorID != nil {
		place.connector = *f.ConnectorID
	}
	if f.InstalledPartID != nil {
		place.part = *f.InstalledPartID
	}
	if im.faults[place] {
		r.c.failf("cause", "%q stands twice for one place in one job, which would count one failure twice", f.Cause)
	}
	im.faults[place] = true
	im.plan.Faults = append(im.plan.Faults, ImportedFault{f, board})
}

func (im *importer) repair(r *importRow) *importTarget {
	fault := r.target("fault", true)
	if fault != nil && fault.open {
		return &importTarget{ImportRecord: ImportRecord{ID: newID()}, open: true}
	}
	if fault != nil && fault.already {
		r.c.failf("fault", "the fault %q is in this shop already; its repairs come with it", r.values["fault"])
	}
	x := Repair{ID: newID(), Action: r.c.line("action", r.values["action"], 1, maxAction), Minutes: orZero(r.whole("minutes", maxMinutes)), Note: r.c.note("note", r.values["note"], maxLong), At: r.moment("at"), By: im.by}
	if fault == nil || len(r.c.fields) > 0 {
		return nil
	}
	if !fault.broken {
		r.notBefore("at", &x.At, fault.At, "the fault was confirmed")
	}
	x.FaultID = fault.ID
	im.plan.Repairs = append(im.plan.Repairs, ImportedRepair{x, fault.job})
	return &importTarget{ImportRecord: ImportRecord{ID: x.ID, At: x.At}}
}
