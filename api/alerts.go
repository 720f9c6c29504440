package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
)

func (h *handlers) listAlerts(c echo.Context) error {
	v, err := h.svc.Alerts(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, RecurrenceAlerts{CheckedAt: utc(v.CheckedAt), Items: listOf(v.Items, recurrenceAlert)})
}

func (h *handlers) setAlertAside(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in WaiverInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	a, err := h.svc.SetAlertAside(c.Request().Context(), actorOf(c), id, in.Reason)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, recurrenceAlert(a))
}

func recurrenceAlert(a shop.RecurrenceAlert) RecurrenceAlert {
	out := RecurrenceAlert{
		ID: a.ID, Group: RecurrenceAlertGroup(a.Group), Key: a.Key, Name: a.Name, Title: a.Title(), Sentence: a.Sentence(), RaisedAt: a.RaisedAt.UTC(),
		Raised: alertFigures(a.Raised), UpdatedAt: a.UpdatedAt.UTC(), Figures: alertFigures(a.Figures),
	}
	if s := a.SetAside; s != nil {
		out.SetAside = &AlertSetAside{At: s.At.UTC(), By: s.By, Reason: s.Reason}
	}
	return out
}

func alertFigures(f shop.AlertFigures) AlertFigures {
	return AlertFigures{
		From: f.From.UTC(), To: f.To.UTC(), Failures: f.Failures, Boards: f.Boards, Carriers: f.Carriers, Exposure: f.Exposure,
		Ratio: Bounds{Value: f.Ratio, Lower: f.Lower, Upper: f.Upper}, P: f.P, AdjustedP: f.AdjustedP, Compared: f.Compared,
	}
}

func boardAlert(a shop.BoardAlert) BoardAlert {
	return BoardAlert{
		Alert: recurrenceAlert(a.RecurrenceAlert), Hint: a.Hint,
		Carried: listOf(a.Carried, func(x shop.Carried) CarriedThing {
			return CarriedThing{Component: x.Component, Name: x.Name, Since: x.Since.UTC(), JobID: x.JobID}
		}),
	}
}
