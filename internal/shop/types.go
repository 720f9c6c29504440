// Package shop is the domain: boards, jobs, parts, faults, repairs and
// verifications of one repair shop, their rules and the use cases. It declares
// the Store it needs and knows neither HTTP nor Postgres.
package shop

import (
	"time"

	"github.com/google/uuid"

	"nextprobe/internal/measure"
)

// ID is a UUIDv7, so that ids sort by creation.
type ID = uuid.UUID

// Role is what a person or token may do.
type Role string

// The three roles. An owner may do everything, a technician everything at the
// bench and the parts, the counter takes boards in and hands them back.
const (
	Owner      Role = "owner"
	Technician Role = "technician"
	Counter    Role = "counter"
)

// Actor is who acts, in which shop. ID is the user's or the token's.
type Actor struct {
	ShopID ID
	ID     ID
	Name   string
	Role   Role
}

// Shop is a tenant.
type Shop struct {
	ID           ID
	Slug, Name   string
	Currency     string // ISO 4217
	LabourMinor  int64  // labour rate in minor units per hour
	WarrantyDays int
	CreatedAt    time.Time
}

// User signs in on the pages.
type User struct {
	ID           ID
	Login, Name  string
	Role         Role
	PasswordHash string
	DisabledAt   *time.Time
	CreatedAt    time.Time
}

// Token is a bearer token for the REST service; only its hash is kept.
type Token struct {
	ID         ID
	Name       string
	Role       Role
	CreatedAt  time.Time
	LastUsedAt *time.Time
	RevokedAt  *time.Time
}

// Customer owns boards.
type Customer struct {
	ID            ID
	Name, Contact string
	CreatedAt     time.Time
}

// Board is the serviced unit.
type Board struct {
	ID                         ID
	Serial, Make, Model        string
	SeriesCells, ParallelCells *int
	Chemistry                  string // layered_oxide, iron_phosphate or ""
	Controller, Firmware       string
	OdometerKM                 *float64
	Facts                      map[string]string // library's board facts, e.g. motor_plug: external
	Owner                      *Customer
	Note                       string
	CreatedAt, UpdatedAt       time.Time
	Version                    int
}

// Connector is an entry of the connector register.
type Connector struct {
	ID, BoardID ID
	Place       string // where on the board, in the shop's words
	Component   string // library component, e.g. interbox_connector
	Family      string
	Poles       *int
	Polarity    string            // as measured: as_marked, reversed, unknown
	PinMap      map[string]string // pin -> colour and function
	Sealing     string            // e.g. gasket, gland, sleeve, potted, none
	Note        string
	FittedAt    time.Time
	RemovedAt   *time.Time
	UpdatedAt   time.Time
	Version     int
}

// InstalledPart is a part fitted to a board.
type InstalledPart struct {
	ID, BoardID ID
	PartID      *ID
	PartName    string
	Component   string
	Serial, Lot string
	InstalledAt time.Time
	InstalledKM *float64
	RemovedAt   *time.Time
	RemovedKM   *float64
	RepairID    *ID
}

// Part is an article in stock.
type Part struct {
	ID            ID
	Number, Name  string
	Component     string // library component it serves, or ""
	Supplier      string
	UnitCostMinor *int64
	Currency      string
	MinStock      int
	Stock         int // sum of its movements
	Note          string
	CreatedAt     time.Time
	Version       int
}

// Movement is one entry of the stock ledger. Quantity is signed.
type Movement struct {
	ID, PartID    ID
	Quantity      int
	Reason        string // received, used, returned, counted, scrapped
	Lot           string
	UnitCostMinor *int64
	RepairID      *ID
	Balance       int // stock after this movement
	At            time.Time
	By            string
	Note          string
}

// State is where a job stands (contract).
type State string

// The states of a job.
const (
	Received         State = "received"
	Diagnosing       State = "diagnosing"
	AwaitingApproval State = "awaiting_approval"
	AwaitingParts    State = "awaiting_parts"
	Repairing        State = "repairing"
	Verifying        State = "verifying"
	Ready            State = "ready"
	Returned         State = "returned"
	Declined         State = "declined"
	Scrapped         State = "scrapped"
)

