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
	return shop.RecurrenceQuery{Group: group, From: from, To: to, Now: now, Filter: shop.RecurrenceFilter{
		Model: q.short("model"), Component: q.short("component"), Family: q.short("connector_family"), Cause: q.short("cause"),
		FailureMode: q.short("failure_mode"),
	}}, exposure
}

func (h *handlers) getRecurrence(c echo.Context) error {
	q := queryOf(c)
	rq, exposure := h.window(q, choice(q, "group", groups...))
	sheet := wantsWorkbook(c, q)
	if err := q.err(); err != nil {
		return err
	}
	r, err := h.svc.Recurrence(c.Request().Context(), actorOf(c), rq, exposure)
	if err != nil {
		return err
	}
	if sheet {
		return h.sendRecurrence(c, "recurrence-"+string(rq.Group), r, nil)
	}
	return answer(c, http.StatusOK, Recurrence{
		Group: RecurrenceGroup(r.Group), Exposure: r.Exposure, Unit: r.Unit, From: rq.From, To: rq.To, Total: r.Total, Items: listOf(r.Rows, recurrenceRow),
		TrendNote: orNull(r.TrendNote), Narrowed: orNull(r.Narrowed),
	})
}

// short reads a parameter of at most 200 characters.
func (q *query) short(name string) string {
	const most = 200
	s := q.text(name)
	if len([]rune(s)) > most {
		q.failf(name, "must be at most 200 characters long")
	}
	return s
}

