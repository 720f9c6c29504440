package web

import (
	"bytes"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
	"nextprobe/internal/workbook"
)

// sheetAddress is where the same figures are as a workbook.
func sheetAddress(csv string) string { return strings.Replace(csv, ".csv?", workbook.Extension+"?", 1) }

// sendWorkbook answers sheets as one file, all in one piece.
func sendWorkbook(c echo.Context, name, title string, sheets []workbook.Sheet) error {
	var b bytes.Buffer
	if err := workbook.Write(&b, title, sheets); err != nil {
		return err
	}
	return httpkit.Attachment(c, name+workbook.Extension, workbook.MediaType, b.Bytes())
}

// recurrenceWorkbook is the list as a workbook.
func (p *Pages) recurrenceWorkbook(c echo.Context) error {
	q, exposure, _ := p.recurrenceAsked(c)
	report, err := p.recurrenceNamed(c, q, exposure)
	if err != nil {
		return err
	}
	lib, _, err := p.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return sendWorkbook(c, "recurrence-"+string(q.Group), "Recurrence by "+words(string(q.Group)), workbook.Recurrence(report, nil, lib))
}

// recurrenceDetailWorkbook is the list, the drill-down and the jobs behind it.
func (p *Pages) recurrenceDetailWorkbook(c echo.Context) error {
	q, exposure, f := p.recurrenceAsked(c)
	ctx, a := c.Request().Context(), actorOf(c)
	d, err := p.svc.RecurrenceDetail(ctx, a, q, exposure, f.Get("key"))
	if err != nil {
		return err
	}
	nameRow(&d.Row)
	report, err := p.recurrenceNamed(c, q, exposure)
	if err != nil {
		return err
	}
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	return sendWorkbook(c, "recurrence-detail", "Failures of "+d.Row.Name, workbook.Recurrence(report, &d, lib))
}

// recurrenceNamed is the list with a name in every row, as the page shows it.
func (p *Pages) recurrenceNamed(c echo.Context, q shop.RecurrenceQuery, exposure string) (shop.Recurrence, error) {
	report, err := p.svc.Recurrence(c.Request().Context(), actorOf(c), q, exposure)
	for i := range report.Rows {
		nameRow(&report.Rows[i])
	}
	return report, err
}
