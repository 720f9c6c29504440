package shop_test

import (
	"context"
	"math"
	"reflect"
	"strconv"
	"sync"
	"testing"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store"
)

const month = 31 * 24 * time.Hour

// visit takes a board through a whole repair and hands it back.
func (h *house) visit(b shop.Board, km float64, cause string) shop.Job {
	h.t.Helper()
	job := h.job(b, km, shop.JobInput{Complaint: "Flat."})
	h.move(job.ID, shop.Diagnosing, "")
	h.observe(job.ID, shop.ObservationInput{Measurement: "pack_heat_triage", Outcome: "normal"})
	fault := ok[shop.Fault](h.t)(h.ConfirmFault(h.ctx, h.technician, job.ID, shop.FaultInput{Cause: cause}))
	h.move(job.ID, shop.Repairing, "")
	h.must(h.Repair(h.ctx, h.technician, job.ID, shop.RepairInput{FaultID: fault.ID, Action: "Mended it", Minutes: 10}))
	h.move(job.ID, shop.Verifying, "")
	h.close(job.ID)
	h.move(job.ID, shop.Ready, "")
	return h.move(job.ID, shop.Returned, "")
}

func (h *house) number(subject string) shop.LearnedNumber {
	h.t.Helper()
	v := ok[shop.LearnedView](h.t)(h.Learned(h.ctx, h.owner))
	for _, n := range v.Numbers {
		if n.Subject == subject {
			return n
		}
	}
	h.t.Fatalf("there is no number %s", subject)
	return shop.LearnedNumber{}
}

// Seven boards with the same fault, one of which comes back: six teach. What
// they teach waits for the owner, is used once accepted, and a job that was
// begun before goes on as it was.
func TestJobsTeachTheNextOnes(t *testing.T) {
	h := setup(t)
	const cause = "tyre_puncture"
	var boards []shop.Board
	var jobs []shop.Job
	for i := range 7 {
		b, _ := h.board("LT-" + strconv.Itoa(i))
		boards, jobs = append(boards, b), append(jobs, h.visit(b, 200, cause))
	}
	// Too early, then one comes back within the time.
	again := ok[time.Time](t)(h.LearnFromJob(h.ctx, h.owner, jobs[0].ID))
	if !again.Equal(jobs[0].ClosedAt.Add(shop.LearningWait)) {
		t.Errorf("asked again at %v, handed back at %v", again, jobs[0].ClosedAt)
	}
	h.wait(10 * 24 * time.Hour)
	back := h.job(boards[6], 210, shop.JobInput{})
	h.move(back.ID, shop.Diagnosing, "")
	h.must(h.ConfirmFault(h.ctx, h.technician, back.ID, shop.FaultInput{Cause: "tyre_worn"}))
	h.wait(month)
	if n := ok[int](t)(h.LearnDue(h.ctx, h.owner)); n != 7 {
		t.Errorf("%d jobs were judged, want 7", n)
	}
	if n := ok[int](t)(h.LearnDue(h.ctx, h.owner)); n != 0 {
		t.Errorf("%d jobs were judged twice", n)
	}
	v := ok[shop.LearnedView](t)(h.Learned(h.ctx, h.technician))
	if v.Jobs != 6 || v.Verdicts[shop.Taught] != 6 || v.Verdicts[shop.Comeback] != 1 || v.AsOf == nil || len(v.Lessons) != 7 {
		t.Fatalf("%d jobs, %v, as of %v, %d lessons", v.Jobs, v.Verdicts, v.AsOf, len(v.Lessons))
	}
	if l := v.Lessons[0]; l.Verdict != shop.Comeback || *l.LaterJob != back.ID {
		t.Errorf("the last one came back: %+v", l)
	}
	n := h.number(cause)
	want := (20*0.03 + 6) / 26
	if n.Status != learning.Waiting || math.Abs(n.Levels[0].Learned-want) > 1e-3 || n.Levels[0].Used != 0.03 || len(n.From) != 6 {
		t.Errorf("%+v, want %v waiting, from six jobs", n, want)
	}

	// A job begun now uses the library's number, and goes on doing so.
	c, _ := h.board("LT-before")
	before := h.job(c, 150, shop.JobInput{})
	first := ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, before.ID))
	h.decide(cause)
	d, _ := h.board("LT-after")
	after := h.job(d, 150, shop.JobInput{})
	second := ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, after.ID))
	if p := prior(first, cause); p != 0.03 {
		t.Errorf("before it was accepted the prior is %v", p)
	}
	if p := prior(second, cause); math.Abs(p-want) > 1e-3 || second.LearnedState == nil {
		t.Errorf("after it was accepted the prior is %v, state %v", p, second.LearnedState)
	}
	if repeat := ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, before.ID)); !reflect.DeepEqual(repeat, first) {
		t.Error("the diagnosis of a job begun before has changed")
	}
	h.rebuild()
	h.reject(cause)
	cal := ok[shop.CalibrationView](t)(h.Calibration(h.ctx, h.technician))
	if cal.Jobs != 6 || cal.LeftOut != 1 || cal.N < 6 || cal.Leading.Jobs != 6 {
		t.Errorf("%+v", cal)
	}
}

