package shop

import (
	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
)

// Diagnosis is the engine's answer for a job (contract, GET /jobs/{id}/diagnosis).
type Diagnosis struct {
	LibraryVersion LibraryVersion
	LearnedState   *int          // the learned numbers it uses; nil: the library's own
	Observations   []Observation // active and unavailable ones, in order of time
	Causes         []CauseView   // by probability, highest first
	Explanations   []Explanation
	Covered        float64 // share of the probability the explanations cover
	Unmodelled     float64
	NoFault        float64
	Roots          []RootView // common circumstances, in library order; empty where the library names none
	Truncation     float64
	Conflict       float64 // bits; above 3 the observations contradict each other
	Advice         Advice
	Next           []NextMeasurement // the advised one first
	ExpectedCost   float64           // minor units
	Currency       string
	// Stop is set when a stop sign ends guided diagnosis.
	Stop *Stop
	// AlsoCheck lists what the confirmed causes tend to bring along.
	AlsoCheck []AlsoCheck
	// OpenOpenings are the openings open now, in library order.
	OpenOpenings []faultlib.Opening
	Warnings     []string
	// Argument is the diagnosis in sentences; nil where a rule worked it out for
	// itself and nobody reads it.
	Argument *Argument
}

// RootView is a common circumstance that raises several causes, such as water
// that came in.
type RootView struct {
	ID, Name    string
	Probability float64
}

// Argument puts a diagnosis in sentences.
type Argument struct {
	Scale  string          // how its decibans are to be read
	Causes []CauseArgument // in the order of the diagnosis
	// Whole says how sure the whole is: the explanations with the share they cover,
	// what the library does not know, no fault, what was left out.
	Whole    []string
	Conflict *ConflictArgument // nil: the observations go together
}

// Of is the argument about a cause, nil where there is none.
func (a *Argument) Of(cause string) *CauseArgument {
	if a == nil {
		return nil
	}
	for i := range a.Causes {
		if a.Causes[i].Cause == cause {
			return &a.Causes[i]
		}
	}
	return nil
}

// CauseArgument is the argument about one cause.
type CauseArgument struct {
	Cause        string
	Sentences    []string
	Brief        string               // the first sentence with the strongest observations only
	For, Against []WeighedObservation // strongest first, from 1 dB on
	// AccountsFor are the abnormal observations that the cause itself brought about,
	// more probably than not, and Leaves those that something else did.
	AccountsFor, Leaves []ID
	Missing             []string // measurements that would show it and were not taken
}

// WeighedObservation is an observation's weight for a cause, in decibans and in words.
type WeighedObservation struct {
	ObservationID ID
	Decibans      float64
	Strength      string // slight, moderate, strong, very strong
}

// ConflictArgument says which observations do not go together.
type ConflictArgument struct {
	Bits         float64
	Strong       bool
	Text         string
	Observations []ID // most at odds with the others first
	Again        []TakeAgain
}

// TakeAgain is an observation that the others make so improbable that it is
// worth taking again. Exactly one of Measurement and Symptom is set.
type TakeAgain struct {
	ObservationID        ID
	Measurement, Symptom string
	Title                string
	Support              float64 // P(this result | the other observations)
}

// CauseView is a cause with its probability and the evidence for it.
type CauseView struct {
	ID, Name, Component, ComponentName, FailureMode string
	Probability                                     float64
	Prior                                           float64
	Confirmed                                       bool
	Evidence                                        []Evidence // strongest first
}

// Evidence is the weight one observation gives a cause, in decibans (Good 1950).
type Evidence struct {
	ObservationID ID
	Decibans      float64
}

// Explanation is a set of causes that together explain what was seen.
type Explanation struct {
	Causes      []string
	Probability float64
}

// Advice is the one thing to do now: measure, repair, escalate or stop.
type Advice struct {
	Kind        string // measure, repair, escalate, stop
	Measurement string
	Cause       string
	Text        string // why, in a sentence or two
}

// NextMeasurement is a measurement with everything the bench needs to take it.
type NextMeasurement struct {
	Measurement  *faultlib.Measurement
	Cost         float64            // minor units
	Minutes      float64            // with the openings still needed
	Access       []faultlib.Opening // still to open, outermost first
	Hazard       faultlib.Hazard    // highest on the way
	Cautions     []string
	Instructions string
	Expected     string // what a good reading is
	Why          string
	Score        float64
	Outcomes     []OutcomeView
	// Blocked says why an interlock forbids it for now, and what to do first.
	Blocked string
}

