package shop

import (
	"context"
	"time"
)

// Store keeps the shop's records. Every method is one transaction; every
// method but those of the sign-in takes the shop, and nothing of one shop is
// ever seen in another. Errors are *problem.Error for what the caller did
// (NotFound, Conflict, Stale, Invalid with the constraint's message) and plain
// errors for what broke.
type Store interface {
	ShopStore
	PeopleStore
	BoardStore
	PartStore
	InstrumentStore
	JobStore
	LibraryStore
	LearningStore
	ReportStore
	AlertStore
	IdempotencyStore
	ExportStore
	ImportStore
	// Ping tells whether the database answers.
	Ping(ctx context.Context) error
}

// ShopStore keeps tenants.
type ShopStore interface { //nolint:revive // It keeps shops, as PartStore keeps parts; Store is all of them.
	// EnsureShop returns the shop with the slug, creating it when missing.
	EnsureShop(ctx context.Context, s Shop) (Shop, error)
	ShopBySlug(ctx context.Context, slug string) (Shop, error)
	ShopByID(ctx context.Context, id ID) (Shop, error)
	UpdateShop(ctx context.Context, s Shop, audit AuditEvent) error
}

// PeopleStore keeps users and tokens.
type PeopleStore interface {
	AddUser(ctx context.Context, shopID ID, u User, audit AuditEvent) error
	SetPassword(ctx context.Context, shopID ID, login, hash string, audit AuditEvent) error
	DisableUser(ctx context.Context, shopID ID, login string, at time.Time, audit AuditEvent) error
	Users(ctx context.Context, shopID ID) ([]User, error)
	// UserByLogin finds a user for the sign-in; logins are unique within a shop.
	UserByLogin(ctx context.Context, shopID ID, login string) (User, error)
	UserByID(ctx context.Context, shopID, id ID) (User, error)
	AddToken(ctx context.Context, shopID ID, t Token, hash []byte, audit AuditEvent) error
	RevokeToken(ctx context.Context, shopID ID, name string, at time.Time, audit AuditEvent) error
	Tokens(ctx context.Context, shopID ID) ([]Token, error)
	// ActorByToken resolves a SHA-256 token hash across shops; NotFound when unknown or revoked.
	ActorByToken(ctx context.Context, hash []byte, at time.Time) (Actor, error)
}

// Page asks for a part of a list. Cursor is opaque, from the earlier answer's Next.
type Page struct {
	Limit  int // 1..200, 0 means 50
	Cursor string
}

// List is a page of items with the cursor of the next ("" at the end).
type List[T any] struct {
	Items []T
	Next  string
}

// BoardFilter selects boards. Query matches serial, make, model and owner.
type BoardFilter struct {
	Query string
	Page  Page
}

// BoardFile is a board with what it carries.
type BoardFile struct {
	Board      Board
	Connectors []Connector // fitted first, then removed ones
	Installed  []InstalledPart
	OpenJob    *Job
}

// BoardStore keeps boards, owners and the connector register.
type BoardStore interface {
	AddBoard(ctx context.Context, shopID ID, b Board, audit AuditEvent) error
	// UpdateBoard writes b where the stored version is b.Version, else Stale.
	UpdateBoard(ctx context.Context, shopID ID, b Board, audit AuditEvent) (Board, error)
	Boards(ctx context.Context, shopID ID, f BoardFilter) (List[Board], error)
	BoardFile(ctx context.Context, shopID, id ID) (BoardFile, error)
	// BoardJobs lists all jobs of a board, newest first, with their faults.
	BoardJobs(ctx context.Context, shopID, boardID ID) ([]JobSummary, error)
	AddConnector(ctx context.Context, shopID ID, c Connector, audit AuditEvent) error
	UpdateConnector(ctx context.Context, shopID ID, c Connector, audit AuditEvent) (Connector, error)
	Connector(ctx context.Context, shopID, id ID) (Connector, error)
	Customers(ctx context.Context, shopID ID, query string, limit int) ([]Customer, error)
}

// PartFilter selects parts.
type PartFilter struct {
	Query     string
	Component string
	Page      Page
}

