package web

import (
	"context"
	"time"

	"github.com/google/uuid"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// The sample shop of the page tests: everything in it is invented.

var sampleNow = time.Date(2026, 5, 20, 14, 30, 0, 0, time.UTC)

func sid(n byte) shop.ID { return uuid.UUID{0: 1, 6: 0x70, 8: 0x80, 15: n} }

var (
	shopID   = sid(1)
	ownerID  = sid(2)
	benchID  = sid(3)
	boardID  = sid(10)
	jobID    = sid(20)
	oldJobID = sid(21)
	obsID    = sid(30)
	obs2ID   = sid(31)
	faultID  = sid(40)
	partID   = sid(50)
	connID   = sid(60)
)

func ref[T any](v T) *T { return &v }

func sampleLibrary() *faultlib.Library {
	m := func(id, title, of, access string, minutes float64, hazard int, d measure.Definition) faultlib.Measurement {
		d.ID = id
		return faultlib.Measurement{Definition: d, Title: title, Of: of, Access: access, Minutes: minutes, Hazard: hazard,
			Points: "A-B, B-C and C-A at the motor plug", Instrument: "four-wire milliohm meter", Caution: "phases unplugged from the bridge; wheel still", Note: "read the lead zero first"}
	}
	return &faultlib.Library{
		SHA256: "0f1e2d3c4b5a69788796a5b4c3d2e1f00f1e2d3c4b5a69788796a5b4c3d2e1f0", Edition: 1,
		Meta: faultlib.Meta{Status: "first expert draft", BoardFacts: []faultlib.BoardFact{{ID: "motor_plug", Default: "internal", Text: "Is the motor plug inside a box or outside?", Values: []string{"internal", "external"}}}},
		Hazards: []faultlib.Hazard{{Level: 0, Name: "none", Rule: "no special precautions"}, {Level: 1, Name: "low", Rule: "eye protection when cutting or prying"},
			{Level: 2, Name: "moderate", Rule: "stored energy, rotating wheel or hot parts; one person, clear bench, wheel guarded"},
			{Level: 3, Name: "high", Rule: "open or live lithium pack: insulated tools, no jewellery, eye and face protection, insulating gloves, covered terminals, second person in reach"},
			{Level: 4, Name: "stop", Rule: "do not continue; move outdoors or to quarantine, call supervisor"}},
		Openings: []faultlib.Opening{{ID: "outside"}, {ID: "connector_unplugged", OpenMin: 5, CloseMin: 4, Requires: []string{"outside"}, Hazard: 2, Note: "power off, wait for bus discharge, then part the connector between boxes; cap both halves"},
			{ID: "motor_box_open", OpenMin: 15, CloseMin: 22, Requires: []string{"connector_unplugged"}, Reseal: true, Hazard: 2, Note: "controller compartment open and dead"},
			{ID: "battery_box_open", OpenMin: 18, CloseMin: 28, Requires: []string{"connector_unplugged"}, Reseal: true, Hazard: 3, Note: "battery compartment open; pack always live"}},
		Components: []faultlib.Component{{ID: "interbox_connector", Name: "power connector between boxes"}, {ID: "motor_winding", Name: "three-phase stator winding"},
			{ID: "cell_group", Name: "parallel cell group"}, {ID: "interbox_wiring", Name: "wiring between boxes"}},
		Symptoms: []faultlib.Symptom{
			{ID: "pack_swollen", Group: "visual", Text: "Battery box lid bulged or cells swollen", Ask: "Stop and quarantine", SafetyStop: true},
			{ID: "sudden_cutoff", Group: "drive", Text: "Power cut without warning while riding", Ask: "Speed, battery percentage, terrain?"},
			{ID: "stutter_at_start", Group: "drive", Text: "Wheel stutters or jerks when starting from rest", Ask: "Only cold? Only after water?"},
			{ID: "water_history", Group: "history", Text: "Was ridden in water, washed or immersed", Ask: "Fresh or salt? When?"}},
		Measurements: []faultlib.Measurement{
			m("phase_resistance_3", "Three phase-to-phase resistances", "motor_winding", "motor_box_open", 6, 2, measure.Definition{Kind: measure.Algorithm, Algorithm: "alg_phase_resistance",
				Inputs: []measure.Input{{ID: "r_ab", Unit: "mohm"}, {ID: "r_bc", Unit: "mohm"}, {ID: "r_ca", Unit: "mohm"}, {ID: "t_wind_c", Unit: "C"}, {ID: "r_model_20", Unit: "mohm", Note: "null if unknown", Nullable: true}, {ID: "moves", Unit: "bool"}},
				Params: map[string]float64{"unbal_fail_pct": 5}, Compute: []measure.Step{{ID: "r_avg", Expr: "(r_ab + r_bc + r_ca) / 3", Note: "mean"}},
				Outcomes: []measure.Outcome{{ID: "one_open", When: "pattern", Meaning: "one phase open"}, {ID: "one_high", When: "pattern", Meaning: "joint or partial strand break"}, {ID: "balanced", When: "else", Meaning: "normal", Normal: true}}}),
			m("interbox_visual", "Power connector between boxes, both halves", "interbox_connector", "connector_unplugged", 4, 2, measure.Definition{Kind: measure.Inspection,
				Outcomes: []measure.Outcome{{ID: "soot", Meaning: "arc pitting, brown or melted housing"}, {ID: "pin_damaged", Meaning: "contact missing, bent or pushed back"}, {ID: "clean", Meaning: "normal", Normal: true}}}),
			m("cell_group_delta", "All cell group voltages", "cell_group", "battery_box_open", 8, 3, measure.Definition{Kind: measure.Algorithm,
				Inputs:   []measure.Input{{ID: "v", Unit: "list", Element: "V", Note: "all group voltages"}, {ID: "rest", Unit: "list", Element: "V"}, {ID: "lamp", Choice: []string{"dark", "green"}}, {ID: "found", Unit: "map", Note: "pin to pins"}},
				Examples: []measure.Example{{In: map[string]any{"v": []any{3.6, 3.6}, "rest": []any{1.0, 2.0, 3.0}}}, {In: map[string]any{"v": []any{3.6}}}},
				Outcomes: []measure.Outcome{{ID: "one_low", When: "low", Meaning: "one group low"}, {ID: "even", When: "else", Meaning: "normal", Normal: true}}})},
		Causes: []faultlib.Cause{{ID: "interbox_pin_burned", Name: "Contact burnt in the power connector", Component: "interbox_connector", Mode: "high_resistance", Mechanism: "overheating", PriorPer1000: 24,
			Repair: "Replace both halves, measure polarity on both before mating", Parts: []string{"connector pair"}, RepairMinutes: [2]float64{30, 60}, Hazard: 3,
			Verify: []faultlib.Check{{Measurement: "interbox_visual", Outcomes: []string{"clean"}}}, TypicalCauses: []string{"overload"}}},
		Links:   []faultlib.Link{{Cause: "interbox_pin_burned", Symptoms: map[string]float64{"sudden_cutoff": 0.6}, Outcomes: map[string]map[string]float64{"interbox_visual": {"soot": 0.8}}}},
		Gates:   []faultlib.Gate{{Measurement: "phase_resistance_3", StopOn: []string{"one_open"}}, {Symptom: "pack_swollen"}},
		Sources: []faultlib.Source{{ID: "C", Ref: "common practice", UsedFor: "order", Checked: "no source"}},
	}
}

func sampleBoard() shop.Board {
	return shop.Board{ID: boardID, Serial: "BM-1480", Make: "Brindlecraft", Model: "Mossback", SeriesCells: ref(20), ParallelCells: ref(3), Chemistry: "layered_oxide",
		Controller: "BC drive 7", Firmware: "2.3", OdometerKM: ref(1843.5), Facts: map[string]string{"motor_plug": "external"},
		Owner: &shop.Customer{ID: sid(11), Name: "Elowen Dunmarrow", Contact: "+00 555 0142"}, UpdatedAt: sampleNow, CreatedAt: sampleNow, Version: 3}
}

func sampleConnector() shop.Connector {
	return shop.Connector{ID: connID, BoardID: boardID, Place: "between the boxes, under the deck", Component: "interbox_connector", Family: "Larch-60", Poles: ref(2), Polarity: "reversed",
		PinMap: map[string]string{"1": "red, pack plus", "2": "black, pack minus"}, Sealing: "sleeve", FittedAt: sampleNow.AddDate(0, -9, 0), Version: 1}
}

func sampleJob(n int, s shop.State) shop.Job {
	return shop.Job{ID: jobID, Number: n, BoardID: boardID, State: s, Complaint: "Cut out twice going uphill in the rain, then would not start for an hour.", OdometerKM: ref(1843.5),
		Exposures: []string{"rain"}, Condition: "one lid screw missing", WarrantyOf: &oldJobID, ComebackOf: &oldJobID, OpenedAt: sampleNow.Add(-50 * time.Hour), UpdatedAt: sampleNow, Version: 4}
}

func sampleFile() shop.JobFile {
	return shop.JobFile{
		Job: sampleJob(118, shop.Diagnosing), Board: sampleBoard(), Connectors: []shop.Connector{sampleConnector()},
		Observations: []shop.Observation{
			{ID: obsID, Kind: shop.ObservedSymptom, Symptom: "sudden_cutoff", Present: true, At: sampleNow.Add(-50 * time.Hour), By: "Odo Fennick"},
			{ID: obs2ID, Kind: shop.ObservedMeasurement, Measurement: "phase_resistance_3", At: sampleNow.Add(-time.Hour), By: "Ilse Marrow",
				Result: &shop.Result{Readings: map[string]any{"r_ab": 101.0, "r_bc": 100.0, "r_ca": 100.5}, Outcome: "balanced", Instrument: sampleUse(), Text: "unbalance 0.5 % against a limit of 3 %",
					Values: []shop.ResultValue{{ID: "unbalance_pct", Value: 0.498, Unit: "%"}}, Warnings: []string{"meter leads not zeroed"}}},
			{ID: sid(32), Kind: shop.ObservedSymptom, Symptom: "stutter_at_start", Present: true, At: sampleNow, By: "Ilse Marrow", RetractedAt: &sampleNow, RetractedBy: "Ilse Marrow"},
		},
		Faults: []shop.Fault{{ID: faultID, JobID: jobID, Cause: "interbox_pin_burned", Component: "interbox_connector", FailureMode: "high_resistance", ConnectorID: &connID, Probability: 0.87, At: sampleNow, By: "Ilse Marrow"}},
		Repairs: []shop.Repair{{ID: sid(41), FaultID: faultID, Action: "replaced both halves", Minutes: 40, At: sampleNow, By: "Ilse Marrow", Note: "polarity measured on both",
			Parts: []shop.RepairPart{{PartID: partID, Name: "Power connector pair Larch-90", Quantity: 1, Lot: "L90-A"}}}},
		Verifications: []shop.Verification{{ID: sid(42), Measurement: "interbox_visual", Result: shop.Result{Outcome: "clean", Text: "normal"}, Passed: true, At: sampleNow, By: "Ilse Marrow"}},
	}
}

func sampleDiagnosis(lib *faultlib.Library) shop.Diagnosis {
	c := lib.Causes[0]
	cause := func(id, name, component string, p float64, e ...shop.Evidence) shop.CauseView {
		return shop.CauseView{ID: id, Name: name, Component: c.Component, ComponentName: component, FailureMode: "high_resistance", Probability: p, Evidence: e}
	}
	next := func(m *faultlib.Measurement, access []faultlib.Opening, cost, minutes float64) shop.NextMeasurement {
		return shop.NextMeasurement{Measurement: m, Cost: cost, Minutes: minutes, Access: access, Hazard: lib.Hazards[m.Hazard], Cautions: []string{"pack half is live; look, do not touch; cap afterwards"},
			Expected: "clean: bright contacts, nothing browned", Why: "it tells a burnt contact from a wiring fault, for four minutes of work",
			Outcomes: []shop.OutcomeView{{ID: "soot", Meaning: "arc pitting, brown or melted housing", Probability: 0.48}, {ID: "clean", Meaning: "normal", Normal: true, Probability: 0.52}}}
	}
	return shop.Diagnosis{
		LibraryVersion: sampleVersion(),
		Causes: []shop.CauseView{
			cause(c.ID, c.Name, "power connector between boxes", 0.47, shop.Evidence{ObservationID: obsID, Decibans: 11.2}, shop.Evidence{ObservationID: obs2ID, Decibans: -2.4}),
			cause("weak_group", "One cell group weak", "parallel cell group", 0.21, shop.Evidence{ObservationID: obsID, Decibans: 6}),
			cause("loose_wire", "Loose strand between the boxes", "wiring between boxes", 0.08), cause("rare", "Something rare", "wiring between boxes", 0.004)},
		Unmodelled: 0.06, NoFault: 0.03, Conflict: 3.4, Covered: 0.96, Currency: "EUR", ExpectedCost: 5400,
		Advice: shop.Advice{Kind: "measure", Measurement: "phase_resistance_3", Text: "Measure the phases first: it is quick and splits the two likeliest causes."},
		Next: []shop.NextMeasurement{next(&lib.Measurements[0], lib.Openings[1:3], 2600, 26), next(&lib.Measurements[1], lib.Openings[1:2], 900, 9),
			{Measurement: &lib.Measurements[2], Cost: 3900, Minutes: 39, Hazard: lib.Hazards[3], Blocked: "measure the bus below 5 V first", Why: "it shows a weak group"}},
		AlsoCheck:    []shop.AlsoCheck{{From: c.ID, Cause: "gasket_set", Name: "Gasket taken a set", Note: "look for the way in", Probability: 0.3, Measurements: []string{"interbox_visual"}}},
		OpenOpenings: lib.Openings[1:2], Warnings: []string{"one reading was left out"},
		Argument: &shop.Argument{Scale: "dB are decibans.", Whole: []string{"These 3 explanations cover 96 % of what is possible."},
			Causes: []shop.CauseArgument{{Cause: c.ID, Brief: "“Cut without warning” (+11 dB, moderate) points to it.", Sentences: []string{"“Cut without warning” (+11 dB, moderate) points to “" + c.Name + "”.", "Not looked at yet: “Contact resistance”."}, AccountsFor: []shop.ID{obsID}}},
			Conflict: &shop.ConflictArgument{Bits: 3.4, Strong: true, Text: "“A” and “B” contradict each other (3.4 bits).", Observations: []shop.ID{obs2ID},
				Again: []shop.TakeAgain{{ObservationID: obs2ID, Measurement: "phase_resistance_3", Title: "Three phase-to-phase resistances", Support: .004},
					{ObservationID: obsID, Symptom: "sudden_cutoff", Title: "Power cut without warning", Support: .006}}}},
	}
}

func sampleVersion() shop.LibraryVersion {
	return shop.LibraryVersion{ID: sid(70), Number: 1, SHA256: sampleLibrary().SHA256, Edition: 1, Note: "first", Current: true, StoredAt: sampleNow, By: "Runa Applewhistle"}
}

func samplePart() shop.Part {
	return shop.Part{ID: partID, Number: "CN-L90", Name: "Power connector pair Larch-90", Component: "interbox_connector", Supplier: "Hollow Oak Supply", UnitCostMinor: ref(int64(1290)), Currency: "EUR", MinStock: 4, Stock: 3, Note: "both halves", Version: 2}
}

// fakeShop answers the pages from the sample. A test that needs another answer
// sets one of the functions.
type fakeShop struct {
	Service
	lib      *faultlib.Library
	role     shop.Role
	stop     bool
	fail     error // the next writing call's
	calls    []any // inputs of the writing calls
	disabled bool
	moved    int // numbers that adding up anew moved
}

func newFakeShop() *fakeShop { return &fakeShop{lib: sampleLibrary(), role: shop.Owner} }

func (s *fakeShop) write(in any) error {
	s.calls = append(s.calls, in)
	err := s.fail
	s.fail = nil
	return err
}

func (s *fakeShop) Shop(context.Context, shop.Actor) (shop.Shop, error) {
	return shop.Shop{ID: shopID, Name: "Puddle Lane Board Works", Currency: "EUR", LabourMinor: 6000, WarrantyDays: 90}, nil
}

func (s *fakeShop) SignIn(_ context.Context, _ shop.ID, login, password string) (shop.Actor, error) {
	if login != "runa" || password != "right" {
		return shop.Actor{}, problem.New(problem.Unauthorized, "Name or password is wrong.")
	}
	return s.actor(), nil
}

func (s *fakeShop) actor() shop.Actor {
	return shop.Actor{ShopID: shopID, ID: ownerID, Name: "Runa Applewhistle", Role: s.role}
}

func (s *fakeShop) Actor(context.Context, shop.ID, shop.ID) (shop.Actor, error) {
	if s.disabled {
		return shop.Actor{}, problem.New(problem.Unauthorized, "This person can no longer sign in.")
	}
	return s.actor(), nil
}

func (s *fakeShop) Users(context.Context, shop.Actor) ([]shop.User, error) {
	return []shop.User{{ID: ownerID, Login: "runa", Name: "Runa Applewhistle", Role: shop.Owner}, {ID: benchID, Login: "ilse", Name: "Ilse Marrow", Role: shop.Technician, DisabledAt: &sampleNow}}, nil
}

func (s *fakeShop) AddUser(_ context.Context, _ shop.Actor, login, _ string, _ shop.Role, _ string) (shop.User, error) {
	return shop.User{}, s.write(login)
}

func (s *fakeShop) AddToken(_ context.Context, _ shop.Actor, name string, r shop.Role) (shop.Token, string, error) {
	return shop.Token{Name: name, Role: r}, "np_secret_shown_once", s.write(name)
}

func (s *fakeShop) Tokens(context.Context, shop.Actor) ([]shop.Token, error) {
	return []shop.Token{{ID: sid(5), Name: "stock scanner", Role: shop.Technician, LastUsedAt: &sampleNow}, {ID: sid(6), Name: "old", Role: shop.Counter, RevokedAt: &sampleNow}}, nil
}

func (s *fakeShop) Boards(_ context.Context, _ shop.Actor, f shop.BoardFilter) (shop.List[shop.Board], error) {
	if f.Query == "nothing" {
		return shop.List[shop.Board]{}, nil
	}
	return shop.List[shop.Board]{Items: []shop.Board{sampleBoard()}, Next: "c2"}, nil
}

func (s *fakeShop) AddBoard(_ context.Context, _ shop.Actor, in shop.BoardInput) (shop.Board, error) {
	return sampleBoard(), s.write(in)
}

func (s *fakeShop) EditBoard(_ context.Context, _ shop.Actor, _ shop.ID, p shop.BoardPatch) (shop.Board, error) {
	return sampleBoard(), s.write(p)
}

func (s *fakeShop) Board(_ context.Context, _ shop.Actor, id shop.ID) (shop.BoardFile, error) {
	if id != boardID {
		return shop.BoardFile{}, problem.New(problem.NotFound, "There is no such board.")
	}
	removed := sampleConnector()
	removed.RemovedAt = &sampleNow
	return shop.BoardFile{Board: sampleBoard(), Connectors: []shop.Connector{sampleConnector(), removed},
		Installed: []shop.InstalledPart{{ID: sid(80), BoardID: boardID, PartName: "Power connector pair Larch-60", Lot: "L60-A", InstalledAt: sampleNow.AddDate(0, -2, 0), InstalledKM: ref(1500.0)}}}, nil
}

func (s *fakeShop) BoardHistory(context.Context, shop.Actor, shop.ID) ([]shop.JobSummary, error) {
	return []shop.JobSummary{{Job: sampleJob(97, shop.Returned), BoardSerial: "BM-1480", Faults: sampleFile().Faults}}, nil
}

func (s *fakeShop) AddConnector(_ context.Context, _ shop.Actor, _ shop.ID, in shop.ConnectorInput) (shop.Connector, error) {
	return sampleConnector(), s.write(in)
}

func (s *fakeShop) Connector(context.Context, shop.Actor, shop.ID) (shop.Connector, error) {
	return sampleConnector(), nil
}

func (s *fakeShop) Parts(context.Context, shop.Actor, shop.PartFilter) (shop.List[shop.Part], error) {
	p := samplePart()
	p.ID, p.Number, p.Name, p.Stock = sid(51), "SK-CORD", "Seal kit, silicone cord", 22
	return shop.List[shop.Part]{Items: []shop.Part{samplePart(), p}, Next: "c2"}, nil
}

func (s *fakeShop) Part(context.Context, shop.Actor, shop.ID) (shop.Part, error) {
	return samplePart(), nil
}

func (s *fakeShop) AddPart(_ context.Context, _ shop.Actor, in shop.PartInput) (shop.Part, error) {
	return samplePart(), s.write(in)
}

func (s *fakeShop) Movements(context.Context, shop.Actor, shop.ID, shop.Page) (shop.List[shop.Movement], error) {
	return shop.List[shop.Movement]{Items: []shop.Movement{{ID: sid(52), Quantity: -1, Reason: "used", Lot: "L90-A", Balance: 3, At: sampleNow, By: "Ilse Marrow"}, {ID: sid(53), Quantity: 4, Reason: "received", Lot: "L90-A", Balance: 4, At: sampleNow.AddDate(0, -1, 0), By: "Runa Applewhistle"}}, Next: "c2"}, nil
}

func (s *fakeShop) Move(_ context.Context, _ shop.Actor, _ shop.ID, in shop.MovementInput) (shop.Movement, error) {
	return shop.Movement{}, s.write(in)
}

func (s *fakeShop) OpenJob(_ context.Context, _ shop.Actor, in shop.JobInput) (shop.Job, error) {
	return sampleJob(119, shop.Received), s.write(in)
}

func (s *fakeShop) EarlierJob(context.Context, shop.Actor, shop.ID) (*shop.EarlierJob, error) {
	return &shop.EarlierJob{Job: shop.JobSummary{Job: sampleJob(97, shop.Returned)}, DaysAgo: 38, DaysLeft: 52}, nil
}

func (s *fakeShop) Jobs(_ context.Context, _ shop.Actor, f shop.JobFilter) (shop.List[shop.JobSummary], error) {
	if f.Query == "nothing" {
		return shop.List[shop.JobSummary]{}, nil
	}
	var out shop.List[shop.JobSummary]
	states := f.States
	if len(states) == 0 {
		states = []shop.State{shop.Diagnosing}
	}
	for i, st := range states {
		j := sampleJob(110+i, st)
		if i%3 != 1 {
			j.ComebackOf = nil
		}
		if i%2 == 0 {
			j.WarrantyOf = nil
		}
		out.Items = append(out.Items, shop.JobSummary{Job: j, BoardSerial: "BM-1480", BoardName: "Brindlecraft Mossback", OwnerName: "Elowen Dunmarrow"})
	}
	return out, nil
}

func (s *fakeShop) JobCounts(context.Context, shop.Actor) (map[shop.State]int, error) {
	return map[shop.State]int{shop.Received: 1, shop.Diagnosing: 1, shop.AwaitingApproval: 1, shop.AwaitingParts: 1, shop.Repairing: 34, shop.Verifying: 1, shop.Ready: 1, shop.Declined: 1, shop.Returned: 212}, nil
}

func (s *fakeShop) Job(_ context.Context, _ shop.Actor, id shop.ID) (shop.JobFile, error) {
	if id != jobID {
		return shop.JobFile{}, problem.New(problem.NotFound, "There is no such job.")
	}
	return sampleFile(), nil
}

func (s *fakeShop) JobByNumber(_ context.Context, _ shop.Actor, n int) (shop.ID, error) {
	if n != 118 {
		return shop.ID{}, problem.New(problem.NotFound, "There is no job %d.", n)
	}
	return jobID, nil
}

func (s *fakeShop) MoveJob(_ context.Context, _ shop.Actor, _ shop.ID, to shop.State, reason string) (shop.Job, error) {
	return sampleJob(118, to), s.write([2]string{string(to), reason})
}

func (s *fakeShop) Audit(context.Context, shop.Actor, shop.ID, shop.Page) (shop.List[shop.AuditEvent], error) {
	return shop.List[shop.AuditEvent]{Items: []shop.AuditEvent{{ID: sid(90), At: sampleNow, By: "Ilse Marrow", Action: "observation.add", Detail: map[string]any{"measurement": "interbox_visual", "outcome": "soot"}}}}, nil
}

func (s *fakeShop) Observe(_ context.Context, _ shop.Actor, _ shop.ID, in shop.ObservationInput) (shop.Observation, error) {
	return sampleFile().Observations[1], s.write(in)
}

func (s *fakeShop) Retract(_ context.Context, _ shop.Actor, _, id shop.ID) error { return s.write(id) }

func (s *fakeShop) Access(_ context.Context, _ shop.Actor, _ shop.ID, in shop.AccessInput) (shop.JobFile, error) {
	return sampleFile(), s.write(in)
}

func (s *fakeShop) EvaluateFor(_ context.Context, _ shop.Actor, _ shop.ID, m string, in shop.EvaluateInput) (shop.Evaluation, error) {
	readings := in.Readings
	if readings["r_ca"] == nil {
		return shop.Evaluation{}, problem.InFields([]problem.Field{{Field: "readings.r_ca", Message: "is missing; a resistance in mohm is expected"}, {Field: "readings.moves", Message: "is missing"}})
	}
	if _, bad := readings["r_ab"].(string); bad {
		return shop.Evaluation{}, problem.InField("readings.r_ab", "%q is a voltage; a resistance in mohm is expected", readings["r_ab"])
	}
	return shop.Evaluation{Measurement: m, Outcome: "one_high", Meaning: "joint or partial strand break", Detail: "B", Text: "unbalance 4.9 % against a limit of 5 %",
		Likelihood: []shop.OutcomeView{{ID: "one_high", Probability: 0.3}, {ID: "balanced", Probability: 0.7, Normal: true}},
		Values:     []shop.ResultValue{{ID: "unbalance_pct", Value: 4.93, Unit: "%"}, {ID: "r_avg", Value: 100.52, Unit: "mohm"}}, Warnings: []string{"read the lead zero first"}}, nil
}

func (s *fakeShop) Evaluate(ctx context.Context, a shop.Actor, m string, in shop.EvaluateInput) (shop.Evaluation, error) {
	return s.EvaluateFor(ctx, a, jobID, m, in)
}

func (s *fakeShop) DiagnoseFileFor(ctx context.Context, a shop.Actor, f shop.JobFile, _ string) (shop.Diagnosis, error) {
	return s.DiagnoseFile(ctx, a, f)
}

func (s *fakeShop) DiagnoseFile(context.Context, shop.Actor, shop.JobFile) (shop.Diagnosis, error) {
	d := sampleDiagnosis(s.lib)
	if s.stop {
		d.Stop = &shop.Stop{Gate: "pack_swollen", Text: "Battery box lid bulged or cells swollen", Rule: s.lib.Hazards[4].Rule, ObservationID: obsID}
		d.Advice = shop.Advice{Kind: "stop", Text: "Stop."}
	}
	return d, nil
}

func (s *fakeShop) ConfirmFault(_ context.Context, _ shop.Actor, _ shop.ID, in shop.FaultInput) (shop.Fault, error) {
	return shop.Fault{}, s.write(in)
}

func (s *fakeShop) WaiveFault(_ context.Context, _ shop.Actor, _, _ shop.ID, reason string) (shop.Fault, error) {
	return shop.Fault{}, s.write(reason)
}

func (s *fakeShop) Repair(_ context.Context, _ shop.Actor, _ shop.ID, in shop.RepairInput) (shop.Repair, error) {
	return shop.Repair{}, s.write(in)
}

func (s *fakeShop) Verify(_ context.Context, _ shop.Actor, _ shop.ID, in shop.VerificationInput) (shop.Verification, error) {
	return shop.Verification{Measurement: in.Measurement, Result: shop.Result{Outcome: "clean"}, Passed: true}, s.write(in)
}

func (s *fakeShop) RequirementsOf(context.Context, shop.Actor, shop.JobFile) (shop.Requirements, error) {
	return shop.Requirements{Items: []shop.Requirement{
		{Kind: "verification", Cause: "interbox_pin_burned", Measurement: "interbox_visual", Outcomes: []string{"clean"}, Text: "Look at both halves again.", Why: "it proves the repair of the burnt contact"},
		{Kind: "verification", Measurement: "phase_resistance_3", Outcomes: []string{"balanced"}, Text: "Measure the phases.", Why: "the motor plug was parted"},
		{Kind: "opening", Opening: "connector_unplugged", Text: "The connector between the boxes is still open.", Why: "every opening must be closed"},
		{Kind: "fault", FaultID: &faultID, Text: "Contact burnt is repaired.", Met: true}}}, nil
}

func (s *fakeShop) Library(context.Context, shop.Actor) (*faultlib.Library, shop.LibraryVersion, error) {
	return s.lib, sampleVersion(), nil
}

func (s *fakeShop) LibraryOf(context.Context, shop.Actor, shop.ID) (*faultlib.Library, shop.LibraryVersion, error) {
	return s.lib, sampleVersion(), nil
}

func (s *fakeShop) Libraries(context.Context, shop.Actor) ([]shop.LibraryVersion, error) {
	return []shop.LibraryVersion{sampleVersion()}, nil
}

func sampleRows() []shop.RecurrenceRow {
	row := func(key, name string, n, boards, repeat int, share, rate, lo, hi float64) shop.RecurrenceRow {
		return shop.RecurrenceRow{GroupCount: shop.GroupCount{Key: key, Name: name, Failures: n, Boards: boards, RepeatBoards: repeat, Comebacks: repeat, LastAt: sampleNow}, Share: share,
			Rate: &rate, Lower: &lo, Upper: &hi, Sentence: name + " failed " + formatInt(&n) + " times on " + formatInt(&boards) + " boards."}
	}
	rows := []shop.RecurrenceRow{row("interbox_connector", "power connector between boxes", 21, 14, 5, 0.42, 0.61, 0.38, 0.93), row("gasket", "lid gasket", 12, 11, 1, 0.24, 0.33, 0.17, 0.58),
		row("motor_bearings", "wheel bearings", 9, 9, 0, 0.18, 0.25, 0.11, 0.47), row("charge_port", "charge port", 5, 5, 0, 0.1, 0.14, 0.045, 0.32), row("hall_sensors", "hall sensors", 3, 3, 0, 0.06, 0.08, 0.017, 0.24)}
	for i := range rows {
		rows[i].Rank = i + 1
	}
	rows[0].BadActor = &shop.BadActor{Ratio: bounds95(3.1, 1.9, 5), P: 0.0004, AdjustedP: 0.002, Sentence: "Fails 3.1 times as often as the rest."}
	rows[0].Trend = &shop.RowTrend{Direction: "worse", Earlier: shop.HalfCount{Failures: 4, BoardYears: 17}, Later: shop.HalfCount{Failures: 13, BoardYears: 17}, AtEntry: 4,
		Ratio: bounds95(3.3, 1.004, 14), P: ref(0.049), AdjustedP: ref(0.049), PKind: "exact test", Sentence: "Getting worse (p = 0.049)."}
	rows[1].Trend = &shop.RowTrend{Direction: "unknown", PKind: "exact test", Sentence: "Too few failures to compare."}
	return rows
}

func bounds95(v, lo, hi float64) shop.Bounds {
	return shop.Bounds{Value: &v, Lower: &lo, Upper: &hi}
}

// sampleLife has two repairs, one of which never came back.
func sampleLife() shop.RecurrenceLife {
	back := shop.RepairLife{Action: "cleaned", BoardID: boardID, BoardSerial: "BM-1480", JobID: oldJobID, JobNumber: 41, Comeback: &shop.CameBack{JobID: jobID, JobNumber: 97, At: sampleNow}}
	return shop.RecurrenceLife{Sentence: "power connector between boxes: 21 failures on 14 boards.", AgeUnit: "d", Units: 40, Failures: 3, AtEntry: 18, Exposure: 34, Longest: 365,
		Rate: bounds95(0.088, 0.018, 0.26), Trend: shop.RecurrenceTrend{Direction: "worse", Events: 3, Laplace: ref(2.4), P: ref(0.016), Shape: bounds95(1.8, 0.4, 4.3), Sentence: "Getting worse."},
		Mean: []shop.MeanStep{{Age: 40, Boards: 38, Events: 1, Mean: bounds95(0.026, 0.004, 0.18)}, {Age: 90, Boards: 30, Events: 2, Mean: shop.Bounds{Value: ref(0.093)}}}, MeanNote: "18 failures were there when the board was first seen.",
		Repairs: []shop.RepairSurvival{{Action: "cleaned", Repairs: 9, Comebacks: 4, Longest: 300, Median: shop.Bounds{Value: ref(120.0), Lower: ref(40.0)}, Sentence: "cleaned: 9 repairs, 4 comebacks.",
			Steps: []shop.SurvivalStep{{Age: 60, AtRisk: 7, Failed: 1, Survival: bounds95(0.86, 0.33, 0.98)}, {Age: 120, AtRisk: 4, Failed: 3, Survival: bounds95(0.21, 0.01, 0.6)}}},
			{Action: "=replaced", Repairs: 6, Longest: 200, Sentence: "replaced: 6 repairs, 0 comebacks."}},
		First: &shop.RepairSurvival{Action: "from fitting to the first failure", Repairs: 12, Comebacks: 1, Longest: 400, Sentence: "12 pieces, 1 failure.",
			Steps: []shop.SurvivalStep{{Age: 90, AtRisk: 10, Failed: 1, Survival: bounds95(0.9, 0.47, 0.99)}},
			Modes: []shop.ModeShare{{Mode: "leak", Name: "leakage", Failures: 1, Share: bounds95(0.1, 0.02, 0.4), Steps: []shop.SurvivalStep{{Age: 90, Survival: bounds95(0.1, 0.02, 0.4)}}},
				{Mode: "open", Name: "open circuit", Failures: 2, Share: bounds95(0.2, 0.05, 0.6), Steps: []shop.SurvivalStep{{Age: 95, Survival: bounds95(0.2, 0.05, 0.6)}}}}},
		Moved: []shop.PieceHistory{{Serial: "K7", Stays: []shop.PieceStay{{BoardID: boardID, BoardSerial: "BM-1480", Age: 120}, {BoardID: boardID, BoardSerial: "BM-1481", Age: 60}}, Failed: &shop.FittingFailure{JobID: jobID, JobNumber: 97},
			Sentence: "Serial K7: board BM-1480 120 days, board BM-1481 60 days, failed."}, {Serial: "=K9", Contradiction: "Serial =K9 is recorded in two boards.", Sentence: "=K9 is recorded in two boards."}},
		LogRank: &shop.RepairComparison{Chi2: ref(5.0), DF: 1, P: ref(0.03), PKind: "log-rank test, 10000 random arrangements", Sentence: "The repairs differ."}, Comebacks: []shop.RepairLife{back}}
}

func (s *fakeShop) Recurrence(_ context.Context, _ shop.Actor, q shop.RecurrenceQuery, e string) (shop.Recurrence, error) {
	if q.Filter.Model == "elsewhere" {
		return shop.Recurrence{}, problem.InField("model", "no board of make and model %q is recorded", q.Filter.Model)
	}
	r := shop.Recurrence{Group: q.Group, Exposure: e, Unit: "1/board-year", Query: q, Total: 50, Rows: sampleRows(), TrendNote: "Trend: the later half of the period against the earlier."}
	if q.Filtered() {
		r.Narrowed = "boards of the model " + q.Filter.Model
	}
	return r, nil
}

func (s *fakeShop) RecurrenceChoices(context.Context, shop.Actor) (shop.RecurrenceChoices, error) {
	one := func(key, name string) []shop.RecurrenceChoice { return []shop.RecurrenceChoice{{Key: key, Name: name}} }
	return shop.RecurrenceChoices{Models: append(one("=Alder GT", "=Alder GT"), one("-", "not recorded")...), Families: one("Larch-60", "Larch-60"),
		Components: one("gasket", "lid gasket"), Causes: one("interbox_corroded", "contacts corroded"), FailureModes: one("open", "open circuit")}, nil
}

func (s *fakeShop) RecurrenceDetail(_ context.Context, _ shop.Actor, q shop.RecurrenceQuery, _, key string) (shop.RecurrenceDetail, error) {
	if key != "interbox_connector" {
		return shop.RecurrenceDetail{}, problem.New(problem.NotFound, "There is no such group in this period.")
	}
	var against *shop.RecurrenceComparison
	switch q.Against {
	case "":
	case "gasket":
		against = &shop.RecurrenceComparison{Key: "gasket", Name: "lid gasket", Failures: 12, Exposure: 34, Rate: bounds95(0.33, 0.17, 0.58), Ratio: bounds95(1.8, 0.9, 4), P: 0.11,
			PKind: "exact test", Sentence: "It fails 1.8 times as often.", Lives: &shop.LifeComparison{Of: "after a repair until the comeback", Sides: sampleLife().Repairs, Test: sampleLife().LogRank}}
	default:
		return shop.RecurrenceDetail{}, problem.InField("against", "must be another row, not %q", q.Against)
	}
	if q.Filter.Model == "elsewhere" {
		return shop.RecurrenceDetail{}, problem.InField("model", "no board of make and model %q is recorded", q.Filter.Model)
	}
	narrowed := ""
	if q.Filtered() {
		narrowed = "boards of the model " + q.Filter.Model
	}
	return shop.RecurrenceDetail{Narrowed: narrowed, Row: sampleRows()[0], Unit: "1/board-year", Life: sampleLife(), Others: sampleRows()[1:], Against: against,
		Events:  []shop.FaultEvent{{FaultID: faultID, JobID: jobID, BoardID: boardID, JobNumber: 97, BoardSerial: "BM-1480", Cause: "interbox_pin_burned", At: sampleNow, OdometerKM: ref(1500.0), Action: "replaced both halves", ComebackOf: &oldJobID}},
		ByMonth: []shop.MonthCount{{Month: "2026-01", Count: 2}, {Month: "2026-02", Count: 0}, {Month: "2026-03", Count: 6}, {Month: "2026-04", Count: 4}, {Month: "2026-05", Count: 9}}}, nil
}
