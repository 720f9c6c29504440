package web

import (
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// RecurrenceDetailPage shows what the dates of one figure's failures say, and the
// jobs behind it.
type RecurrenceDetailPage struct {
	Layout
	Form      *Form
	Exposures []Option
	Filters   RecurrenceFilters
	Untils    []Option
	Others    []Option // to compare with
	Detail    shop.RecurrenceDetail
	Group     string
	Name      string
	ByAction  bool
	ToContact bool // boards are followed to their last contact
	Events    []EventRow
	Chart     *MonthChart
	Mean      *StepPlot
	First     *StepPlot
	Survival  *StepPlot
	TwoLives  *StepPlot
	Modes     *StepPlot
	Moved     []shop.PieceHistory // those that are named
	MoreMoved int
	AgeName   string
	Back, CSV string
	Sheet     string
	From, To  time.Time
}

// EventRow is a failure with its names.
type EventRow struct {
	shop.FaultEvent
	CauseName string
}

var recurrenceUntils = []Option{{Value: "today", Label: "today: no news counts as good"}, {Value: "contact", Label: "the last contact with a board"}}

func (p *Pages) recurrenceDetailPage(c echo.Context) error {
	q, exposure, f := p.recurrenceAsked(c)
	ctx, a := c.Request().Context(), actorOf(c)
	d, err := p.svc.RecurrenceDetail(ctx, a, q, exposure, f.Get("key"))
	if withoutRefused(&q, f, err) {
		d, err = p.svc.RecurrenceDetail(ctx, a, q, exposure, f.Get("key"))
	}
	if pe := userMistake(err); pe != nil && q.Against != "" && len(pe.Fields) > 0 && pe.Fields[0].Field == "against" {
		// The key chosen for comparison may have no exposure in another period.
		f.reject("against", pe.Fields[0].Message)
		q.Against = ""
		d, err = p.svc.RecurrenceDetail(ctx, a, q, exposure, f.Get("key"))
	}
	if err != nil {
		return err
	}
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	look := newLookup(lib)
	nameRow(&d.Row)
	asked := recurrenceAddress(q, exposure, f)
	pg := &RecurrenceDetailPage{Layout: Layout{Title: "Failures of " + d.Row.Name, Section: "/recurrence", Wide: true}, Form: f, Exposures: recurrenceExposures,
		Untils: recurrenceUntils, Detail: d, Group: words(string(q.Group)), Name: d.Row.Name, ByAction: q.Group == shop.ByAction, ToContact: q.ToLastContact, AgeName: ageName(d.Life.AgeUnit),
		Back: "/recurrence?" + asked.Encode(), From: q.From, To: q.To.Add(-time.Second), Chart: newMonthChart(d.ByMonth), Mean: newMeanPlot(d.Life), First: newFirstPlot(d.Life), Survival: newRepairPlot(d.Life)}
	if pg.Filters, err = p.recurrenceFilters(ctx, a, q, f); err != nil {
		return err
	}
	pg.TwoLives, pg.Modes = newAgainstPlot(d.Against, d.Life.AgeUnit), newModesPlot(d.Life)
	pg.Moved, pg.MoreMoved = shownMoved(d.Life.Moved)
	asked.Set("key", f.Get("key"))
	asked.Set("until", f.Get("until"))
	asked.Set("against", q.Against)
	pg.CSV = "/recurrence/detail.csv?" + asked.Encode()
	pg.Sheet = sheetAddress(pg.CSV)
	pg.Others = []Option{{Value: "", Label: "nothing"}}
	for _, o := range d.Others {
		nameRow(&o)
		pg.Others = append(pg.Others, Option{Value: o.Key, Label: o.Name})
	}
	for _, e := range d.Events {
		pg.Events = append(pg.Events, EventRow{FaultEvent: e, CauseName: look.cause(e.Cause)})
	}
	return p.render(c, http.StatusOK, "recurrence-detail", pg)
}
