package shop

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/reliability"
)

// exposureKind is a measure of how long or far boards were used.
type exposureKind struct {
	id, unit, each, noun string
	per                  float64
	of                   func(GroupCount) float64
}

// Exposures of the recurrence report (contract) with the unit of a rate and the
// divisor from what the store counts: days and km. A year is 365.25 days.
var recurrenceExposures = []exposureKind{
	{"time", "1/board-year", "a year per board", "board-years", 365.25, func(g GroupCount) float64 { return g.BoardDays }},
	{distanceExposure, "1/1000 km", "per 1000 km", "thousand km", 1000, func(g GroupCount) float64 { return g.DistanceKM }},
}

const distanceExposure = "distance"

func exposureOf(id string) exposureKind {
	return recurrenceExposures[slices.IndexFunc(recurrenceExposures, func(e exposureKind) bool { return e.id == id })]
}

var recurrenceGroups = []RecurrenceGroup{ByComponent, ByConnectorFamily, ByFailureMode, ByCause, ByPart, ByLot, BySealing, ByAction}

const (
	confidence = 0.95
	// fewFailures is below which the sentence says that the bounds are wide: at 5
	// the upper bound is still more than twice the rate (Garwood 1936).
	fewFailures = 5
	// reportYears is how far back a report without dates looks.
	reportYears = 2
)

// Recurrence counts confirmed faults by group over the exposure of the boards
// that carry what the group is about.
func (s *Service) Recurrence(ctx context.Context, a Actor, q RecurrenceQuery, exposure string) (Recurrence, error) {
	if err := a.may(mayRead); err != nil {
		return Recurrence{}, err
	}
	q, at, err := s.recurrenceQuery(q, exposure)
	if err != nil {
		return Recurrence{}, err
	}
	counts, err := s.store.Recurrence(ctx, a.ShopID, q)
	if err != nil {
		return Recurrence{}, err
	}
	r, err := s.report(ctx, a, q, at, counts)
	if err != nil {
		return r, err
	}
	return r, s.trends(ctx, a, &r)
}

// recurrenceQuery checks a query, fills its dates and finds its exposure.
func (s *Service) recurrenceQuery(q RecurrenceQuery, exposure string) (RecurrenceQuery, int, error) {
	q.Now = s.time()
	q.Filter = q.Filter.trimmed()
	if q.To.IsZero() {
		q.To = q.Now
	}
	if q.From.IsZero() {
		q.From = q.To.AddDate(-reportYears, 0, 0)
	}
	if exposure == "" {
		exposure = recurrenceExposures[0].id
	}
	var c checker
	groups := make([]string, len(recurrenceGroups))
	for i, g := range recurrenceGroups {
		groups[i] = string(g)
	}
	c.oneOf("group", string(q.Group), groups...)
	at := slices.IndexFunc(recurrenceExposures, func(e exposureKind) bool { return e.id == exposure })
	if at < 0 {
		c.failf("exposure", "must be time or distance, is %q", exposure)
	}
	if !q.From.Before(q.To) {
		c.failf("from", "must lie before to")
	}
	return q, at, c.err()
}

func (s *Service) report(ctx context.Context, a Actor, q RecurrenceQuery, at int, counts []GroupCount) (Recurrence, error) {
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Recurrence{}, err
	}
	r := Recurrence{Group: q.Group, Exposure: recurrenceExposures[at].id, Unit: recurrenceExposures[at].unit, Query: q}
	for _, g := range counts {
		r.Total += g.Failures
	}
	if err := s.checkFilter(ctx, a, lib, q, r.Total); err != nil {
		return Recurrence{}, err
	}
	r.Narrowed = filterWords(lib, q.Filter, q.Group)
	for _, g := range counts {
		switch q.Group {
		case ByComponent:
			g.Name = componentName(lib, g.Key)
		case ByLot:
			g.Name += ", lot " + g.Key
		case ByCause:
			if c := lib.Cause(g.Key); c != nil {
				g.Name = c.Name
			}
		case ByFailureMode:
			if name := failureModeName(lib, g.Key); name != "" {
				g.Name = name
			}
		}
		row, err := recurrenceRow(g, r.Total, at)
		if err != nil {
			return Recurrence{}, err
		}
		r.Rows = append(r.Rows, row)
	}
	slices.SortStableFunc(r.Rows, func(x, y RecurrenceRow) int {
		return cmp.Or(cmp.Compare(y.Failures, x.Failures), cmp.Compare(x.Key, y.Key))
	})
	if err := rankRows(r.Rows); err != nil {
		return Recurrence{}, err
	}
	r.tests, err = markBadActors(r.Rows, q.Group)
	return r, err
}