// Job is one visit of a board.
type Job struct {
	ID         ID
	Number     int // counts up per shop
	BoardID    ID
	State      State
	Complaint  string
	OdometerKM *float64
	Exposures  []string
	Condition  string // condition as received, in words
	// WarrantyOf is the earlier job of this board within whose warranty time this one came in.
	WarrantyOf *ID
	// ComebackOf is the earlier job whose component failed again.
	ComebackOf *ID
	LibraryID  ID // the library version its diagnosis uses
	// Learned is the learned state its diagnosis uses beside it; nil: the library's own numbers.
	Learned   *int
	OpenedAt  time.Time
	ReadyAt   *time.Time
	ClosedAt  *time.Time
	UpdatedAt time.Time
	Version   int
}

// StateChange is one step of a job's history. From is "" for the first.
type StateChange struct {
	ID       ID
	From, To State
	Reason   string
	At       time.Time
	By       string
}

// ObservationKind says what was observed.
type ObservationKind string

// Kinds of observation.
const (
	ObservedSymptom     ObservationKind = "symptom"
	ObservedMeasurement ObservationKind = "measurement"
	// ObservedCause is a cause that was looked at and found sound.
	ObservedCause ObservationKind = "cause"
)

// UnavailableReason is why a measurement cannot be taken.
type UnavailableReason string

// Reasons why a measurement cannot be taken.
const (
	NoInstrument     UnavailableReason = "no_instrument"
	NoAccess         UnavailableReason = "no_access"
	WouldDamage      UnavailableReason = "would_damage"
	CustomerDeclined UnavailableReason = "customer_declined"
	OtherReason      UnavailableReason = "other"
)

// UnavailableReasons lists them in the order in which they are offered.
func UnavailableReasons() []UnavailableReason {
	return []UnavailableReason{NoInstrument, NoAccess, WouldDamage, CustomerDeclined, OtherReason}
}

// Disagreement is why a fault was confirmed against the advice.
type Disagreement string

// Reasons to confirm another cause than the advised one.
const (
	SeenDirectly  Disagreement = "seen_directly"  // the fault itself is in plain sight
	TestedAnother Disagreement = "tested_another" // a test that the library does not have
	KnownHere     Disagreement = "known_here"     // known on this board or this model
	AdviceRefuted Disagreement = "advice_refuted" // the advised cause was looked at and is sound
	OtherGrounds  Disagreement = "other"
)

// Disagreements lists them in the order in which they are offered.
func Disagreements() []Disagreement {
	return []Disagreement{SeenDirectly, TestedAnother, KnownHere, AdviceRefuted, OtherGrounds}
}

// Observation is a symptom or measurement with its outcome in a job, or a cause found sound. It is
// retracted or superseded, never deleted.
type Observation struct {
	ID          ID
	Kind        ObservationKind
	Symptom     string
	Present     bool // symptoms only
	Measurement string
	Unavailable bool // the measurement cannot be taken here
	// Reason says why it cannot be taken, "" where that was not said; Note says it
	// in words, and what was seen of a cause that is sound.
	Reason UnavailableReason
	Note   string
	Cause  string // found sound
	Result *Result
	// InstrumentID is what it was measured with; Result holds its name and accuracy as they stood.
	InstrumentID *ID
	FromExposure bool // set by an exposure at intake, not asked
	At           time.Time
	By           string
	RetractedAt  *time.Time
	RetractedBy  string
	// SupersededBy is the later observation of the same finding.
	SupersededBy *ID
	// InvalidatedBy names the library event that made the result invalid.
	InvalidatedAt *time.Time
	InvalidatedBy string
}

// Active reports whether the observation is evidence now.
func (o *Observation) Active() bool {
	return o.RetractedAt == nil && o.SupersededBy == nil && o.InvalidatedAt == nil && !o.Unavailable
}

