package shop

import (
	"context"
	"slices"
	"time"

	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
)

// LearningWait is how long a repaired board must stay away before its job
// teaches: what fails again in that time was not the cause, or not mended.
const LearningWait = 30 * day

// stillHere is how long a judgement is put off while the board is in the shop
// again and nobody knows yet why.
const stillHere = day

// Verdict says what came of a job that was to teach.
type Verdict string

// Verdicts on a job.
const (
	Taught     Verdict = "taught"     // its repair held
	Comeback   Verdict = "comeback"   // the component failed again within the waiting time
	Waived     Verdict = "waived"     // a fault was left unrepaired: whether it was one was never proven
	Unrepaired Verdict = "unrepaired" // no fault was repaired
	Unreadable Verdict = "unreadable" // its observations contradict each other in the model
)

// JobLesson is what one job taught, or why it taught nothing. It is made once.
type JobLesson struct {
	JobID     ID
	JobNumber int // set by the store
	Verdict   Verdict
	LaterJob  *ID       // the comeback
	On        time.Time // when the board was handed back: the day the lesson counts from
	Body      learning.Lesson
	Forecasts Forecasts
	At        time.Time // when it was judged
}

// Forecasts are the probabilities of the causes as they stood when the first
// fault of the job was confirmed, highest first, with what came of them.
type Forecasts struct {
	List []CauseForecast `json:"list"`
	// Missed counts confirmed causes that were given less than the least listed.
	Missed int `json:"missed,omitempty"`
}

// CauseForecast is one of them.
type CauseForecast struct {
	Cause    string  `json:"cause"`
	P        float64 `json:"p"`
	Happened bool    `json:"happened"`
}

// LearnedState is the learned numbers in use, immutable. Those it does not hold
// are the library's.
type LearnedState struct {
	Number    int
	LibraryID ID
	Jobs      int       // lessons behind it
	AsOf      time.Time // the day of the newest of them
	Body      LearnedNumbers
	At        time.Time
}

// LearnedNumbers are priors by cause and rows of links, in library order.
type LearnedNumbers struct {
	Priors []LearnedPrior `json:"priors"`
	Links  []LearnedLink  `json:"links"`
}

// LearnedPrior replaces a cause's prior.
type LearnedPrior struct {
	Cause string  `json:"cause"`
	P     float64 `json:"p"`
}

// LearnedLink replaces a link's distribution over its finding's levels, before the floor.
type LearnedLink struct {
	Cause   string    `json:"cause"`
	Finding string    `json:"finding"`
	Levels  []string  `json:"levels"`
	P       []float64 `json:"p"`
}

// LearningDecision is the owner's word on one number as it stood.
type LearningDecision struct {
	ID       ID
	Subject  string
	Accepted bool
	Levels   []string
	Expert   []float64
	Learned  []float64
	Jobs     float64 // effective jobs behind it
	Reason   string
	At       time.Time
	By       string
}

// LearningFile is what was learned so far. Version is 0 before the first lesson.
type LearningFile struct {
	Version   int
	Totals    learning.Totals
	Decisions []LearningDecision // in order of time
	State     *LearnedState      // the newest; nil: none yet
}

// LearningChange is everything that one lesson, decision or import changes, in
// one transaction: the file's version must still be Version (else Stale) and
// goes up by one.
type LearningChange struct {
	Version  int
	Totals   learning.Totals
	Lesson   *JobLesson
	Decision *LearningDecision
	State    *LearnedState // Number is set by the store
	Audit    *AuditEvent
}

// LearningQueue says what is still to come.
type LearningQueue struct {
	Waiting int        // jobs in their waiting time
	Next    *time.Time // when the first of them is due
	Failed  int        // jobs given up after every attempt failed
}

