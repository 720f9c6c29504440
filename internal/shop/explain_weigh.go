package shop

import (
	"cmp"
	"math"
	"slices"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

const (
	// arguedCauses and leastArgued bound the causes that are argued for: those that
	// the page shows with a bar.
	arguedCauses = 8
	leastArgued  = 0.01
	// accountsFrom is the probability, given that the cause is there, that it and
	// not something else brought a finding to its level, from which on it is said to
	// account for it.
	accountsFrom = 0.5
	// showsFrom is how surely a measurement must show a cause to be missed.
	showsFrom = 0.5
	// missingSaid is how many of them are named.
	missingSaid = 3
	// mostWorked bounds the abnormal findings up to which overlaps and accounts are
	// worked out: each takes inferences of its own, and these grow with them.
	mostWorked = 12
)

// argument puts the whole diagnosis in sentences. also names a cause that is
// argued for however improbable it is, "" for none.
func (q *inquiry) argument(d *Diagnosis, also string) (*Argument, error) {
	w, err := q.weigher()
	if err != nil {
		return nil, err
	}
	a := &Argument{Scale: strengthScale(), Whole: wholeText(d, q.causeName, q.droppedNames())}
	var cases []causeCase
	for i, c := range d.Causes {
		if !c.Confirmed && (i >= arguedCauses || c.Probability < leastArgued) && c.ID != d.Advice.Cause && c.ID != also {
			continue
		}
		at := q.model.CauseIndex(c.ID)
		if at < 0 {
			continue
		}
		one, arg, err := w.cause(c, at)
		if err != nil {
			return nil, err
		}
		cases, a.Causes = append(cases, one), append(a.Causes, arg)
	}
	w.explainers(cases, a.Causes)
	for i := range cases {
		a.Causes[i].Sentences, a.Causes[i].Brief = cases[i].sentences(), cases[i].brief()
	}
	a.Conflict, err = q.conflictArgument()
	return a, err
}

// weigher works out, for one set of evidence, what the observations do to causes.
type weigher struct {
	*inquiry
	weights  [][]float64
	abnormal []int // places in found
	// rose is, for each abnormal finding, what its level rests on; nil where there
	// are too many of them to be worked out.
	rose []rise
}

// rise is an abnormal finding as seen, and as "at most the level seen": the two
// tell a cause that reached the level from one that did not exceed it.
type rise struct {
	level        int
	seen, atMost *diagnosis.Posterior
}

func (q *inquiry) weigher() (*weigher, error) {
	w := &weigher{inquiry: q}
	var err error
	if w.weights, err = q.model.Weights(q.ev); err != nil {
		return nil, err
	}
	for j := range q.found {
		if levelSeen(q.ev[j]) > 0 {
			w.abnormal = append(w.abnormal, j)
		}
	}
	if len(w.abnormal) > mostWorked {
		return w, nil
	}
	for _, j := range w.abnormal {
		r, err := w.riseOf(j)
		if err != nil {
			return nil, err
		}
		w.rose = append(w.rose, r)
	}
	return w, nil
}

// levelSeen is the level of an observation, the likeliest where it is shared.
func levelSeen(o diagnosis.Observation) int {
	if o.Likelihood == nil {
		return o.Level
	}
	best := 0
	for l, p := range o.Likelihood {
		if p > o.Likelihood[best] {
			best = l
		}
	}
	return best
}

func (w *weigher) riseOf(j int) (rise, error) {
	r := rise{level: levelSeen(w.ev[j])}
	ev := slices.Clone(w.ev)
	ev[j] = diagnosis.Observation{Finding: ev[j].Finding, Level: r.level}
	var err error
	if r.seen, err = w.model.Infer(ev); err != nil {
		return r, err
	}
	most := make([]float64, w.levels(j))
	for l := 0; l <= r.level; l++ {
		most[l] = 1
	}
	ev[j] = diagnosis.Observation{Finding: ev[j].Finding, Likelihood: most}
	r.atMost, err = w.model.Infer(ev)
	return r, err
}

// levels is the number of levels of a finding.
func (w *weigher) levels(j int) int {
	m := w.lib.Measurement(measurementOf(w.ev[j].Finding))
	if m == nil {
		return 2
	}
	return slices.Max(m.LevelOf) + 1
}

// account is the probability, given that the cause is there, that it brought the
// finding to the level seen by itself.
//
// The finding is max(Z, W), Z being what the cause alone brings and W what leak
// and other causes bring, so that P(cause, W ≤ x, rest) is P(cause, finding ≤ x,
// rest) / F(x) and P(cause, Z = x, finding = x, rest) = f(x)·P(cause, W ≤ x, rest).
func (w *weigher) account(r rise, own []float64, cause int) float64 {
	p := r.seen.Marginals[cause]
	upTo := 0.0
	for l := 0; l <= r.level; l++ {
		upTo += own[l]
	}
	if p <= 0 || upTo <= 0 {
		return 0
	}
	atMost := r.atMost.Marginals[cause] * math.Exp(r.atMost.LogEvidence-r.seen.LogEvidence)
	return math.Min(1, own[r.level]/upTo*atMost/p)
}

// own is P(level | only this cause, no leak) of a finding, from what the model
// predicts for the cause alone and for none: the one's distribution function is
// the product of the other's and the cause's.
func (w *weigher) own(alone, none *diagnosis.Model, finding string) ([]float64, error) {
	with, err := alone.Predict(nil, finding)
	if err != nil {
		return nil, err
	}
	without, err := none.Predict(nil, finding)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(with))
	cumWith, cumWithout, before := 0.0, 0.0, 0.0
	for l := range out {
		cumWith, cumWithout = cumWith+with[l], cumWithout+without[l]
		f := 1.0
		if cumWithout > 0 {
			f = cumWith / cumWithout
		}
		out[l], before = math.Max(0, f-before), f
	}
	return out, nil
}

