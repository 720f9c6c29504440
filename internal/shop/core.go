package shop

import (
	"context"
	"time"

	"github.com/google/uuid"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// New returns the use cases over a store.
func New(store Store, opt Options) *Service {
	s := &Service{store: store, now: opt.Now, libs: newLibraryCache(store), attempts: newAttempts(), reports: newReports()}
	if s.now == nil {
		s.now = time.Now
	}
	return s
}

// newID returns a UUIDv7: ids made in one process sort in the order they were
// made, which settles the order of records that carry the same time.
func newID() ID { return uuid.Must(uuid.NewV7()) }

// time is now at the precision the database keeps, so that what a use case
// returns is what a later read returns.
func (s *Service) time() time.Time { return s.now().UTC().Truncate(time.Microsecond) }

func (s *Service) audit(a Actor, action, kind string, subject ID, detail map[string]any) AuditEvent {
	if detail == nil {
		detail = map[string]any{}
	}
	return AuditEvent{ID: newID(), At: s.time(), By: a.Name, ActorID: a.ID, Action: action,
		SubjectKind: kind, SubjectID: subject, Detail: detail}
}

// pen stamps what a rule writes. It carries what a rule must not fetch itself:
// the moment, the person and new ids.
type pen struct {
	at    time.Time
	actor Actor
	newID func() ID
}

// start begins a change of the file as it was read.
func (p pen) start(f JobFile, action string) JobChange {
	return JobChange{JobID: f.Job.ID, Version: f.Job.Version, At: p.at, By: p.actor.Name,
		Audit: AuditEvent{ID: p.newID(), At: p.at, By: p.actor.Name, ActorID: p.actor.ID, Action: action,
			SubjectKind: "job", SubjectID: f.Job.ID, Detail: map[string]any{}}}
}

// bench is what rules are decided on: the library the job uses and its file.
type bench struct {
	lib  *faultlib.Library
	ed   *edition
	file JobFile
	shop Shop
	// instrument is what the reading to be recorded was taken with; nil: not said.
	instrument *Instrument
}

// rule decides one use case on a job: what is to be written, or why not.
type rule func(b bench, p pen) (JobChange, error)

// retries is how often a use case is decided anew when somebody else changed the
// job between its reading and its writing.
const retries = 3

// change reads the job, lets the rule decide and writes its change. version is
// the caller's If-Match; with one there is no second try, because the caller
// wants to know.
func (s *Service) change(ctx context.Context, a Actor, jobID ID, version int, decide rule) (Job, JobChange, error) {
	var err error
	for range retries {
		var b bench
		if b, err = s.bench(ctx, a, jobID); err != nil {
			return Job{}, JobChange{}, err
		}
		if version != 0 && b.file.Job.Version != version {
			return Job{}, JobChange{}, stale("job")
		}
		var c JobChange
		if c, err = decide(b, pen{at: moment(s.time(), b.file), actor: a, newID: newID}); err != nil {
			return Job{}, JobChange{}, err
		}
		var job Job
		if job, err = s.store.ChangeJob(ctx, a.ShopID, c); err == nil {
			return job, c, nil
		}
		if version != 0 || !problem.Is(err, problem.Stale) {
			break
		}
	}
	return Job{}, JobChange{}, err
}

// moment is now, or just after the job's last change where the clock has not
// moved on since or another server's is ahead: what came first in a job must
// also carry the earlier time, because results count from events on.
func moment(now time.Time, f JobFile) time.Time {
	if now.After(f.Job.UpdatedAt) {
		return now
	}
	return f.Job.UpdatedAt.Add(time.Microsecond)
}

func (s *Service) bench(ctx context.Context, a Actor, jobID ID) (bench, error) {
	f, err := s.store.JobFile(ctx, a.ShopID, jobID)
	if err != nil {
		return bench{}, err
	}
	return s.benchOf(ctx, a, f)
}

func (s *Service) benchOf(ctx context.Context, a Actor, f JobFile) (bench, error) {
	sh, err := s.store.ShopByID(ctx, a.ShopID)
	if err != nil {
		return bench{}, err
	}
	ed, err := s.libs.of(ctx, a.ShopID, f.Job.LibraryID)
	if err != nil {
		return bench{}, err
	}
	if ed, err = s.libs.withLearned(ctx, a.ShopID, ed, f.Job.Learned); err != nil {
		return bench{}, err
	}
	return bench{lib: ed.lib, ed: ed, file: f, shop: sh}, nil
}

func stale(what string) error {
	return problem.New(problem.Stale, "Somebody changed this %s after you read it; read it again and repeat your change.", what)
}
