package shop

import "time"

// Change carries one optional field of a PATCH: Set tells null and absent apart.
type Change[T any] struct {
	Set   bool
	Value T
}

// BoardInput is what the counter enters about a board.
type BoardInput struct {
	Serial, Make, Model        string
	SeriesCells, ParallelCells *int
	Chemistry                  string
	Controller, Firmware       string
	OdometerKM                 *float64
	Facts                      map[string]string
	Owner                      *OwnerInput
	Note                       string
}

// OwnerInput names the owner: an existing customer by ID, or a name and contact.
type OwnerInput struct {
	ID            *ID
	Name, Contact string
}

// BoardPatch edits a board. Version is the caller's If-Match (0: no check).
type BoardPatch struct {
	Version                    int
	Serial, Make, Model        Change[string]
	SeriesCells, ParallelCells Change[*int]
	Chemistry                  Change[string]
	Controller, Firmware       Change[string]
	OdometerKM                 Change[*float64]
	Facts                      Change[map[string]string]
	Owner                      Change[*OwnerInput]
	Note                       Change[string]
}

// ConnectorInput is an entry of the connector register.
type ConnectorInput struct {
	Place, Component, Family string
	Poles                    *int
	Polarity                 string
	PinMap                   map[string]string
	Sealing, Note            string
	FittedAt                 *time.Time
}

// ConnectorPatch edits one.
type ConnectorPatch struct {
	Version                  int
	Place, Component, Family Change[string]
	Poles                    Change[*int]
	Polarity                 Change[string]
	PinMap                   Change[map[string]string]
	Sealing, Note            Change[string]
	RemovedAt                Change[*time.Time]
}

// PartInput is an article; Stock, when above zero, is its first movement.
type PartInput struct {
	Number, Name, Component, Supplier string
	UnitCostMinor                     *int64
	Currency                          string
	MinStock                          int
	Stock                             int
	Lot                               string
	Note                              string
}

// PartPatch edits an article.
type PartPatch struct {
	Version                           int
	Number, Name, Component, Supplier Change[string]
	UnitCostMinor                     Change[*int64]
	MinStock                          Change[int]
	Note                              Change[string]
}

// InstrumentInput is a measuring instrument.
type InstrumentInput struct {
	Name, Kind, Serial string
	Ranges             []InstrumentRange
	CalibrationDue     *time.Time // the day counts, in UTC
	Note               string
}

// InstrumentPatch edits one; Ranges replaces them all.
type InstrumentPatch struct {
	Version            int
	Name, Kind, Serial Change[string]
	Ranges             Change[[]InstrumentRange]
	CalibrationDue     Change[*time.Time]
	Retired            Change[bool]
	Note               Change[string]
}

// MovementInput adds to the ledger.
type MovementInput struct {
	Quantity      int
	Reason, Lot   string
	UnitCostMinor *int64
	Note          string
}

// JobInput is the intake.
type JobInput struct {
	BoardID    ID
	Complaint  string
	OdometerKM *float64
	// OdometerReason is needed when the odometer went backwards.
	OdometerReason string
	Exposures      []string
	// Symptoms are present; AbsentSymptoms were asked and denied.
	Symptoms       []string
	AbsentSymptoms []string
	Condition      string
}

// JobPatch corrects the intake fields.
type JobPatch struct {
	Version    int
	Complaint  Change[string]
	OdometerKM Change[*float64]
	Exposures  Change[[]string]
	Condition  Change[string]
}

// ObservationInput is one of: a symptom, readings, an outcome, or "cannot measure".
type ObservationInput struct {
	Symptom     string
	Present     *bool
	Measurement string
	Readings    map[string]any
	Outcome     string
	Unavailable bool
	// Reason and Note say why it is unavailable; both may be empty.
	Reason UnavailableReason
	Note   string
	// Cause, with Present false, was looked at and is sound.
	Cause string
	// Instrument is what it was measured with.
	Instrument *ID
}

// AccessInput opens or closes an opening.
type AccessInput struct {
	Opening string
	State   OpeningState
}

// FaultInput confirms a cause.
type FaultInput struct {
	Cause           string
	ConnectorID     *ID
	InstalledPartID *ID
	Note            string
	// Disagreement and Grounds say why the cause is confirmed although the repair of
	// another is advised. Both may be empty: nobody is held up for a reason.
	Disagreement Disagreement
	Grounds      string
}

// RepairInput is what was done. Removed names installed parts taken off.
type RepairInput struct {
	FaultID ID
	Action  string
	Minutes int
	Parts   []RepairPartInput
	Removed []ID
	Note    string
}

// RepairPartInput is a part used.
type RepairPartInput struct {
	PartID   ID
	Quantity int
	Lot      string
	Serial   string
}

// VerificationInput proves something: readings or an outcome.
type VerificationInput struct {
	Measurement string
	Readings    map[string]any
	Outcome     string
	Instrument  *ID
}

// EvaluateInput is the bench computation without a job.
type EvaluateInput struct {
	Readings map[string]any
	Outcome  string
	// Board facts: series_cells, parallel_cells, chemistry, motor_plug, …
	Board map[string]any
	// Instrument, when given, states the accuracy of the readings.
	Instrument *ID
}
