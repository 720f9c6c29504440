package shop

import (
	"context"
	"io"
	"time"

	"nextprobe/internal/faultlib"
)

// Service is the use cases. Every method checks the actor's role, validates its
// input naming each field at fault, and writes in one store transaction.
type Service struct {
	store Store
	now   func() time.Time
	libs  *libraryCache
	// attempts limits sign-ins per login.
	attempts *attempts
	// reports bounds and keeps what is worked out about a whole library.
	reports *reports
}

// Options configure a Service.
type Options struct {
	// Now is the clock; nil means time.Now. The demo passes a back-dated one.
	Now func() time.Time
}

// The methods are declared in one file per aggregate:
//
// shops.go       Setup, Shop, EditShop
// people.go      SignIn, Users, AddUser, SetPassword, DisableUser, AddToken, RevokeToken, Tokens, ActorByToken, Actor
// boards.go      AddBoard, EditBoard, Boards, Board, BoardHistory, AddConnector, EditConnector, Customers
// parts.go       AddPart, EditPart, Parts, Part, Movements, Move
// instruments.go AddInstrument, EditInstrument, RetireInstrument, Instruments, Instrument
// intake.go      OpenJob, EarlierJob
// jobs.go        Jobs, JobCounts, Job, JobByNumber, EditJob, MoveJob
// observe.go     Observe, Retract, Access, Evaluate
// diagnose.go    Diagnose
// faults.go      ConfirmFault, WaiveFault
// repairs.go     Repair
// verify.go      Verify, Requirements
// library.go     Library, LibraryOf, Libraries, ImportLibrary
// tree.go        LibraryTree
// testability.go LibraryTestability
// own.go         TryMeasurement, SaveMeasurement, RemoveOwnMeasurement
// recurrence.go  Recurrence, RecurrenceDetail; recurrence_filter.go  RecurrenceChoices
// alerts_usecase.go  CheckAlerts, Alerts, SetAlertAside, BoardAlerts
// export.go      Export; import.go  Import
// learning.go    LearnFromJob, LearnDue (learning_view.go: Learned, Calibration, DecideLearned; learning_rebuild.go: RebuildLearning)

