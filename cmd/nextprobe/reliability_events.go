package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"nextprobe/internal/reliability"
)

// eventsOptions are the flags of `reliability events`.
type eventsOptions struct {
	csv           string
	json          bool
	confidence    float64
	timeTruncated bool
	byUnit        bool
}

func reliabilityEventsCommand() *cobra.Command {
	var o eventsOptions
	cmd := &cobra.Command{
		Use: "events --csv FILE", Args: cobra.NoArgs,
		Short: "Rate, mean cumulative function and trend of repairs that come again and again",
		Long: `Reads a CSV file with the columns unit,time,event[,entry], in any order of rows:
  unit   any text: the board, the connector
  time   age of the unit, 0 or above, in any unit
  event  1 a repair, 0 the end of observation, once for each unit
  entry  age at which the unit came under observation (0 when observed from new)
A unit whose last repair falls on its end of observation is taken to have been
observed until that repair: tests for a trend leave the repair out
(--time-truncated: its end was fixed beforehand). p is two-sided throughout.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := checkConfidence(o.confidence); err != nil {
				return err
			}
			in, err := openCSV(cmd, o.csv)
			if err != nil {
				return err
			}
			defer in.Close()
			names, events, err := readEvents(in, !o.timeTruncated)
			if err != nil {
				return err
			}
			answer, err := eventsAnswer(names, events, o)
			if err != nil {
				return err
			}
			return printAnswer(cmd, o.json, answer, printEvents)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.csv, "csv", "", "CSV file, or - for standard input")
	f.BoolVar(&o.json, "json", false, "print JSON")
	f.Float64Var(&o.confidence, "confidence", .95, "confidence of all bounds")
	f.BoolVar(&o.timeTruncated, "time-truncated", false, "every end of observation was fixed beforehand, also where it falls on a repair")
	f.BoolVar(&o.byUnit, "by-unit", false, "give rate and trend of each unit too")
	return cmd
}

// eventRow is a row of the table that must be judged together with others.
type eventRow struct {
	unit, line, column int
	age                float64
}

// unitRows collects the rows of one unit.
type unitRows struct {
	reliability.Unit
	line, column int // of its name where it first stands
	ended        int // line of its end, 0 before that is read
	entered      bool
}

// readEvents reads the table into units, in the order in which they first stand there.
// With atRepair, a unit that ends on a repair is marked as failure-truncated.
func readEvents(in io.Reader, atRepair bool) (names []string, events *reliability.Events, err error) {
	t, err := openTable(in, []string{"unit", "time", "event"}, []string{"entry"})
	if err != nil {
		return nil, nil, err
	}
	var units []unitRows
	var repairs []eventRow
	places := map[string]int{}
	for {
		more, err := t.next()
		if err != nil {
			return nil, nil, err
		}
		if !more {
			break
		}
		name := t.text("unit")
		if name == "" {
			t.wrong("unit", "is empty; the name of a unit belongs here")
			continue
		}
		place, there := places[name]
		if !there {
			// A row's text shares its memory with the whole row.
			name = strings.Clone(name)
			place = len(units)
			places[name] = place
			names = append(names, name)
			u := unitRows{}
			u.line, u.column = t.reader.FieldPos(t.at["unit"])
			units = append(units, u)
		}
		if repair, is := readEvent(t, name, &units[place]); is {
			repair.unit = place
			repairs = append(repairs, repair)
		}
	}
	if len(units) == 0 && t.complaint() == nil {
		t.note("line 2", "there are no rows below the header")
	}
	joinEvents(t, names, units, repairs)
	if err := t.complaint(); err != nil {
		return nil, nil, err
	}
	plain := make([]reliability.Unit, len(units))
	for i, u := range units {
		for _, age := range u.Events {
			u.FailureTruncated = u.FailureTruncated || atRepair && age == u.End
		}
		plain[i] = u.Unit
	}
	events, err = reliability.NewEvents(plain)
	return names, events, err
}

// readEvent reads one row. An end and an entry are put into the unit, a repair is
// returned, since its unit's end may stand further down.
func readEvent(t *csvTable, name string, u *unitRows) (repair eventRow, is bool) {
	age, good := t.number("time")
	if good && (!(age >= 0) || math.IsInf(age, 0)) {
		t.wrong("time", "must be 0 or more and finite, is %v", age)
		good = false
	}
	if t.has("entry") {
		readEntry(t, name, u)
	}
	repair.line, repair.column = t.reader.FieldPos(t.at["time"])
	repair.age = age
	switch text := t.text("event"); text {
	case "1":
		return repair, good
	case "0":
		if u.ended > 0 {
			t.wrong("event", "is a second end of observation of unit %q; the first is in line %d", name, u.ended)
			return repair, false
		}
		// An age that is no good has been named: the unit has its end all the same.
		u.ended, u.End = repair.line, age
		if !good {
			u.End = math.Inf(1)
		}
	default:
		t.wrong("event", "must be 1 for a repair or 0 for the end of observation, is %q", text)
	}
	return repair, false
}

func readEntry(t *csvTable, name string, u *unitRows) {
	entry, good := t.number("entry")
	switch {
	case !good:
	case !(entry >= 0) || math.IsInf(entry, 0):
		t.wrong("entry", "must be 0 or more and finite, is %v", entry)
	case u.entered && entry != u.Start:
		t.wrong("entry", "must be the same in all rows of unit %q: %v, is %v", name, u.Start, entry)
	default:
		u.Start, u.entered = entry, true
	}
}

// joinEvents puts the repairs into their units and notes what does not fit together.
func joinEvents(t *csvTable, names []string, units []unitRows, repairs []eventRow) {
	for i, u := range units {
		switch {
		case u.ended == 0:
			t.note(fmt.Sprintf("line %d, column %d (unit)", u.line, u.column),
				fmt.Sprintf("unit %q has no end of observation: a row with event 0 is missing", names[i]))
		case u.End < u.Start:
			t.note(fmt.Sprintf("line %d", u.ended), fmt.Sprintf("the end of observation of unit %q, %v, lies before its entry %v", names[i], u.End, u.Start))
		}
	}
	for _, r := range repairs {
		u := &units[r.unit]
		where := fmt.Sprintf("line %d, column %d (time)", r.line, r.column)
		switch {
		case u.ended > 0 && r.age > u.End:
			t.note(where, fmt.Sprintf("the repair of unit %q at %v lies after its end of observation at %v in line %d", names[r.unit], r.age, u.End, u.ended))
		case r.age <= u.Start:
			t.note(where, fmt.Sprintf("the repair of unit %q at %v must lie after the beginning of its observation at %v", names[r.unit], r.age, u.Start))
		default:
			u.Events = append(u.Events, r.age)
		}
	}
}
