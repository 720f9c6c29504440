package demo_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nextprobe/internal/demo"
	"nextprobe/internal/shop"
	"nextprobe/store/storetest"
)

// today is the demo's present day in this test.
var today = time.Date(2031, time.May, 14, 16, 0, 0, 0, time.UTC)

type filled struct {
	svc   *shop.Service
	owner shop.Actor
	sum   demo.Summary
	clock *demo.Clock
	err   error
}

// again is the number of jobs that the second run makes, to be compared with the
// same jobs of the first. Every job goes through the same steps, so that some show
// what chance would change, and all would take twice as long.
const again = 36

func fill(st shop.Store, jobs int) filled {
	clock := demo.NewClock(today)
	svc := shop.New(st, shop.Options{Now: clock.Now})
	s, err := svc.Setup(context.Background(), "default", "Demo")
	if err != nil {
		return filled{err: err}
	}
	f := filled{svc: svc, owner: shop.Actor{ShopID: s.ID, Name: "demo", Role: shop.Owner}, clock: clock}
	f.sum, f.err = demo.FillFirst(context.Background(), svc, clock, f.owner, today, jobs)
	return f
}

// record is what must come out alike in every run: ids are random, the rest is not.
func (f filled) record(t *testing.T) []string {
	t.Helper()
	var out []string
	cursor := ""
	for {
		l, err := f.svc.Jobs(context.Background(), f.owner, shop.JobFilter{Page: shop.Page{Limit: 200, Cursor: cursor}})
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range l.Items {
			line := fmt.Sprintf("%d %s %s %s %q", j.Job.Number, j.BoardSerial, j.Job.State, j.Job.OpenedAt.Format(time.RFC3339), j.Job.Complaint)
			for _, x := range j.Faults {
				line += fmt.Sprintf(" %s@%.6f", x.Cause, x.Probability)
			}
			out = append(out, line)
		}
		if cursor = l.Next; cursor == "" {
			slices.Reverse(out) // The list has the newest job first.
			return out
		}
	}
}

func TestFillIsDeterministicAndTellsItsStories(t *testing.T) {
	t.Parallel()
	part, st := storetest.New(t), storetest.New(t)
	second := make(chan filled, 1)
	go func() { second <- fill(part, again) }()
	a := fill(st, math.MaxInt)
	b := <-second
	if a.err != nil || b.err != nil {
		t.Fatal(a.err, b.err)
	}
	whole, first := a.record(t), b.record(t)
	if len(first) != again || len(whole) < again || b.sum.Boards != a.sum.Boards || b.sum.Judged == 0 {
		t.Fatalf("%d of %d jobs made again: %+v", len(first), len(whole), b.sum)
	}
	if d := cmp.Diff(whole[:len(first)], first); d != "" {
		t.Errorf("two runs differ:\n%s", d)
	}
	if a.sum.Boards != 60 || a.sum.Jobs < 110 || a.sum.Comebacks != 2 {
		t.Errorf("summary %+v; want 60 boards, at least 110 jobs, two comebacks", a.sum)
	}
	a.everyOpenState(t)
	a.badFamily(t)
	a.sealKit(t)
	a.measuredWith(t)
	again, err := demo.Fill(context.Background(), a.svc, a.clock, a.owner, today)
	if err != nil || !again.Skipped {
		t.Errorf("a second fill: %+v, %v; want skipped", again, err)
	}
}

// everyOpenState: the jobs page must have something to show in each.
func (f filled) everyOpenState(t *testing.T) {
	t.Helper()
	counts, err := f.svc.JobCounts(context.Background(), f.owner)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range shop.States() {
		if counts[s] == 0 {
			t.Errorf("no job is %s", s)
		}
	}
}

// badFamily: the owner must find the connector family that keeps failing at the top.
func (f filled) badFamily(t *testing.T) {
	t.Helper()
	q := shop.RecurrenceQuery{Group: shop.ByConnectorFamily, From: today.AddDate(-1, 0, 0), To: today, Now: today}
	r, err := f.svc.Recurrence(context.Background(), f.owner, q, "time")
	if err != nil {
		t.Fatal(err)
	}
	top := r.Rows[0]
	if top.Key != "Larch-60" || top.Failures < 10 || top.RepeatBoards < 3 {
		t.Errorf("top row is %s with %d failures, %d boards twice; want Larch-60 with 10 or more and 3 or more", top.Key, top.Failures, top.RepeatBoards)
	}
	for _, other := range r.Rows[1:] {
		if *other.Upper >= *top.Rate && other.Key == "Larch-90" {
			t.Errorf("Larch-90 (at most %.2f) does not stand apart from Larch-60 (%.2f)", *other.Upper, *top.Rate)
		}
	}
}

// sealKit: boxes sealed with the cord kit have not leaked again.
func (f filled) sealKit(t *testing.T) {
	t.Helper()
	q := shop.RecurrenceQuery{Group: shop.ByAction, From: today.AddDate(0, -demo.Months, 0), To: today, Now: today}
	r, err := f.svc.Recurrence(context.Background(), f.owner, q, "time")
	if err != nil {
		t.Fatal(err)
	}
	foam, cord := -1, -1
	for _, row := range r.Rows {
		switch {
		case strings.HasPrefix(row.Key, "New foam seal"):
			foam = row.Failures
		case strings.HasPrefix(row.Key, "Silicone cord"):
			cord = row.Failures
		}
	}
	if foam < 2 || cord != 0 {
		t.Errorf("failures after the foam seal %d, after the cord kit %d; want 2 or more, and 0", foam, cord)
	}
}

// measuredWith: the bench must have readings with an instrument to show, some of
// them with one whose calibration had run out, and some not.
func (f filled) measuredWith(t *testing.T) {
	t.Helper()
	ctx := context.Background()
	l, err := f.svc.Instruments(ctx, f.owner)
	if err != nil {
		t.Fatal(err)
	}
	overdue := 0
	for i := range l {
		if l[i].Overdue(today) {
			overdue++
		}
	}
	if len(l) != 3 || overdue != 1 {
		t.Errorf("%d instruments, %d overdue; want 3 and 1", len(l), overdue)
	}
	with, late := 0, 0
	jobs, err := f.svc.Jobs(ctx, f.owner, shop.JobFilter{Page: shop.Page{Limit: 200}})
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range jobs.Items {
		file, err := f.svc.Job(ctx, f.owner, j.Job.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range file.Observations {
			if o.Result == nil || o.Result.Instrument == nil {
				continue
			}
			with++
			if o.Result.Instrument.Overdue {
				late++
				if !strings.Contains(strings.Join(o.Result.Warnings, " "), "Meter 2 (counter): calibration was due") {
					t.Errorf("no warning beside a late reading: %v", o.Result.Warnings)
				}
			}
		}
	}
	if with < 10 || late == 0 || late == with {
		t.Errorf("%d readings with an instrument, %d of them overdue", with, late)
	}
}
