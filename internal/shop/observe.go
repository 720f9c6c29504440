package shop

import (
	"context"
	"slices"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// Observe records a symptom, a measurement's result, or that a measurement
// cannot be taken. It is evidence from then on.
func (s *Service) Observe(ctx context.Context, a Actor, jobID ID, in ObservationInput) (Observation, error) {
	need := mayIntake
	if in.Measurement != "" || in.Cause != "" {
		need = mayBench
	}
	if err := a.may(need); err != nil {
		return Observation{}, err
	}
	inst, err := s.usable(ctx, a, in.Instrument)
	if err != nil {
		return Observation{}, err
	}
	_, ch, err := s.change(ctx, a, jobID, 0, func(b bench, p pen) (JobChange, error) {
		b.instrument = inst
		return observe(b, in, p)
	})
	if err != nil {
		return Observation{}, err
	}
	return ch.Add[0], nil
}

func observe(b bench, in ObservationInput, p pen) (JobChange, error) {
	switch {
	case in.Symptom != "" && in.Measurement != "":
		return JobChange{}, problem.InFields([]problem.Field{
			{Field: "symptom", Message: "give a symptom or a measurement, not both"},
			{Field: "measurement", Message: "give a symptom or a measurement, not both"}})
	case in.Cause != "" && in.Symptom+in.Measurement != "":
		return JobChange{}, problem.InField("cause", "stands alone: give a cause, a symptom or a measurement")
	case in.Cause != "":
		return observeCause(b, in, p)
	case in.Symptom != "":
		return observeSymptom(b, in, p)
	case in.Measurement != "":
		return observeMeasurement(b, in, p)
	}
	return JobChange{}, problem.InField("symptom", "is missing: give a symptom with present, or a measurement with readings, an outcome or unavailable, or a cause that was looked at and is sound")
}

// observeStates are those in which findings are recorded at the bench; symptoms
// and intake gates are also recorded on arrival.
func observable(b bench, in ObservationInput) error {
	allowed := slices.Clone(benchStates)
	if in.Symptom != "" || isGate(b.lib, in.Measurement) {
		allowed = append(allowed, Received)
	}
	return inStates(b.file, "This is recorded", allowed...)
}

func observeSymptom(b bench, in ObservationInput, p pen) (JobChange, error) {
	var c checker
	if b.lib.Symptom(in.Symptom) == nil {
		c.failf("symptom", "%q is no symptom of the fault library", in.Symptom)
	}
	if in.Present == nil {
		c.failf("present", "must be true or false")
	}
	if in.Readings != nil {
		c.failf("readings", "belong to a measurement, not to a symptom")
	}
	if in.Outcome != "" {
		c.failf("outcome", "belongs to a measurement, not to a symptom")
	}
	if in.Unavailable {
		c.failf("unavailable", "is for measurements; leave a symptom that cannot be told out")
	}
	if in.Reason != "" || in.Note != "" {
		c.failf("reason", "says why a measurement is unavailable; leave it out")
	}
	if in.Instrument != nil {
		c.failf("instrument", "belongs to a measurement, not to a symptom")
	}
	if err := firstOf(c.err(), observable(b, in)); err != nil {
		return JobChange{}, err
	}
	if o := activeSymptom(b.file, in.Symptom); o != nil {
		as := "absent"
		if o.Present {
			as = "present"
		}
		return JobChange{}, problem.New(problem.Conflict, "%q is already recorded as %s; retract it first.", b.lib.Symptom(in.Symptom).Text, as).
			With("symptom", "%s is already recorded; retract it first", in.Symptom)
	}
	ch := p.start(b.file, "observation.create")
	ch.Add = []Observation{p.symptom(in.Symptom, *in.Present)}
	if *in.Present {
		ch.disturb(b, reportedBy(b.lib, in.Symptom), "")
	}
	ch.Audit.Detail["symptom"], ch.Audit.Detail["present"] = in.Symptom, *in.Present
	return ch, nil
}

func observeMeasurement(b bench, in ObservationInput, p pen) (JobChange, error) {
	m := b.lib.Measurement(in.Measurement)
	if m == nil {
		return JobChange{}, problem.InField("measurement", "%q is no measurement of the fault library", in.Measurement)
	}
	if in.Present != nil {
		return JobChange{}, problem.InField("present", "belongs to a symptom, not to a measurement")
	}
	if in.Unavailable && (in.Readings != nil || in.Outcome != "") {
		return JobChange{}, problem.InField("unavailable", "says that it cannot be measured; leave readings and outcome out")
	}
	if err := checkReason(&in); err != nil {
		return JobChange{}, err
	}
	if in.Unavailable && in.Instrument != nil {
		return JobChange{}, problem.InField("instrument", "belongs to a measurement that was taken; this one cannot be")
	}
	if err := observable(b, in); err != nil {
		return JobChange{}, err
	}
	ch := p.start(b.file, "observation.create")
	ch.Audit.Detail["measurement"] = m.ID
	o := Observation{ID: p.newID(), Kind: ObservedMeasurement, Measurement: m.ID, Unavailable: in.Unavailable, Reason: in.Reason, Note: in.Note, At: p.at, By: p.actor.Name}
	if instead := adviceNow(b).Measurement; instead != "" && instead != m.ID {
		ch.Audit.Detail["instead_of"] = instead
	}
	if in.Unavailable {
		if err := checkUnavailable(b.lib, b.file, m); err != nil {
			return JobChange{}, err
		}
		ch.Audit.Detail["unavailable"] = true
		if in.Reason != "" {
			ch.Audit.Detail["reason"] = string(in.Reason)
		}
		if in.Note != "" {
			ch.Audit.Detail["note"] = in.Note
		}
	} else {
		result, err := takeResult(b, m, in.Readings, in.Outcome, p.at)
		if err != nil {
			return JobChange{}, err
		}
		if err := ch.reach(b, accessOf(b.lib, m.ID, b.file.Board), true, p); err != nil {
			return JobChange{}, err
		}
		o.Result, o.ID, o.InstrumentID = &result, p.newID(), in.Instrument
		ch.Audit.Detail["outcome"] = result.Outcome
	}
	ch.replace(b.file, m.ID, o.ID)
	ch.Add = []Observation{o}
	return ch, nil
}

// replace makes a later observation of a measurement take the place of the
// earlier ones. An invalidated one stays as it is: it calls for a new proof.
func (ch *JobChange) replace(f JobFile, measurement string, by ID) {
	for i := range f.Observations {
		o := &f.Observations[i]
		if o.Measurement != measurement || o.RetractedAt != nil || o.SupersededBy != nil || o.InvalidatedAt != nil {
			continue
		}
		if ch.Supersede == nil {
			ch.Supersede = map[ID]ID{}
		}
		// What this very change replaces, it need not invalidate too.
		delete(ch.Invalidate, o.ID)
		ch.Supersede[o.ID] = by
	}
}

// checkReason holds reason and note to what they belong to. A reason that says
// nothing by itself needs words.
func checkReason(in *ObservationInput) error {
	var c checker
	in.Note = c.note("note", in.Note, maxShort)
	switch {
	case !in.Unavailable && in.Reason != "":
		c.failf("reason", "says why a measurement is unavailable; leave it out")
	case !in.Unavailable && in.Note != "":
		c.failf("note", "says why a measurement is unavailable; leave it out")
	case in.Reason != "" && !slices.Contains(UnavailableReasons(), in.Reason):
		c.oneOf("reason", string(in.Reason), idsOf(UnavailableReasons())...)
	case in.Reason == OtherReason && in.Note == "":
		c.failf("note", "must say why, since the reason is other")
	case in.Reason == "" && in.Note != "":
		c.failf("reason", "must be given with a note; take other where none fits")
	}
	return c.err()
}

func idsOf[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, v := range list {
		out[i] = string(v)
	}
	return out
}

// adviceNow is what is advised as the job stands; nothing where that cannot be
// worked out, because a record is not held up for it.
func adviceNow(b bench) Advice {
	q, err := inquire(b)
	if err != nil {
		return Advice{}
	}
	d := Diagnosis{Stop: standingStop(b.lib, b.file)}
	q.advise(&d)
	return d.Advice
}

func checkUnavailable(lib *faultlib.Library, f JobFile, m *faultlib.Measurement) error {
	for i := range f.Observations {
		o := &f.Observations[i]
		if o.Measurement != m.ID {
			continue
		}
		if standing(lib, f, o) {
			return problem.New(problem.Conflict, "%s was measured in this job; retract that first.", m.Title).
				With("unavailable", "%s has a result; retract it first", m.ID)
		}
		if o.Unavailable && o.RetractedAt == nil && o.SupersededBy == nil {
			return problem.New(problem.Conflict, "%s is already recorded as not measurable; retract it first.", m.Title).
				With("unavailable", "is already recorded; retract it first")
		}
	}
	return nil
}

// Retract takes an observation out of the evidence; the log keeps it.
func (s *Service) Retract(ctx context.Context, a Actor, jobID, observationID ID) error {
	if err := a.may(mayIntake); err != nil {
		return err
	}
	_, _, err := s.change(ctx, a, jobID, 0, func(b bench, p pen) (JobChange, error) { return retract(b, observationID, p) })
	return err
}

func retract(b bench, id ID, p pen) (JobChange, error) {
	at := slices.IndexFunc(b.file.Observations, func(o Observation) bool { return o.ID == id })
	if at < 0 {
		return JobChange{}, problem.New(problem.NotFound, "There is no such observation in this job.")
	}
	o := b.file.Observations[at]
	if o.Kind != ObservedSymptom {
		if err := p.actor.may(mayBench); err != nil {
			return JobChange{}, err
		}
	}
	if err := inStates(b.file, "An observation is retracted", append(slices.Clone(benchStates), Received)...); err != nil {
		return JobChange{}, err
	}
	if o.RetractedAt != nil {
		return JobChange{}, problem.New(problem.Conflict, "This observation is retracted already.")
	}
	ch := p.start(b.file, "observation.retract")
	ch.Retract = []ID{id}
	ch.Audit.Detail["observation_id"], ch.Audit.Detail["finding"] = id, o.Symptom+o.Measurement+o.Cause
	if o.Unavailable {
		ch.Audit.Detail["unavailable"] = true
	}
	return ch, nil
}