func prior(d shop.Diagnosis, cause string) float64 {
	for _, c := range d.Causes {
		if c.ID == cause {
			return c.Prior
		}
	}
	return math.NaN()
}

func (h *house) decide(cause string) {
	t := h.t
	t.Helper()
	_, err := h.DecideLearned(h.ctx, h.technician, cause, true, "we see it")
	refused(t, err, problem.Forbidden, "")
	_, err = h.DecideLearned(h.ctx, h.owner, cause, true, " ")
	refused(t, err, problem.Invalid, "reason")
	_, err = h.DecideLearned(h.ctx, h.owner, "no_such_cause", true, "we see it")
	refused(t, err, problem.NotFound, "")
	_, err = h.DecideLearned(h.ctx, h.owner, "bms_dead", true, "we see it")
	refused(t, err, problem.Conflict, "subject")
	got := ok[shop.LearningDecision](t)(h.DecideLearned(h.ctx, h.owner, cause, true, "Nails on the cycle path."))
	if !got.Accepted || got.By != h.owner.Name || got.Expert[0] != 0.03 || got.Jobs < 5 {
		t.Errorf("%+v", got)
	}
	if n := h.number(cause); n.Status != learning.Accepted || n.Levels[0].Used != n.Levels[0].Learned {
		t.Errorf("%+v", n.Number)
	}
	log := ok[shop.List[shop.AuditEvent]](t)(h.Audit(h.ctx, h.owner, h.shop.ID, shop.Page{}))
	if log.Items[0].Action != "learning.accept" || log.Items[0].Detail["subject"] != cause {
		t.Errorf("the log says %+v", log.Items[0])
	}
}

func (h *house) reject(cause string) {
	t := h.t
	t.Helper()
	h.must(h.DecideLearned(h.ctx, h.owner, cause, false, "That was one summer."))
	if n := h.number(cause); n.Status != learning.Rejected || n.Levels[0].Used != 0.03 {
		t.Errorf("%+v", n.Number)
	}
	v := ok[shop.LearnedView](t)(h.Learned(h.ctx, h.owner))
	if len(v.Decisions) != 2 || v.Decisions[0].Accepted || v.Decisions[0].Reason != "That was one summer." {
		t.Errorf("%+v", v.Decisions)
	}
}

// rebuild makes the sums anew and finds the same numbers.
func (h *house) rebuild() {
	t := h.t
	t.Helper()
	before := ok[shop.LearnedView](t)(h.Learned(h.ctx, h.owner))
	if got := ok[shop.LearningRebuild](t)(h.RebuildLearning(h.ctx, h.owner)); got != (shop.LearningRebuild{Lessons: before.Jobs}) {
		t.Errorf("rebuilt %+v, want %d lessons and nothing moved", got, before.Jobs)
	}
	after := ok[shop.LearnedView](t)(h.Learned(h.ctx, h.owner))
	if len(before.Numbers) != len(after.Numbers) || len(before.Numbers) < 10 {
		t.Fatalf("%d numbers before, %d after", len(before.Numbers), len(after.Numbers))
	}
	for i := range before.Numbers {
		x, y := before.Numbers[i], after.Numbers[i]
		for z := range x.Levels {
			if x.Subject != y.Subject || math.Abs(x.Levels[z].Learned-y.Levels[z].Learned) > 1e-12 || math.Abs(x.Jobs-y.Jobs) > 1e-12 {
				t.Errorf("%s: %v incrementally, %v rebuilt (%s)", x.Subject, x.Levels[z].Learned, y.Levels[z].Learned, y.Subject)
			}
		}
	}
}

