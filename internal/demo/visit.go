package demo

import (
	"context"
	"fmt"
	"math"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// history plays the plan in order of time, up to a number of jobs.
func (f *filler) history(ctx context.Context, jobs int) error {
	for _, v := range f.plan() {
		if f.sum.Jobs == jobs {
			break
		}
		b := f.choose(v)
		if b == nil {
			continue
		}
		if err := f.play(ctx, v, b); err != nil {
			return fmt.Errorf("visit of %s on %s (%v): %w", b.Serial, v.at.Format(time.DateOnly), v.causes, err)
		}
	}
	return nil
}

// choose returns the planned board, or one outside the stories that is in
// service, free, and not back so soon that the visit would fall into the
// warranty time of the one before. Nil when none is.
func (f *filler) choose(v visit) *board {
	if v.board >= 0 {
		return f.boards[v.board]
	}
	for range 60 {
		b := f.boards[19+f.rng.IntN(len(f.boards)-19)]
		if reserved(b, f) || !b.CreatedAt.Before(v.at) {
			continue
		}
		if b.visits == 0 || b.busyUntil.AddDate(0, 0, 95).Before(v.at) {
			return b
		}
	}
	return nil
}

// reserved boards end in an open job and must be free by then.
func reserved(b *board, f *filler) bool {
	for _, v := range f.openVisits() {
		if f.boards[v.board] == b && f.clock.Now().After(f.until.AddDate(0, -4, 0)) {
			return true
		}
	}
	return false
}

// play takes one visit from intake to the state it is to end in.
func (f *filler) play(ctx context.Context, v visit, b *board) error {
	at := v.at
	if at.Before(b.busyUntil) {
		at = b.busyUntil.Add(26 * time.Hour)
	}
	f.clock.set(at)
	b.km = math.Round(b.km + b.kmPerDay*math.Max(0, at.Sub(b.busyUntil).Hours()/24))
	symptoms := f.sampleSymptoms(v)
	job, err := f.svc.OpenJob(ctx, f.counter, shop.JobInput{
		BoardID: b.ID, Complaint: f.complaint(v, symptoms), OdometerKM: ptr(b.km), Exposures: v.exposures,
		Symptoms: symptoms, Condition: pick(f.rng, []string{"Scratches on the rails, complete", "Clean, charger handed in", "Muddy, washed off before intake", "Complete, no charger"}),
	})
	if err != nil {
		return err
	}
	f.sum.Jobs++
	f.sum.NewestJob = job.Number
	b.busyUntil = f.until
	b.visits++
	w := &work{filler: f, job: job.ID, number: job.Number, board: b, visit: v}
	done, err := w.run(ctx)
	if err != nil {
		return err
	}
	if done {
		b.busyUntil = f.clock.Now()
	} else {
		f.sum.StillOpen++
	}
	return nil
}

func (f *filler) complaint(v visit, symptoms []string) string {
	if v.complaint != "" {
		return v.complaint
	}
	if len(symptoms) == 0 {
		return "Please look it over."
	}
	s := f.lib.Symptom(symptoms[0])
	return s.Text + ". " + pick(f.rng, []string{"Since last week.", "Since the weekend.", "Getting worse.", "Came all at once.", "Only sometimes at first."})
}

// sampleSymptoms draws what is seen from the true causes' links (noisy-OR).
func (f *filler) sampleSymptoms(v visit) []string {
	covered := map[string]bool{}
	for _, s := range faultlib.ExposureSymptoms(v.exposures) {
		covered[s] = true
	}
	var out []string
	for _, s := range f.lib.Symptoms {
		if s.SafetyStop || covered[s.ID] {
			continue
		}
		absent := 1 - s.Leak/4
		for _, c := range v.causes {
			if l := f.lib.LinksOf(c); l != nil {
				absent *= 1 - l.Symptoms[s.ID]
			}
		}
		if f.rng.Float64() > absent {
			out = append(out, s.ID)
		}
	}
	return out
}

// outcome draws a measurement's outcome from the true causes' links (noisy-MAX):
// each present cause draws a rank, the highest shows.
func (f *filler) outcome(m *faultlib.Measurement, causes []string) string {
	best := len(m.Outcomes) - 1
	for _, c := range causes {
		l := f.lib.LinksOf(c)
		if l == nil {
			continue
		}
		x := f.rng.Float64()
		for i, o := range m.Outcomes {
			if x -= l.Outcomes[m.ID][o.ID]; x <= 0 {
				best = min(best, i)
				break
			}
		}
	}
	return m.Outcomes[best].ID
}

// readingsFor returns worked readings that give the outcome, when the library
// has an example. Its examples of per-group lists are of short packs, which
// would not fit the demo's boards: there the outcome stands alone.
func readingsFor(m *faultlib.Measurement, outcome string) map[string]any {
	switch m.Of {
	case "cell_group", "cell_links", "balance_harness":
		for _, in := range m.Inputs {
			if in.Unit == "list" {
				return nil
			}
		}
	}
	for _, e := range m.Examples {
		if e.Out == outcome && m.Kind != measure.Inspection {
			return e.In
		}
	}
	return nil
}