// PartStore keeps parts and their ledger.
type PartStore interface {
	AddPart(ctx context.Context, shopID ID, p Part, first *Movement, audit AuditEvent) error
	UpdatePart(ctx context.Context, shopID ID, p Part, audit AuditEvent) (Part, error)
	Parts(ctx context.Context, shopID ID, f PartFilter) (List[Part], error)
	Part(ctx context.Context, shopID, id ID) (Part, error)
	Movements(ctx context.Context, shopID, partID ID, p Page) (List[Movement], error)
	// Move adds to the ledger; Conflict when the stock would fall below zero.
	Move(ctx context.Context, shopID ID, m Movement, audit AuditEvent) (Movement, error)
}

// InstrumentStore keeps the measuring instruments.
type InstrumentStore interface {
	AddInstrument(ctx context.Context, shopID ID, i Instrument, audit AuditEvent) error
	// UpdateInstrument writes i with its ranges where the stored version is i.Version, else Stale.
	UpdateInstrument(ctx context.Context, shopID ID, i Instrument, audit AuditEvent) (Instrument, error)
	// Instruments lists all with their ranges, those in use by name and then the retired ones.
	Instruments(ctx context.Context, shopID ID) ([]Instrument, error)
	Instrument(ctx context.Context, shopID, id ID) (Instrument, error)
}

// JobFilter selects jobs.
type JobFilter struct {
	States  []State
	BoardID *ID
	Query   string // number, serial or owner
	Page    Page
}

// JobSummary is a job as lists show it.
type JobSummary struct {
	Job         Job
	BoardSerial string
	BoardName   string // make and model
	OwnerName   string
	Faults      []Fault
}

// NewJob is what intake writes at once.
type NewJob struct {
	Job          Job
	State        StateChange
	Observations []Observation
	// Odometer, when set, is also written to the board.
	Audit AuditEvent
}

// JobChange is everything one use case writes to a job, in one transaction:
// the job's version must still be Version (else Stale) and goes up by one.
type JobChange struct {
	JobID   ID
	Version int
	At      time.Time
	By      string

	// State, when set, moves the job.
	State *StateChange
	// ReadyAt and ClosedAt are written with the state when set.
	ReadyAt, ClosedAt *time.Time
	// Edit, when set, replaces complaint, odometer, exposures and condition.
	Edit *JobEdit
	// ComebackOf, when set, marks the job.
	ComebackOf *ID

	Add        []Observation
	Retract    []ID          // observations
	Supersede  map[ID]ID     // earlier -> later observation
	Invalidate map[ID]string // observation or verification -> event
	Access     []AccessEvent
	Fault      *Fault
	Waive      *Waiver
	Repair     *Repair
	Installed  []InstalledPart // parts fitted by the repair
	Removed    []Removal       // installed parts taken off by the repair
	Verify     *Verification
	Snapshot   *Snapshot
	// LearnAt, when set, is when the job is to be judged for what it teaches.
	LearnAt *time.Time
	Audit   AuditEvent
}

// JobEdit are the intake fields that may be corrected.
type JobEdit struct {
	Complaint  string
	OdometerKM *float64
	Exposures  []string
	Condition  string
}

// Waiver leaves a fault unrepaired with a reason.
type Waiver struct {
	FaultID ID
	Reason  string
}

// Removal ends an installed part's service.
type Removal struct {
	InstalledPartID ID
	KM              *float64
}

// JobStore keeps jobs.
type JobStore interface {
	// AddJob writes the job with its number (returned), state and observations,
	// and the board's odometer when the job has one.
	AddJob(ctx context.Context, shopID ID, n NewJob) (Job, error)
	Jobs(ctx context.Context, shopID ID, f JobFilter) (List[JobSummary], error)
	// JobCounts counts the jobs in each state.
	JobCounts(ctx context.Context, shopID ID) (map[State]int, error)
	// JobFile reads a job with all its records in one round trip.
	JobFile(ctx context.Context, shopID, id ID) (JobFile, error)
	JobByNumber(ctx context.Context, shopID ID, number int) (ID, error)
	// ChangeJob applies a change and returns the job after it. Repair parts go
	// out of stock as movements; Conflict when stock would fall below zero.
	ChangeJob(ctx context.Context, shopID ID, c JobChange) (Job, error)
	// LastReturned finds the board's newest job returned at or after since.
	LastReturned(ctx context.Context, shopID, boardID ID, since time.Time) (*Job, error)
	// FaultsOfBoardSince lists faults of the board's jobs closed at or after since, newest first.
	FaultsOfBoardSince(ctx context.Context, shopID, boardID ID, since time.Time) ([]Fault, error)
	Snapshots(ctx context.Context, shopID, jobID ID) ([]Snapshot, error)
	Audit(ctx context.Context, shopID, subjectID ID, p Page) (List[AuditEvent], error)
}