// only is the model in which no cause is there but those given.
func (w *weigher) only(causes ...string) (*diagnosis.Model, error) {
	priors := map[string]float64{diagnosis.UnmodelledID: 0}
	for _, c := range w.model.Causes() {
		priors[c.ID] = 0
	}
	for _, id := range causes {
		priors[id] = 1
	}
	return w.model.WithPriors(priors)
}

// cause gathers what is said about one cause.
func (w *weigher) cause(c CauseView, at int) (causeCase, CauseArgument, error) {
	one := causeCase{name: c.Name, probability: c.Probability, prior: c.Prior, confirmed: c.Confirmed}
	arg := CauseArgument{Cause: c.ID}
	for j, x := range w.found {
		db := w.weights[at][j]
		if math.Abs(db) < leastSaid || c.Confirmed {
			continue
		}
		one.weights = append(one.weights, weighed{x.record, w.name(x), db})
	}
	for _, o := range w.refuted[c.ID] {
		one.weights = append(one.weights, weighed{o, "a look at it that found it sound", refutedDecibans})
	}
	slices.SortStableFunc(one.weights, func(x, y weighed) int { return cmp.Compare(math.Abs(y.decibans), math.Abs(x.decibans)) })
	for _, x := range one.weights {
		e := WeighedObservation{ObservationID: x.id, Decibans: x.decibans, Strength: strength(x.decibans)}
		if x.decibans > 0 {
			arg.For = append(arg.For, e)
		} else {
			arg.Against = append(arg.Against, e)
		}
	}
	one.missing = w.missing(c.ID)
	for _, l := range one.missing {
		arg.Missing = append(arg.Missing, l.measurement)
	}
	if w.rose == nil {
		return one, arg, nil
	}
	linked, err := w.accounts(&one, &arg, c.ID, at)
	if err == nil && !c.Confirmed {
		one.overlaps, err = w.overlaps(at, linked)
	}
	return one, arg, err
}

// accounts settles which abnormal findings the cause itself brought about, and
// returns the places of those that it can bring about at all.
func (w *weigher) accounts(one *causeCase, arg *CauseArgument, id string, at int) ([]int, error) {
	alone, err := w.only(id)
	if err != nil {
		return nil, err
	}
	none, err := w.only()
	if err != nil {
		return nil, err
	}
	var linked []int
	for k, j := range w.abnormal {
		own, err := w.own(alone, none, w.ev[j].Finding)
		if err != nil {
			return nil, err
		}
		// Below that the difference of two sums holds rounding only.
		if own[w.rose[k].level] > 1e-9 {
			linked = append(linked, j)
		}
		if w.account(w.rose[k], own, at) >= accountsFrom {
			one.accounts, arg.AccountsFor = append(one.accounts, w.name(w.found[j])), append(arg.AccountsFor, w.found[j].record)
		} else {
			one.leaves, arg.Leaves = append(one.leaves, unexplained{name: w.name(w.found[j])}), append(arg.Leaves, w.found[j].record)
		}
	}
	return linked, nil
}

// explainers names, for what a cause leaves, the most probable cause of those
// argued for that would account for it.
func (w *weigher) explainers(cases []causeCase, args []CauseArgument) {
	for i := range cases {
		for k, left := range args[i].Leaves {
			for j := range cases {
				if j != i && slices.Contains(args[j].AccountsFor, left) {
					cases[i].leaves[k].by = cases[j].name
					break
				}
			}
		}
	}
}

// missing lists what would show a cause and was not looked at, most sure first.
func (w *weigher) missing(cause string) []look {
	cannot := unavailable(w.lib, w.file)
	var out []look
	for _, s := range shownBy(w.lib, cause) {
		finding := faultlib.MeasurementFinding(s.id)
		taken := slices.ContainsFunc(w.ev, func(o diagnosis.Observation) bool { return o.Finding == finding })
		if s.p >= showsFrom && !taken {
			out = append(out, look{s.id, w.lib.Measurement(s.id).Title, s.p, slices.Contains(cannot, finding)})
		}
	}
	return out[:min(missingSaid, len(out))]
}

// name puts an observation in the library's words, as a sentence names it.
func (q *inquiry) name(x finding) string {
	symptom, measurement := faultlib.FindingOf(x.ev.Finding)
	if symptom != "" {
		text := "“" + q.lib.Symptom(symptom).Text + "”"
		if levelSeen(x.ev) == 0 {
			return "that " + text + " is not so"
		}
		return text
	}
	m := q.lib.Measurement(measurement)
	outcome, detail := q.resultOf(x.record)
	text := m.Title + ": " + outcomeName(m, outcome)
	if detail != "" {
		text += " (" + detail + ")"
	}
	return "“" + text + "”"
}

// resultOf is the outcome and detail of an observation or verification.
func (q *inquiry) resultOf(record ID) (outcome, detail string) {
	for i := range q.file.Observations {
		if o := &q.file.Observations[i]; o.ID == record && o.Result != nil {
			return o.Result.Outcome, o.Result.Detail
		}
	}
	for i := range q.file.Verifications {
		if v := &q.file.Verifications[i]; v.ID == record {
			return v.Result.Outcome, v.Result.Detail
		}
	}
	return "", ""
}
