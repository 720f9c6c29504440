package workbook

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

// Recurrence is the recurrence list as sheets, with a page on how to read it; a
// drill-down that is not nil adds its figures, its curves and the jobs behind them.
// The library names the causes.
func Recurrence(list shop.Recurrence, detail *shop.RecurrenceDetail, lib *faultlib.Library) []Sheet {
	sheets := []Sheet{howToRead(list, detail), listSheet(list)}
	if detail != nil {
		sheets = append(sheets, figureSheet(*detail), curveSheet(*detail), jobSheet(*detail, lib), comebackSheet(detail.Life), monthSheet(*detail))
	}
	return sheets
}

// rateUnit is the unit of a rate in a title.
func rateUnit(list shop.Recurrence) string { return "Rate (" + list.Unit + ")" }

func exposureTitle(list shop.Recurrence) string {
	if list.Exposure == "distance" {
		return "Exposure (1000 km)"
	}
	return "Exposure (board-years)"
}

func listSheet(list shop.Recurrence) Sheet {
	s := Sheet{Name: "List", Columns: []Column{
		{Title: "Rank", Kind: Integer, Width: 7}, {Title: "Group"}, {Title: "Key"}, {Title: "Failures", Kind: Integer}, {Title: "There when first seen", Kind: Integer}, {Title: "Share of all", Kind: Percent},
		{Title: "Boards", Kind: Integer}, {Title: "Boards twice or more", Kind: Integer}, {Title: "Boards carrying it", Kind: Integer}, {Title: "Comebacks", Kind: Integer},
		{Title: exposureTitle(list), Kind: Number}, {Title: rateUnit(list), Kind: Number}, {Title: "Lower 95 % (Garwood)", Kind: Number}, {Title: "Upper 95 % (Garwood)", Kind: Number},
		{Title: "Rate drawn towards the usual", Kind: Number}, {Title: "Lower 90 %", Kind: Number}, {Title: "Upper 90 %", Kind: Number},
		{Title: "Bad actor, corrected p", Kind: Number}, {Title: "Trend"}, {Title: "Earlier half, failures", Kind: Integer}, {Title: "Earlier half, board-years", Kind: Number},
		{Title: "Later half, failures", Kind: Integer}, {Title: "Later half, board-years", Kind: Number}, {Title: "Later over earlier rate", Kind: Number},
		{Title: "Ratio, lower 95 %", Kind: Number}, {Title: "Ratio, upper 95 %", Kind: Number}, {Title: "Trend, p", Kind: Number}, {Title: "Trend, corrected p", Kind: Number},
		{Title: "Last failure (UTC)", Kind: Moment}, {Title: "In words", Kind: Prose},
	}}
	rows := slices.Clone(list.Rows)
	slices.SortStableFunc(rows, func(x, y shop.RecurrenceRow) int { return cmp.Compare(x.Rank, y.Rank) })
	for _, r := range rows {
		var shrunk shop.Bounds
		var bad *float64
		if r.Shrunk != nil {
			shrunk = *r.Shrunk
		}
		if r.BadActor != nil {
			bad = &r.BadActor.AdjustedP
		}
		row := []any{r.Rank, r.Title(), r.Key, r.Failures, r.AtEntry, r.Share, r.Boards, r.RepeatBoards, r.Carriers, r.Comebacks,
			r.Exposure, r.Rate, r.Lower, r.Upper, shrunk.Value, shrunk.Lower, shrunk.Upper, bad}
		if t := r.Trend; t != nil {
			row = append(row, trendWord(*t), t.Earlier.Failures, t.Earlier.BoardYears, t.Later.Failures, t.Later.BoardYears, t.Ratio.Value, t.Ratio.Lower, t.Ratio.Upper, t.P, t.AdjustedP)
		} else {
			row = append(row, make([]any, 10)...)
		}
		s.Rows = append(s.Rows, append(row, r.LastAt, r.Sentence))
	}
	return s
}

func trendWord(t shop.RowTrend) string {
	if w := t.Word(); w != "" {
		return w
	}
	return "too few to say"
}

