package shop

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
)

// leastForecast is the least probability whose honesty is judged: what is not
// even named to the technician is no forecast.
const leastForecast = 0.01

// fillLesson takes the lesson of a job that taught, and what was forecast in it.
func (s *Service) fillLesson(ctx context.Context, a Actor, b bench, l *JobLesson) error {
	if l.Verdict != Taught {
		return nil
	}
	c, err := teachingCase(b)
	if err != nil {
		return err
	}
	l.Body, err = learning.Learn(c)
	if problem.Is(err, problem.Conflict) {
		l.Verdict, l.Body = Unreadable, learning.Lesson{}
		return nil
	}
	if err != nil {
		return err
	}
	kept, err := s.store.Snapshots(ctx, a.ShopID, b.file.Job.ID)
	if err != nil {
		return err
	}
	l.Forecasts, err = forecastsOf(b.file, kept)
	return err
}

// teachingCase is the job as its model saw it: what was found before the first
// repair with the causes that were confirmed, and what was normal after the last.
func teachingCase(b bench) (learning.Case, error) {
	q := &inquiry{bench: b}
	q.known, _ = confirmed(b.lib, b.file)
	c := learning.Case{Priors: q.priors()}
	var err error
	if c.Spec, err = b.lib.Spec(b.ed.context()); err != nil {
		return c, err
	}
	first, last := repairTimes(b.file)
	c.Evidence = observationsOf(evidenceOf(b.lib, asOf(b.file, first)))
	for _, x := range evidenceOf(b.lib, b.file) {
		if x.at.after(last) && x.ev.Level == 0 && x.ev.Likelihood == nil {
			c.NormalAfter = append(c.NormalAfter, x.ev.Finding)
		}
	}
	return c, nil
}

// repairTimes are the first and the last repair of a file that has one.
func repairTimes(f JobFile) (first, last stamp) {
	for i := range f.Repairs {
		at := f.Repairs[i].stamp()
		if i == 0 || first.after(at) {
			first = at
		}
		last = later(last, at)
	}
	return first, last
}

// asOf is the file as it stood just before a moment, but for what was retracted
// later: that was a mistake all along.
func asOf(f JobFile, at stamp) JobFile {
	before := f
	before.Observations, before.Verifications, before.Repairs = nil, nil, nil
	made := map[ID]stamp{}
	for i := range f.Observations {
		made[f.Observations[i].ID] = f.Observations[i].stamp()
	}
	for _, o := range f.Observations {
		if !at.after(o.stamp()) {
			continue
		}
		if o.SupersededBy != nil && !at.after(made[*o.SupersededBy]) {
			o.SupersededBy = nil
		}
		if o.InvalidatedAt != nil && !o.InvalidatedAt.Before(at.at) {
			o.InvalidatedAt, o.InvalidatedBy = nil, ""
		}
		before.Observations = append(before.Observations, o)
	}
	for _, v := range f.Verifications {
		if at.after(v.stamp()) && (v.InvalidatedAt == nil || !v.InvalidatedAt.Before(at.at)) {
			v.InvalidatedAt, v.InvalidatedBy = nil, ""
			before.Verifications = append(before.Verifications, v)
		}
	}
	return before
}

// forecastsOf reads what the diagnosis gave each cause when the first fault was
// confirmed, and sets it against all that were confirmed in the end.
func forecastsOf(f JobFile, kept []Snapshot) (Forecasts, error) {
	out := Forecasts{List: []CauseForecast{}}
	at := slices.IndexFunc(kept, func(x Snapshot) bool { return x.Trigger == "fault" })
	if at < 0 {
		return out, nil
	}
	var d keptDiagnosis
	if err := json.Unmarshal(kept[at].Body, &d); err != nil {
		return out, fmt.Errorf("read the diagnosis kept in job %d: %w", f.Job.Number, err)
	}
	var happened []string
	for i := range f.Faults {
		happened = append(happened, f.Faults[i].Cause)
	}
	slices.Sort(happened)
	happened = slices.Compact(happened)
	out.Missed = len(happened)
	for _, c := range d.Causes {
		if c.Confirmed || c.Probability < leastForecast {
			continue
		}
		yes := slices.Contains(happened, c.ID)
		if yes {
			out.Missed--
		}
		out.List = append(out.List, CauseForecast{c.ID, c.Probability, yes})
	}
	return out, nil
}

