package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

// valveSeatText is the valve seat data of Nelson and Doganaksoy 1989 (survival::valveSeat
// of R): engine, ages in days of replacements, and last the age at the end.
const valveSeatText = `251: 761; 252: 759; 327: 98 667; 328: 326 653 653 667; 329: 665; 330: 84 667; 331: 87 663; 389: 646 653; 390: 92 653; 391: 651;
392: 258 328 377 621 650; 393: 61 539 648; 394: 254 276 298 640 644; 395: 76 538 642; 396: 635 641; 397: 349 404 561 649; 398: 631; 399: 596;
400: 120 479 614; 401: 323 449 582; 402: 139 139 589; 403: 593; 404: 573 589; 405: 165 408 604 606; 406: 249 594; 407: 344 497 613;
408: 265 586 595; 409: 166 206 348 389; 410: 601; 411: 410 581 601; 412: 611; 413: 608; 414: 587; 415: 367 603; 416: 202 563 570 585;
417: 587; 418: 578; 419: 578; 420: 586; 421: 585; 422: 582`

// eventsCSV makes the table of units written as above.
func eventsCSV(text string) string {
	var b strings.Builder
	b.WriteString("unit,time,event\n")
	for unit := range strings.SplitSeq(text, ";") {
		name, ages, _ := strings.Cut(strings.TrimSpace(unit), ":")
		list := strings.Fields(ages)
		for i, age := range list {
			event := 1
			if i == len(list)-1 {
				event = 0
			}
			fmt.Fprintf(&b, "%s,%s,%d\n", name, age, event)
		}
	}
	return b.String()
}

// eventsWire has the names of the contract.
type eventsWire struct {
	Units    int
	Events   int
	Exposure float64
	Rate     struct{ Estimate, Lower, Upper *float64 }
	MCF      []struct {
		Time                  float64
		MCF, SE, Lower, Upper *float64
	}
	Laplace  struct{ Z, P *float64 }
	PowerLaw struct {
		Shape, Scale, Chi2, P *float64
		ShapeLower            *float64 `json:"shape_lower"`
		DF                    *int
		Bounds, Note          string
		Unbiased              struct{ Shape, MTBF *float64 }
	} `json:"power_law"`
	WithoutExposure int `json:"units_without_exposure"`
	ByUnit          []struct {
		Unit   string
		Events int
		Rate   struct{ Estimate *float64 }
	} `json:"by_unit"`
}

// eventsOf runs `reliability events --json` and reads the answer.
func eventsOf(t *testing.T, text string, flags ...string) (answer eventsWire) {
	t.Helper()
	status, out, errOut := call(t, append([]string{"reliability", "events", "--json", "--csv", writeCSV(t, text)}, flags...)...)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errOut)
	}
	if err := json.Unmarshal([]byte(out), &answer); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return answer
}

func figureIs(t *testing.T, name string, got *float64, want, tolerance float64) {
	t.Helper()
	if got == nil || !(math.Abs(*got-want) <= tolerance) {
		t.Errorf("%s: %v, want %v", name, got, want)
	}
}

func TestReliabilityEventsOfValveSeats(t *testing.T) {
	t.Parallel()
	a := eventsOf(t, eventsCSV(valveSeatText))
	if a.Units != 41 || a.Events != 48 || a.Exposure != 25363 || len(a.ByUnit) != 0 {
		t.Errorf("%d units, %d events, exposure %v", a.Units, a.Events, a.Exposure)
	}
	// Mean cumulative function and its standard error at the last step: R 4.2.2, from the
	// formula of Lawless and Nadeau 1995.
	last := a.MCF[len(a.MCF)-1]
	figureIs(t, "mcf", last.MCF, 1.542688, 6e-7)
	figureIs(t, "se", last.SE, .311656, 6e-7)
	figureIs(t, "lower", last.Lower, 1.542688*math.Exp(-1.959964*.311656/1.542688), 2e-6)
	figureIs(t, "rate", a.Rate.Estimate, 48./25363, 1e-15)
	// R 4.2.2; testdata/reference/events.R.
	figureIs(t, "shape", a.PowerLaw.Shape, 1.39957932, 1e-7)
	figureIs(t, "shape, lower", a.PowerLaw.ShapeLower, 1.04209756, 1e-7)
	figureIs(t, "chi2", a.PowerLaw.Chi2, 66.1483537, 1e-6)
	figureIs(t, "p", a.PowerLaw.P, 2*.00865240, 1e-7)
	figureIs(t, "Laplace", a.Laplace.Z, 2.37869278, 1e-7)
	if a.PowerLaw.DF == nil || *a.PowerLaw.DF != 96 || a.PowerLaw.Bounds != "likelihood_ratio" {
		t.Errorf("%+v", a.PowerLaw)
	}
	if b := eventsOf(t, eventsCSV(valveSeatText), "--by-unit"); len(b.ByUnit) != 41 || b.ByUnit[3].Unit != "328" || b.ByUnit[3].Events != 3 {
		t.Errorf("by unit: %+v", b.ByUnit)
	}
}