// LearningStore keeps what the shop's jobs teach.
type LearningStore interface {
	Learning(ctx context.Context, shopID ID) (LearningFile, error)
	// ChangeLearning writes a change; Conflict when the job was judged already.
	ChangeLearning(ctx context.Context, shopID ID, c LearningChange) error
	// LessonExists tells whether a job was judged.
	LessonExists(ctx context.Context, shopID, jobID ID) (bool, error)
	// Lessons lists the newest lessons by the day they count from, at most limit (0: all).
	Lessons(ctx context.Context, shopID ID, limit int) ([]JobLesson, error)
	// Forecasts lists those of all jobs that taught, and counts the jobs by verdict.
	Forecasts(ctx context.Context, shopID ID) ([]Forecasts, map[Verdict]int, error)
	LearnedState(ctx context.Context, shopID ID, number int) (LearnedState, error)
	// NewestLearned is the state in use; nil before there is one.
	NewestLearned(ctx context.Context, shopID ID) (*LearnedState, error)
	LearningQueue(ctx context.Context, shopID ID) (LearningQueue, error)
	// DueForLearning lists jobs handed back at or before a time after a repair and
	// not judged yet, the earliest first.
	DueForLearning(ctx context.Context, shopID ID, closed time.Time) ([]ID, error)
}

// Learner is the actor of what happens in a shop by itself.
func Learner(shopID ID) Actor { return Actor{ShopID: shopID, Name: "learning", Role: Owner} }

// LearnFromJob judges a job and takes its lesson. It does nothing for a job that
// was judged already, however often it is called. A time that is not zero says
// when to ask again: the waiting time is not over, or the board is in the shop.
func (s *Service) LearnFromJob(ctx context.Context, a Actor, jobID ID) (again time.Time, err error) {
	if err := a.may(mayLearn); err != nil {
		return time.Time{}, err
	}
	done, err := s.store.LessonExists(ctx, a.ShopID, jobID)
	if err != nil || done {
		return time.Time{}, err
	}
	b, err := s.bench(ctx, a, jobID)
	if err != nil {
		return time.Time{}, err
	}
	visits, err := s.store.BoardJobs(ctx, a.ShopID, b.file.Job.BoardID)
	if err != nil {
		return time.Time{}, err
	}
	now := s.time()
	l, again, err := judge(b.file, visits, now)
	if err != nil || !again.IsZero() {
		return again, err
	}
	if err := s.fillLesson(ctx, a, b, &l); err != nil {
		return time.Time{}, err
	}
	err = s.changeLearning(ctx, a, func(f *LearningFile, c *LearningChange) error {
		c.Lesson = &l
		if l.Verdict == Taught {
			f.Totals.Add(daysOf(l.On), l.Body)
		}
		return nil
	})
	if problem.Is(err, problem.Conflict) {
		// Another server was quicker: the job counts once.
		if done, readErr := s.store.LessonExists(ctx, a.ShopID, jobID); readErr == nil && done {
			return time.Time{}, nil
		}
	}
	return time.Time{}, err
}

// judge says whether a job teaches. It is pure.
func judge(f JobFile, visits []JobSummary, now time.Time) (l JobLesson, again time.Time, err error) {
	if f.Job.State != Returned || f.Job.ClosedAt == nil {
		return l, again, problem.New(problem.Conflict, "A job teaches after it was handed back; this one is %s.", f.Job.State)
	}
	l = JobLesson{JobID: f.Job.ID, JobNumber: f.Job.Number, On: *f.Job.ClosedAt, At: now, Forecasts: Forecasts{List: []CauseForecast{}}}
	due := l.On.Add(LearningWait)
	if now.Before(due) {
		return l, due, nil
	}
	l.Verdict = verdictOf(f)
	if l.Verdict != Taught {
		return l, again, nil
	}
	for _, v := range visits {
		if !v.Job.OpenedAt.After(l.On) || v.Job.OpenedAt.After(due) || v.Job.ID == f.Job.ID {
			continue
		}
		switch {
		case failedAgain(f, v):
			l.Verdict, l.LaterJob = Comeback, &v.Job.ID
			return l, time.Time{}, nil
		case v.Job.State.Open():
			again = now.Add(stillHere)
		}
	}
	return l, again, nil
}