// experts are the library's numbers that jobs can move, in library order.
func experts(lib *faultlib.Library) []learning.Expert {
	var out []learning.Expert
	for i := range lib.Causes {
		c := &lib.Causes[i]
		out = append(out, learning.Expert{Cause: c.ID, P: []float64{c.PriorPer1000 / 1000}, Most: lib.Reach(c.ID)})
	}
	for _, r := range lib.LinkRows() {
		out = append(out, learning.Expert{Cause: r.Cause, Finding: r.Finding, Levels: r.Levels, P: r.P})
	}
	return out
}

func numbersOf(lib *faultlib.Library, f *LearningFile) []learning.Number {
	said := make([]learning.Decision, len(f.Decisions))
	for i, d := range f.Decisions {
		said[i] = learning.Decision{Subject: d.Subject, Accept: d.Accepted, Learned: d.Learned}
	}
	return learning.Numbers(experts(lib), f.Totals, said)
}

// nextState is the state after a change; nil where the newest says the same.
func nextState(ed *edition, f *LearningFile, at time.Time) *LearnedState {
	st := LearnedState{LibraryID: ed.version.ID, Jobs: f.Totals.Jobs, AsOf: timeOf(f.Totals.AsOf), At: at,
		Body: LearnedNumbers{Priors: []LearnedPrior{}, Links: []LearnedLink{}}}
	for _, n := range numbersOf(ed.lib, f) {
		use, names, moved := []float64{}, []string{}, false
		for _, l := range n.Levels {
			use, names = append(use, l.Used), append(names, l.Name)
			moved = moved || l.Used != l.Expert
		}
		switch {
		case !moved:
		case n.Finding == "":
			st.Body.Priors = append(st.Body.Priors, LearnedPrior{n.Cause, use[0]})
		default:
			st.Body.Links = append(st.Body.Links, LearnedLink{n.Cause, n.Finding, names, use})
		}
	}
	if sameNumbers(f.State, &st) {
		return nil
	}
	return &st
}

// sameNumbers reports whether a diagnosis would use the same numbers with both.
func sameNumbers(old, st *LearnedState) bool {
	if old == nil {
		return len(st.Body.Priors)+len(st.Body.Links) == 0
	}
	return old.LibraryID == st.LibraryID && slices.Equal(old.Body.Priors, st.Body.Priors) &&
		slices.EqualFunc(old.Body.Links, st.Body.Links, func(a, b LearnedLink) bool {
			return a.Cause == b.Cause && a.Finding == b.Finding && slices.Equal(a.Levels, b.Levels) && slices.Equal(a.P, b.P)
		})
}

// context is what the edition's model is made in: the learned numbers, if any.
func (e *edition) context() faultlib.ModelContext {
	c := faultlib.ModelContext{}
	if e.learned == nil {
		return c
	}
	c.Priors = map[string]float64{}
	for _, p := range e.learned.Body.Priors {
		c.Priors[p.Cause] = p.P
	}
	for _, l := range e.learned.Body.Links {
		c.Links = append(c.Links, diagnosis.Link{Cause: l.Cause, Finding: l.Finding, P: l.P})
	}
	return c
}

// prior is a cause's probability before anything is known of a board.
func (e *edition) prior(cause *faultlib.Cause) float64 {
	if e.learned != nil {
		for _, p := range e.learned.Body.Priors {
			if p.Cause == cause.ID {
				return p.P
			}
		}
	}
	return cause.PriorPer1000 / 1000
}

// learnedModels bounds the models kept for learned states: the open jobs of a
// shop use a few, and one is made in milliseconds.
const learnedModels = 64

// withLearned is the edition with the numbers that a job was begun with.
func (c *libraryCache) withLearned(ctx context.Context, shopID ID, ed *edition, number *int) (*edition, error) {
	if number == nil {
		return ed, nil
	}
	key := learnedKey{shopID, *number}
	c.mu.Lock()
	got := c.learned[key]
	c.mu.Unlock()
	if got != nil {
		return got, nil
	}
	st, err := c.store.LearnedState(ctx, shopID, *number)
	if err != nil {
		return nil, err
	}
	got = &edition{lib: ed.lib, version: ed.version, learned: &st}
	if got.model, err = ed.lib.Model(got.context()); err != nil {
		return nil, fmt.Errorf("learned state %d: %w", *number, err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.learnedOrder) >= learnedModels {
		delete(c.learned, c.learnedOrder[0])
		c.learnedOrder = c.learnedOrder[1:]
	}
	if _, ok := c.learned[key]; !ok {
		c.learnedOrder = append(c.learnedOrder, key)
	}
	c.learned[key] = got
	return got, nil
}

// learnedKey is a learned state: it names its library version itself.
type learnedKey struct {
	shop   ID
	number int
}
