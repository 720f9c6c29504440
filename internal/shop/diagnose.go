package shop

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

const (
	// leastShown is the least probability of a cause that is listed.
	leastShown = 1e-4
	// evidenceFor is for how many causes the evidence is listed.
	evidenceFor = 10
	// leastDecibans is the least weight of evidence that is listed: a tenth of
	// what people can just tell apart (Good 1950).
	leastDecibans = 0.1
	// explanationsShown and nextShown bound the lists on the page.
	explanationsShown = 12
	nextShown         = 8
	// strongConflict is where the observations contradict each other strongly, in
	// bits (Jensen, Chamberlain, Nordahl and Jensen 1991).
	strongConflict = 3
)

// adviseStop is the advice when a stop sign stands; the other kinds are the engine's.
const adviseStop = "stop"

// Diagnose is the engine's answer for a job as it stands.
func (s *Service) Diagnose(ctx context.Context, a Actor, jobID ID) (Diagnosis, error) {
	f, err := s.Job(ctx, a, jobID)
	if err != nil {
		return Diagnosis{}, err
	}
	return s.DiagnoseFile(ctx, a, f)
}

// DiagnoseFile is Diagnose for a file already read.
func (s *Service) DiagnoseFile(ctx context.Context, a Actor, f JobFile) (Diagnosis, error) {
	return s.DiagnoseFileFor(ctx, a, f, "")
}

// DiagnoseFileFor is DiagnoseFile with one cause argued for that may be too
// improbable to be listed otherwise: a person who confirms it sees what it rests
// on. An unknown cause is none.
func (s *Service) DiagnoseFileFor(ctx context.Context, a Actor, f JobFile, cause string) (Diagnosis, error) {
	if err := a.may(mayRead); err != nil {
		return Diagnosis{}, err
	}
	b, err := s.benchOf(ctx, a, f)
	if err != nil {
		return Diagnosis{}, err
	}
	return diagnoseWhole(b, cause)
}

// diagnoseWhole is diagnose with the argument in sentences.
func diagnoseWhole(b bench, also string) (Diagnosis, error) {
	q, err := inquire(b)
	if err != nil {
		return Diagnosis{}, err
	}
	q.also = also
	d, err := q.answer()
	if err != nil {
		return Diagnosis{}, err
	}
	d.Argument, err = q.argument(&d, also)
	return d, err
}

// inquiry carries one diagnosis while it is worked out.
type inquiry struct {
	bench
	found    []finding
	ev       []diagnosis.Observation
	known    []string // confirmed causes, those to repair first
	toRepair int      // how many of known wait for their repair
	// refuted are, by cause, the observations of a look that found it sound.
	refuted map[string][]ID
	// also is a cause that is listed however improbable it is; "" for none.
	also   string
	model  *diagnosis.Model
	advice *diagnosis.Advice
}

// diagnose works out the whole diagnosis of a job. It is pure: the same file and
// library give the same answer.
func diagnose(b bench) (Diagnosis, error) {
	q, err := inquire(b)
	if err != nil {
		return Diagnosis{}, err
	}
	return q.answer()
}

// inquire asks the engine what to do.
func inquire(b bench) (*inquiry, error) {
	q := &inquiry{bench: b, found: evidenceOf(b.lib, b.file)}
	q.ev = observationsOf(q.found)
	q.known, q.toRepair = confirmed(b.lib, b.file)
	q.refuted = refutations(b.lib, b.file, q.found)
	var err error
	if q.model, err = b.ed.model.WithPriors(q.priors()); err != nil {
		return nil, err
	}
	// A shop that does not reckon its labour still needs an order of tests.
	eco := b.lib.Economy(faultlib.EconomyContext{Facts: b.file.Board.Facts, LabourPerHour: math.Max(1, float64(b.shop.LabourMinor))})
	state := diagnosis.State{Unavailable: unavailable(b.lib, b.file), Confirmed: q.known}
	inVain, _ := vain(b.lib, b.file)
	for _, id := range inVain {
		state.Unavailable = append(state.Unavailable, faultlib.MeasurementFinding(id))
	}
	if b.lib.Opening(outside) != nil {
		// The outside is open to everybody: as a thing to open it would tie together
		// measurements that share nothing.
		state.Open = append(state.Open, outside)
	}
	for _, o := range openings(b.lib, b.file) {
		state.Open = append(state.Open, o.ID)
	}
	state.Unmet = q.locks().unmet()
	state.Once = once(b.lib, b.file)
	if q.advice, err = q.model.Advise(q.ev, eco, state); err != nil {
		return nil, err
	}
	return q, nil
}