// OutcomeView is a possible outcome with its predicted probability.
type OutcomeView struct {
	ID, Label, Meaning string
	Normal             bool
	// Inconclusive: it says only that the reading is of no use.
	Inconclusive bool
	Probability  float64
}

// outcomeView is an outcome of the library; its probability is set by who knows it.
func outcomeView(o measure.Outcome) OutcomeView {
	return OutcomeView{ID: o.ID, Label: o.Label, Meaning: o.Meaning, Normal: o.Normal, Inconclusive: o.Inconclusive}
}

// Words is how a page names the outcome: its label, else its id with spaces.
func (v OutcomeView) Words() string { return measure.Outcome{ID: v.ID, Label: v.Label}.Words() }

// Stop is a stop sign: the gate that fired and the rule to follow.
type Stop struct {
	Gate          string // symptom or measurement id
	Text          string // what was seen
	Rule          string // the hazard level's rule
	ObservationID ID
}

// AlsoCheck is a consequence worth a look before closing.
type AlsoCheck struct {
	From, Cause, Name, Note string
	Probability             float64
	Measurements            []string // what would tell
}

// Requirement is one thing that bars ready until it is met.
type Requirement struct {
	// Kind: fault (repair or waive), verification, opening (close it),
	// recheck (a later event made the result invalid), stop.
	Kind        string
	FaultID     *ID
	Cause       string
	Measurement string
	Outcomes    []string // any of these passes
	Opening     string
	Text        string // what is missing
	Why         string
	Met         bool
	MetBy       *ID // the repair, verification or event that met it
}

// Requirements is the closing gate of a job.
type Requirements struct {
	Ready bool // nothing bars ready
	Items []Requirement
}

// Evaluation is the bench computation's answer.
type Evaluation struct {
	Measurement string
	Outcome     string
	Meaning     string
	Normal      bool
	Detail      string
	Likelihood  []OutcomeView
	Values      []ResultValue
	Text        string
	Warnings    []string
	Instrument  *InstrumentUse // nil: not said
	// Deciding is what the outcome rests on, to be drawn as a number line; nil where
	// no single value decides.
	Deciding *measure.Deciding
	// Inconclusive: the reading is of no use and would be no evidence.
	Inconclusive bool
}

// EarlierJob is what the counter sees at intake: a job within the warranty time.
type EarlierJob struct {
	Job      JobSummary
	DaysAgo  int
	DaysLeft int
}

// RecurrenceRow is one line of the report.
type RecurrenceRow struct {
	GroupCount
	Share    float64 // of all failures in the window
	Exposure float64 // board-years, or thousands of km
	Rate     *float64
	Lower    *float64 // Garwood 95 %
	Upper    *float64
	Sentence string
	// Rank is the place by the lower 90 % bound of the rate drawn towards what is
	// usual in the report, 1 the worst: one unlucky board does not top it.
	Rank int
	// Shrunk is that rate with its 90 % bounds; nil without exposure.
	Shrunk *Bounds
	// BadActor is there for a key that fails more than the rest.
	BadActor *BadActor
	// Trend compares the halves of the period; nil while it has not begun.
	Trend *RowTrend
}

// Recurrence is the report.
type Recurrence struct {
	Group    RecurrenceGroup
	Exposure string // time or distance
	Unit     string // "1/board-year" or "1/1000 km"
	Query    RecurrenceQuery
	Total    int
	Rows     []RecurrenceRow
	// TrendNote says how the rows' trends were found, and what they cannot tell.
	TrendNote string
	// Narrowed says what the report was narrowed to, "" for a whole one.
	Narrowed string
	tests    []restTest // of the rows against the rest
}

// RecurrenceDetail is one group with the events behind it.
type RecurrenceDetail struct {
	Row    RecurrenceRow
	Unit   string
	Events []FaultEvent
	// ByMonth counts failures per calendar month of the window.
	ByMonth []MonthCount
	// Life is what the dates say: trend, mean cumulative function, lives after repair.
	Life RecurrenceLife
	// Others are the other rows with exposure, to compare with.
	Others []RecurrenceRow
	// Against compares the row with the one asked for; nil when none was.
	Against *RecurrenceComparison
	// Narrowed says what the report was narrowed to, "" for a whole one.
	Narrowed string
}

// MonthCount is failures in a month, "2026-03".
type MonthCount struct {
	Month string
	Count int
}
