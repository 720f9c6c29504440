package web

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
)

// csvText keeps a spreadsheet from running what somebody typed: a text that begins
// like a formula gets an apostrophe in front, which spreadsheets show as text (OWASP,
// "CSV Injection", from memory).
func csvText(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n", rune(s[0])) || strings.HasPrefix(strings.TrimSpace(s), "=") {
		return "'" + s
	}
	return s
}

func csvNumber(x *float64) string {
	if x == nil {
		return ""
	}
	return strconv.FormatFloat(*x, 'g', -1, 64)
}

// sendCSV answers rows as a file (RFC 4180), all in one piece.
func sendCSV(c echo.Context, name string, rows [][]string) error {
	var b bytes.Buffer
	if err := csv.NewWriter(&b).WriteAll(rows); err != nil {
		return err
	}
	return httpkit.Attachment(c, name+".csv", "text/csv; charset=utf-8; header=present", b.Bytes())
}

// recurrenceCSV is the list as a file.
func (p *Pages) recurrenceCSV(c echo.Context) error {
	q, exposure, _ := p.recurrenceAsked(c)
	report, err := p.svc.Recurrence(c.Request().Context(), actorOf(c), q, exposure)
	if err != nil {
		return err
	}
	rows := [][]string{{"rank", "key", "name", "failures", "boards", "boards_twice_or_more", "boards_carrying", "comebacks", "exposure", "rate", "lower_95", "upper_95",
		"rate_unit", "shrunk_rate", "shrunk_lower_90", "shrunk_upper_90", "bad_actor_p_adjusted", "last", "trend", "trend_ratio", "trend_lower_95", "trend_upper_95", "trend_p", "trend_p_adjusted", "sentence", "narrowed_to", "there_when_first_seen"}}
	for _, r := range ranked(report.Rows) {
		shrunk, bad, last := shop.Bounds{}, "", ""
		if r.Shrunk != nil {
			shrunk = *r.Shrunk
		}
		if r.BadActor != nil {
			bad = csvNumber(&r.BadActor.AdjustedP)
		}
		var trend shop.RowTrend
		if r.Trend != nil {
			trend = *r.Trend
		}
		if !r.LastAt.IsZero() {
			last = r.LastAt.UTC().Format(time.RFC3339)
		}
		rows = append(rows, []string{strconv.Itoa(r.Rank), csvText(r.Key), csvText(r.Name), strconv.Itoa(r.Failures), strconv.Itoa(r.Boards), strconv.Itoa(r.RepeatBoards),
			strconv.Itoa(r.Carriers), strconv.Itoa(r.Comebacks), csvNumber(&r.Exposure), csvNumber(r.Rate), csvNumber(r.Lower), csvNumber(r.Upper), report.Unit,
			csvNumber(shrunk.Value), csvNumber(shrunk.Lower), csvNumber(shrunk.Upper), bad, last,
			trend.Direction, csvNumber(trend.Ratio.Value), csvNumber(trend.Ratio.Lower), csvNumber(trend.Ratio.Upper), csvNumber(trend.P), csvNumber(trend.AdjustedP), csvText(r.Sentence),
			csvText(report.Narrowed), strconv.Itoa(r.AtEntry)})
	}
	return sendCSV(c, "recurrence-"+string(q.Group), rows)
}

// recurrenceDetailCSV is the drill-down's figures, one figure a row.
func (p *Pages) recurrenceDetailCSV(c echo.Context) error {
	q, exposure, f := p.recurrenceAsked(c)
	d, err := p.svc.RecurrenceDetail(c.Request().Context(), actorOf(c), q, exposure, f.Get("key"))
	if err != nil {
		return err
	}
	return sendCSV(c, "recurrence-detail", detailRows(d))
}

func detailRows(d shop.RecurrenceDetail) [][]string {
	rows := [][]string{{"figure", "of", "age", "age_unit", "at_risk", "events", "value", "lower_95", "upper_95", "unit", "p", "board", "job", "date", "note"}}
	// add fills a row from the columns after "unit"; what does not apply stays empty.
	add := func(figure, of, age string, risk, events int, b shop.Bounds, unit, pValue, note string) {
		ageUnit := ""
		if age != "" {
			ageUnit = d.Life.AgeUnit
		}
		count := func(n int) string {
			if n < 0 {
				return ""
			}
			return strconv.Itoa(n)
		}
		rows = append(rows, []string{figure, csvText(of), age, ageUnit, count(risk), count(events), csvNumber(b.Value), csvNumber(b.Lower), csvNumber(b.Upper), unit, pValue, "", "", "", csvText(note)})
	}
	l := d.Life
	name := d.Row.Name
	if d.Narrowed != "" {
		add("narrowed to", name, "", -1, -1, shop.Bounds{}, "", "", d.Narrowed)
	}
	add("failures", name, "", d.Row.Carriers, d.Row.Failures, shop.Bounds{}, "", "", "")
	add("failures there when first seen", name, "", d.Row.Carriers, d.Row.AtEntry, shop.Bounds{}, "", "", "")
	add("rate", name, "", d.Row.Carriers, d.Row.Observed(), shop.Bounds{Value: d.Row.Rate, Lower: d.Row.Lower, Upper: d.Row.Upper}, d.Unit, "", l.Sentence)
	add("rate under observation", name, "", l.Units, l.Failures, l.Rate, d.Unit, "", l.MeanNote)
	add("Laplace", name, "", -1, l.Trend.Events, shop.Bounds{Value: l.Trend.Laplace}, "", csvNumber(l.Trend.P), l.Trend.Sentence)
	add("power-law shape", name, "", -1, l.Failures, l.Trend.Shape, "", "", "")
	for _, s := range l.Mean {
		add("mean cumulative function", name, csvNumber(&s.Age), s.Boards, s.Events, s.Mean, "", "", "")
	}
	life := func(r shop.RepairSurvival, since string) {
		for _, s := range r.Steps {
			add("Kaplan-Meier "+since, r.Action, csvNumber(&s.Age), s.AtRisk, s.Failed, s.Survival, "", "", "")
		}
		add("median life "+since, r.Action, "", r.Repairs, r.Comebacks, r.Median, l.AgeUnit, "", r.Sentence)
		add("Weibull shape "+since, r.Action, "", r.Repairs, r.Comebacks, r.Shape, "", "", "")
		add("Weibull B10 "+since, r.Action, "", r.Repairs, r.Comebacks, r.B10, l.AgeUnit, "", "")
	}
	if l.First != nil {
		life(*l.First, "from fitting")
	}
	for _, r := range l.Repairs {
		life(r, "after repair")
	}
	if c := l.LogRank; c != nil {
		add("log-rank chi-square", "all repairs", "", -1, -1, shop.Bounds{Value: c.Chi2}, "", csvNumber(c.P), c.PKind)
	}
	if a := d.Against; a != nil {
		add("rate ratio", a.Name, "", -1, a.Failures, a.Ratio, "", csvNumber(&a.P), a.PKind)
	}
	lifeRows(d, add)
	for _, e := range d.Events {
		rows = append(rows, []string{"failure", csvText(e.Cause), csvNumber(e.OdometerKM), unitIf(e.OdometerKM, "km"), "", "", "", "", "", "", "",
			csvText(e.BoardSerial), strconv.Itoa(e.JobNumber), e.At.UTC().Format(time.RFC3339), csvText(e.Action)})
	}
	return rows
}

func unitIf(x *float64, unit string) string {
	if x == nil {
		return ""
	}
	return unit
}