func figureSheet(d shop.RecurrenceDetail) Sheet {
	s := Sheet{Name: "Figures", Columns: []Column{{Title: "Figure", Width: 34}, {Title: "Of", Width: 34}, {Title: "Value", Kind: Number}, {Title: "Lower 95 %", Kind: Number}, {Title: "Upper 95 %", Kind: Number},
		{Title: "Unit", Width: 14}, {Title: "p", Kind: Number}, {Title: "Events", Kind: Integer}, {Title: "In words", Kind: Prose}}}
	add := func(figure, of string, b shop.Bounds, unit string, p *float64, events any, note string) {
		s.Rows = append(s.Rows, []any{figure, of, b.Value, b.Lower, b.Upper, unit, p, events, note})
	}
	l, name := d.Life, d.Row.Title()
	add("rate", name, shop.Bounds{Value: d.Row.Rate, Lower: d.Row.Lower, Upper: d.Row.Upper}, d.Unit, nil, d.Row.Observed(), l.Sentence)
	if t := d.Row.Trend; t != nil {
		add("rate of the later half over the earlier", name, t.Ratio, "", t.P, t.Earlier.Failures+t.Later.Failures, t.Sentence)
	}
	add("rate under observation", name, l.Rate, d.Unit, nil, l.Failures, l.MeanNote)
	add("Laplace", name, shop.Bounds{Value: l.Trend.Laplace}, "", l.Trend.P, l.Trend.Events, l.Trend.Sentence)
	add("power-law shape", name, l.Trend.Shape, "", nil, l.Failures, "")
	life := func(r shop.RepairSurvival, since string) {
		add("median life "+since, r.Action, r.Median, l.AgeUnit, nil, r.Comebacks, r.Sentence)
		add("Weibull shape "+since, r.Action, r.Shape, "", nil, r.Comebacks, "")
		add("Weibull B10 "+since, r.Action, r.B10, l.AgeUnit, nil, r.Comebacks, "")
	}
	if l.First != nil {
		life(*l.First, sinceFitting)
	}
	for _, r := range l.Repairs {
		life(r, sinceRepair)
	}
	if c := l.LogRank; c != nil {
		add("log-rank chi-square", "all repairs", shop.Bounds{Value: c.Chi2}, "", c.P, nil, c.PKind+". "+c.Sentence)
	}
	if a := d.Against; a != nil {
		add("rate ratio", a.Name, a.Ratio, "", &a.P, a.Failures, a.PKind+". "+a.Sentence)
	}
	return s
}

const (
	sinceFitting = "from fitting"
	sinceRepair  = "after repair"
)

func curveSheet(d shop.RecurrenceDetail) Sheet {
	l := d.Life
	s := Sheet{Name: "Curves", Columns: []Column{{Title: "Curve", Width: 34}, {Title: "Of", Width: 34}, {Title: "Age (" + l.AgeUnit + ")", Kind: Number}, {Title: "Followed", Kind: Integer},
		{Title: "Events", Kind: Integer}, {Title: "Value", Kind: Number}, {Title: "Lower 95 %", Kind: Number}, {Title: "Upper 95 %", Kind: Number}}}
	for _, m := range l.Mean {
		s.Rows = append(s.Rows, []any{"mean cumulative function", d.Row.Title(), m.Age, m.Boards, m.Events, m.Mean.Value, m.Mean.Lower, m.Mean.Upper})
	}
	life := func(r shop.RepairSurvival, since string) {
		for _, p := range r.Steps {
			s.Rows = append(s.Rows, []any{"Kaplan-Meier " + since, r.Action, p.Age, p.AtRisk, p.Failed, p.Survival.Value, p.Survival.Lower, p.Survival.Upper})
		}
	}
	if l.First != nil {
		life(*l.First, sinceFitting)
	}
	for _, r := range l.Repairs {
		life(r, sinceRepair)
	}
	return s
}

func jobSheet(d shop.RecurrenceDetail, lib *faultlib.Library) Sheet {
	s := Sheet{Name: "Jobs", Columns: []Column{{Title: "Job", Kind: Integer}, {Title: "Confirmed (UTC)", Kind: Moment}, {Title: "Board"}, {Title: "Cause", Width: 40}, {Title: "Cause, id"},
		{Title: "Component"}, {Title: "Odometer (km)", Kind: Number}, {Title: "Repair", Width: 34}, {Title: "Comeback"}}}
	for _, e := range d.Events {
		name, back := "", ""
		if c := lib.Cause(e.Cause); c != nil {
			name = c.Name
		}
		if e.ComebackOf != nil {
			back = "yes"
		}
		s.Rows = append(s.Rows, []any{e.JobNumber, e.At, e.BoardSerial, name, e.Cause, e.Component, e.OdometerKM, e.Action, back})
	}
	return s
}