// Several servers judge the same jobs at the same moment: each counts once.
func TestServersAtTheSameMomentCountOnce(t *testing.T) {
	h := setup(t)
	var jobs []shop.Job
	for i := range 3 {
		b, _ := h.board("CC-" + strconv.Itoa(i))
		jobs = append(jobs, h.visit(b, 200, "tyre_worn"))
	}
	h.wait(month)
	var all sync.WaitGroup
	for range 4 {
		for _, j := range jobs {
			all.Go(func() {
				if again, err := h.LearnFromJob(h.ctx, h.owner, j.ID); err != nil || !again.IsZero() {
					t.Errorf("again %v, %v", again, err)
				}
			})
		}
	}
	all.Wait()
	v := ok[shop.LearnedView](t)(h.Learned(h.ctx, h.owner))
	if n := h.number("tyre_worn"); v.Jobs != 3 || math.Abs(n.Jobs-3) > 1e-3 || n.Status != learning.ExpertPrior {
		t.Errorf("%d jobs, %v effective, %s", v.Jobs, n.Jobs, n.Status)
	}
}

// The queue does it all by itself: what was handed back long ago is judged, the
// rest waits.
func TestQueueTeaches(t *testing.T) {
	h := setupAt(t, time.Now().Add(-2*month))
	b, _ := h.board("QT-1")
	old := h.visit(b, 200, "tyre_worn")
	h.wait(2 * month)
	c, _ := h.board("QT-2")
	h.visit(c, 200, "tyre_worn")

	done := make(chan shop.ID, 10)
	w, err := h.store.Work(h.ctx, func(ctx context.Context, shopID, id shop.ID) (time.Time, error) {
		again, err := h.LearnFromJob(ctx, shop.Learner(shopID), id)
		done <- id
		return again, err
	}, store.WorkOptions{Poll: 20 * time.Millisecond, Quick: true})
	if err != nil {
		t.Fatal(err)
	}
	select {
	case id := <-done:
		if id != old.ID {
			t.Errorf("judged %s, want %s", id, old.ID)
		}
	case <-time.After(2 * time.Minute):
		t.Fatal("nothing was judged")
	}
	if err := w.Stop(h.ctx); err != nil {
		t.Fatal(err)
	}
	v := ok[shop.LearnedView](t)(h.Learned(h.ctx, h.owner))
	if v.Jobs != 1 || v.Queue.Waiting != 1 || v.Queue.Next == nil {
		t.Errorf("%d jobs, queue %+v", v.Jobs, v.Queue)
	}
}

// Another edition is another prior: what was learned is set against it, and no
// job uses numbers made for the old one.
func TestLearningFollowsTheLibrary(t *testing.T) {
	h := setup(t)
	for i := range 6 {
		b, _ := h.board("LL-" + strconv.Itoa(i))
		h.visit(b, 200, "tyre_worn")
	}
	h.wait(month)
	h.must(h.LearnDue(h.ctx, h.owner))
	h.must(h.DecideLearned(h.ctx, h.owner, "tyre_worn", true, "as we see it"))
	_, v, err := h.Library(h.ctx, h.owner)
	if err != nil {
		t.Fatal(err)
	}
	edited := append(faultlib.Embedded(), []byte("\n# the shop's own copy\n")...)
	newer, _, err := h.ImportLibrary(h.ctx, h.owner, edited, "a copy")
	if err != nil || newer.ID == v.ID {
		t.Fatal(err)
	}
	b, _ := h.board("LL-next")
	job := h.job(b, 110, shop.JobInput{})
	d := ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, job.ID))
	if d.LearnedState == nil || d.LibraryVersion.ID != newer.ID || prior(d, "tyre_worn") < 0.2 {
		t.Errorf("state %v of library %d, prior %v", d.LearnedState, d.LibraryVersion.Number, prior(d, "tyre_worn"))
	}
}