// priors are what confirmed and refuted causes change: the confirmed are present,
// and what they tend to bring along is more probable than in general (noisy or
// over the library's consequences); what was looked at and found sound is less so.
// Exposures make roots more probable.
func (q *inquiry) priors() map[string]float64 {
	out := q.lib.RootPriors(q.file.Job.Exposures)
	for _, id := range q.known {
		for _, c := range q.lib.ConsequencesOf(id) {
			if to := q.lib.Cause(c.To); to != nil {
				p, raised := out[c.To]
				if !raised {
					p = q.ed.prior(to)
				}
				out[c.To] = 1 - (1-p)*(1-c.P)
			}
		}
	}
	for i := range q.lib.Causes {
		c := &q.lib.Causes[i]
		for range q.refuted[c.ID] {
			p, moved := out[c.ID]
			if !moved {
				p = q.ed.prior(c)
			}
			out[c.ID] = refuted(p)
		}
	}
	for _, id := range q.known {
		out[id] = 1
	}
	return out
}

func (q *inquiry) answer() (Diagnosis, error) {
	post := q.advice.Posterior
	d := Diagnosis{LibraryVersion: q.ed.version, LearnedState: q.file.Job.Learned, Observations: q.observations(), Unmodelled: post.Unmodelled, NoFault: post.NoFault,
		Roots:      q.roots(),
		Truncation: post.Truncation, ExpectedCost: q.advice.ExpectedCost, Currency: q.shop.Currency,
		Stop: standingStop(q.lib, q.file), AlsoCheck: q.alsoCheck(), OpenOpenings: openings(q.lib, q.file)}
	var err error
	if d.Causes, err = q.causes(); err != nil {
		return Diagnosis{}, err
	}
	list, covered, err := q.model.Explanations(q.ev, diagnosis.ExplainOptions{Limit: explanationsShown})
	if err != nil {
		return Diagnosis{}, err
	}
	d.Covered = covered
	for _, e := range list {
		d.Explanations = append(d.Explanations, Explanation{Causes: e.Causes, Probability: e.Probability})
	}
	if d.Conflict, err = q.conflict(); err != nil {
		return Diagnosis{}, err
	}
	d.Warnings = append(warnings(d, post, q.droppedNames()), vainText(q.lib, q.file)...)
	q.advise(&d)
	return d, nil
}

// roots is what the evidence says of the library's common circumstances.
func (q *inquiry) roots() []RootView {
	var out []RootView
	for _, r := range q.lib.RootProbabilities(q.advice.Posterior) {
		out = append(out, RootView{ID: r.ID, Name: q.lib.Root(r.ID).Name, Probability: r.Probability})
	}
	return out
}

// observations lists what is evidence, what was of no use at last and what cannot
// be measured.
func (q *inquiry) observations() []Observation {
	var out []Observation
	for _, o := range q.file.Observations {
		if o.Active() || standing(q.lib, q.file, &o) || o.Unavailable && o.RetractedAt == nil && o.SupersededBy == nil {
			out = append(out, o)
		}
	}
	return out
}

// conflict measures how badly the observations go together. Those taken after a
// repair are left out: they show another board than the ones before it.
func (q *inquiry) conflict() (float64, error) {
	bits, err := q.ed.model.Conflict(observationsOf(q.beforeRepair()))
	return math.Max(0, bits), err
}

func (q *inquiry) beforeRepair() []finding {
	var before []finding
	for _, x := range q.found {
		if !slices.ContainsFunc(q.file.Repairs, func(r Repair) bool { return x.at.after(r.stamp()) }) {
			before = append(before, x)
		}
	}
	return before
}

func warnings(d Diagnosis, post *diagnosis.Posterior, dropped []string) []string {
	var out []string
	if d.Conflict > strongConflict {
		out = append(out, fmt.Sprintf("The observations contradict each other (%.1f bits): take the doubtful ones again.", d.Conflict))
	}
	if len(post.Dropped) > 0 {
		out = append(out, fmt.Sprintf("There are too many abnormal findings for one exact calculation; left out: %s. A probability may be off by up to %s.",
			andList(dropped), percent(post.Truncation)))
	}
	return out
}

// causes lists the causes by probability with the evidence for the first ones.
func (q *inquiry) causes() ([]CauseView, error) {
	weights, err := q.model.Weights(q.ev)
	if err != nil {
		return nil, err
	}
	var out []CauseView
	place := map[string]int{}
	for i, c := range q.model.Causes() {
		place[c.ID] = i
		lc := q.lib.Cause(c.ID)
		p := q.advice.Posterior.Marginals[i]
		sure := slices.Contains(q.known, c.ID)
		if lc == nil || p < leastShown && !sure && c.ID != q.also {
			continue
		}
		out = append(out, CauseView{ID: c.ID, Name: lc.Name, Component: lc.Component, ComponentName: componentName(q.lib, lc.Component),
			FailureMode: lc.Mode, Probability: p, Prior: q.ed.prior(lc), Confirmed: sure})
	}
	slices.SortFunc(out, func(x, y CauseView) int {
		return cmp.Or(cmp.Compare(y.Probability, x.Probability), cmp.Compare(x.ID, y.ID))
	})
	for i := range out {
		if i < evidenceFor || out[i].ID == q.also {
			out[i].Evidence = q.evidence(out[i].ID, weights[place[out[i].ID]])
		}
	}
	return out, nil
}

