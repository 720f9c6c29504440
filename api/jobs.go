package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// JobInput is the body of POST /jobs.
type JobInput struct {
	BoardID        shop.ID  `json:"board_id"`
	Complaint      string   `json:"complaint"`
	OdometerKM     *float64 `json:"odometer_km"`
	OdometerReason string   `json:"odometer_reason"`
	Exposures      []string `json:"exposures"`
	Symptoms       []string `json:"symptoms"`
	AbsentSymptoms []string `json:"absent_symptoms"`
	Condition      string   `json:"condition"`
}

// JobPatch is the body of PATCH /jobs/{id}.
type JobPatch struct {
	Complaint  opt[string]   `json:"complaint"`
	OdometerKM opt[*float64] `json:"odometer_km"`
	Exposures  opt[[]string] `json:"exposures"`
	Condition  opt[string]   `json:"condition"`
}

// StateInput is the body of POST /jobs/{id}/state.
type StateInput struct {
	To     shop.State `json:"to"`
	Reason string     `json:"reason"`
}

// JobSummary is a job as lists show it.
type JobSummary struct {
	Job
	BoardSerial string  `json:"board_serial"`
	BoardName   string  `json:"board_name"`
	OwnerName   string  `json:"owner_name"`
	Faults      []Fault `json:"faults"`
}

// JobList is a page of jobs.
type JobList struct {
	Items []JobSummary `json:"items"`
	Next  *string      `json:"next"`
}

// JobFile is a job with everything recorded in it.
type JobFile struct {
	Job
	Board         Board          `json:"board"`
	Connectors    []Connector    `json:"connectors"`
	States        []StateChange  `json:"states"`
	Observations  []Observation  `json:"observations"`
	Access        []AccessEvent  `json:"access"`
	Faults        []FaultFile    `json:"faults"`
	Verifications []Verification `json:"verifications"`
}

// FaultFile is a fault with its repairs.
type FaultFile struct {
	Fault
	Repairs []Repair `json:"repairs"`
}

func (h *handlers) openJob(c echo.Context) error {
	var in JobInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	if in.BoardID == (shop.ID{}) {
		return problem.InField("board_id", "must be the id of a board")
	}
	j, err := h.svc.OpenJob(c.Request().Context(), actorOf(c), shop.JobInput(in))
	if err != nil {
		return err
	}
	return created(c, "/jobs", j.ID, j.Version, job(j))
}

func (h *handlers) listJobs(c echo.Context) error {
	q := queryOf(c)
	f := shop.JobFilter{States: q.states("state"), BoardID: q.id("board"), Query: q.text("query"), Page: q.page()}
	if err := q.err(); err != nil {
		return err
	}
	l, err := h.svc.Jobs(c.Request().Context(), actorOf(c), f)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, JobList{Items: listOf(l.Items, jobSummary), Next: orNull(l.Next)})
}

func (h *handlers) getJob(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := h.svc.Job(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, f.Job.Version, jobFile(&f))
}

func (h *handlers) editJob(c echo.Context) error {
	id, version, err := target(c)
	if err != nil {
		return err
	}
	var in JobPatch
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	j, err := h.svc.EditJob(c.Request().Context(), actorOf(c), id, shop.JobPatch{
		Version: version, Complaint: shop.Change[string](in.Complaint), OdometerKM: shop.Change[*float64](in.OdometerKM),
		Exposures: shop.Change[[]string](in.Exposures), Condition: shop.Change[string](in.Condition),
	})
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, j.Version, job(j))
}

func (h *handlers) moveJob(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in StateInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	j, err := h.svc.MoveJob(c.Request().Context(), actorOf(c), id, in.To, in.Reason)
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, j.Version, job(j))
}

func (h *handlers) getJobLog(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	q := queryOf(c)
	p := q.page()
	if err := q.err(); err != nil {
		return err
	}
	l, err := h.svc.Audit(c.Request().Context(), actorOf(c), id, p)
	if err != nil {
		return err
	}
	// The log of a job begins with its intake: a first page without entries, or
	// with those of something else, is of no job of this shop.
	if none := len(l.Items) == 0 && p.Cursor == ""; none || len(l.Items) > 0 && l.Items[0].SubjectKind != "job" {
		return problem.New(problem.NotFound, "There is no such job in this shop.")
	}
	return answer(c, http.StatusOK, AuditList{Items: listOf(l.Items, auditEvent), Next: orNull(l.Next)})
}

func job(j shop.Job) Job {
	return Job{
		ID: j.ID, Number: j.Number, BoardID: j.BoardID, State: State(j.State), Complaint: j.Complaint, OdometerKm: j.OdometerKM,
		Exposures: j.Exposures, Condition: j.Condition, WarrantyOf: j.WarrantyOf, ComebackOf: j.ComebackOf, LibraryID: j.LibraryID,
		OpenedAt: j.OpenedAt.UTC(), ReadyAt: utc(j.ReadyAt), ClosedAt: utc(j.ClosedAt), UpdatedAt: j.UpdatedAt.UTC(), Version: j.Version,
	}
}

func jobSummary(s shop.JobSummary) JobSummary {
	return JobSummary{Job: job(s.Job), BoardSerial: s.BoardSerial, BoardName: s.BoardName, OwnerName: s.OwnerName, Faults: listOf(s.Faults, fault)}
}

func jobFile(f *shop.JobFile) JobFile {
	out := JobFile{
		Job: job(f.Job), Board: board(f.Board), Connectors: listOf(f.Connectors, connector), States: listOf(f.States, stateChange),
		Observations: listOf(f.Observations, observation), Access: listOf(f.Access, accessEvent),
		Faults: make([]FaultFile, len(f.Faults)), Verifications: listOf(f.Verifications, verification),
	}
	for i := range f.Faults {
		out.Faults[i] = FaultFile{Fault: fault(f.Faults[i]), Repairs: []Repair{}}
		for j := range f.Repairs {
			if f.Repairs[j].FaultID == f.Faults[i].ID {
				out.Faults[i].Repairs = append(out.Faults[i].Repairs, repair(f.Repairs[j]))
			}
		}
	}
	return out
}

func stateChange(s shop.StateChange) StateChange {
	return StateChange{ID: s.ID, From: orNull(string(s.From)), To: State(s.To), Reason: s.Reason, At: s.At.UTC(), By: s.By}
}

func auditEvent(e shop.AuditEvent) AuditEvent {
	return AuditEvent{ID: e.ID, At: e.At.UTC(), By: e.By, ActorID: e.ActorID, Action: e.Action, SubjectKind: e.SubjectKind, SubjectID: e.SubjectID, Detail: e.Detail}
}