func recurrenceRow(g GroupCount, total, at int) (RecurrenceRow, error) {
	e := recurrenceExposures[at]
	row := RecurrenceRow{GroupCount: g, Exposure: e.of(g) / e.per}
	if total > 0 {
		row.Share = float64(g.Failures) / float64(total)
	}
	counted := fmt.Sprintf("%s on %s", plural(g.Failures, "failure", "failures"), plural(g.Boards, "board", "boards"))
	if g.Failures == 0 {
		counted = "No failure on " + plural(g.Carriers, "board", "boards")
	}
	if !(row.Exposure > 0) {
		row.Sentence = fmt.Sprintf("%s; no exposure is known in this time (%s), so there is no rate.", counted, e.noun)
		return row, nil
	}
	rate, lower, upper, err := reliability.Garwood(g.Observed(), row.Exposure, confidence)
	if err != nil {
		return row, err
	}
	row.Rate, row.Lower, row.Upper = &rate, &lower, &upper
	row.Sentence = fmt.Sprintf("%s%s in %s %s: %s %s, 95 %% bounds %s to %s", counted, sinceFirstSeen(g), digits(row.Exposure), e.noun,
		digits(rate), e.each, digits(lower), digits(upper))
	if g.Observed() < fewFailures {
		row.Sentence += "; few data, wide bounds"
	}
	row.Sentence += "."
	return row, nil
}

// sinceFirstSeen says which failures a rate is of, where it is not of all.
func sinceFirstSeen(g GroupCount) string {
	switch {
	case g.AtEntry == 0:
		return ""
	case g.Observed() == 0:
		return ", there when first seen; none since"
	}
	return fmt.Sprintf(", %d there when first seen; the other %d", g.AtEntry, g.Observed())
}

// digits prints a figure with the two digits that such data can bear.
func digits(x float64) string {
	if math.IsInf(x, 1) {
		return "no bound"
	}
	if x >= 100 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 2, 64), 64)
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// RecurrenceDetail is one group with the events behind its figure.
func (s *Service) RecurrenceDetail(ctx context.Context, a Actor, q RecurrenceQuery, exposure, key string) (RecurrenceDetail, error) {
	r, err := s.Recurrence(ctx, a, q, exposure)
	if err != nil {
		return RecurrenceDetail{}, err
	}
	at := slices.IndexFunc(r.Rows, func(row RecurrenceRow) bool { return row.Key == key })
	if at < 0 {
		return RecurrenceDetail{}, problem.New(problem.NotFound, "There is neither a failure nor any exposure of %q in this time.", key)
	}
	events, err := s.store.RecurrenceEvents(ctx, a.ShopID, r.Query, key)
	if err != nil {
		return RecurrenceDetail{}, err
	}
	d := RecurrenceDetail{Row: r.Rows[at], Unit: r.Unit, Events: events, ByMonth: byMonth(r.Query, events), Narrowed: r.Narrowed}
	if err := d.compare(r.Rows, r.Query.Against); err != nil {
		return d, err
	}
	data, err := s.store.LifeData(ctx, a.ShopID, r.Query, key, r.Exposure == distanceExposure)
	if err != nil {
		return d, err
	}
	if d.Life, err = studyLife(data, r.Query.Group, d.Row, exposureOf(r.Exposure)); err != nil {
		return d, err
	}
	if err := s.nameModes(ctx, a, d.Life.First); err != nil {
		return d, err
	}
	return d, s.compareLivesOf(ctx, a, r.Query, &d, data, r.Exposure == distanceExposure)
}

// nameModes words the failure modes of lives.
func (s *Service) nameModes(ctx context.Context, a Actor, first *RepairSurvival) error {
	if first == nil || len(first.Modes) == 0 {
		return nil
	}
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return err
	}
	for i, m := range first.Modes {
		first.Modes[i].Name = cmp.Or(failureModeName(lib, m.Mode), m.Mode, "not recorded")
	}
	return nil
}

// byMonth counts events per calendar month, UTC, over the whole window, months
// without any included.
func byMonth(q RecurrenceQuery, events []FaultEvent) []MonthCount {
	const form = "2006-01"
	counts := map[string]int{}
	for _, e := range events {
		counts[e.At.UTC().Format(form)]++
	}
	from := q.From.UTC()
	var out []MonthCount
	for m := time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, time.UTC); m.Before(q.To); m = m.AddDate(0, 1, 0) {
		out = append(out, MonthCount{Month: m.Format(form), Count: counts[m.Format(form)]})
	}
	return out
}
