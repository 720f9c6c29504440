package shop

import (
	"context"
	"fmt"
	"strings"
	"time"

	"nextprobe/internal/faultlib"
)

// Alerts are the open alerts of a shop and when their figures were last looked at.
type Alerts struct {
	CheckedAt *time.Time // nil: not yet
	Items     []RecurrenceAlert
}

// BoardAlert is an alert of something a board carries, with where to look.
type BoardAlert struct {
	RecurrenceAlert
	// Carried is where the board has it; empty where the connectors of the board are
	// not recorded, so that somebody has to look.
	Carried []Carried
	Hint    string
}

// Watcher is the actor of the alerts that a shop raises by itself.
func Watcher(shopID ID) Actor { return Actor{ShopID: shopID, Name: "alerts", Role: Owner} }

// CheckAlerts looks at the figures of every group of alerts, raises what has become a
// bad actor and clears what no longer is one. It does nothing when the figures were
// looked at since a time, unless that is zero: work that was put off and overtaken by
// other work costs nothing.
func (s *Service) CheckAlerts(ctx context.Context, a Actor, since time.Time) error {
	if err := a.may(mayAlerts); err != nil {
		return err
	}
	if !since.IsZero() {
		last, err := s.store.AlertsChecked(ctx, a.ShopID)
		if err != nil || !last.Before(since) {
			return err
		}
	}
	now := s.time()
	from := now.AddDate(0, -alertMonths, 0)
	var groups []checkedGroup
	for _, g := range alertGroups {
		// Service is what every board has; an odometer is often not read.
		q, at, err := s.recurrenceQuery(RecurrenceQuery{Group: g, From: from, To: now}, "time")
		if err != nil {
			return err
		}
		counts, err := s.store.Recurrence(ctx, a.ShopID, q)
		if err != nil {
			return err
		}
		r, err := s.report(ctx, a, q, at, counts)
		if err != nil {
			return err
		}
		groups = append(groups, checkedGroup{g, r.Rows, r.tests})
	}
	open, err := s.store.OpenAlerts(ctx, a.ShopID)
	if err != nil {
		return err
	}
	return s.store.ChangeAlerts(ctx, a.ShopID, alertChanges(open, groups, from, now, newID))
}

// Alerts lists the open alerts, those set aside too.
func (s *Service) Alerts(ctx context.Context, a Actor) (Alerts, error) {
	var v Alerts
	if err := a.may(mayRead); err != nil {
		return v, err
	}
	at, err := s.store.AlertsChecked(ctx, a.ShopID)
	if err != nil {
		return v, err
	}
	if !at.IsZero() {
		v.CheckedAt = &at
	}
	v.Items, err = s.store.OpenAlerts(ctx, a.ShopID)
	return v, err
}

// SetAlertAside takes an open alert off the pages until it clears and is raised anew.
func (s *Service) SetAlertAside(ctx context.Context, a Actor, id ID, reason string) (RecurrenceAlert, error) {
	if err := a.may(mayAlerts); err != nil {
		return RecurrenceAlert{}, err
	}
	var c checker
	reason = c.note("reason", reason, maxLong)
	if len([]rune(reason)) < minReason {
		c.fields = nil
		c.failf("reason", "must say why nobody needs to be told of it, in at least %d characters", minReason)
	}
	if err := c.err(); err != nil {
		return RecurrenceAlert{}, err
	}
	return s.store.SetAlertAside(ctx, a.ShopID, id, SetAside{At: s.time(), By: a.Name, Reason: reason},
		s.audit(a, "alert.set_aside", "alert", id, map[string]any{"reason": reason}))
}

// BoardAlerts lists the open alerts, but those set aside, of what a board carries, and
// those of connectors when none of the board's is recorded.
func (s *Service) BoardAlerts(ctx context.Context, a Actor, boardID ID) ([]BoardAlert, error) {
	if err := a.may(mayRead); err != nil {
		return nil, err
	}
	carried, err := s.store.AlertsOfBoard(ctx, a.ShopID, boardID)
	if err != nil || len(carried) == 0 {
		return nil, err
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return nil, err
	}
	out := make([]BoardAlert, len(carried))
	for i, c := range carried {
		out[i] = BoardAlert{RecurrenceAlert: c.Alert, Carried: c.Carried, Hint: alertHint(lib, c)}
	}
	return out, nil
}

// alertHint says where to look first. Looking is all it asks for: what is opened or
// unplugged for it has its cautions where that step is taken.
func alertHint(lib *faultlib.Library, c CarriedAlert) string {
	if len(c.Carried) == 0 {
		return fmt.Sprintf("No connector of this board is recorded. Look whether it has one of the family %s, and record it.", c.Alert.Key)
	}
	places := make([]string, len(c.Carried))
	for i, x := range c.Carried {
		places[i] = carriedText(lib, c.Alert, x)
	}
	return "Look at " + andList(places) + " first."
}

func carriedText(lib *faultlib.Library, a RecurrenceAlert, x Carried) string {
	component := componentName(lib, x.Component)
	day := x.Since.Format("2 January 2006")
	switch a.Group {
	case ByConnectorFamily:
		return fmt.Sprintf("the connector “%s”", x.Name)
	case ByAction:
		return fmt.Sprintf("the %s, last mended that way on %s,", component, day)
	}
	if x.Component == "" || strings.EqualFold(component, x.Name) {
		return fmt.Sprintf("the part %s, fitted on %s,", x.Name, day)
	}
	return fmt.Sprintf("the part %s (%s), fitted on %s,", x.Name, component, day)
}