func (h *handlers) getRecurrenceFilters(c echo.Context) error {
	r, err := h.svc.RecurrenceChoices(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	values := func(list []shop.RecurrenceChoice) []RecurrenceChoice {
		return listOf(list, func(v shop.RecurrenceChoice) RecurrenceChoice { return RecurrenceChoice(v) })
	}
	return answer(c, http.StatusOK, RecurrenceFilters{
		Models: values(r.Models), Components: values(r.Components), ConnectorFamilies: values(r.Families), Causes: values(r.Causes),
		FailureModes: values(r.FailureModes),
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
	rq.ToLastContact = choice(q, "until", "today", "contact") == "contact"
	rq.Against = c.QueryParam("against")
	sheet := wantsWorkbook(c, q)
	if err := q.err(); err != nil {
		return err
	}
	d, err := h.svc.RecurrenceDetail(c.Request().Context(), actorOf(c), rq, exposure, key)
	if err != nil {
		return err
	}
	if sheet {
		list, err := h.svc.Recurrence(c.Request().Context(), actorOf(c), rq, exposure)
		if err != nil {
			return err
		}
		return h.sendRecurrence(c, "recurrence-detail", list, &d)
	}
	life := recurrenceLife(d.Life)
	return answer(c, http.StatusOK, RecurrenceDetail{Life: &life, Narrowed: orNull(d.Narrowed), Against: rateComparison(d.Against),
		Group: RecurrenceGroup(group), Exposure: exposure, Unit: d.Unit, From: rq.From, To: rq.To, Row: recurrenceRow(d.Row),
		Events: listOf(d.Events, faultEvent),
		ByMonth: listOf(d.ByMonth, func(m shop.MonthCount) MonthCount {
			return MonthCount{Month: m.Month, Count: m.Count}
		}),
	})
}

func recurrenceRow(r shop.RecurrenceRow) RecurrenceRow {
	out := RecurrenceRow{
		Key: r.Key, Name: r.Name, Failures: r.Failures, Boards: r.Boards, RepeatBoards: r.RepeatBoards, Carriers: r.Carriers, Comebacks: r.Comebacks, AtEntry: &r.AtEntry,
		Share: r.Share, Exposure: r.Exposure, Rate: r.Rate, Lower: r.Lower, Upper: r.Upper, Sentence: r.Sentence,
	}
	out.Rank = &r.Rank
	if r.Shrunk != nil {
		b := bounds(*r.Shrunk)
		out.Shrunk = &b
	}
	if a := r.BadActor; a != nil {
		out.BadActor = &BadActor{Ratio: bounds(a.Ratio), P: a.P, AdjustedP: a.AdjustedP, Sentence: a.Sentence}
	}
	if r.Trend != nil {
		t := rowTrend(*r.Trend)
		out.Trend = &t
	}
	if !r.LastAt.IsZero() {
		out.LastAt = utc(&r.LastAt)
	}
	return out
}

func rowTrend(t shop.RowTrend) RowTrend {
	half := func(h shop.HalfCount) HalfCount { return HalfCount{Failures: h.Failures, BoardYears: h.BoardYears} }
	return RowTrend{
		Direction: RowTrendDirection(t.Direction), Earlier: half(t.Earlier), Later: half(t.Later), AtEntry: t.AtEntry, Ratio: bounds(t.Ratio),
		P: t.P, AdjustedP: t.AdjustedP, PKind: t.PKind, Sentence: t.Sentence,
	}
}

func faultEvent(e shop.FaultEvent) FaultEvent {
	return FaultEvent{
		FaultID: e.FaultID, JobID: e.JobID, JobNumber: e.JobNumber, BoardID: e.BoardID, BoardSerial: e.BoardSerial, Cause: e.Cause,
		Component: e.Component, At: e.At.UTC(), OdometerKm: e.OdometerKM, Action: e.Action, ComebackOf: e.ComebackOf,
	}
}

func bounds(b shop.Bounds) Bounds { return Bounds{Value: b.Value, Lower: b.Lower, Upper: b.Upper} }

func rateComparison(c *shop.RecurrenceComparison) *RateComparison {
	if c == nil {
		return nil
	}
	out := &RateComparison{Key: c.Key, Name: c.Name, Failures: c.Failures, Exposure: c.Exposure, Rate: bounds(c.Rate), Ratio: bounds(c.Ratio),
		P: c.P, PKind: c.PKind, Sentence: c.Sentence}
	if l := c.Lives; l != nil {
		out.Lives = &LifeComparison{Of: l.Of, Sides: listOf(l.Sides, repairSurvival), LogRank: repairComparison(l.Test)}
	}
	return out
}

func repairComparison(c *shop.RepairComparison) *RepairComparison {
	if c == nil {
		return nil
	}
	return &RepairComparison{Chi2: c.Chi2, Df: c.DF, P: c.P, PKind: c.PKind, Sentence: c.Sentence}
}

func recurrenceLife(l shop.RecurrenceLife) RecurrenceLife {
	t := l.Trend
	out := RecurrenceLife{
		Sentence: l.Sentence, AgeUnit: RecurrenceLifeAgeUnit(l.AgeUnit), Units: l.Units, Failures: l.Failures, AtEntry: l.AtEntry, Exposure: l.Exposure, Rate: bounds(l.Rate),
		Trend: RecurrenceTrend{Direction: RecurrenceTrendDirection(t.Direction), Events: t.Events, Laplace: t.Laplace, P: t.P, Shape: bounds(t.Shape),
			ShapeExact: t.ShapeExact, Sentence: t.Sentence},
		Mcf: listOf(l.Mean, func(s shop.MeanStep) MeanStep {
			return MeanStep{Age: s.Age, Boards: s.Boards, Events: s.Events, Mean: bounds(s.Mean)}
		}),
		McfNote: l.MeanNote, Repairs: listOf(l.Repairs, repairSurvival), RepairsNote: l.RepairsNote, Comebacks: listOf(l.Comebacks, repairComeback),
	}
	if l.First != nil {
		first := repairSurvival(*l.First)
		out.First = &first
	}
	out.LogRank = repairComparison(l.LogRank)
	if len(l.Moved) > 0 {
		moved := listOf(l.Moved, pieceHistory)
		out.Moved = &moved
	}
	return out
}

func pieceHistory(p shop.PieceHistory) PieceHistory {
	out := PieceHistory{Name: p.Name, Serial: p.Serial, Contradiction: orNull(p.Contradiction), Sentence: p.Sentence,
		Stays: listOf(p.Stays, func(s shop.PieceStay) PieceStay {
			return PieceStay{BoardID: s.BoardID, BoardSerial: s.BoardSerial, From: s.From.UTC(), To: utc(s.To), Age: s.Age}
		})}
	if p.Failed != nil {
		out.FailedJobID, out.FailedAt = &p.Failed.JobID, utc(&p.Failed.At)
	}
	return out
}

func modeShare(m shop.ModeShare) ModeShare {
	return ModeShare{Mode: m.Mode, Name: m.Name, Failures: m.Failures, Share: bounds(m.Share),
		Steps: listOf(m.Steps, func(s shop.SurvivalStep) ModeStep { return ModeStep{Age: s.Age, Share: bounds(s.Survival)} })}
}

func repairSurvival(r shop.RepairSurvival) RepairSurvival {
	out := RepairSurvival{
		Action: r.Action, Repairs: r.Repairs, Comebacks: r.Comebacks, Exposure: r.Exposure, Median: bounds(r.Median), Shape: bounds(r.Shape), B10: bounds(r.B10), Sentence: r.Sentence,
		Steps: listOf(r.Steps, func(s shop.SurvivalStep) SurvivalStep {
			return SurvivalStep{Age: s.Age, AtRisk: s.AtRisk, Failed: s.Failed, Survival: bounds(s.Survival)}
		}),
	}
	if len(r.Modes) > 0 {
		modes := listOf(r.Modes, modeShare)
		out.Modes = &modes
	}
	return out
}

func repairComeback(r shop.RepairLife) RepairComeback {
	return RepairComeback{
		Action: r.Action, Component: r.Component, BoardID: r.BoardID, BoardSerial: r.BoardSerial, JobID: r.JobID, JobNumber: r.JobNumber, RepairedAt: r.At.UTC(),
		ComebackJobID: r.Comeback.JobID, ComebackJobNumber: r.Comeback.JobNumber, ComebackAt: r.Comeback.At.UTC(),
	}
}