func TestReliabilityEventsOfOneUnit(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook, sections 8.2.3.4 and 8.4.5.2.
	a := eventsOf(t, eventsCSV("rig: 5 40 43 175 389 712 747 795 1299 1478 1500"))
	figureIs(t, "Laplace", a.Laplace.Z, -1.326949, 6e-7)
	figureIs(t, "Laplace, p", a.Laplace.P, 2*.092263, 2e-6)
	figureIs(t, "chi2", a.PowerLaw.Chi2, 37.22808, 6e-6)
	figureIs(t, "shape", a.PowerLaw.Shape, .537229, 6e-7)
	figureIs(t, "scale", a.PowerLaw.Scale, .196658, 6e-7)
	figureIs(t, "unbiased shape", a.PowerLaw.Unbiased.Shape, .483506, 6e-7)
	figureIs(t, "unbiased MTBF", a.PowerLaw.Unbiased.MTBF, 310.234, 6e-4)
	// One unit has no other to differ from: a mean without bounds.
	if m := a.MCF[9]; m.Time != 1478 || *m.MCF != 10 || m.SE != nil || m.Lower != nil {
		t.Errorf("%+v", m)
	}
}

func TestReliabilityEventsAtTheEnd(t *testing.T) {
	t.Parallel()
	text := "unit,time,event\na,1,1\na,2,1\na,4,1\na,8,1\na,8,0\n"
	a, b := eventsOf(t, text), eventsOf(t, text, "--time-truncated")
	if *a.PowerLaw.DF != 6 || *b.PowerLaw.DF != 8 || *a.PowerLaw.Chi2 != *b.PowerLaw.Chi2 {
		t.Errorf("degrees of freedom %d and %d, want 6 and 8", *a.PowerLaw.DF, *b.PowerLaw.DF)
	}
	if len(a.MCF) != 4 || *a.MCF[3].MCF != 4 {
		t.Errorf("the repair at the end is not counted: %+v", a.MCF)
	}
}

func TestReliabilityEventsOfFewEvents(t *testing.T) {
	t.Parallel()
	a := eventsOf(t, "unit,time,event\na,100,0\nb,300,0\nc,0,0\n")
	figureIs(t, "rate", a.Rate.Estimate, 0, 0)
	figureIs(t, "upper", a.Rate.Upper, 3.688879/400, 1e-8) // Garwood 1936
	if a.Units != 3 || a.WithoutExposure != 1 || a.MCF == nil || len(a.MCF) != 0 || a.Laplace.Z != nil || a.PowerLaw.Shape != nil || a.PowerLaw.Note == "" {
		t.Errorf("%+v", a)
	}
	if a = eventsOf(t, "unit,time,event\na,0,0\n"); a.Rate.Estimate != nil || a.Units != 1 {
		t.Errorf("%+v", a)
	}
	a = eventsOf(t, "event;unit;entry;time\n1;a;10,5;12\n0;a;10,5;20,5\n")
	if a.Exposure != 10 || a.Events != 1 {
		t.Errorf("a unit that came late: %+v", a)
	}
}

