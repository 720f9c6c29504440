package api

import (
	"bytes"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
	"nextprobe/internal/workbook"
)

// wantsWorkbook tells whether a report is asked for as a spreadsheet: by its format,
// or without one by an Accept header that names that type and not JSON.
func wantsWorkbook(c echo.Context, q *query) bool {
	switch f := q.text("format"); f {
	case "json", "xlsx":
		return f == "xlsx"
	case "":
		accept := c.Request().Header.Get("Accept")
		return strings.Contains(accept, workbook.MediaType) && !strings.Contains(accept, "json")
	default:
		q.failf("format", "must be json or xlsx")
		return false
	}
}

// sendRecurrence answers a report as a workbook, all in one piece.
func (h *handlers) sendRecurrence(c echo.Context, name string, list shop.Recurrence, detail *shop.RecurrenceDetail) error {
	lib, _, err := h.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := workbook.Write(&b, "Recurrence by "+strings.ReplaceAll(string(list.Group), "_", " "), workbook.Recurrence(list, detail, lib)); err != nil {
		return err
	}
	return httpkit.Attachment(c, name+workbook.Extension, workbook.MediaType, b.Bytes())
}