type methods interface {
	// Setup makes the shop with the slug (and its first library version) when missing.
	Setup(ctx context.Context, slug, name string) (Shop, error)
	Shop(ctx context.Context, a Actor) (Shop, error)
	EditShop(ctx context.Context, a Actor, name string, labourMinor int64, warrantyDays int) (Shop, error)

	// SignIn checks login and password; the same Unauthorized error for either being wrong.
	SignIn(ctx context.Context, shopID ID, login, password string) (Actor, error)
	Actor(ctx context.Context, shopID, userID ID) (Actor, error) // Unauthorized when disabled
	Users(ctx context.Context, a Actor) ([]User, error)
	AddUser(ctx context.Context, a Actor, login, name string, role Role, password string) (User, error)
	SetPassword(ctx context.Context, a Actor, login, password string) error
	DisableUser(ctx context.Context, a Actor, login string) error
	// AddToken returns the token's secret, shown once.
	AddToken(ctx context.Context, a Actor, name string, role Role) (Token, string, error)
	RevokeToken(ctx context.Context, a Actor, name string) error
	Tokens(ctx context.Context, a Actor) ([]Token, error)
	ActorByToken(ctx context.Context, secret string) (Actor, error)

	AddBoard(ctx context.Context, a Actor, in BoardInput) (Board, error)
	EditBoard(ctx context.Context, a Actor, id ID, p BoardPatch) (Board, error)
	Boards(ctx context.Context, a Actor, f BoardFilter) (List[Board], error)
	Board(ctx context.Context, a Actor, id ID) (BoardFile, error)
	BoardHistory(ctx context.Context, a Actor, id ID) ([]JobSummary, error)
	AddConnector(ctx context.Context, a Actor, boardID ID, in ConnectorInput) (Connector, error)
	EditConnector(ctx context.Context, a Actor, id ID, p ConnectorPatch) (Connector, error)
	Connector(ctx context.Context, a Actor, id ID) (Connector, error)
	Customers(ctx context.Context, a Actor, query string) ([]Customer, error)

	AddPart(ctx context.Context, a Actor, in PartInput) (Part, error)
	EditPart(ctx context.Context, a Actor, id ID, p PartPatch) (Part, error)
	Parts(ctx context.Context, a Actor, f PartFilter) (List[Part], error)
	Part(ctx context.Context, a Actor, id ID) (Part, error)
	Movements(ctx context.Context, a Actor, partID ID, p Page) (List[Movement], error)
	Move(ctx context.Context, a Actor, partID ID, in MovementInput) (Movement, error)

	AddInstrument(ctx context.Context, a Actor, in InstrumentInput) (Instrument, error)
	EditInstrument(ctx context.Context, a Actor, id ID, p InstrumentPatch) (Instrument, error)
	RetireInstrument(ctx context.Context, a Actor, id ID) (Instrument, error)
	Instruments(ctx context.Context, a Actor) ([]Instrument, error)
	Instrument(ctx context.Context, a Actor, id ID) (Instrument, error)

	OpenJob(ctx context.Context, a Actor, in JobInput) (Job, error)
	// EarlierJob finds the board's last returned job within the warranty time (nil: none).
	EarlierJob(ctx context.Context, a Actor, boardID ID) (*EarlierJob, error)
	Jobs(ctx context.Context, a Actor, f JobFilter) (List[JobSummary], error)
	JobCounts(ctx context.Context, a Actor) (map[State]int, error)
	Job(ctx context.Context, a Actor, id ID) (JobFile, error)
	JobByNumber(ctx context.Context, a Actor, number int) (ID, error)
	EditJob(ctx context.Context, a Actor, id ID, p JobPatch) (Job, error)
	// MoveJob changes the state; ready is refused with the open requirements as fields.
	MoveJob(ctx context.Context, a Actor, id ID, to State, reason string) (Job, error)
	Audit(ctx context.Context, a Actor, subjectID ID, p Page) (List[AuditEvent], error)
	Snapshots(ctx context.Context, a Actor, jobID ID) ([]Snapshot, error)

	Observe(ctx context.Context, a Actor, jobID ID, in ObservationInput) (Observation, error)
	Retract(ctx context.Context, a Actor, jobID, observationID ID) error
	Access(ctx context.Context, a Actor, jobID ID, in AccessInput) (JobFile, error)
	Evaluate(ctx context.Context, a Actor, measurement string, in EvaluateInput) (Evaluation, error)
	// EvaluateFor is Evaluate with the facts of the job's board, whatever in.Board says, and the job's library.
	EvaluateFor(ctx context.Context, a Actor, jobID ID, measurement string, in EvaluateInput) (Evaluation, error)
	Diagnose(ctx context.Context, a Actor, jobID ID) (Diagnosis, error)
	// DiagnoseFile is Diagnose for a file already read, so that a page reads it once.
	DiagnoseFile(ctx context.Context, a Actor, f JobFile) (Diagnosis, error)
	// DiagnoseFileFor is DiagnoseFile with one cause argued for however improbable it is.
	DiagnoseFileFor(ctx context.Context, a Actor, f JobFile, cause string) (Diagnosis, error)

	ConfirmFault(ctx context.Context, a Actor, jobID ID, in FaultInput) (Fault, error)
	WaiveFault(ctx context.Context, a Actor, jobID, faultID ID, reason string) (Fault, error)
	Repair(ctx context.Context, a Actor, jobID ID, in RepairInput) (Repair, error)
	Verify(ctx context.Context, a Actor, jobID ID, in VerificationInput) (Verification, error)
	Requirements(ctx context.Context, a Actor, jobID ID) (Requirements, error)
	RequirementsOf(ctx context.Context, a Actor, f JobFile) (Requirements, error)

	// Library is the shop's current edition.
	Library(ctx context.Context, a Actor) (*faultlib.Library, LibraryVersion, error)
	// LibraryOf is the edition a job's diagnosis uses.
	LibraryOf(ctx context.Context, a Actor, id ID) (*faultlib.Library, LibraryVersion, error)
	Libraries(ctx context.Context, a Actor) ([]LibraryVersion, error)
	// ImportLibrary checks and stores an edition; all its errors come back as fields "line:column".
	ImportLibrary(ctx context.Context, a Actor, content []byte, note string) (LibraryVersion, []faultlib.Issue, error)

	// LibraryTree compiles the live policy for a complaint.
	LibraryTree(ctx context.Context, a Actor, in TreeInput) (Tree, error)
	// LibraryTestability judges what the current library can tell.
	LibraryTestability(ctx context.Context, a Actor) (Testability, error)

	// TryMeasurement computes the examples of a shop's own measurement and stores nothing.
	TryMeasurement(ctx context.Context, a Actor, in OwnMeasurementInput) (MeasurementTrial, error)
	// SaveMeasurement stores the library with it as a new version; Stale when another became current.
	SaveMeasurement(ctx context.Context, a Actor, in OwnMeasurementInput) (LibraryVersion, error)
	RemoveOwnMeasurement(ctx context.Context, a Actor, id string, base ID) (LibraryVersion, error)

	// LearnFromJob judges a job that was handed back; a time says when to ask again.
	LearnFromJob(ctx context.Context, a Actor, jobID ID) (again time.Time, err error)
	LearnDue(ctx context.Context, a Actor) (int, error)
	RebuildLearning(ctx context.Context, a Actor) (LearningRebuild, error)
	// Learned is what the jobs made of the library's numbers; Calibration how honest the probabilities were.
	Learned(ctx context.Context, a Actor) (LearnedView, error)
	Calibration(ctx context.Context, a Actor) (CalibrationView, error)
	// DecideLearned accepts or rejects a learned number, with a reason.
	DecideLearned(ctx context.Context, a Actor, subject string, accept bool, reason string) (LearningDecision, error)

	Recurrence(ctx context.Context, a Actor, q RecurrenceQuery, exposure string) (Recurrence, error)
	RecurrenceDetail(ctx context.Context, a Actor, q RecurrenceQuery, exposure, key string) (RecurrenceDetail, error)
	// Import takes over records from before, all of them or none; with check it only looks.
	Import(ctx context.Context, a Actor, files []ImportFile, check bool) ([]ImportCount, error)
	// Export writes the shop's own records as files.
	Export(ctx context.Context, a Actor, create func(name string) (io.Writer, error)) error
	RecurrenceChoices(ctx context.Context, a Actor) (RecurrenceChoices, error)

	// CheckAlerts raises and clears alerts from the figures as they stand, unless they were looked at since.
	CheckAlerts(ctx context.Context, a Actor, since time.Time) error
	Alerts(ctx context.Context, a Actor) (Alerts, error)
	SetAlertAside(ctx context.Context, a Actor, id ID, reason string) (RecurrenceAlert, error)
	// BoardAlerts lists the open alerts of what a board carries, with where to look.
	BoardAlerts(ctx context.Context, a Actor, boardID ID) ([]BoardAlert, error)
}

var _ methods = (*Service)(nil)
