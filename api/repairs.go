package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// FaultInput is the body of POST /jobs/{id}/faults.
type FaultInput struct {
	Cause           string   `json:"cause"`
	ConnectorID     *shop.ID `json:"connector_id"`
	InstalledPartID *shop.ID `json:"installed_part_id"`
	Note            string   `json:"note"`
	// Disagreement and Grounds say why another cause than the advised one is confirmed.
	Disagreement shop.Disagreement `json:"disagreement"`
	Grounds      string            `json:"grounds"`
}

// WaiverInput is the body of POST /jobs/{id}/faults/{fid}/waive.
type WaiverInput struct {
	Reason string `json:"reason"`
}

// RepairInput is the body of POST /jobs/{id}/repairs.
type RepairInput struct {
	FaultID shop.ID           `json:"fault_id"`
	Action  string            `json:"action"`
	Minutes int               `json:"minutes"`
	Parts   []RepairPartInput `json:"parts"`
	Removed []shop.ID         `json:"removed"`
	Note    string            `json:"note"`
}

// RepairPartInput is a part used.
type RepairPartInput struct {
	PartID   shop.ID `json:"part_id"`
	Quantity int     `json:"quantity"`
	Lot      string  `json:"lot"`
	Serial   string  `json:"serial"`
}

// VerificationInput is the body of POST /jobs/{id}/verifications.
type VerificationInput struct {
	Verification string         `json:"verification"`
	Readings     map[string]any `json:"readings"`
	Outcome      string         `json:"outcome"`
	Instrument   *shop.ID       `json:"instrument"`
}

func (h *handlers) confirmFault(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in FaultInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	f, err := h.svc.ConfirmFault(c.Request().Context(), actorOf(c), id, shop.FaultInput(in))
	if err != nil {
		return err
	}
	return answer(c, http.StatusCreated, fault(f))
}

func (h *handlers) waiveFault(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	fid, err := pathID(c, "fid")
	if err != nil {
		return err
	}
	var in WaiverInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	f, err := h.svc.WaiveFault(c.Request().Context(), actorOf(c), id, fid, in.Reason)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, fault(f))
}

func (h *handlers) addRepair(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in RepairInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	if in.FaultID == (shop.ID{}) {
		return problem.InField("fault_id", "must be the id of a fault of this job")
	}
	r, err := h.svc.Repair(c.Request().Context(), actorOf(c), id, shop.RepairInput{
		FaultID: in.FaultID, Action: in.Action, Minutes: in.Minutes, Removed: in.Removed, Note: in.Note,
		Parts: listOf(in.Parts, func(p RepairPartInput) shop.RepairPartInput { return shop.RepairPartInput(p) }),
	})
	if err != nil {
		return err
	}
	return answer(c, http.StatusCreated, repair(r))
}

func (h *handlers) addVerification(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in VerificationInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	v, err := h.svc.Verify(c.Request().Context(), actorOf(c), id, shop.VerificationInput{
		Measurement: in.Verification, Readings: in.Readings, Outcome: in.Outcome, Instrument: in.Instrument,
	})
	if err != nil {
		return err
	}
	return answer(c, http.StatusCreated, verification(v))
}

func (h *handlers) getRequirements(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	r, err := h.svc.Requirements(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	out := Requirements{Ready: r.Ready, Items: []Requirement{}, Met: []Requirement{}}
	for _, item := range r.Items {
		if item.Met {
			out.Met = append(out.Met, requirement(item))
		} else {
			out.Items = append(out.Items, requirement(item))
		}
	}
	return answer(c, http.StatusOK, out)
}

func requirement(r shop.Requirement) Requirement {
	return Requirement{
		Kind: r.Kind, Text: r.Text, Why: r.Why, Met: r.Met, FaultID: r.FaultID, Cause: orNull(r.Cause), Measurement: orNull(r.Measurement),
		Outcomes: r.Outcomes, Opening: orNull(r.Opening), MetBy: r.MetBy,
	}
}

func fault(f shop.Fault) Fault {
	return Fault{
		ID: f.ID, JobID: f.JobID, Cause: f.Cause, Component: f.Component, FailureMode: f.FailureMode, ConnectorID: f.ConnectorID,
		InstalledPartID: f.InstalledPartID, Note: f.Note, Probability: f.Probability, At: f.At.UTC(), By: f.By,
		Advised: orNull(f.Advised), Disagreement: orNull(string(f.Disagreement)), Grounds: orNull(f.Grounds), Basis: orNull(f.Basis),
		WaivedAt: utc(f.WaivedAt), WaivedBy: orNull(f.WaivedBy), WaiveReason: orNull(f.WaiveReason),
	}
}

func repair(r shop.Repair) Repair {
	return Repair{
		ID: r.ID, FaultID: r.FaultID, Action: r.Action, Minutes: r.Minutes, Note: r.Note, At: r.At.UTC(), By: r.By,
		Parts: listOf(r.Parts, func(p shop.RepairPart) RepairPart {
			return RepairPart{PartID: p.PartID, Name: p.Name, Quantity: p.Quantity, Lot: p.Lot, Serial: p.Serial}
		}),
	}
}

func verification(v shop.Verification) Verification {
	r := &v.Result
	return Verification{
		ID: v.ID, Verification: v.Measurement, Outcome: r.Outcome, Detail: r.Detail, Readings: r.Readings, Likelihood: r.Likelihood,
		Values: resultValues(r.Values), Text: r.Text, Warnings: r.Warnings, Instrument: instrumentUse(r.Instrument), Passed: v.Passed, At: v.At.UTC(), By: v.By,
		InvalidatedAt: utc(v.InvalidatedAt), InvalidatedBy: orNull(v.InvalidatedBy),
	}
}