// verdictOf is the verdict before the board's later visits are looked at. A
// fault that was waived leaves open whether it was one, and what was seen may be
// its doing, so that the whole job teaches nothing.
func verdictOf(f JobFile) Verdict {
	v := Unrepaired
	for i := range f.Faults {
		if f.Faults[i].WaivedAt != nil {
			return Waived
		}
		if lastRepair(f, f.Faults[i].ID) != nil {
			v = Taught
		}
	}
	return v
}

// failedAgain reports whether a later visit found a repaired component failed.
func failedAgain(f JobFile, later JobSummary) bool {
	if later.Job.ComebackOf != nil && *later.Job.ComebackOf == f.Job.ID {
		return true
	}
	return slices.ContainsFunc(later.Faults, func(x Fault) bool {
		return x.WaivedAt == nil && slices.ContainsFunc(f.Faults, func(y Fault) bool { return y.Component == x.Component })
	})
}

// learningRetries is how often a change of what was learned is made anew when
// another server wrote meanwhile.
const learningRetries = 20

// changeLearning reads what was learned, lets change add to it, works out the
// numbers then in use for the current library, and writes all of it.
func (s *Service) changeLearning(ctx context.Context, a Actor, change func(*LearningFile, *LearningChange) error) error {
	ed, err := s.current(ctx, a.ShopID)
	if err != nil {
		return err
	}
	for range learningRetries {
		var f LearningFile
		if f, err = s.store.Learning(ctx, a.ShopID); err != nil {
			return err
		}
		c := LearningChange{Version: f.Version}
		if err = change(&f, &c); err != nil {
			return err
		}
		c.Totals = f.Totals
		c.State = nextState(ed, &f, s.time())
		if err = s.store.ChangeLearning(ctx, a.ShopID, c); !problem.Is(err, problem.Stale) {
			return err
		}
	}
	return err
}

// relearn sets what was learned against another edition of the library.
func (s *Service) relearn(ctx context.Context, a Actor) error {
	f, err := s.store.Learning(ctx, a.ShopID)
	if err != nil || f.Version == 0 {
		return err
	}
	return s.changeLearning(ctx, a, func(*LearningFile, *LearningChange) error { return nil })
}

// learnedForJob is learnedFor for a job about to be opened. Where the newest state
// was made for another edition, it is made anew first: an edition is stored before
// what was learned is set against it, and a server that stopped in between would
// leave jobs with the library's numbers until the next lesson.
func (s *Service) learnedForJob(ctx context.Context, a Actor, ed *edition) (*int, error) {
	st, err := s.store.NewestLearned(ctx, a.ShopID)
	if err != nil || st == nil {
		return nil, err
	}
	if st.LibraryID == ed.version.ID {
		return &st.Number, nil
	}
	if err := s.relearn(ctx, Learner(a.ShopID)); err != nil {
		return nil, err
	}
	return s.learnedFor(ctx, a, ed)
}

// learnedFor is the learned state that a new job with this edition uses; nil where
// the newest was made for another edition.
func (s *Service) learnedFor(ctx context.Context, a Actor, ed *edition) (*int, error) {
	st, err := s.store.NewestLearned(ctx, a.ShopID)
	if err != nil || st == nil || st.LibraryID != ed.version.ID {
		return nil, err
	}
	return &st.Number, nil
}

// LearnDue takes the lessons of all jobs whose waiting time is over, in order of
// their hand-back, and returns how many were judged. The demo uses it, whose
// clock runs ahead of the queue's.
func (s *Service) LearnDue(ctx context.Context, a Actor) (int, error) {
	if err := a.may(mayLearn); err != nil {
		return 0, err
	}
	due, err := s.store.DueForLearning(ctx, a.ShopID, s.time().Add(-LearningWait))
	if err != nil {
		return 0, err
	}
	n := 0
	for _, id := range due {
		again, err := s.LearnFromJob(ctx, a, id)
		if err != nil {
			return n, err
		}
		if again.IsZero() {
			n++
		}
	}
	return n, nil
}

// daysOf is a time in days since 1970-01-01 UTC, as learning counts.
func daysOf(t time.Time) float64 { return float64(t.UnixMicro()) / 86400e6 }

func timeOf(day float64) time.Time { return time.UnixMicro(int64(day * 86400e6)).UTC() }