// Result is what a measurement came to: raw readings as typed, what was computed.
type Result struct {
	Readings   map[string]any     `json:"readings,omitempty"`
	Outcome    string             `json:"outcome"`
	Detail     string             `json:"detail,omitempty"`
	Likelihood map[string]float64 `json:"likelihood,omitempty"`
	Values     []ResultValue      `json:"values,omitempty"`
	Text       string             `json:"text,omitempty"`
	Warnings   []string           `json:"warnings,omitempty"`
	Instrument *InstrumentUse     `json:"instrument,omitempty"`
	// Deciding is what the outcome rested on when it was taken, to be drawn as a
	// number line; nil where no single line shows it.
	Deciding *measure.Deciding `json:"deciding,omitempty"`
}

// ResultValue is a derived value in library order. Label is the library's word
// for it when it was computed, "" where the library has none.
type ResultValue struct {
	ID    string `json:"id"`
	Label string `json:"label,omitempty"`
	Value any    `json:"value"`
	Unit  string `json:"unit,omitempty"`
}

// OpeningState is open or closed.
type OpeningState string

// States of an opening.
const (
	Open   OpeningState = "open"
	Closed OpeningState = "closed"
)

// AccessEvent is the opening or closing of an access state. Implied events were
// recorded because a measurement needs the opening.
type AccessEvent struct {
	ID      ID
	Opening string
	State   OpeningState
	Implied bool
	At      time.Time
	By      string
}

// Fault is a cause confirmed in a job.
type Fault struct {
	ID              ID
	JobID           ID
	Cause           string
	Component       string
	FailureMode     string
	ConnectorID     *ID
	InstalledPartID *ID
	Note            string
	// Probability is what the engine gave the cause at that moment.
	Probability float64
	// Advised is the cause whose repair was advised at that moment, "" where another
	// step was; Disagreement says why another one was confirmed, "" where that was
	// not said, and Grounds in words.
	Advised      string
	Disagreement Disagreement
	Grounds      string
	// Basis is the argument for the cause as it stood at that moment, in sentences.
	Basis       string
	At          time.Time
	By          string
	WaivedAt    *time.Time
	WaivedBy    string
	WaiveReason string
}

// Repair is what was done about a fault.
type Repair struct {
	ID      ID
	FaultID ID
	Action  string
	Minutes int
	Note    string
	Parts   []RepairPart
	At      time.Time
	By      string
}

// RepairPart is a part used in a repair.
type RepairPart struct {
	PartID   ID
	Name     string
	Quantity int
	Lot      string
	Serial   string
}

// Verification is a measurement that proves a repair or a closing.
type Verification struct {
	ID            ID
	Measurement   string
	Result        Result
	InstrumentID  *ID
	Passed        bool // the outcome is a normal one of its measurement
	At            time.Time
	By            string
	InvalidatedAt *time.Time
	InvalidatedBy string
}

// Snapshot is the diagnosis as it stood at a decision.
type Snapshot struct {
	ID        ID
	Trigger   string // fault, repair, state, waive
	LibraryID ID
	Body      []byte // the diagnosis as JSON
	At        time.Time
	By        string
}

// JobFile is a job with everything recorded in it, in order of time.
type JobFile struct {
	Job           Job
	Board         Board
	Connectors    []Connector
	States        []StateChange
	Observations  []Observation
	Access        []AccessEvent
	Faults        []Fault
	Repairs       []Repair
	Verifications []Verification
}

// LibraryVersion is an immutable stored edition of the fault library.
type LibraryVersion struct {
	ID       ID
	Number   int // counts up per shop
	SHA256   string
	Edition  int
	Note     string
	Current  bool
	StoredAt time.Time
	By       string
}

// AuditEvent is one entry of the log of who did what.
type AuditEvent struct {
	ID          ID
	At          time.Time
	By          string
	ActorID     ID
	Action      string // e.g. job.create, observation.retract
	SubjectKind string
	SubjectID   ID
	Detail      map[string]any
}