func comebackSheet(l shop.RecurrenceLife) Sheet {
	s := Sheet{Name: "Comebacks", Columns: []Column{{Title: "Repair", Width: 34}, {Title: "Component"}, {Title: "Board"}, {Title: "Job", Kind: Integer}, {Title: "Repaired (UTC)", Kind: Moment},
		{Title: "Came back in job", Kind: Integer}, {Title: "Came back (UTC)", Kind: Moment}}}
	for _, r := range l.Comebacks {
		s.Rows = append(s.Rows, []any{r.Action, r.Component, r.BoardSerial, r.JobNumber, r.At, r.Comeback.JobNumber, r.Comeback.At})
	}
	return s
}

func monthSheet(d shop.RecurrenceDetail) Sheet {
	s := Sheet{Name: "Months", Columns: []Column{{Title: "Month (UTC)", Kind: Month}, {Title: "Failures", Kind: Integer}}}
	for _, m := range d.ByMonth {
		// The month is one that the report wrote in this form itself.
		if first, err := time.Parse("2006-01", m.Month); err == nil {
			s.Rows = append(s.Rows, []any{first, m.Count})
		}
	}
	return s
}

// howToRead says what was asked and what the columns mean.
func howToRead(list shop.Recurrence, detail *shop.RecurrenceDetail) Sheet {
	s := Sheet{Name: "How to read", Columns: []Column{{Title: "What", Width: 30}, {Title: "Meaning", Kind: Prose, Width: 110}}}
	add := func(what, format string, args ...any) {
		s.Rows = append(s.Rows, []any{what, fmt.Sprintf(format, args...)})
	}
	q := list.Query
	add("Period", "From %s to %s (UTC), the end not included.", stamp(q.From), stamp(q.End()))
	add("Counted by", "%s", list.Group)
	add("Filter", "%s", cmp.Or(list.Narrowed, "none: all failures and all boards"))
	if detail != nil {
		add("Drill-down", "The sheets after the list are about %s (%s).", detail.Row.Title(), detail.Row.Key)
		if q.ToLastContact {
			add("Followed until", "the last contact with a board, which makes trends look worse and lives shorter than they are.")
		} else {
			add("Followed until", "the end of the period: no news of a board counts as good news.")
		}
	}
	add("Failure", "A fault confirmed in a job within the period, also one that was left unrepaired with a reason.")
	add("Exposure", "%s", map[bool]string{false: "Time in service of the boards that carry the group's thing, from the first contact with a board to the end of the period or to its scrapping; a board-year is 365.25 days.",
		true: "Distance between the odometer readings of the boards that carry the group's thing, in thousand km; before the first and after the last reading it is unknown and counts as none."}[list.Exposure == "distance"])
	add("There when first seen", "Failures that were there when the board, or the thing that failed, was first seen: nobody knows how long they had been coming, so rates and trends leave them out.")
	add("Rate", "Failures over exposure, in %s, without those that were there when first seen. Its bounds are exact for a Poisson count (Garwood 1936), two-sided, 95 %%: few failures give wide bounds.", list.Unit)
	add("Rank", "By the lower 90 %% bound of the rate drawn towards what is usual in the list (gamma prior fitted to all rows), so that one unlucky board does not top the list.")
	add("Bad actor", "A row that fails more than all the others together: exact one-sided test of two Poisson rates, p corrected for the number of rows (Benjamini and Hochberg, 5 %%). Empty: not shown to be one.")
	add("Trend", "%s", cmp.Or(list.TrendNote, "The period has not begun."))
	add("Comebacks", "Failures whose job was a comeback of an earlier one.")
	if detail != nil {
		add("Laplace", "Normal deviate of the failures' times, boards pooled; above 0 when they come more often as time goes on. Failures that were there when observation began have no age and are left out.")
		add("Power-law shape", "Exponent of a power-law process (IEC 61164): above 1 failures come more often with age, below 1 more rarely.")
		add("Mean cumulative function", "Failures that one board has had by an age, with bounds from how boards differ (Lawless and Nadeau 1995).")
		add("Kaplan-Meier", "Share that is still without a failure (or holds after the repair) at an age; bounds log-log, 95 %%.")
		add("Weibull, B10", "Maximum likelihood with likelihood-ratio bounds, 95 %%; one in ten has failed by the B10 life. Ages are in %s.", detail.Life.AgeUnit)
	}
	add("Empty cells", "What cannot be estimated, or has no bound.")
	return s
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") }