func TestReliabilityEventsNamesEveryMistake(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ name, text, want string }{
		{"nothing", "", "empty"},
		{"no rows", "unit,time,event\n", "no rows"},
		{"unknown column", "unit,time,event,colour\na,1,0,x\n", "line 1, column 17 (colour)"},
		{"missing column", "unit,time\na,1\n", "event is missing"},
		{"no number", "unit,time,event\na,soon,1\na,9,0\n", "line 2, column 3 (time)"},
		{"no finite number", "unit,time,event\na,NaN,1\na,9,0\n", "line 2, column 3 (time)"},
		{"negative", "unit,time,event\nab,-4,1\nab,9,0\n", "line 2, column 4 (time)"},
		{"at no age", "unit,time,event\na,0,1\na,9,0\n", "must lie after the beginning"},
		{"after the end", "unit,time,event\na,9,0\na,11,1\n", "line 3, column 3 (time): the repair of unit \"a\" at 11 lies after its end"},
		{"no end", "unit,time,event\na,9,0\nb,11,1\nb,12,1\n", "line 3, column 1 (unit): unit \"b\" has no end"},
		{"two ends", "unit,time,event\na,9,0\na,11,0\n", "line 3, column 6 (event): is a second end of observation of unit \"a\"; the first is in line 2"},
		{"bad event", "unit,time,event\na,9,yes\na,9,0\n", "line 2, column 5 (event)"},
		{"no unit", "unit,time,event\n ,9,0\n", "line 2, column 1 (unit)"},
		{"short row", "unit,time,event\na,9\na,9,0\n", "line 2: has 2 fields"},
		{"bad end", "unit,time,event\na,3,1\na,x,0\n", "line 3, column 3 (time)"},
		{"entry after end", "unit,time,event,entry\na,9,0,10\n", "before its entry"},
		{"two entries", "unit,time,event,entry\na,8,1,3\na,9,0,4\n", "line 3, column 7 (entry)"},
		{"bad entry", "unit,time,event,entry\na,8,1,-3\na,9,0,0\n", "line 2, column 7 (entry)"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			status, out, errOut := call(t, "reliability", "events", "--csv", writeCSV(t, tc.text), "--json")
			if status != 1 || out != "" || !strings.Contains(errOut, tc.want) {
				t.Errorf("status %d, standard output %q, standard error:\n%s\nwant %q", status, out, errOut, tc.want)
			}
			if strings.Count(errOut, "\n  ") > 1 && tc.name != "missing column" {
				t.Errorf("one mistake is named more than once:\n%s", errOut)
			}
		})
	}
	for _, args := range [][]string{{}, {"--csv", "nowhere.csv"}, {"--csv", writeCSV(t, "unit,time,event\na,1,0\n"), "--confidence", "1"}} {
		if status, _, errOut := call(t, append([]string{"reliability", "events"}, args...)...); status != 2 {
			t.Errorf("%v: status %d, %s", args, status, errOut)
		}
	}
}

func TestReliabilityEventsForPeople(t *testing.T) {
	t.Parallel()
	root := newRoot()
	var out bytes.Buffer
	root.SetArgs([]string{"reliability", "events", "--csv", "-", "--by-unit"})
	root.SetIn(strings.NewReader(eventsCSV(valveSeatText)))
	root.SetOut(&out)
	if err := root.ExecuteContext(context.Background()); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"41 units, 48 events, exposure 25363", "1.5427", "Laplace", "shape 1.3996", "328: 3 events"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}

// FuzzReliabilityEvents: any table is either refused with its mistakes named or gives
// an answer that is JSON and words.
func FuzzReliabilityEvents(f *testing.F) {
	f.Add("unit,time,event\na,1,1\na,1,1\na,4,0\n")
	f.Add("event;unit;entry;time\n1;a;10,5;12\n0;a;10,5;20,5\n")
	f.Add("unit,time,event\na,1e308,1\na,1e308,0\nb,1e-308,1\nb,1e-300,0\n")
	f.Add("unit,time,event\na,5,0\nb,0,0\n")
	f.Fuzz(func(t *testing.T, text string) {
		names, events, err := readEvents(strings.NewReader(text), true)
		if err != nil {
			if !problem.Is(err, problem.Invalid) {
				t.Fatalf("not an error about the table: %v", err)
			}
			return
		}
		answer, err := eventsAnswer(names, events, eventsOptions{confidence: .9, byUnit: true})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(answer); err != nil {
			t.Fatal(err)
		}
		if err := printEvents(io.Discard, answer); err != nil {
			t.Fatal(err)
		}
	})
}
