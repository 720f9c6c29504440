package shop

import (
	"context"
	"fmt"
	"slices"
	"time"
)

const (
	// alertMonths is how far back an alert looks, the report's own period. In twelve
	// months a family or lot of a small shop has too few failures for the exact test to
	// tell anything; much longer, and what was put right long ago still raises alerts.
	alertMonths = 12 * reportYears
	// keepAlertBelow is the corrected p-value up to which an alert that was raised at
	// falseDiscovery stays. Between the two one failure more or less would raise and
	// clear it in turn, and an alert that flickers is soon not read.
	keepAlertBelow = 2 * falseDiscovery
)

// alertGroups are what alerts are raised of. Sealing is not among them though some boards
// carry it and others do not: a sealing is a property of a connector, whose family is
// told of already, and "none" is on nearly every board, where it would be read no more.
var alertGroups = []RecurrenceGroup{ByConnectorFamily, ByLot, ByPart, ByAction}

// AlertFigures are what the exact test of the recurrence report said of a bad actor at
// one moment. Exposure is in board-years of service; Ratio is its rate over that of all
// other keys of its group with 95 % bounds, nil where infinite; AdjustedP is P after
// Benjamini and Hochberg over the Compared keys.
type AlertFigures struct {
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	Failures  int       `json:"failures"`
	Boards    int       `json:"boards"`
	Carriers  int       `json:"carriers"`
	Exposure  float64   `json:"exposure"`
	Ratio     *float64  `json:"ratio,omitempty"`
	Lower     *float64  `json:"lower,omitempty"`
	Upper     *float64  `json:"upper,omitempty"`
	P         float64   `json:"p"`
	AdjustedP float64   `json:"adjusted_p"`
	Compared  int       `json:"compared"`
}

// SetAside says why an alert is not shown. It holds until the alert clears.
type SetAside struct {
	At         time.Time
	By, Reason string
}

// RecurrenceAlert says that something boards carry has become a bad actor. Raised are
// the figures as they stood then, Figures those of the newest look.
type RecurrenceAlert struct {
	ID        ID
	Group     RecurrenceGroup
	Key, Name string
	RaisedAt  time.Time
	Raised    AlertFigures
	UpdatedAt time.Time
	Figures   AlertFigures
	ClearedAt *time.Time // when it no longer held
	SetAside  *SetAside
}

// AlertChange is what one look at the figures changes, in one transaction. Raise are
// new, Update hold on with new figures, Clear hold no longer.
type AlertChange struct {
	At                   time.Time
	Raise, Update, Clear []RecurrenceAlert
}

// Carried is what a board carries of an alert: a fitted connector or part with its
// place or name, or the component last mended with an action and not failed since.
type Carried struct {
	Component string // empty where the record does not say
	Name      string // the connector's place, the part's name, or empty
	Since     time.Time
	JobID     *ID // of the repair
}

// CarriedAlert is an open alert with what a board carries of it; Carried is nil where
// the board's connectors are not recorded, so that nobody knows.
type CarriedAlert struct {
	Alert   RecurrenceAlert
	Carried []Carried
}

// AlertStore keeps alerts. At most one is open for each group and key.
type AlertStore interface {
	// OpenAlerts lists the alerts that hold, those set aside too, worst first as they
	// stood when last updated.
	OpenAlerts(ctx context.Context, shopID ID) ([]RecurrenceAlert, error)
	// AlertsChecked is when the figures were last looked at; zero: never.
	AlertsChecked(ctx context.Context, shopID ID) (time.Time, error)
	// ChangeAlerts writes what a look changed and when it was; nothing when a later
	// look was written already.
	ChangeAlerts(ctx context.Context, shopID ID, c AlertChange) error
	// SetAlertAside marks an open alert: NotFound when there is none, Conflict when it
	// has cleared or is set aside already.
	SetAlertAside(ctx context.Context, shopID, id ID, s SetAside, audit AuditEvent) (RecurrenceAlert, error)
	// AlertsOfBoard lists the open alerts, but those set aside, of what a board carries.
	AlertsOfBoard(ctx context.Context, shopID, boardID ID) ([]CarriedAlert, error)
}

// checkedGroup is a report with the tests of its rows.
type checkedGroup struct {
	group RecurrenceGroup
	rows  []RecurrenceRow
	tests []restTest
}

