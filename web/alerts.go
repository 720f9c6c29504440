package web

import (
	"net/http"
	"net/url"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// alertsShown bounds the list above the jobs, which a phone must still show; the rest
// is folded away.
const alertsShown = 1

// AlertRow is an alert with the address of the figures behind it.
type AlertRow struct {
	shop.RecurrenceAlert
	Hint string // where to look on a board
	Href string
	Form *Form // to set it aside
}

// AlertList is the alerts that the jobs page tells of.
type AlertList struct {
	Shown, More []AlertRow
	Aside       []AlertRow
	CheckedAt   *time.Time
}

// Carries is what a board carries of the open alerts.
type Carries struct {
	Board   shop.ID
	Known   []AlertRow
	Unknown []AlertRow // of connectors, where the board's are not recorded
}

func alertRow(a shop.RecurrenceAlert) AlertRow {
	v := url.Values{"group": {string(a.Group)}, "exposure": {"time"}, "key": {a.Key},
		"from": {a.Figures.From.Local().Format(time.DateOnly)}, "to": {a.Figures.To.Local().Format(time.DateOnly)}}
	return AlertRow{RecurrenceAlert: a, Href: "/recurrence/detail?" + v.Encode(), Form: emptyForm("aside-" + a.ID.String())}
}

// alerts lists the open alerts, with the form that was refused when there is one.
func (p *Pages) alerts(c echo.Context, refused *Form) (AlertList, error) {
	var list AlertList
	v, err := p.svc.Alerts(c.Request().Context(), actorOf(c))
	if err != nil {
		return list, err
	}
	list.CheckedAt = v.CheckedAt
	for _, a := range v.Items {
		row := alertRow(a)
		if refused != nil && refused.ID == row.Form.ID {
			row.Form = refused
		}
		switch {
		case a.SetAside != nil:
			list.Aside = append(list.Aside, row)
		case len(list.Shown) < alertsShown || row.Form.Failed():
			list.Shown = append(list.Shown, row)
		default:
			list.More = append(list.More, row)
		}
	}
	return list, nil
}

// carries lists the alerts of what a board carries.
func (p *Pages) carries(c echo.Context, board shop.ID) (Carries, error) {
	out := Carries{Board: board}
	list, err := p.svc.BoardAlerts(c.Request().Context(), actorOf(c), board)
	if err != nil {
		return out, err
	}
	for _, a := range list {
		row := alertRow(a.RecurrenceAlert)
		row.Hint = a.Hint
		if len(a.Carried) > 0 {
			out.Known = append(out.Known, row)
		} else {
			out.Unknown = append(out.Unknown, row)
		}
	}
	return out, nil
}

// setAlertAside takes an alert off the pages, for a reason.
func (p *Pages) setAlertAside(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	f, err := readForm(c, "aside-"+id.String())
	if err != nil {
		return err
	}
	if err := f.save(func() error {
		_, err := p.svc.SetAlertAside(c.Request().Context(), actorOf(c), id, f.Text("reason"))
		return err
	}); err != nil {
		return err
	}
	if f.Failed() {
		return p.showJobs(c, http.StatusUnprocessableEntity, f)
	}
	p.flash(c, "Set aside. It is told of again if it clears and comes back.")
	return redirect(c, "/")
}
