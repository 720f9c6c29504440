package store_test

import (
	"testing"

	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// returned is a job handed back on a day.
func (b *bench) returned(day float64) shop.Job {
	b.t.Helper()
	j := b.openJob(b.board.ID, days(day-1), nil)
	b.move(&j, shop.Returned, days(day))
	return j
}

func lessonOf(j shop.Job, day float64) *shop.JobLesson {
	return &shop.JobLesson{JobID: j.ID, JobNumber: j.Number, Verdict: shop.Taught, On: days(day), At: days(day + 30),
		Body: learning.Lesson{Causes: []learning.CauseCount{{Cause: "gasket_set", Present: 1.0 / 3, Resolved: 0.1 + 0.2}},
			Links: []learning.LinkCount{{Cause: "gasket_set", Finding: "s:wet", Levels: []learning.LevelCount{{Level: "absent", Count: 1e-17}}, Resolved: 1}}},
		Forecasts: shop.Forecasts{List: []shop.CauseForecast{{Cause: "gasket_set", P: 0.7, Happened: true}}, Missed: 1}}
}

func TestLearningIsKeptToTheLastDigit(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s, id := b.store, b.shop.ID
	empty, err := s.Learning(b.ctx, id)
	b.ok(err)
	if empty.Version != 0 || empty.State != nil || empty.Totals.Jobs != 0 || len(empty.Decisions) != 0 {
		t.Errorf("a new shop has learned %+v", empty)
	}
	if st, err := s.NewestLearned(b.ctx, id); st != nil || err != nil {
		t.Errorf("%+v, %v", st, err)
	}
	j := b.returned(-60)
	l := lessonOf(j, -60)
	var totals learning.Totals
	totals.Add(20000.1, l.Body)
	state := &shop.LearnedState{Number: 1, LibraryID: b.library.ID, Jobs: 1, AsOf: days(-60), At: t0, Body: shop.LearnedNumbers{
		Priors: []shop.LearnedPrior{{Cause: "gasket_set", P: 0.1 + 0.2}},
		Links:  []shop.LearnedLink{{Cause: "gasket_set", Finding: "s:wet", Levels: []string{"absent", "present"}, P: []float64{1.0 / 3, 2.0 / 3}}}}}
	said := shop.LearningDecision{ID: newID(), Subject: "gasket_set", Accepted: true, Levels: []string{"present"}, Expert: []float64{0.1},
		Learned: []float64{0.1 + 0.2}, Jobs: 6.5, Reason: "we see it weekly", At: t0, By: "Kim"}
	audit := b.audit("learning.accept", id)
	b.ok(s.ChangeLearning(b.ctx, id, shop.LearningChange{Totals: totals, Lesson: l, State: state, Decision: &said, Audit: &audit}))

	got, err := s.Learning(b.ctx, id)
	b.ok(err)
	same(t, got, shop.LearningFile{Version: 1, Totals: totals, Decisions: []shop.LearningDecision{said}, State: state})
	st, err := s.LearnedState(b.ctx, id, 1)
	b.ok(err)
	same(t, &st, state)
	newest, err := s.NewestLearned(b.ctx, id)
	b.ok(err)
	same(t, newest, state)
	lessons, err := s.Lessons(b.ctx, id, 0)
	b.ok(err)
	same(t, lessons, []shop.JobLesson{*l})
	forecasts, verdicts, err := s.Forecasts(b.ctx, id)
	b.ok(err)
	same(t, forecasts, []shop.Forecasts{l.Forecasts})
	same(t, verdicts, map[shop.Verdict]int{shop.Taught: 1})
	if yes, err := s.LessonExists(b.ctx, id, j.ID); !yes || err != nil {
		t.Errorf("%t, %v", yes, err)
	}
	_, err = s.LearnedState(b.ctx, id, 2)
	refused(t, err, problem.NotFound, "")

	// A job begun now names the state, and gets it back.
	n := b.newJob(b.board.ID, t0, nil)
	n.Job.Learned = ptr(1)
	opened, err := s.AddJob(b.ctx, id, n)
	b.ok(err)
	f, err := s.JobFile(b.ctx, id, opened.ID)
	b.ok(err)
	same(t, f.Job.Learned, ptr(1))
}

func TestChangeLearningIsGuarded(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s, id := b.store, b.shop.ID
	j := b.returned(-60)
	b.ok(s.ChangeLearning(b.ctx, id, shop.LearningChange{Lesson: lessonOf(j, -60)}))
	// Whoever read before that must read again, and nothing of theirs is written.
	k := b.returned(-50)
	refused(t, s.ChangeLearning(b.ctx, id, shop.LearningChange{Lesson: lessonOf(k, -50)}), problem.Stale, "")
	if yes, err := s.LessonExists(b.ctx, id, k.ID); yes || err != nil {
		t.Errorf("%t, %v", yes, err)
	}
	// A job is judged once, and what came with the second judgement is not written either.
	refused(t, s.ChangeLearning(b.ctx, id, shop.LearningChange{Version: 1, Lesson: lessonOf(j, -60), Totals: learning.Totals{Jobs: 2}}), problem.Conflict, "")
	f, err := s.Learning(b.ctx, id)
	b.ok(err)
	if f.Version != 1 || f.Totals.Jobs != 0 {
		t.Errorf("after a refused judgement: %+v", f)
	}
	b.ok(s.ChangeLearning(b.ctx, id, shop.LearningChange{Version: 1, Lesson: lessonOf(k, -50)}))
	lessons, err := s.Lessons(b.ctx, id, 1)
	b.ok(err)
	if len(lessons) != 1 || lessons[0].JobID != k.ID {
		t.Errorf("the newest is %+v", lessons)
	}
}

func TestDueForLearning(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s, id := b.store, b.shop.ID
	mended := func(day float64) shop.Job {
		j := b.openJob(b.board.ID, days(day-1), nil)
		f := b.confirm(&j, "motor_connector", days(day-0.5), nil)
		b.mend(&j, f.ID, "clean", days(day-0.4))
		b.move(&j, shop.Returned, days(day))
		return j
	}
	first, second := mended(-90), mended(-60)
	b.returned(-55) // Nothing was repaired.
	mended(-10)     // Too soon.
	due, err := s.DueForLearning(b.ctx, id, days(-30))
	b.ok(err)
	same(t, due, []shop.ID{first.ID, second.ID})
	b.ok(s.ChangeLearning(b.ctx, id, shop.LearningChange{Lesson: lessonOf(first, -90)}))
	due, err = s.DueForLearning(b.ctx, id, days(-30))
	b.ok(err)
	same(t, due, []shop.ID{second.ID})
}

// Nothing of what one shop learned is seen or moved by another.
func TestShopsLearnApart(t *testing.T) {
	t.Parallel()
	a := setup(t)
	b := newBench(t, a.store, "second")
	s := a.store
	j := a.returned(-60)
	a.ok(s.ChangeLearning(a.ctx, a.shop.ID, shop.LearningChange{Lesson: lessonOf(j, -60), State: &shop.LearnedState{LibraryID: a.library.ID, AsOf: t0, At: t0}}))
	f, err := s.Learning(b.ctx, b.shop.ID)
	b.ok(err)
	lessons, err := s.Lessons(b.ctx, b.shop.ID, 0)
	b.ok(err)
	forecasts, verdicts, err := s.Forecasts(b.ctx, b.shop.ID)
	b.ok(err)
	if f.Version+len(lessons)+len(forecasts)+len(verdicts) > 0 || f.State != nil {
		t.Error("the second shop reads what the first learned")
	}
	_, err = s.LearnedState(b.ctx, b.shop.ID, 1)
	refused(t, err, problem.NotFound, "")
	refused(t, s.ChangeLearning(b.ctx, b.shop.ID, shop.LearningChange{Lesson: lessonOf(j, -60)}), problem.NotFound, "")
	n := b.newJob(b.board.ID, t0, nil)
	n.Job.Learned = ptr(1)
	_, err = s.AddJob(b.ctx, b.shop.ID, n)
	refused(t, err, problem.Invalid, "learned_state")
}
