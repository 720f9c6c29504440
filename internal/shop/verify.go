package shop

import (
	"context"
	"slices"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// verifyStates are the states in which something is proven.
var verifyStates = []State{Verifying, Repairing, Diagnosing}

// Verify records a measurement that proves a repair or a closing.
func (s *Service) Verify(ctx context.Context, a Actor, jobID ID, in VerificationInput) (Verification, error) {
	if err := a.may(mayBench); err != nil {
		return Verification{}, err
	}
	inst, err := s.usable(ctx, a, in.Instrument)
	if err != nil {
		return Verification{}, err
	}
	_, ch, err := s.change(ctx, a, jobID, 0, func(b bench, p pen) (JobChange, error) {
		b.instrument = inst
		return verify(b, in, p)
	})
	if err != nil {
		return Verification{}, err
	}
	return *ch.Verify, nil
}

func verify(b bench, in VerificationInput, p pen) (JobChange, error) {
	m := b.lib.Measurement(in.Measurement)
	if m == nil {
		return JobChange{}, problem.InField("verification", "%q is no measurement of the fault library", in.Measurement)
	}
	if err := inStates(b.file, "A verification is recorded", verifyStates...); err != nil {
		return JobChange{}, err
	}
	result, err := takeResult(b, m, in.Readings, in.Outcome, p.at)
	if err != nil {
		return JobChange{}, err
	}
	ch := p.start(b.file, "job.verify")
	if err := ch.reach(b, accessOf(b.lib, m.ID, b.file.Board), true, p); err != nil {
		return JobChange{}, err
	}
	passed := slices.Contains(passing(b.lib, b.file, m), result.Outcome)
	ch.Verify = &Verification{ID: p.newID(), Measurement: m.ID, Result: result, InstrumentID: in.Instrument, Passed: passed, At: p.at, By: p.actor.Name}
	ch.Audit.Detail["verification"], ch.Audit.Detail["outcome"], ch.Audit.Detail["passed"] = m.ID, result.Outcome, passed
	return ch, nil
}

// passing lists the outcomes that pass: the normal ones, and those that a check
// on this job's way to ready names.
func passing(lib *faultlib.Library, f JobFile, m *faultlib.Measurement) []string {
	var out []string
	for _, o := range m.Outcomes {
		if o.Normal {
			out = append(out, o.ID)
		}
	}
	for _, d := range demandsOf(lib, f) {
		if d.measurement == m.ID {
			out = append(out, d.outcomes...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Requirements lists what still bars ready, and what is met.
func (s *Service) Requirements(ctx context.Context, a Actor, jobID ID) (Requirements, error) {
	f, err := s.Job(ctx, a, jobID)
	if err != nil {
		return Requirements{}, err
	}
	return s.RequirementsOf(ctx, a, f)
}

// RequirementsOf is Requirements for a file already read.
func (s *Service) RequirementsOf(ctx context.Context, a Actor, f JobFile) (Requirements, error) {
	if err := a.may(mayRead); err != nil {
		return Requirements{}, err
	}
	ed, err := s.libs.of(ctx, a.ShopID, f.Job.LibraryID)
	if err != nil {
		return Requirements{}, err
	}
	return requirementsOf(ed.lib, f), nil
}
