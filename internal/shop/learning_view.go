package shop

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
)

const (
	// lessonsShown bounds the jobs that the page names; older ones still count.
	lessonsShown = 400
	// jobsShown is how many jobs are named behind one number.
	jobsShown = 6
	// leastShare is the least part of a job in a number that is worth naming.
	leastShare = 0.05
	// calibrationBins are ten, a tenth each.
	calibrationBins = 10
)

// LearnedView is what the shop's jobs made of the library's numbers.
type LearnedView struct {
	Library LibraryVersion
	State   *int // the learned state new jobs use; nil: the library's own numbers
	// Jobs counts the jobs that taught, Weight what is left of them after
	// forgetting, AsOf is the day of the newest.
	Jobs   int
	Weight float64
	AsOf   *time.Time
	// Numbers are those that any job told something of: those that wait for the
	// owner first, then by how far they moved.
	Numbers   []LearnedNumber
	Decisions []LearningDecision // newest first
	Lessons   []JobLesson        // newest first, without their bodies
	Verdicts  map[Verdict]int
	Queue     LearningQueue
}

// LearnedNumber is a number with the names people know it by and the jobs behind it.
type LearnedNumber struct {
	learning.Number
	CauseName, FindingName string
	LevelNames             []string // by level
	From                   []LessonShare
}

// LessonShare is a job behind a number with its weight in it, in jobs.
type LessonShare struct {
	JobID     ID
	JobNumber int
	Share     float64
}

// Learned is what the jobs made of the library's numbers.
func (s *Service) Learned(ctx context.Context, a Actor) (LearnedView, error) {
	if err := a.may(mayRead); err != nil {
		return LearnedView{}, err
	}
	ed, err := s.current(ctx, a.ShopID)
	if err != nil {
		return LearnedView{}, err
	}
	f, err := s.store.Learning(ctx, a.ShopID)
	if err != nil {
		return LearnedView{}, err
	}
	lessons, err := s.store.Lessons(ctx, a.ShopID, lessonsShown)
	if err != nil {
		return LearnedView{}, err
	}
	v := LearnedView{Library: ed.version, Jobs: f.Totals.Jobs, Weight: f.Totals.Weight, Lessons: lessons}
	if v.Queue, err = s.store.LearningQueue(ctx, a.ShopID); err != nil {
		return LearnedView{}, err
	}
	if _, v.Verdicts, err = s.store.Forecasts(ctx, a.ShopID); err != nil {
		return LearnedView{}, err
	}
	if v.State, err = s.learnedFor(ctx, a, ed); err != nil {
		return LearnedView{}, err
	}
	if f.Totals.Jobs > 0 {
		at := timeOf(f.Totals.AsOf)
		v.AsOf = &at
	}
	v.Numbers = learnedNumbers(ed.lib, &f, lessons)
	v.Decisions = slices.Clone(f.Decisions)
	slices.Reverse(v.Decisions)
	for i := range v.Lessons {
		v.Lessons[i].Body = learning.Lesson{}
	}
	return v, nil
}

func learnedNumbers(lib *faultlib.Library, f *LearningFile, lessons []JobLesson) []LearnedNumber {
	behind := sharesOf(lessons, f.Totals.AsOf)
	var out []LearnedNumber
	for _, n := range numbersOf(lib, f) {
		if !(n.Jobs > 0) {
			continue
		}
		l := LearnedNumber{Number: n, CauseName: n.Cause, From: behind[n.Subject]}
		if c := lib.Cause(n.Cause); c != nil {
			l.CauseName = c.Name
		}
		l.FindingName, l.LevelNames = findingNames(lib, n)
		out = append(out, l)
	}
	rank := func(n *LearnedNumber) int {
		return slices.Index([]learning.Status{learning.Waiting, learning.Accepted, learning.Applied, learning.Rejected, learning.ExpertPrior}, n.Status)
	}
	slices.SortStableFunc(out, func(x, y LearnedNumber) int {
		first := cmp.Compare(min(1, rank(&x)), min(1, rank(&y))) // Waiting ones first.
		few := cmp.Compare(rank(&x)/4, rank(&y)/4)               // Those with few jobs last.
		return cmp.Or(first, few, cmp.Compare(y.Change, x.Change), cmp.Compare(x.Subject, y.Subject))
	})
	return out
}

// findingNames are the words for a link's finding and its levels.
func findingNames(lib *faultlib.Library, n learning.Number) (finding string, levels []string) {
	for _, l := range n.Levels {
		levels = append(levels, l.Name)
	}
	if n.Finding == "" {
		return "", levels
	}
	symptom, measurement := faultlib.FindingOf(n.Finding)
	if sy := lib.Symptom(symptom); sy != nil {
		return sy.Text, []string{"absent", "present"}
	}
	m := lib.Measurement(measurement)
	if m == nil {
		return n.Finding, levels
	}
	levels[0] = "normal"
	for i, o := range m.Outcomes {
		if x := m.LevelOf[i]; x > 0 && x < len(levels) {
			levels[x] = o.Meaning
		}
	}
	return m.Title, levels
}

