package shop

import (
	"sync"
	"testing"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// at is a moment of the tests, in minutes after their beginning.
func at(minutes int) time.Time {
	return time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC).Add(time.Duration(minutes) * time.Minute)
}

// embedded is the edition the program ships with, loaded once for all tests.
var embedded = sync.OnceValue(func() *edition {
	lib, issues := faultlib.Load(faultlib.Embedded())
	if lib == nil {
		panic(libraryProblem(issues))
	}
	model, err := lib.Model(faultlib.ModelContext{})
	if err != nil {
		panic(err)
	}
	return &edition{lib: lib, model: model, version: LibraryVersion{Number: 1, SHA256: lib.SHA256, ID: newID()}}
})

// desk is a job in memory on which rules are tried: what a rule writes is put
// into the file as the store would.
type desk struct {
	t *testing.T
	bench
	minute int
	actor  Actor
	board  BoardFile
}

func setup(t *testing.T, state State) *desk {
	t.Helper()
	t.Parallel()
	ed := embedded()
	cells := 20
	board := Board{ID: newID(), Serial: "T-1", SeriesCells: &cells, ParallelCells: &cells, Facts: map[string]string{}, Version: 1}
	job := Job{ID: newID(), Number: 7, BoardID: board.ID, State: state, LibraryID: ed.version.ID, OpenedAt: at(0), UpdatedAt: at(0), Version: 1}
	return &desk{t: t, bench: bench{lib: ed.lib, ed: ed, file: JobFile{Job: job, Board: board},
		shop: Shop{Currency: "EUR", LabourMinor: 6000, WarrantyDays: 90}},
		actor: Actor{Name: "Tessa", Role: Technician}, board: BoardFile{Board: board}}
}

// pen moves the clock on by a minute for every record.
func (d *desk) pen() pen {
	d.minute++
	return pen{at: at(d.minute), actor: d.actor, newID: newID}
}

// try runs a rule and applies what it writes.
func (d *desk) try(decide func(bench, pen) (JobChange, error)) (JobChange, error) {
	ch, err := decide(d.bench, d.pen())
	if err == nil {
		d.apply(ch)
	}
	return ch, err
}

func (d *desk) must(decide func(bench, pen) (JobChange, error)) JobChange {
	d.t.Helper()
	ch, err := d.try(decide)
	if err != nil {
		d.t.Fatal(err)
	}
	return ch
}

func (d *desk) apply(ch JobChange) {
	f := &d.file
	f.Job.Version++
	f.Job.UpdatedAt = ch.At
	if ch.State != nil {
		f.Job.State = ch.State.To
		f.States = append(f.States, *ch.State)
	}
	for i := range f.Observations {
		o := &f.Observations[i]
		for _, id := range ch.Retract {
			if id == o.ID {
				o.RetractedAt = &ch.At
			}
		}
		if by, ok := ch.Supersede[o.ID]; ok {
			o.SupersededBy = &by
		}
		if ev, ok := ch.Invalidate[o.ID]; ok {
			o.InvalidatedAt, o.InvalidatedBy = &ch.At, ev
		}
	}
	for i := range f.Verifications {
		if ev, ok := ch.Invalidate[f.Verifications[i].ID]; ok {
			f.Verifications[i].InvalidatedAt, f.Verifications[i].InvalidatedBy = &ch.At, ev
		}
	}
	f.Observations = append(f.Observations, ch.Add...)
	f.Access = append(f.Access, ch.Access...)
	if ch.Fault != nil {
		f.Faults = append(f.Faults, *ch.Fault)
	}
	if ch.Waive != nil {
		fault := faultOf(*f, ch.Waive.FaultID)
		fault.WaivedAt, fault.WaiveReason = &ch.At, ch.Waive.Reason
	}
	if ch.Repair != nil {
		f.Repairs = append(f.Repairs, *ch.Repair)
	}
	if ch.Verify != nil {
		f.Verifications = append(f.Verifications, *ch.Verify)
	}
	if ch.ComebackOf != nil {
		f.Job.ComebackOf = ch.ComebackOf
	}
}

func (d *desk) observe(in ObservationInput) (JobChange, error) {
	return d.try(func(b bench, p pen) (JobChange, error) { return observe(b, in, p) })
}

// sees records the outcome of a measurement.
func (d *desk) sees(measurement, outcome string) Observation {
	d.t.Helper()
	ch, err := d.observe(ObservationInput{Measurement: measurement, Outcome: outcome})
	if err != nil {
		d.t.Fatalf("%s %s: %v", measurement, outcome, err)
	}
	return ch.Add[0]
}

func (d *desk) symptom(id string) Observation {
	d.t.Helper()
	yes := true
	ch, err := d.observe(ObservationInput{Symptom: id, Present: &yes})
	if err != nil {
		d.t.Fatalf("%s: %v", id, err)
	}
	return ch.Add[0]
}

func (d *desk) access(opening string, to OpeningState) (JobChange, error) {
	return d.try(func(b bench, p pen) (JobChange, error) { return moveAccess(b, AccessInput{opening, to}, p) })
}

func (d *desk) mustAccess(opening string, to OpeningState) JobChange {
	d.t.Helper()
	ch, err := d.access(opening, to)
	if err != nil {
		d.t.Fatalf("%s %s: %v", opening, to, err)
	}
	return ch
}

func (d *desk) confirm(cause string) *Fault {
	d.t.Helper()
	ch := d.must(func(b bench, p pen) (JobChange, error) {
		return confirmFault(b, d.board, nil, FaultInput{Cause: cause}, p)
	})
	return ch.Fault
}

func (d *desk) repairs(f *Fault) *Repair {
	d.t.Helper()
	ch := d.must(func(b bench, p pen) (JobChange, error) {
		return repair(b, d.board, nil, RepairInput{FaultID: f.ID, Action: "Mended it", Minutes: 10}, p)
	})
	return ch.Repair
}

func (d *desk) proves(measurement, outcome string) *Verification {
	d.t.Helper()
	ch, err := d.try(func(b bench, p pen) (JobChange, error) {
		return verify(b, VerificationInput{Measurement: measurement, Outcome: outcome}, p)
	})
	if err != nil {
		d.t.Fatalf("verify %s: %v", measurement, err)
	}
	return ch.Verify
}

func (d *desk) requirements() Requirements { return requirementsOf(d.lib, d.file) }

// item finds a requirement by its field.
func (d *desk) item(field string) *Requirement {
	r := d.requirements()
	for i := range r.Items {
		if r.Items[i].field() == field {
			return &r.Items[i]
		}
	}
	return nil
}

// wants checks that a requirement is there and whether it is met.
func (d *desk) wants(field string, met bool) {
	d.t.Helper()
	i := d.item(field)
	switch {
	case i == nil:
		d.t.Errorf("there is no requirement %s", field)
	case i.Met != met:
		d.t.Errorf("%s: met is %v, want %v (%s)", field, i.Met, met, i.Text)
	case i.Text == "" || i.Why == "":
		d.t.Errorf("%s does not say what and why: %+v", field, i)
	case i.Met && i.MetBy == nil:
		d.t.Errorf("%s does not say what met it", field)
	}
}

// refused checks an error's code and the field it names.
func refused(t *testing.T, err error, code problem.Code, field string) {
	t.Helper()
	e := problem.As(err)
	if e == nil || e.Code != code {
		t.Errorf("%v, want %s", err, code)
		return
	}
	for _, f := range e.Fields {
		if f.Field == field && f.Message != "" {
			return
		}
	}
	if field != "" {
		t.Errorf("%v does not name the field %s", err, field)
	}
}