// LibraryStore keeps library versions.
type LibraryStore interface {
	// SaveLibrary stores an edition (or finds the one with the same SHA-256) and
	// makes it current when asked. Number is set by the store.
	SaveLibrary(ctx context.Context, shopID ID, v LibraryVersion, content []byte, audit AuditEvent) (LibraryVersion, error)
	// SaveLibraryOver is SaveLibrary for an edition made from another: Stale when
	// over is no longer the current one.
	SaveLibraryOver(ctx context.Context, shopID, over ID, v LibraryVersion, content []byte, audit AuditEvent) (LibraryVersion, error)
	Libraries(ctx context.Context, shopID ID) ([]LibraryVersion, error)
	CurrentLibrary(ctx context.Context, shopID ID) (LibraryVersion, error)
	LibraryContent(ctx context.Context, shopID, id ID) ([]byte, LibraryVersion, error)
}

// RecurrenceGroup says what failures are counted by.
type RecurrenceGroup string

// Groups of the recurrence report (contract).
const (
	ByComponent       RecurrenceGroup = "component"
	ByConnectorFamily RecurrenceGroup = "connector_family"
	ByFailureMode     RecurrenceGroup = "failure_mode"
	ByCause           RecurrenceGroup = "cause"
	ByPart            RecurrenceGroup = "part"
	ByLot             RecurrenceGroup = "lot"
	BySealing         RecurrenceGroup = "sealing"
	ByAction          RecurrenceGroup = "action"
)

// RecurrenceQuery asks for a report over [From, To).
type RecurrenceQuery struct {
	Group    RecurrenceGroup
	From, To time.Time
	Now      time.Time // exposure ends here at the latest
	// ToLastContact ends trends and lives at a board's last contact, not at Now.
	ToLastContact bool
	// Against is another key of the group, to compare with.
	Against string
	// Filter narrows the report.
	Filter RecurrenceFilter
	// SumsOnly asks of a list for what adds up over time alone: boards, carriers and
	// comebacks, which are counts of different ones, may be left 0.
	SumsOnly bool
}

// GroupCount is the raw material of one row: events and the exposure of the
// boards that carry the group's thing.
type GroupCount struct {
	Key, Name    string
	Failures     int
	Boards       int     // boards hit
	RepeatBoards int     // boards hit twice or more
	Carriers     int     // boards in exposure
	BoardDays    float64 // time in service within the window
	DistanceKM   float64 // odometer within the window, where known
	Comebacks    int     // jobs of these failures that are comebacks
	AtEntry      int     // failures that were there when observation of the board or the thing began
	LastAt       time.Time
}

// FaultEvent is one failure behind a figure.
type FaultEvent struct {
	FaultID, JobID, BoardID ID
	JobNumber               int
	BoardSerial             string
	Cause, Component        string
	At                      time.Time
	OdometerKM              *float64
	Action                  string
	ComebackOf              *ID
}

// ReportStore answers the owner's questions.
type ReportStore interface {
	Recurrence(ctx context.Context, shopID ID, q RecurrenceQuery) ([]GroupCount, error)
	RecurrenceEvents(ctx context.Context, shopID ID, q RecurrenceQuery, key string) ([]FaultEvent, error)
	// RecurrenceChoices lists the makes with models and the connector families recorded.
	RecurrenceChoices(ctx context.Context, shopID ID) (models, families []string, err error)
	// LifeData reads observation, failures and repairs of a key, odometers for distance.
	LifeData(ctx context.Context, shopID ID, q RecurrenceQuery, key string, distance bool) (LifeData, error)
}

// Replay is a stored answer to a POST with an Idempotency-Key.
type Replay struct {
	Status int
	Header map[string]string
	Body   []byte
}

// IdempotencyStore remembers answers to POSTs.
type IdempotencyStore interface {
	// Claim takes the key for a request whose fingerprint is hash. It returns the
	// stored answer when the same request was answered before, nil when the caller
	// should go on, Conflict when the key was used for another request or that
	// request is still running.
	Claim(ctx context.Context, shopID ID, key string, hash []byte, at time.Time) (*Replay, error)
	// Settle stores the answer; a nil answer releases the key (the request failed).
	Settle(ctx context.Context, shopID ID, key string, r *Replay) error
}
