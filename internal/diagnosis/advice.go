package diagnosis

// Kinds of advice.
const (
	AdviseMeasure  = "measure"
	AdviseRepair   = "repair"
	AdviseEscalate = "escalate"
)

// Reason codes: why the advice is what it is.
const (
	// ReasonBestGain: this measurement saves most per money spent, not counting
	// what the repair spends anyway.
	ReasonBestGain = "best_gain"
	// ReasonAlreadyOpen: as best_gain, and its access is open already.
	ReasonAlreadyOpen = "already_open"
	// ReasonSharedOpening: it pays together with others behind the same opening.
	ReasonSharedOpening = "shared_opening"
	// ReasonInterlock: an interlock asks for it before the measurement that the
	// Reason's For names, which saves most per money spent.
	ReasonInterlock = "interlock"
	// ReasonTakeAgain: this reading fits the others so badly that a second look
	// costs less than what it would otherwise send to; Probability is that it was
	// misread.
	ReasonTakeAgain = "take_again"
	// ReasonConfident: one cause is beyond ConfidentAt.
	ReasonConfident = "confident"
	// ReasonConfirmed: a confirmed cause waits for its repair and nothing else pays.
	ReasonConfirmed = "confirmed"
	// ReasonNothingPays: no measurement saves what it costs; repairing does.
	ReasonNothingPays = "nothing_pays"
	// ReasonNothingLeft: no measurement is left; repairing is worth it.
	ReasonNothingLeft = "nothing_left"
	// ReasonUnmodelled: the unmodelled cause is beyond EscalateAt.
	ReasonUnmodelled = "unmodelled"
	// ReasonNoFault: most probably nothing is wrong that the model knows.
	ReasonNoFault = "no_fault"
	// ReasonNothingHelps: neither a measurement nor a repair is worth its cost.
	ReasonNothingHelps = "nothing_helps"
)

const (
	// ConfidentAt is the belief in a cause beyond which it is repaired.
	ConfidentAt = 0.9
	// EscalateAt is the belief in the unmodelled cause beyond which the engine
	// says that this is outside what it knows, once neither a measurement nor a
	// repair of what it knows pays.
	EscalateAt = 0.3
	// tieWithin is the relative difference of scores that counts as a tie.
	tieWithin = 0.05
)

// Reason holds the numbers behind the advice; the caller words them.
type Reason struct {
	Code        string
	Probability float64 // of the cause, of unmodelled, or of no fault
	Gain        float64 // money the measurement is expected to save
	Cost        float64 // money the measurement, or the needless repair, costs
	Anyway      float64 // part of the measurement's cost that the repair will pay anyway
	Loss        float64 // expected loss when acting now, the most that could be saved
	Together    []string
	For         string // finding that waits for this one, with ReasonInterlock
	Instead     string // cause whose repair waits, with ReasonTakeAgain; "" before handing over
}

// Shift is what an outcome does to the causes: the one whose probability rises
// most and the one whose falls most, "" where none moves.
type Shift struct {
	Up, Down                       string
	UpFrom, UpTo, DownFrom, DownTo float64
}

// Candidate is one measurement as the policy sees it.
type Candidate struct {
	Finding string
	Cost    float64  // money, opening and closing included
	Minutes float64  // likewise
	Access  []string // openings still to open, in order
	// First are the findings to measure before, in order, because an interlock asks
	// for them. Cost and Minutes are without them; Score is with them.
	First  []string
	Hazard int     // the highest met on the way
	Gain   float64 // money it is expected to save
	Score  float64 // gain by cost, raised where an opening is shared
	// Outcomes is P(level | E), Shifts what each level would separate.
	Outcomes []float64
	Shifts   []Shift

	own      float64 // money without the openings
	before   float64 // money of what is measured before
	anyway   float64 // money of the openings that the repair will need anyway
	decides  bool    // some outcome changes what is done
	together []string
}

// Advice is the next step.
type Advice struct {
	Kind    string // AdviseMeasure, AdviseRepair or AdviseEscalate
	Finding string // to measure
	Cause   string // to repair
	Reason  Reason
	// ExpectedCost is the money from here to the end if the advice is followed,
	// by one step of look-ahead and a sequence of repairs by probability over
	// cost after it.
	ExpectedCost float64
	Candidates   []Candidate // best first
	// Retake is set where Finding is among the evidence and is to be measured again:
	// what that costs and what is expected to come out. It is no candidate.
	Retake    *Candidate
	Posterior *Posterior
}

// Candidate is what was worked out for measuring a finding, for the first time or
// again; nil where that cannot or need not be measured.
func (a *Advice) Candidate(finding string) *Candidate {
	if c := a.Retake; c != nil && c.Finding == finding {
		return c
	}
	return candidateOf(a, finding)
}

// Move is the advice as a step of a plan. That nothing is wrong means handing
// back.
func (a *Advice) Move() Move {
	if a.Kind == AdviseEscalate && a.Reason.Code == ReasonNoFault {
		return Move{Kind: AdviseHandBack}
	}
	return Move{Kind: a.Kind, Finding: a.Finding, Cause: a.Cause}
}