// sharesOf finds, by subject, the jobs that weigh most in its number.
func sharesOf(lessons []JobLesson, asOf float64) map[string][]LessonShare {
	out := map[string][]LessonShare{}
	add := func(subject string, l *JobLesson, share float64) {
		if share >= leastShare {
			out[subject] = append(out[subject], LessonShare{l.JobID, l.JobNumber, share})
		}
	}
	for i := range lessons {
		l := &lessons[i]
		left := learning.Left(asOf - daysOf(l.On))
		for _, c := range l.Body.Causes {
			add(c.Cause, l, left*c.Present) // Those in which the cause was there.
		}
		for _, c := range l.Body.Links {
			add(learning.SubjectOf(c.Cause, c.Finding), l, left*c.Resolved)
		}
	}
	for subject := range out {
		list := out[subject]
		slices.SortStableFunc(list, func(x, y LessonShare) int {
			return cmp.Or(cmp.Compare(y.Share, x.Share), cmp.Compare(y.JobNumber, x.JobNumber))
		})
		out[subject] = list[:min(jobsShown, len(list))]
	}
	return out
}

// DecideLearned accepts or rejects a learned number as it stands, with a reason.
// A number that the owner rejected stays rejected until the jobs have moved it
// notably (learning.NotableChange).
func (s *Service) DecideLearned(ctx context.Context, a Actor, subject string, accept bool, reason string) (LearningDecision, error) {
	if err := a.may(mayLearn); err != nil {
		return LearningDecision{}, err
	}
	var c checker
	reason = c.note("reason", reason, maxLong)
	if len([]rune(reason)) < minReason {
		c.fields = nil
		c.failf("reason", "must say why, in at least %d characters", minReason)
	}
	if err := c.err(); err != nil {
		return LearningDecision{}, err
	}
	ed, err := s.current(ctx, a.ShopID)
	if err != nil {
		return LearningDecision{}, err
	}
	var d LearningDecision
	err = s.changeLearning(ctx, a, func(f *LearningFile, ch *LearningChange) error {
		n, err := decidable(ed.lib, f, subject)
		if err != nil {
			return err
		}
		d = LearningDecision{ID: newID(), Subject: subject, Accepted: accept, Jobs: n.Jobs, Reason: reason, At: s.time(), By: a.Name}
		for _, l := range n.Levels {
			d.Levels, d.Expert, d.Learned = append(d.Levels, l.Name), append(d.Expert, l.Expert), append(d.Learned, l.Learned)
		}
		f.Decisions = append(f.Decisions, d)
		ch.Decision = &d
		action := "learning.reject"
		if accept {
			action = "learning.accept"
		}
		e := s.audit(a, action, "shop", a.ShopID, map[string]any{"subject": subject, "reason": reason})
		ch.Audit = &e
		return nil
	})
	return d, err
}

// decidable finds a number that there is something to decide about.
func decidable(lib *faultlib.Library, f *LearningFile, subject string) (learning.Number, error) {
	all := numbersOf(lib, f)
	i := slices.IndexFunc(all, func(n learning.Number) bool { return n.Subject == subject })
	if i < 0 {
		return learning.Number{}, problem.New(problem.NotFound, "The library has no number %q; a prior is named by its cause, a link by cause@finding.", subject)
	}
	if n := all[i]; n.Status != learning.ExpertPrior {
		return n, nil
	}
	return learning.Number{}, problem.New(problem.Conflict,
		"Fewer than %d effective jobs tell of this number: the library's is used, and there is nothing to decide yet.", learning.LeastJobs).
		With("subject", "has %.1f effective jobs", all[i].Jobs)
}

// CalibrationView is how honest the probabilities were.
type CalibrationView struct {
	learning.Calibration
	Jobs int // jobs whose forecasts are in it
	// LeftOut counts jobs that were judged and did not teach: what was there is not known.
	LeftOut int
	// Leading is the most probable cause of each job: in how many it was there,
	// and what it had been given on average.
	Leading LeadingCause
	// Missed counts confirmed causes that had been given less than one per cent.
	Missed int
}

// LeadingCause is how the first suspect fared.
type LeadingCause struct {
	Jobs, Right  int
	MeanForecast float64
	Lower, Upper float64 // bounds of Right/Jobs at 95 % (Clopper and Pearson 1934)
}

// Calibration scores every probability of at least one per cent that stood when
// the first fault of a job was confirmed, over the jobs that taught.
func (s *Service) Calibration(ctx context.Context, a Actor) (CalibrationView, error) {
	if err := a.may(mayRead); err != nil {
		return CalibrationView{}, err
	}
	jobs, verdicts, err := s.store.Forecasts(ctx, a.ShopID)
	if err != nil {
		return CalibrationView{}, err
	}
	v, err := calibrate(jobs)
	if err != nil {
		return v, fmt.Errorf("score the forecasts: %w", err)
	}
	for verdict, n := range verdicts {
		if verdict != Taught {
			v.LeftOut += n
		}
	}
	return v, nil
}

func calibrate(jobs []Forecasts) (CalibrationView, error) {
	var v CalibrationView
	var all []learning.Forecast
	for _, j := range jobs {
		v.Missed += j.Missed
		if len(j.List) == 0 {
			continue
		}
		v.Jobs++
		lead := &v.Leading
		lead.Jobs++
		lead.MeanForecast += j.List[0].P
		if j.List[0].Happened {
			lead.Right++
		}
		for _, c := range j.List {
			all = append(all, learning.Forecast{P: c.P, Happened: c.Happened})
		}
	}
	if n := v.Leading.Jobs; n > 0 {
		v.Leading.MeanForecast /= float64(n)
		v.Leading.Lower, v.Leading.Upper = learning.ClopperPearson(v.Leading.Right, n, 0.95)
	}
	var err error
	v.Calibration, err = learning.Calibrate(all, calibrationBins)
	return v, err
}
