package diagnosis

// Kinds of tree nodes beside AdviseMeasure, AdviseRepair and AdviseEscalate.
const (
	// TreeStop is a leaf where a gate's outcome ends guided diagnosis.
	TreeStop = "stop"
	// TreeContinue is a leaf where the tree ends before the policy does.
	TreeContinue = "continue"
)

// Why a TreeContinue leaf stands where it does.
const (
	// CutThin gathers the outcomes of a measurement below MinOutcome.
	CutThin = "thin"
	// CutAgain is after an outcome that is of no use and no evidence: the
	// measurement is to be taken again.
	CutAgain = "again"
	// CutReach is a place that less than MinReach of the boards come to.
	CutReach = "reach"
	// CutDepth is a place that lies MaxDepth measurements deep.
	CutDepth = "depth"
	// CutWork is a place that was not worked out because of MaxWork.
	CutWork = "work"
)

// Defaults and bounds of a TreeSpec.
const (
	DefaultTreeDepth  = 8
	MaxTreeDepth      = 12
	DefaultMinReach   = 0.005
	DefaultMinOutcome = 0.02
	DefaultTreeWork   = 3000
)

// freeFindings is how many abnormal findings an inference may have and still
// count as one unit of work; each further one doubles it, as it doubles the
// state space.
const freeFindings = 6

// TreeGate is a finding that is measured before any ordering of tests. An
// outcome at a level of Stop ends the work.
type TreeGate struct {
	Finding string
	Stop    []int
}

// TreeOpening says what opening something does beside its cost: the openings
// that must be closed for it (and end when it is opened, or it when they are),
// and the findings whose earlier results no longer count.
type TreeOpening struct {
	ID        string
	Closes    []string
	Overtakes []string
}

// TreeReading is what a finding was last found at on the way to a place. Held are
// the openings that were open then and have stayed so.
type TreeReading struct {
	Observation
	Held []string
}

// TreeSpec is what a tree is compiled from. State.Once is for its Evidence; what
// is measured on the way counts by itself. A zero number means its default.
type TreeSpec struct {
	Evidence []Observation
	Economy  *Economy
	State    State
	Policy   Policy
	Gates    []TreeGate
	Openings []TreeOpening
	// Useless are, by finding, the levels that are no evidence.
	Useless map[string][]int
	// Unmet, when set, says what interlocks forbid at a place beside what State has:
	// by the readings that stand there and what is open.
	Unmet func(readings []TreeReading, open []string) []Unmet
	// MaxDepth is the most measurements on one way, 1 to MaxTreeDepth.
	MaxDepth int
	// MinReach and MinOutcome are probabilities: a place that is reached more
	// rarely is not followed, outcomes rarer than MinOutcome are gathered.
	MinReach, MinOutcome float64
	// MaxWork bounds the work in inferences of up to six abnormal findings.
	MaxWork int
	// Interrupted, when set, is asked before each inference; its error ends the
	// compilation and is returned.
	Interrupted func() error
}

// Tree is the policy compiled: a directed acyclic graph in which equal places
// are one node. Nodes[0] is the root; nodes are numbered in the order in which
// they are met going down, the highest outcome of a measurement first.
type Tree struct {
	Nodes []TreeNode
	// Places is how many nodes the tree has before equal ones are merged, Depth
	// the most measurements on one way, Work the work spent.
	Places, Depth, Work int
	// Live is the money that the policy itself expects from the root on: one
	// step of look-ahead, then repairs by probability over cost. Nodes[0].Cost is
	// the same expectation rolled back over the whole tree.
	Live float64
	// Cut says that MaxWork ended the compilation; the places left are CutWork.
	Cut bool
}

// TreeNode is one decision. Numbers of a node that several ways lead to are
// means over these ways, weighted by how often each is gone.
type TreeNode struct {
	Kind    string // AdviseMeasure, AdviseRepair, AdviseEscalate, TreeStop, TreeContinue
	Finding string // to measure
	Cause   string // to repair
	Cut     string // of a TreeContinue: why
	// Reason is that of an AdviseEscalate, and of an AdviseMeasure where it is
	// ReasonInterlock or ReasonTakeAgain.
	Reason string
	// Gate marks a measurement that is taken before any ordering of tests.
	Gate bool
	// Close are the openings to close first, Access those to open, in order.
	Close, Access []string
	Hazard        int // the highest met on the way, openings included
	// Probability is that of the cause to repair.
	Probability float64
	// StepCost and StepMinutes are those of this step alone, opening and closing
	// included; the repair's proof too.
	StepCost, StepMinutes float64
	// Reach is the probability to come here. Ways is how many places of the
	// unmerged tree the node stands for.
	Reach float64
	Ways  int
	// Cost is the expected money from here: of a measurement its own and that of
	// what follows, of every other node what the policy expects (a repair may be
	// the wrong one). Minutes are the expected minutes of the steps that the tree
	// shows from here; what a wrong repair or live work brings is not in them.
	Cost, Minutes float64
	Branches      []TreeBranch
}

// TreeBranch leads from a measurement to what follows some of its outcomes.
type TreeBranch struct {
	Levels      []int // highest first
	Probability float64
	Node        int // place in Tree.Nodes
}
