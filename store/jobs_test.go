package store_test

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"sync"
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func TestAddJob(t *testing.T) {
	t.Parallel()
	b := setup(t)
	n := b.newJob(b.board.ID, t0, ptr(120.5))
	n.Observations = []shop.Observation{
		{ID: newID(), Kind: shop.ObservedSymptom, Symptom: "water_history", Present: true, FromExposure: true, At: t0, By: "Kim"},
		{ID: newID(), Kind: shop.ObservedSymptom, Symptom: "smoke", At: t0, By: "Kim"},
	}
	got, err := b.store.AddJob(b.ctx, b.shop.ID, n)
	b.ok(err)
	want := n.Job
	want.Number, want.Version = 1, 1
	same(t, got, want)
	f, err := b.store.JobFile(b.ctx, b.shop.ID, want.ID)
	b.ok(err)
	same(t, f.Job, want)
	same(t, f.Observations, n.Observations)
	same(t, f.States, []shop.StateChange{n.State})
	board := b.board
	board.OdometerKM, board.UpdatedAt, board.Version = ptr(120.5), t0, 2
	same(t, f.Board, board)
	bf, err := b.store.BoardFile(b.ctx, b.shop.ID, b.board.ID)
	b.ok(err)
	same(t, bf.OpenJob, &want)
	id, err := b.store.JobByNumber(b.ctx, b.shop.ID, 1)
	b.ok(err)
	same(t, id, want.ID)

	_, err = b.store.AddJob(b.ctx, b.shop.ID, b.newJob(b.board.ID, t0, nil))
	refused(t, err, problem.Conflict, "board_id")
	_, err = b.store.AddJob(b.ctx, newID(), n)
	refused(t, err, problem.NotFound, "")
	other := b.addBoard("NP-0002", t0)
	for _, tt := range []struct {
		field string
		code  problem.Code
		fill  func(*shop.NewJob)
	}{
		{"board_id", problem.Invalid, func(n *shop.NewJob) { n.Job.BoardID = newID() }},
		{"library_version", problem.Invalid, func(n *shop.NewJob) { n.Job.LibraryID = newID() }},
		{"odometer_km", problem.Invalid, func(n *shop.NewJob) { n.Job.OdometerKM = ptr(-1.0) }},
		{"comeback_of", problem.Invalid, func(n *shop.NewJob) { n.Job.ComebackOf = &want.ID }}, // Of another board.
		{"comeback_of", problem.Invalid, func(n *shop.NewJob) { n.Job.ComebackOf = &n.Job.ID }},
		{"superseded_by", problem.Invalid, func(n *shop.NewJob) { // Checked at the end of the transaction only.
			n.Observations = []shop.Observation{{Kind: shop.ObservedSymptom, Symptom: "smoke", SupersededBy: ptr(newID())}}
		}},
		{"", problem.Conflict, func(n *shop.NewJob) {
			n.Observations = []shop.Observation{{Kind: shop.ObservedSymptom, Symptom: "smoke"}, {Kind: shop.ObservedSymptom, Symptom: "smoke", Present: true}}
		}},
	} {
		n := b.newJob(other.ID, t0, nil)
		tt.fill(&n)
		_, err := b.store.AddJob(b.ctx, b.shop.ID, n)
		refused(t, err, tt.code, tt.field)
		log, err := b.store.Audit(b.ctx, b.shop.ID, n.Audit.SubjectID, shop.Page{})
		b.ok(err)
		if len(log.Items) > 0 {
			t.Errorf("a refused intake left a log entry")
		}
	}
	// Refused intakes took no number.
	if j := b.openJob(other.ID, t0, nil); j.Number != 2 {
		t.Errorf("number %d, want 2", j.Number)
	}
}

func TestJobNumbersHaveNoGaps(t *testing.T) {
	t.Parallel()
	b := setup(t)
	const n = 20
	jobs := make([]shop.NewJob, n)
	for i := range jobs {
		jobs[i] = b.newJob(b.addBoard("", t0).ID, t0, nil)
	}
	numbers := make([]int, n)
	var wg sync.WaitGroup
	for i := range jobs {
		wg.Go(func() {
			j, err := b.store.AddJob(b.ctx, b.shop.ID, jobs[i])
			if err != nil {
				t.Error(err)
			}
			numbers[i] = j.Number
		})
	}
	wg.Wait()
	slices.Sort(numbers)
	for i, got := range numbers {
		if got != i+1 {
			t.Fatalf("numbers %v", numbers)
		}
	}
}

func TestOneOpenJobPerBoardAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	errs := make(chan error, 10)
	for range cap(errs) {
		n := b.newJob(b.board.ID, t0, nil)
		go func() {
			_, err := b.store.AddJob(b.ctx, b.shop.ID, n)
			errs <- err
		}()
	}
	opened := 0
	for range cap(errs) {
		if err := <-errs; err == nil {
			opened++
		} else {
			refused(t, err, problem.Conflict, "board_id")
		}
	}
	if opened != 1 {
		t.Errorf("%d open jobs of one board", opened)
	}
}

func TestJobFileHasEverything(t *testing.T) {
	t.Parallel()
	b := setup(t)
	_, err := b.store.Move(b.ctx, b.shop.ID, shop.Movement{PartID: b.part.ID, Quantity: 5, Reason: "received", At: t0}, b.audit("part.move", b.part.ID))
	b.ok(err)
	con := shop.Connector{ID: newID(), BoardID: b.board.ID, Place: "left motor", Polarity: "unknown", PinMap: map[string]string{}, FittedAt: days(-9), UpdatedAt: t0, Version: 1}
	b.ok(b.store.AddConnector(b.ctx, b.shop.ID, con, b.audit("connector.add", con.ID)))
	j := b.openJob(b.board.ID, t0, nil)
	at := func(n int) time.Time { return t0.Add(time.Duration(n) * time.Minute) }

	symptom := shop.Observation{ID: newID(), Kind: shop.ObservedSymptom, Symptom: "cuts_out", Present: true, At: at(1), By: "Kim"}
	taken := shop.Observation{ID: newID(), Kind: shop.ObservedMeasurement, Measurement: "pack_voltage", At: at(1), By: "Kim",
		Result: &shop.Result{Readings: map[string]any{"v": "62.4V"}, Outcome: "low", Likelihood: map[string]float64{"low": 0.9, "normal": 0.1},
			Values: []shop.ResultValue{{ID: "v_cell", Value: 3.12, Unit: "V"}}, Text: "62.4 V / 20"}}
	cannot := shop.Observation{ID: newID(), Kind: shop.ObservedMeasurement, Measurement: "hall_a", Unavailable: true, At: at(1), By: "Kim"}
	opened := shop.AccessEvent{ID: newID(), Opening: "battery_box", State: shop.Open, Implied: true, At: at(1), By: "Kim"}
	b.change(&j, at(1), func(c *shop.JobChange) {
		c.Add = []shop.Observation{symptom, taken, cannot}
		c.Access = []shop.AccessEvent{opened}
		c.State = &shop.StateChange{ID: newID(), From: shop.Received, To: shop.Diagnosing, Reason: "begun"}
	})
	fault := b.confirm(&j, "motor_connector", at(2), func(f *shop.Fault) { f.ConnectorID = &con.ID; f.Note = "green" })
	old := shop.InstalledPart{ID: newID(), PartName: "connector as built", Component: "motor_connector", InstalledAt: at(2)}
	b.change(&j, at(2), func(c *shop.JobChange) { c.Installed = []shop.InstalledPart{old} })
	repair := shop.Repair{ID: newID(), FaultID: fault.ID, Action: "replace_connector", Minutes: 25, Note: "crimped", At: at(3), By: "Kim",
		Parts: []shop.RepairPart{{PartID: b.part.ID, Name: "Motor connector", Quantity: 2, Lot: "L1", Serial: "S"}}}
	fitted := shop.InstalledPart{ID: newID(), BoardID: b.board.ID, PartID: &b.part.ID, PartName: "Motor connector", Component: "motor_connector",
		Lot: "L1", InstalledAt: at(3), InstalledKM: ptr(130.0), RepairID: &repair.ID}
	proof := shop.Verification{ID: newID(), Measurement: "pull_test", Result: shop.Result{Outcome: "holds"}, Passed: true, At: at(4), By: "Kim"}
	b.change(&j, at(3), func(c *shop.JobChange) {
		c.Repair, c.Installed, c.Removed = &repair, []shop.InstalledPart{fitted}, []shop.Removal{{InstalledPartID: old.ID, KM: ptr(129.0)}}
		c.Verify = &proof
		c.Snapshot = &shop.Snapshot{ID: newID(), Trigger: "repair", LibraryID: b.library.ID, Body: []byte(`{"b": 2, "a": 1}`)}
	})
	again := taken
	again.ID, again.At, again.Result = newID(), at(5), &shop.Result{Outcome: "normal"}
	b.change(&j, at(5), func(c *shop.JobChange) {
		c.Supersede = map[shop.ID]shop.ID{taken.ID: again.ID}
		c.Add = []shop.Observation{again}
		c.Retract = []shop.ID{symptom.ID}
		c.Invalidate = map[shop.ID]string{proof.ID: "box_opened"}
	})

	f, err := b.store.JobFile(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	symptom.RetractedAt, symptom.RetractedBy = ptr(at(5)), "Kim"
	taken.SupersededBy = &again.ID
	proof.InvalidatedAt, proof.InvalidatedBy = ptr(at(5)), "box_opened"
	same(t, f.Job, j)
	same(t, f.Connectors, []shop.Connector{con})
	same(t, f.Observations, []shop.Observation{symptom, taken, cannot, again})
	same(t, f.Access, []shop.AccessEvent{opened})
	same(t, f.Faults, []shop.Fault{fault})
	same(t, f.Repairs, []shop.Repair{repair})
	same(t, f.Verifications, []shop.Verification{proof})
	if len(f.States) != 2 || f.States[1].From != shop.Received || f.States[1].To != shop.Diagnosing || f.States[1].Reason != "begun" {
		t.Errorf("states %+v", f.States)
	}
	bf, err := b.store.BoardFile(b.ctx, b.shop.ID, b.board.ID)
	b.ok(err)
	old.BoardID, old.RemovedAt, old.RemovedKM = b.board.ID, ptr(at(3)), ptr(129.0)
	same(t, bf.Installed, []shop.InstalledPart{fitted, old})
	p, err := b.store.Part(b.ctx, b.shop.ID, b.part.ID)
	b.ok(err)
	moves, err := b.store.Movements(b.ctx, b.shop.ID, b.part.ID, shop.Page{})
	b.ok(err)
	if m := moves.Items[0]; p.Stock != 3 || m.Quantity != -2 || m.Reason != "used" || m.Lot != "L1" || m.RepairID == nil || *m.RepairID != repair.ID {
		t.Errorf("stock %d, movement %+v", p.Stock, moves.Items[0])
	}
	snaps, err := b.store.Snapshots(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	if len(snaps) != 1 || string(snaps[0].Body) != `{"b": 2, "a": 1}` || snaps[0].Trigger != "repair" || !json.Valid(snaps[0].Body) {
		t.Errorf("snapshots %+v", snaps)
	}
	list, err := b.store.BoardJobs(b.ctx, b.shop.ID, b.board.ID)
	b.ok(err)
	if len(list) != 1 || list[0].BoardSerial != "NP-0001" || list[0].BoardName != "Invented One" {
		t.Errorf("summary %+v", list)
	}
	same(t, list[0].Faults, []shop.Fault{fault})
}

func TestChangeJobRefusals(t *testing.T) {
	t.Parallel()
	b, j := filled(t)
	other := b.addBoard("NP-0002", t0)
	otherJob := b.openJob(other.ID, t0, nil)
	otherCon := shop.Connector{ID: newID(), BoardID: other.ID, Place: "x", Polarity: "unknown", FittedAt: t0}
	b.ok(b.store.AddConnector(b.ctx, b.shop.ID, otherCon, b.audit("connector.add", otherCon.ID)))
	before, err := b.store.JobFile(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	fault := before.Faults[0]
	tests := map[string]struct {
		code  problem.Code
		field string
		fill  func(*shop.JobChange)
	}{
		"stale":              {problem.Stale, "", func(c *shop.JobChange) { c.Version-- }},
		"unknown job":        {problem.NotFound, "", func(c *shop.JobChange) { c.JobID = newID() }},
		"symptom twice":      {problem.Conflict, "", func(c *shop.JobChange) { c.Add = []shop.Observation{{Kind: shop.ObservedSymptom, Symptom: "cuts_out"}} }},
		"retract unknown":    {problem.Conflict, "", func(c *shop.JobChange) { c.Retract = []shop.ID{newID()} }},
		"supersede unknown":  {problem.Conflict, "", func(c *shop.JobChange) { c.Supersede = map[shop.ID]shop.ID{newID(): before.Observations[0].ID} }},
		"supersede by none":  {problem.Invalid, "superseded_by", func(c *shop.JobChange) { c.Supersede = map[shop.ID]shop.ID{before.Observations[0].ID: newID()} }},
		"invalidate unknown": {problem.Conflict, "", func(c *shop.JobChange) { c.Invalidate = map[shop.ID]string{newID(): "x"} }},
		"invalidate unnamed": {problem.Invalid, "invalidated_by", func(c *shop.JobChange) { c.Invalidate = map[shop.ID]string{before.Observations[0].ID: ""} }},
		"state from elsewhere": {problem.Conflict, "from", func(c *shop.JobChange) {
			c.State = &shop.StateChange{From: shop.Ready, To: shop.Returned}
		}},
		"state to itself": {problem.Conflict, "to", func(c *shop.JobChange) {
			c.State = &shop.StateChange{From: shop.Received, To: shop.Received}
		}},
		"unknown state": {problem.Invalid, "state", func(c *shop.JobChange) { c.State = &shop.StateChange{From: shop.Received, To: "lost"} }},
		"closed while open": {problem.Invalid, "closed_at", func(c *shop.JobChange) {
			c.State, c.ClosedAt = &shop.StateChange{From: shop.Received, To: shop.Declined}, &t0
		}},
		"comeback of another board": {problem.Invalid, "comeback_of", func(c *shop.JobChange) { c.ComebackOf = &otherJob.ID }},
		"comeback of itself":        {problem.Invalid, "comeback_of", func(c *shop.JobChange) { c.ComebackOf = &j.ID }},
		"connector of another board": {problem.Invalid, "connector_id", func(c *shop.JobChange) {
			c.Fault = &shop.Fault{Cause: "x", Component: "x", ConnectorID: &otherCon.ID}
		}},
		"cause twice":          {problem.Conflict, "cause", func(c *shop.JobChange) { f := fault; f.ID = newID(); c.Fault = &f }},
		"waive without reason": {problem.Invalid, "reason", func(c *shop.JobChange) { c.Waive = &shop.Waiver{FaultID: fault.ID, Reason: " "} }},
		"waive unknown":        {problem.Conflict, "", func(c *shop.JobChange) { c.Waive = &shop.Waiver{FaultID: newID(), Reason: "r"} }},
		"repair of no fault":   {problem.Invalid, "fault_id", func(c *shop.JobChange) { c.Repair = &shop.Repair{FaultID: newID(), Action: "a"} }},
		"too many parts": {problem.Conflict, "quantity", func(c *shop.JobChange) {
			c.Repair = &shop.Repair{FaultID: fault.ID, Action: "a", Parts: []shop.RepairPart{{PartID: b.part.ID, Quantity: 1000}}}
		}},
		"unknown part": {problem.Invalid, "parts", func(c *shop.JobChange) {
			c.Repair = &shop.Repair{FaultID: fault.ID, Action: "a", Parts: []shop.RepairPart{{PartID: newID(), Quantity: 1}}}
		}},
		"part of no quantity": {problem.Invalid, "parts.quantity", func(c *shop.JobChange) {
			c.Repair = &shop.Repair{FaultID: fault.ID, Action: "a", Parts: []shop.RepairPart{{PartID: b.part.ID}}}
		}},
		"minutes below zero": {problem.Invalid, "minutes", func(c *shop.JobChange) {
			c.Repair = &shop.Repair{FaultID: fault.ID, Action: "a", Minutes: -1}
		}},
		"remove what is not there": {problem.Conflict, "", func(c *shop.JobChange) { c.Removed = []shop.Removal{{InstalledPartID: newID()}} }},
		"snapshot of no edition": {problem.Invalid, "library_version", func(c *shop.JobChange) {
			c.Snapshot = &shop.Snapshot{Trigger: "fault", LibraryID: newID(), Body: []byte(`{}`)}
		}},
		"odometer below zero": {problem.Invalid, "odometer_km", func(c *shop.JobChange) { c.Edit = &shop.JobEdit{OdometerKM: ptr(-1.0)} }},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			err := b.tryChange(&j, days(1), func(c *shop.JobChange) {
				// Something good in the same change must not survive it.
				c.Access = []shop.AccessEvent{{Opening: "motor_box", State: shop.Open}}
				tt.fill(c)
			})
			refused(t, err, tt.code, tt.field)
		})
	}
	after, err := b.store.JobFile(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	same(t, after, before)
}

func TestChangeJobAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	j := b.openJob(b.board.ID, t0, nil)
	errs := make(chan error, 2)
	for _, symptom := range []string{"smoke", "noise"} {
		mine := j
		go func() {
			errs <- b.tryChange(&mine, t0, func(c *shop.JobChange) {
				c.Add = []shop.Observation{{ID: newID(), Kind: shop.ObservedSymptom, Symptom: symptom}}
			})
		}()
	}
	first, second := <-errs, <-errs
	if first == nil {
		first, second = second, first
	}
	if second != nil {
		t.Errorf("neither change was made: %v", second)
	}
	refused(t, first, problem.Stale, "")
	f, err := b.store.JobFile(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	if len(f.Observations) != 1 || f.Job.Version != 2 {
		t.Errorf("version %d, observations %+v", f.Job.Version, f.Observations)
	}
}

func TestEditJobCarriesOdometer(t *testing.T) {
	t.Parallel()
	b := setup(t)
	j := b.openJob(b.board.ID, t0, ptr(1000.0))
	b.change(&j, days(1), func(c *shop.JobChange) {
		c.Edit = &shop.JobEdit{Complaint: "new words", OdometerKM: ptr(100.0), Condition: "dry"}
	})
	if j.Complaint != "new words" || *j.OdometerKM != 100 || j.Condition != "dry" || len(j.Exposures) != 0 || !j.UpdatedAt.Equal(days(1)) {
		t.Errorf("job %+v", j)
	}
	f, err := b.store.BoardFile(b.ctx, b.shop.ID, b.board.ID)
	b.ok(err)
	if *f.Board.OdometerKM != 100 {
		t.Errorf("the board kept the wrong odometer %g", *f.Board.OdometerKM)
	}
	// A later reading of the board stays.
	board := f.Board
	board.OdometerKM = ptr(150.0)
	_, err = b.store.UpdateBoard(b.ctx, b.shop.ID, board, shop.AuditEvent{At: days(2), Action: "board.edit"})
	b.ok(err)
	b.change(&j, days(3), func(c *shop.JobChange) { c.Edit = &shop.JobEdit{OdometerKM: ptr(101.0)} })
	f, err = b.store.BoardFile(b.ctx, b.shop.ID, b.board.ID)
	b.ok(err)
	if *f.Board.OdometerKM != 150 {
		t.Errorf("the board lost its later odometer: %g", *f.Board.OdometerKM)
	}
}

func TestJobLists(t *testing.T) {
	t.Parallel()
	b := setup(t)
	owned := b.addBoard("NP-0002", days(-100))
	owned.Owner = &shop.Customer{ID: newID(), Name: "Robin Invented"}
	_, err := b.store.UpdateBoard(b.ctx, b.shop.ID, owned, b.audit("board.edit", owned.ID))
	b.ok(err)
	one := b.openJob(b.board.ID, days(-50), nil)
	fault := b.confirm(&one, "hall_cable", days(-49), nil)
	b.move(&one, shop.Returned, days(-40))
	two := b.openJob(owned.ID, days(-30), nil)
	b.move(&two, shop.Declined, days(-29))
	three := b.openJob(b.board.ID, days(-20), nil)
	b.move(&three, shop.Scrapped, days(-19))

	for _, tt := range []struct {
		name string
		f    shop.JobFilter
		want []int
	}{
		{"all", shop.JobFilter{}, []int{3, 2, 1}},
		{"states", shop.JobFilter{States: []shop.State{shop.Returned, shop.Scrapped}}, []int{3, 1}},
		{"board", shop.JobFilter{BoardID: &owned.ID}, []int{2}},
		{"number", shop.JobFilter{Query: "#3"}, []int{3}},
		{"bare number", shop.JobFilter{Query: " 2 "}, []int{2}}, // NP-0002 too.
		{"serial", shop.JobFilter{Query: "np-0001"}, []int{3, 1}},
		{"owner", shop.JobFilter{Query: "robin"}, []int{2}},
		{"several", shop.JobFilter{States: []shop.State{shop.Returned}, BoardID: &b.board.ID, Query: "NP"}, []int{1}},
		{"none", shop.JobFilter{Query: "99999999999999"}, nil},
	} {
		l, err := b.store.Jobs(b.ctx, b.shop.ID, tt.f)
		b.ok(err)
		var got []int
		for _, v := range l.Items {
			got = append(got, v.Job.Number)
			if want := map[bool]int{true: 1}[v.Job.Number == 1]; len(v.Faults) != want {
				t.Errorf("%s: job %d has %d faults", tt.name, v.Job.Number, len(v.Faults))
			}
		}
		same(t, got, tt.want)
	}
	counts, err := b.store.JobCounts(b.ctx, b.shop.ID)
	b.ok(err)
	same(t, counts, map[shop.State]int{shop.Returned: 1, shop.Declined: 1, shop.Scrapped: 1})

	last, err := b.store.LastReturned(b.ctx, b.shop.ID, b.board.ID, days(-40))
	b.ok(err)
	same(t, last, &one)
	last, err = b.store.LastReturned(b.ctx, b.shop.ID, b.board.ID, days(-39.99))
	b.ok(err)
	if last != nil {
		t.Errorf("returned before since: %+v", last)
	}
	faults, err := b.store.FaultsOfBoardSince(b.ctx, b.shop.ID, b.board.ID, days(-40))
	b.ok(err)
	same(t, faults, []shop.Fault{fault})
	faults, err = b.store.FaultsOfBoardSince(b.ctx, b.shop.ID, b.board.ID, days(-39))
	b.ok(err)
	same(t, faults, []shop.Fault{})
	empty := b.addBoard("NP-0003", t0)
	list, err := b.store.BoardJobs(b.ctx, b.shop.ID, empty.ID)
	b.ok(err)
	if len(list) > 0 {
		t.Errorf("jobs of a new board: %+v", list)
	}
	_, err = b.store.JobByNumber(b.ctx, b.shop.ID, 4)
	refused(t, err, problem.NotFound, "")
	_, err = b.store.JobFile(b.ctx, b.shop.ID, newID())
	refused(t, err, problem.NotFound, "")
}

// A request that is cancelled while its change waits for a lock leaves nothing
// half written, and the pool stays good.
func TestCancelledChangeLeavesNothing(t *testing.T) {
	t.Parallel()
	b, j := filled(t)
	before, err := b.store.JobFile(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	tx, err := b.store.Pool().Begin(b.ctx)
	b.ok(err)
	// The part's lock is met in the middle of the change, after the job's row.
	_, err = tx.Exec(b.ctx, `select from parts where id = $1 for update`, b.part.ID)
	b.ok(err)
	ctx, cancel := context.WithCancel(b.ctx)
	done := make(chan error)
	go func() {
		_, err := b.store.ChangeJob(ctx, b.shop.ID, shop.JobChange{JobID: j.ID, Version: j.Version, At: days(1), By: "Kim",
			Audit:  b.audit("job.change", j.ID),
			Repair: &shop.Repair{FaultID: before.Faults[0].ID, Action: "again", Parts: []shop.RepairPart{{PartID: b.part.ID, Quantity: 1}}}})
		done <- err
	}()
	awaitLockWait(b, true)
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want the cancellation", err)
	}
	// The caller has its answer before the server has the cancel request; freed of
	// the lock first, the server would finish what it was sent.
	awaitLockWait(b, false)
	b.ok(tx.Rollback(b.ctx))
	after, err := b.store.JobFile(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	same(t, after, before)
	// The lock of the job's row is gone too.
	b.change(&j, days(1), func(c *shop.JobChange) { c.Edit = &shop.JobEdit{Complaint: "x"} })
}

// awaitLockWait waits until some session of this database waits for a lock, or
// until none does.
func awaitLockWait(b *bench, want bool) {
	b.t.Helper()
	for range 2000 {
		var waiting bool
		b.ok(b.store.Pool().QueryRow(b.ctx, `
select exists (select from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock')`).Scan(&waiting))
		if waiting == want {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	b.t.Fatalf("a session waits for a lock: still %v", !want)
}

func TestCancelledIntakeLeavesNothing(t *testing.T) {
	t.Parallel()
	b := setup(t)
	tx, err := b.store.Pool().Begin(b.ctx)
	b.ok(err)
	_, err = tx.Exec(b.ctx, `select from boards where id = $1 for update`, b.board.ID)
	b.ok(err)
	ctx, cancel := context.WithCancel(b.ctx)
	done := make(chan error)
	n := b.newJob(b.board.ID, t0, ptr(5.0))
	go func() {
		_, err := b.store.AddJob(ctx, b.shop.ID, n)
		done <- err
	}()
	awaitLockWait(b, true)
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want the cancellation", err)
	}
	// The caller has its answer before the server has the cancel request; freed of
	// the lock first, the server would finish what it was sent.
	awaitLockWait(b, false)
	b.ok(tx.Rollback(b.ctx))
	_, err = b.store.JobFile(b.ctx, b.shop.ID, n.Job.ID)
	refused(t, err, problem.NotFound, "")
	if j := b.openJob(b.board.ID, t0, nil); j.Number != 1 {
		t.Errorf("the cancelled intake took a number: %d", j.Number)
	}
}
