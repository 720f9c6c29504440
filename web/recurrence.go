package web

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// RecurrencePage says what keeps failing.
type RecurrencePage struct {
	Layout
	Form      *Form
	Groups    []Option
	Exposures []Option
	Filters   RecurrenceFilters
	Report    shop.Recurrence
	Rows      []RecurrenceRow
	Pareto    *Pareto
	From, To  time.Time
	CSV       string // address of the list as a file
	Sheet     string // and as a workbook
}

// ranked puts the rows in the order of their ranks.
func ranked(rows []shop.RecurrenceRow) []shop.RecurrenceRow {
	rows = slices.Clone(rows)
	slices.SortStableFunc(rows, func(x, y shop.RecurrenceRow) int { return cmp.Compare(x.Rank, y.Rank) })
	return rows
}

// RecurrenceRow is a line with the address of the jobs behind it.
type RecurrenceRow struct {
	shop.RecurrenceRow
	Href       string
	Cumulative float64
}

var recurrenceGroups = []Option{
	{Value: string(shop.ByComponent), Label: "component"}, {Value: string(shop.ByConnectorFamily), Label: "connector family"},
	{Value: string(shop.ByFailureMode), Label: "failure mode"}, {Value: string(shop.ByCause), Label: "cause"},
	{Value: string(shop.ByPart), Label: "part"}, {Value: string(shop.ByLot), Label: "supplier lot"},
	{Value: string(shop.BySealing), Label: "sealing"}, {Value: string(shop.ByAction), Label: "repair action"},
}

var recurrenceExposures = []Option{{Value: "time", Label: "board-year in service"}, {Value: "distance", Label: "1000 km"}}

// maxBars keeps the picture legible; the table shows them all.
const maxBars = 15

// recurrenceAsked reads the question from the address; what is not understood
// falls back to the usual question and is said beside the field.
func (p *Pages) recurrenceAsked(c echo.Context) (shop.RecurrenceQuery, string, *Form) {
	now := p.opt.Now()
	f := emptyForm("recurrence")
	f.Values = url.Values{}
	for _, k := range []string{"group", "exposure", "from", "to", "key", "until", "against"} {
		f.Values.Set(k, c.QueryParam(k))
	}
	q := shop.RecurrenceQuery{Group: shop.ByComponent, From: now.AddDate(-1, 0, 0), To: now.Add(time.Minute), Now: now}
	for _, g := range recurrenceGroups {
		if f.Text("group") == g.Value {
			q.Group = shop.RecurrenceGroup(g.Value)
		}
	}
	exposure := "time"
	if f.Text("exposure") == "distance" {
		exposure = "distance"
	}
	if from, ok := f.day("from"); ok {
		q.From = from
	}
	if to, ok := f.day("to"); ok {
		// The day named is part of the period.
		q.To = to.AddDate(0, 0, 1)
	}
	if !q.From.Before(q.To) {
		f.reject("from", "The period must begin before it ends.")
		q.From = q.To.AddDate(-1, 0, 0)
	}
	q.ToLastContact = f.Text("until") == "contact"
	q.Against = f.Text("against")
	for _, field := range recurrenceFilterFields {
		f.Values.Set(field.name, c.QueryParam(field.name))
		*field.of(&q.Filter) = f.Text(field.name)
	}
	f.Values.Set("group", string(q.Group))
	f.Values.Set("exposure", exposure)
	f.Values.Set("from", q.From.Format(time.DateOnly))
	f.Values.Set("to", q.To.Add(-time.Second).Format(time.DateOnly))
	return q, exposure, f
}

func (f *Form) day(name string) (time.Time, bool) {
	s := f.Text(name)
	if s == "" {
		return time.Time{}, false
	}
	t, err := time.ParseInLocation(time.DateOnly, s, time.Local)
	if err != nil {
		f.reject(name, "Enter a date as 2026-03-31.")
		return time.Time{}, false
	}
	return t, true
}

func (p *Pages) recurrencePage(c echo.Context) error {
	q, exposure, f := p.recurrenceAsked(c)
	ctx, a := c.Request().Context(), actorOf(c)
	report, err := p.svc.Recurrence(ctx, a, q, exposure)
	if withoutRefused(&q, f, err) {
		report, err = p.svc.Recurrence(ctx, a, q, exposure)
	}
	if err != nil {
		return err
	}
	pg := &RecurrencePage{Layout: Layout{Title: "Recurrence", Section: "/recurrence", Wide: true}, Form: f, Groups: recurrenceGroups, Exposures: recurrenceExposures,
		Report: report, From: q.From, To: q.To.Add(-time.Second)}
	if pg.Filters, err = p.recurrenceFilters(ctx, a, q, f); err != nil {
		return err
	}
	asked := recurrenceAddress(q, exposure, f)
	pg.CSV = "/recurrence/list.csv?" + asked.Encode()
	for _, r := range ranked(report.Rows) {
		nameRow(&r)
		asked.Set("key", r.Key)
		pg.Rows = append(pg.Rows, RecurrenceRow{RecurrenceRow: r, Href: "/recurrence/detail?" + asked.Encode()})
	}
	pg.Sheet = sheetAddress(pg.CSV)
	pg.Pareto = newPareto(pg.Rows, report.Total)
	return p.render(c, http.StatusOK, "recurrence", pg)
}

// nameRow gives a row that has no name one to be shown under.
func nameRow(r *shop.RecurrenceRow) {
	if r.Name == "" {
		r.Name = groupName(r.Key)
	}
}

// groupName words a group that has no name of its own.
func groupName(key string) string {
	if key == "" {
		return "not recorded"
	}
	return words(key)
}