func (q *inquiry) evidence(cause string, weights []float64) []Evidence {
	var out []Evidence
	for _, id := range q.refuted[cause] {
		out = append(out, Evidence{ObservationID: id, Decibans: refutedDecibans})
	}
	for j, w := range weights {
		if math.Abs(w) >= leastDecibans {
			out = append(out, Evidence{ObservationID: q.found[j].record, Decibans: w})
		}
	}
	slices.SortStableFunc(out, func(x, y Evidence) int { return cmp.Compare(math.Abs(y.Decibans), math.Abs(x.Decibans)) })
	return out
}

// alsoCheck lists what the confirmed causes tend to bring along.
func (q *inquiry) alsoCheck() []AlsoCheck {
	var out []AlsoCheck
	for _, f := range q.file.Faults {
		if f.WaivedAt != nil {
			continue
		}
		for _, c := range q.lib.ConsequencesOf(f.Cause) {
			to := q.lib.Cause(c.To)
			if to == nil || slices.Contains(q.known, c.To) {
				continue
			}
			out = append(out, AlsoCheck{From: f.Cause, Cause: c.To, Name: to.Name, Note: c.Note, Probability: c.P, Measurements: telling(q.lib, c.To)})
		}
	}
	return out
}

// telling lists up to three measurements that show a cause most surely.
func telling(lib *faultlib.Library, cause string) []string {
	const most = 3
	all := shownBy(lib, cause)
	var out []string
	for _, s := range all[:min(most, len(all))] {
		out = append(out, s.id)
	}
	return out
}

// shown is how surely a measurement shows a cause.
type shown struct {
	id string
	p  float64
}

// shownBy lists the measurements that can show a cause, the surest first.
func shownBy(lib *faultlib.Library, cause string) []shown {
	l := lib.LinksOf(cause)
	if l == nil {
		return nil
	}
	var all []shown
	for _, m := range lib.Measurements {
		p := 0.0
		for _, o := range m.Outcomes {
			p += l.Outcomes[m.ID][o.ID]
		}
		if p > 0 {
			all = append(all, shown{m.ID, p})
		}
	}
	slices.SortStableFunc(all, func(x, y shown) int { return cmp.Compare(y.p, x.p) })
	return all
}

// probability is what the diagnosis gives a cause; 0 where it is not listed.
func (d Diagnosis) probability(cause string) float64 {
	for _, c := range d.Causes {
		if c.ID == cause {
			return c.Probability
		}
	}
	return 0
}

// keptDiagnosis is what a snapshot keeps: enough to see later what was believed
// and advised when a decision was made, and to judge how honest it was.
type keptDiagnosis struct {
	Library      int               `json:"library_version"`
	SHA256       string            `json:"library_sha256"`
	Learned      *int              `json:"learned_state,omitempty"`
	Observations []ID              `json:"observations"`
	Causes       []keptCause       `json:"causes"`
	Explanations []keptExplanation `json:"explanations"`
	Unmodelled   float64           `json:"unmodelled"`
	NoFault      float64           `json:"no_fault"`
	Advice       keptAdvice        `json:"advice"`
}

type keptCause struct {
	ID          string  `json:"id"`
	Probability float64 `json:"probability"`
	Confirmed   bool    `json:"confirmed,omitempty"`
}

type keptExplanation struct {
	Causes      []string `json:"causes"`
	Probability float64  `json:"probability"`
}

type keptAdvice struct {
	Kind        string `json:"kind"`
	Measurement string `json:"measurement,omitempty"`
	Cause       string `json:"cause,omitempty"`
	Text        string `json:"text"`
}

func (d Diagnosis) kept() keptDiagnosis {
	k := keptDiagnosis{Library: d.LibraryVersion.Number, SHA256: d.LibraryVersion.SHA256, Learned: d.LearnedState, Unmodelled: d.Unmodelled, NoFault: d.NoFault,
		Observations: []ID{}, Causes: []keptCause{}, Explanations: []keptExplanation{}, Advice: keptAdvice(d.Advice)}
	for _, o := range d.Observations {
		k.Observations = append(k.Observations, o.ID)
	}
	for _, c := range d.Causes {
		k.Causes = append(k.Causes, keptCause{c.ID, c.Probability, c.Confirmed})
	}
	for _, e := range d.Explanations {
		k.Explanations = append(k.Explanations, keptExplanation(e))
	}
	return k
}
