package web

import (
	"slices"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

// BenchPage is a job at the bench.
type BenchPage struct {
	Layout
	File       shop.JobFile
	Library    shop.LibraryVersion
	Waiting    string
	WarrantyOf *shop.ID
	Currency   string

	Diagnosis shop.Diagnosis
	StopRule  string
	Causes    []CauseRow
	Rest      []CauseRow // below what is worth a bar
	// AllCauses is every cause of the library, for confirming one that is not shown.
	AllCauses []Option
	Lead      string   // the argument for the leading cause, in a sentence
	Whole     []string // how sure the whole is
	Scale     string   // how the weights are to be read
	Conflict  *ConflictView
	Card      *MeasureCard
	Advised   string // title of the advised measurement, when another is shown
	AdvisedID string
	RunnersUp []Runner
	All       []Option // every measurement, for the search
	Symptoms  []SymptomGroup
	Gates     []SymptomRow
	Seen      []ObservationRow
	Withdrawn []ObservationRow
	Open      []OpeningRow
	Faults    []FaultRow
	Barring   []RequirementRow
	Met       []RequirementRow
	Ready     bool
	Verified  []VerificationRow
	NextState []StateMove
	Log       []LogRow
	Exposures []Option
	AlsoCheck []AlsoRow
	Parts     []Option
	Closed    bool // the job takes no more records
	Carries   Carries

	form *Form // the one that came back with a mistake
}

// Form returns the form that failed when its id is asked for, else an empty
// one, so that each form on the page shows only its own mistakes.
func (pg *BenchPage) Form(id string) *Form {
	if pg.form != nil && pg.form.ID == id {
		return pg.form
	}
	return emptyForm(id)
}

// Stray is a failed form that the page no longer shows, because the job went on
// meanwhile or it was a plain button; its message then stands at the top.
func (pg *BenchPage) Stray() *Form {
	if pg.form == nil {
		return nil
	}
	id := pg.form.ID
	kind, rest, _ := strings.Cut(id, "-")
	shown := false
	switch kind {
	case "observe":
		shown = pg.Card != nil
	case "symptom":
		shown = pg.Allows("symptom")
	case "state":
		shown = len(pg.NextState) > 0
	case "intake":
		shown = !pg.Closed
	case "fault", "sound":
		for _, list := range [][]CauseRow{pg.Causes, pg.Rest} {
			for _, c := range list {
				shown = shown || (c.ID == rest && !c.Confirmed && pg.Allows("fault"))
			}
		}
	case "repair", "waive":
		for _, f := range pg.Faults {
			shown = shown || (f.ID.String() == rest && f.WaivedAt == nil && pg.Allows(map[string]string{"repair": "repair", "waive": "fault"}[kind]))
		}
	case "verify":
		for _, r := range pg.Barring {
			shown = shown || (r.FormID == id && pg.Allows("verify"))
		}
	}
	if shown {
		return nil
	}
	return pg.form
}

// Allows reports whether the job's state and the person's role let something be
// recorded; the use cases refuse it otherwise, so the page does not offer it.
func (pg *BenchPage) Allows(what string) bool {
	s := pg.File.Job.State
	switch what {
	case "symptom", "undo":
		return !pg.Closed && s != shop.Declined && s != shop.Ready
	case "measure":
		atBench := s != shop.Received && s != shop.Ready && s != shop.Declined && !pg.Closed
		return pg.Can("bench") && (atBench || (s == shop.Received && pg.Card != nil && pg.Card.Gate))
	case "open", "fault":
		return pg.Can("bench") && !pg.Closed && s != shop.Received && s != shop.Ready && s != shop.Declined
	case "close":
		return pg.Can("bench") && !pg.Closed && s != shop.Received && s != shop.Ready
	case "repair", "verify":
		return pg.Can("bench") && (s == shop.Diagnosing || s == shop.Repairing || s == shop.Verifying)
	}
	return false
}

// Forward is the move that is due now, offered at the top of the page.
func (pg *BenchPage) Forward() *StateMove {
	for i := range pg.NextState {
		s := pg.File.Job.State
		if m := &pg.NextState[i]; m.Primary && (s == shop.Received || s == shop.Ready || (s == shop.Verifying && pg.Ready)) {
			return m
		}
	}
	return nil
}

// Others reports whether a measurement beside the shown one would help.
func (pg *BenchPage) Others() bool {
	for _, r := range pg.RunnersUp {
		if !r.Shown {
			return true
		}
	}
	return false
}

// CauseRow is a probable cause.
type CauseRow struct {
	shop.CauseView
	Sentences     []string // the argument about it
	Brief         string   // the same in a glance
	LookAt        *Option  // the library's inspection for a look at it, where it was not taken
	Sound         bool     // looked at and found sound
	InsteadOf     string   // the advised cause, where the repair of another is advised
	Why           []Option // reasons to confirm this one in its place
	Repair        string
	RepairMinutes [2]float64
	Hazard        int
	Rule          string
	Connectors    []Option
	Installed     []Option
	Suggested     bool // the advice is to repair this
	Open          bool // its form came back with a mistake
}

// MeasureCard is one measurement with everything to take it.
type MeasureCard struct {
	*faultlib.Measurement
	IsAdvised  bool
	Component  string
	Why        string
	Expected   string
	Points     string
	Steps      []OpeningRow // still to open, outermost first
	Hazard     int
	HazardName string
	Rule       string
	Cautions   []string
	Blocked    string
	Minutes    float64
	Cost       float64
	Outcomes   []shop.OutcomeView
	Readings   []Reading
	Form       *Form
	Result     *ResultView // live evaluation
	Inspection bool
	Gate       bool            // asked before anything else, already on arrival
	With       *Field          // what it is measured with; nil: not asked
	Before     *ObservationRow // the observation this one would replace
	Reasons    []Option        // why it cannot be taken
}

// Quantities reports readings that are typed as a number with or without a unit.
func (c *MeasureCard) Quantities() bool {
	return slices.ContainsFunc(c.Readings, func(r Reading) bool { return r.quantity() })
}

// Regrows reports fields that follow a number of cell groups typed beside them.
func (c *MeasureCard) Regrows() bool {
	return slices.ContainsFunc(c.Readings, func(r Reading) bool { return r.PerGroup }) && slices.ContainsFunc(c.Readings, isGroupCount)
}

// ResultView is a computed result as the page shows it.
type ResultView struct {
	Outcome, Said, Meaning, Detail, Text string // Said is the outcome in words
	Normal                               bool
	// Useless: the reading is of no use and no evidence.
	Useless  bool
	Values   []shop.ResultValue
	Warnings []string
	// Edge says how the outcome is shared when a reading is on the edge.
	Edge []shop.OutcomeView
	// Unsure is set when it may be as it should be or not.
	Unsure bool
	// With names the instrument and its accuracy, "" when it was not said.
	With string
	// Rule is set when the outcome is a stop sign: what to do now.
	Rule string
	// Line shows the deciding value between its limits; nil where it helps nothing.
	Line *Picture
	// Picture is nil where none helps.
	Picture *Picture
	Missing []string // readings still to type
	Wrong   []FieldError
}

// Runner is another measurement that would help.
type Runner struct {
	ID, Title, Tells string
	Minutes, Cost    float64
	Hazard           int
	Blocked          string
	Shown            bool
}

// ObservationRow is an observation with its words.
type ObservationRow struct {
	shop.Observation
	What, Said string
	Normal     bool
	Values     []shop.ResultValue
	Text       string
	Warnings   []string
	Readings   string
	With       string // the instrument and its accuracy
	Late       bool   // whose calibration had run out
	Why        string // why it no longer counts
	Pictures   []*Picture
}

// OpeningRow is an opening with what it takes.
type OpeningRow struct {
	faultlib.Opening
	Rule string
}

// FaultRow is a confirmed fault with its repairs.
type FaultRow struct {
	shop.Fault
	Name, ComponentName string
	Connector           string
	InstalledPart       string
	Repairs             []shop.Repair
	Disagreed           string   // why it was confirmed against the advice
	Again               []Option // what pointed to it and may be taken once more after the repair
	Suggested           string   // the library's repair
	Parts               []string
	Rule                string
	Hazard              int
	Minutes             [2]float64
}

// RequirementRow is something that bars ready, with the form that meets it.
type RequirementRow struct {
	shop.Requirement
	Title  string
	Card   *MeasureCard // how to take the verification
	FormID string
}

// VerificationRow is a verification taken.
type VerificationRow struct {
	shop.Verification
	With        string
	Title, Said string
	Pictures    []*Picture
}

// StateMove is a state the job may go to.
type StateMove struct {
	To      shop.State
	Label   string
	Primary bool // the usual way forward
}

// LogRow is a line of the job's log.
type LogRow struct {
	shop.AuditEvent
	Text string
}

// AlsoRow is a consequence worth a look.
type AlsoRow struct {
	shop.AlsoCheck
	FromName string
	Tests    []Option
}

// PartLine is one line of parts used in a repair.
type PartLine struct{ Part, Quantity, Lot, Serial Field }

func partLine(pg *BenchPage, f *Form, i int) PartLine {
	n := formatInt(&i)
	if f.Get("quantity."+n) == "" {
		// One is what is usually used; without a part chosen the line is ignored.
		f.Values.Set("quantity."+n, "1")
	}
	return PartLine{
		Part:     choiceField(f, "part."+n, "Part", append([]Option{{Label: "none"}}, pg.Parts...)),
		Quantity: newField(f, "quantity."+n, "Quantity", "mode=numeric"),
		Lot:      newField(f, "lot."+n, "Lot"),
		Serial:   newField(f, "serial."+n, "Serial"),
	}
}

// IntakeForm is the form that corrects the intake: as it stands, or as typed.
func (pg *BenchPage) IntakeForm() *Form {
	if pg.form != nil && pg.form.ID == "intake-edit" {
		return pg.form
	}
	return filledForm("intake-edit", "complaint", pg.File.Job.Complaint, "odometer_km", formatFloat(pg.File.Job.OdometerKM), "condition", pg.File.Job.Condition)
}