// alertChanges sets open alerts against the figures of the groups looked at. An alert
// is raised when the report calls its key a bad actor, and clears when its corrected
// p-value has risen above keepAlertBelow or there is nothing left to compare; alerts of
// groups that were not looked at stay as they are. Every look is a test of its own, so
// that over many looks more than falseDiscovery of the alerts may be due to chance:
// these clear as data come in.
func alertChanges(open []RecurrenceAlert, groups []checkedGroup, from, now time.Time, id func() ID) AlertChange {
	c := AlertChange{At: now}
	for _, g := range groups {
		seen := map[string]bool{}
		for _, t := range g.tests {
			row := g.rows[t.row]
			at := slices.IndexFunc(open, func(a RecurrenceAlert) bool { return a.Group == g.group && a.Key == row.Key })
			f := figuresOf(row, t, len(g.tests), from, now)
			switch {
			case at >= 0:
				a := open[at]
				a.Name, a.Figures, a.UpdatedAt = row.Title(), f, now
				seen[row.Key] = true
				if t.adjusted > keepAlertBelow {
					a.ClearedAt = &now
					c.Clear = append(c.Clear, a)
				} else {
					c.Update = append(c.Update, a)
				}
			case t.found:
				c.Raise = append(c.Raise, RecurrenceAlert{ID: id(), Group: g.group, Key: row.Key, Name: row.Title(), RaisedAt: now, Raised: f, UpdatedAt: now, Figures: f})
			}
		}
		for _, a := range open {
			if a.Group == g.group && !seen[a.Key] {
				// Its last figures stay: there are none any more.
				a.UpdatedAt, a.ClearedAt = now, &now
				c.Clear = append(c.Clear, a)
			}
		}
	}
	return c
}

func figuresOf(r RecurrenceRow, t restTest, compared int, from, to time.Time) AlertFigures {
	b := boundsOf(t.ratio)
	return AlertFigures{From: from, To: to, Failures: r.Failures, Boards: r.Boards, Carriers: r.Carriers, Exposure: r.Exposure,
		Ratio: b.Value, Lower: b.Lower, Upper: b.Upper, P: t.p, AdjustedP: t.adjusted, Compared: compared}
}

// Title names what the alert is about.
func (a RecurrenceAlert) Title() string {
	switch a.Group {
	case ByConnectorFamily:
		return "Connector family " + a.Key
	case ByPart:
		return "Part " + a.Name
	case ByAction:
		return "Repair “" + a.Name + "”"
	}
	return a.Name // A lot is named by its article and number.
}

// Sentence says what was counted and how it stands out.
func (a RecurrenceAlert) Sentence() string { return a.Title() + ": " + a.Counted() + "; " + a.Test() }

// Counted says how often it failed, beside the others.
func (a RecurrenceAlert) Counted() string {
	f := a.Figures
	months := plural(alertMonthsOf(f), "month", "months")
	counted := fmt.Sprintf("%s on %d of %s in %s", plural(f.Failures, "failure", "failures"), f.Boards, plural(f.Carriers, "board", "boards"), months)
	others := "the rate of the others"
	if a.Group == ByAction {
		counted = fmt.Sprintf("failed again %s, on %d of %s in %s", plural(f.Failures, "time", "times"), f.Boards, plural(f.Carriers, "board", "boards"), months)
		others = "the rate after the other repairs"
	}
	switch {
	case f.Ratio != nil && f.Lower != nil && f.Upper != nil:
		return fmt.Sprintf("%s, %s times %s (95 %% bounds %s to %s)", counted, digits(*f.Ratio), others, digits(*f.Lower), digits(*f.Upper))
	case f.Lower != nil:
		return fmt.Sprintf("%s, the others never; at least %s times their rate (95 %% bound)", counted, digits(*f.Lower))
	}
	return counted
}

// Test says how sure that is.
func (a RecurrenceAlert) Test() string {
	said := fmt.Sprintf("exact test against all others, corrected for %s: %s.", plural(a.Figures.Compared, "comparison", "comparisons"), pText(a.Figures.AdjustedP))
	if a.Figures.Boards == 1 {
		said += " All on one board: it may be that board."
	}
	return said
}

// alertMonthsOf is the period of the figures in whole months.
func alertMonthsOf(f AlertFigures) int {
	return (f.To.Year()-f.From.Year())*12 + int(f.To.Month()) - int(f.From.Month())
}
