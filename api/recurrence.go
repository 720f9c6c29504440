package api

import (
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// groups are what failures may be counted by; the first is the default.
var groups = []shop.RecurrenceGroup{
	shop.ByComponent, shop.ByConnectorFamily, shop.ByFailureMode, shop.ByCause, shop.ByPart, shop.ByLot, shop.BySealing, shop.ByAction,
}

// window reads what both recurrence reports ask: the exposure and [from, to).
func (h *handlers) window(q *query, group shop.RecurrenceGroup) (shop.RecurrenceQuery, string) {
	exposure := choice(q, "exposure", "time", "distance")
	from, haveFrom := q.moment("from")
	to, haveTo := q.moment("to")
	now := h.opt.Now().UTC()
	if !haveTo {
		to = now
	}
	if !haveFrom {
		from = to.AddDate(-1, 0, 0)
	}
	if len(q.fields) == 0 && !from.Before(to) {
		q.failf("from", "must be before to, "+to.Format(time.RFC3339))
	}
	return shop.RecurrenceQuery{Group: group, From: from, To: to, Now: now}, exposure
}

func (h *handlers) getRecurrence(c echo.Context) error {
	q := queryOf(c)
	rq, exposure := h.window(q, choice(q, "group", groups...))
	if err := q.err(); err != nil {
		return err
	}
	r, err := h.svc.Recurrence(c.Request().Context(), actorOf(c), rq, exposure)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, Recurrence{
		Group: RecurrenceGroup(r.Group), Exposure: r.Exposure, Unit: r.Unit, From: rq.From, To: rq.To, Total: r.Total, Items: listOf(r.Rows, recurrenceRow),
	})
}

func (h *handlers) getRecurrenceDetail(c echo.Context) error {
	key, err := pathText(c, "key")
	if err != nil {
		return err
	}
	q := queryOf(c)
	group := shop.RecurrenceGroup(c.Param("group"))
	known := false
	for _, g := range groups {
		known = known || g == group
	}
	if !known {
		q.failf("group", "must be one of "+words(groups))
	}
	rq, exposure := h.window(q, group)
	if err := q.err(); err != nil {
		return err
	}
	d, err := h.svc.RecurrenceDetail(c.Request().Context(), actorOf(c), rq, exposure, key)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, RecurrenceDetail{
		Group: RecurrenceGroup(group), Exposure: exposure, Unit: d.Unit, From: rq.From, To: rq.To, Row: recurrenceRow(d.Row),
		Events: listOf(d.Events, faultEvent),
		ByMonth: listOf(d.ByMonth, func(m shop.MonthCount) MonthCount {
			return MonthCount{Month: m.Month, Count: m.Count}
		}),
	})
}

func recurrenceRow(r shop.RecurrenceRow) RecurrenceRow {
	out := RecurrenceRow{
		Key: r.Key, Name: r.Name, Failures: r.Failures, Boards: r.Boards, RepeatBoards: r.RepeatBoards, Carriers: r.Carriers, Comebacks: r.Comebacks,
		Share: r.Share, Exposure: r.Exposure, Rate: r.Rate, Lower: r.Lower, Upper: r.Upper, Sentence: r.Sentence,
	}
	if !r.LastAt.IsZero() {
		out.LastAt = utc(&r.LastAt)
	}
	return out
}

func faultEvent(e shop.FaultEvent) FaultEvent {
	return FaultEvent{
		FaultID: e.FaultID, JobID: e.JobID, JobNumber: e.JobNumber, BoardID: e.BoardID, BoardSerial: e.BoardSerial, Cause: e.Cause,
		Component: e.Component, At: e.At.UTC(), OdometerKm: e.OdometerKM, Action: e.Action, ComebackOf: e.ComebackOf,
	}
}
