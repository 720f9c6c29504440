package diagnosis

import (
	"math/bits"
	"slices"

	"nextprobe/internal/problem"
)

const (
	// MostPlanned is the largest number of measurements, and of causes, that
	// Optimum takes: the states grow as the product of the levels.
	MostPlanned = 12
	// statesPlanned is the largest number of states that Optimum visits unless
	// told otherwise.
	statesPlanned = 4_000_000
)

// AdviseHandBack ends a plan where nothing is wrong; see PlanOptions.
const AdviseHandBack = "hand_back"

// PlanOptions say in which world a plan is reckoned.
//
// A board carries a set of faults, as probable as the model and the evidence
// make it. Every measurement is taken at most once and shows what the faults
// left show (leaky noisy-MAX). After each repair it is seen whether the board is
// sound; then the job is over. A job also ends by handing over, which costs
// Economy.EscalateCost, or by handing back, which is free where no fault is left
// and otherwise costs what leaving them costs and handing over after all.
// Openings are paid when first needed and stay open.
type PlanOptions struct {
	// MostFaults is the size of the largest set of faults that is held possible,
	// the unmodelled cause included: 0 and 1 mean one at most, the single-fault
	// assumption of the test-sequencing literature.
	MostFaults int
	// CheckMinutes are spent after each repair to see whether the board is sound.
	CheckMinutes float64
	// Tolerance in money, 0 for exactness: a state is not followed where that could
	// lower the expected cost by less.
	Tolerance float64
	// MostStates bounds the work; 0 means four million states.
	MostStates int
}

// Move is one step of a plan: Kind is AdviseMeasure (a Finding), AdviseRepair (a
// Cause), AdviseEscalate or AdviseHandBack.
type Move struct {
	Kind, Finding, Cause string
}

// Plan is what the least expected cost is and how it begins.
type Plan struct {
	Cost float64 // expected money to the end
	// Slack is how much less the least cost may be than Cost; 0 unless a
	// tolerance was given.
	Slack  float64
	First  Move
	States int // states visited
}

// Optimum is the least expected cost that any policy can reach, by a dynamic
// programme over the states of belief: exact, and feasible for small models only.
// A state is the set of results seen so far (with what was repaired before each);
// states that were reached another way are not worked out again, results of
// probability 0 are not followed, and a move that cannot beat the best one found
// even if it told everything is not tried. With one fault, perfect tests and no
// price but the tests' own it is the test-sequencing problem (Pattipati and
// Alexandridis 1990).
//
// Errors: as Advise, and invalid for a model that is too large.
func (m *Model) Optimum(ev []Observation, eco *Economy, st State, opt PlanOptions) (*Plan, error) {
	w, err := m.newWorld(ev, eco, st, opt)
	if err != nil {
		return nil, err
	}
	mass := total(w.start)
	w.near = opt.Tolerance * mass
	value, slack, first := w.solve(w.root())
	if w.spent {
		return nil, problem.New(problem.Invalid, "The exact optimum of this model takes more than %d states; give fewer measurements.", w.most)
	}
	return &Plan{Cost: value / mass, Slack: slack / mass, First: first, States: len(w.memo)}, nil
}

func total(list []float64) float64 {
	s := 0.0
	for _, v := range list {
		s += v
	}
	return s
}

// faults is a set of causes as bits; the bit after the last cause is the
// unmodelled one.
type faults uint32

// world is a small model with its costs, in tables.
type world struct {
	m      *Model
	l      *ledger
	sets   []faults
	at     map[faults]int
	start  []float64 // by set: P(set, E)
	leave  []float64 // by set: money of handing back with it
	single bool
	acts   []plannedAct
	fixes  []plannedFix
	open   []string             // openings by bit
	reopen []float64            // money by bit
	known  map[uint32][]float64 // by openings open, by set: cost where the faults are known
	memo   map[string]worth
	near   float64 // money times probability that is not worth following
	most   int
	spent  bool
}

// plannedAct is a measurement: its own cost, what it opens, and what each set
// makes it show.
type plannedAct struct {
	finding int
	id      string
	own     float64 // money without openings and risk
	hazard  int
	needs   uint32
	p       [][]float64 // by set, by level
}

// plannedFix is a repair.
type plannedFix struct {
	cause int
	own   float64
	needs uint32
}

func (m *Model) newWorld(ev []Observation, eco *Economy, st State, opt PlanOptions) (*world, error) {
	l, err := m.newLedger(eco, st)
	if err != nil {
		return nil, err
	}
	steps, err := m.read(ev)
	if err != nil {
		return nil, err
	}
	if len(st.Confirmed) > 0 {
		return nil, problem.InField("confirmed", "an exact plan starts before a cause is confirmed")
	}
	w := &world{m: m, l: l, at: map[faults]int{}, memo: map[string]worth{}, known: map[uint32][]float64{}, most: opt.MostStates, single: opt.MostFaults <= 1}
	if w.most <= 0 {
		w.most = statesPlanned
	}
	if len(m.causes) > MostPlanned {
		return nil, problem.InField("causes", "%d causes; an exact plan takes at most %d", len(m.causes), MostPlanned)
	}
	w.readOpenings()
	if err := w.readActs(steps, st); err != nil {
		return nil, err
	}
	w.readFixes(opt.CheckMinutes)
	w.enumerate(steps, max(1, opt.MostFaults))
	if total(w.start) <= 0 {
		return nil, m.errImpossible(steps)
	}
	for k := range w.acts {
		for _, s := range w.sets {
			w.acts[k].p = append(w.acts[k].p, w.shown(w.acts[k].finding, s))
		}
	}
	return w, nil
}

func (w *world) readOpenings() {
	for k := range w.l.eco.Openings {
		o := &w.l.eco.Openings[k]
		w.open = append(w.open, o.ID)
		w.reopen = append(w.reopen, w.l.minutesOf(o)*w.l.eco.LabourPerMinute)
	}
}

func (w *world) bitsOf(openings []string) uint32 {
	var b uint32
	for _, id := range openings {
		b |= 1 << slices.Index(w.open, id)
	}
	return b
}

func (w *world) readActs(steps []step, st State) error {
	eco := w.l.eco
	if len(eco.Openings) > 32 {
		return problem.InField("openings", "%d openings; an exact plan takes at most 32", len(eco.Openings))
	}
	for _, a := range eco.Actions {
		j := w.m.findingIndex[a.Finding]
		if slices.ContainsFunc(steps, func(s step) bool { return s.finding == j }) || slices.Contains(st.Unavailable, a.Finding) {
			continue
		}
		w.acts = append(w.acts, plannedAct{finding: j, id: a.Finding, own: a.Minutes * eco.LabourPerMinute, hazard: a.Hazard,
			needs: w.bitsOf(w.l.missing([]string{a.Access}))})
	}
	if len(w.acts) > MostPlanned {
		return problem.InField("actions", "%d measurements; an exact plan takes at most %d", len(w.acts), MostPlanned)
	}
	return nil
}

func (w *world) readFixes(checkMinutes float64) {
	w.fixes = make([]plannedFix, len(w.m.causes))
	for _, r := range w.l.eco.Repairs {
		i := w.m.CauseIndex(r.Cause)
		w.fixes[i] = plannedFix{cause: i, own: (r.Minutes+checkMinutes)*w.l.eco.LabourPerMinute + r.Parts + r.VerifyCost,
			needs: w.bitsOf(w.l.needs[i])}
	}
}

// enumerate lists the possible sets with their joint probability with the
// evidence.
func (w *world) enumerate(steps []step, most int) {
	n := len(w.m.causes)
	for s := faults(0); s < 1<<(n+1); s++ {
		if bits.OnesCount32(uint32(s)) > most {
			continue
		}
		p := w.m.unmodelled
		if s>>n&1 == 0 {
			p = 1 - p
		}
		for i := range w.m.causes {
			if s>>i&1 == 1 {
				p *= w.m.causes[i].Prior
			} else {
				p *= 1 - w.m.causes[i].Prior
			}
		}
		for k := range steps {
			p *= w.likelihood(&steps[k], s)
		}
		w.at[s] = len(w.sets)
		w.sets, w.start = append(w.sets, s), append(w.start, p)
		w.leave = append(w.leave, w.left(s))
	}
}

func (w *world) left(s faults) float64 {
	if s == 0 {
		return 0
	}
	money := w.l.escalate
	for i := range w.m.causes {
		if s>>i&1 == 1 {
			money += w.l.miss[i]
		}
	}
	return money
}

func (w *world) likelihood(st *step, s faults) float64 {
	p, x, from := w.shown(st.finding, s), 0.0, 0
	for t, top := range st.top {
		for ; from <= top; from++ {
			x += st.weight[t] * p[from]
		}
	}
	return x
}

// shown is P(level | these faults) of a finding.
func (w *world) shown(finding int, s faults) []float64 {
	cdf := slices.Clone(w.m.leak[finding].cdf)
	for _, l := range w.m.byFinding[finding] {
		if s>>l.cause&1 == 1 {
			scaleBy(cdf, l.cdf)
		}
	}
	if e := w.m.byUnmodelled[finding]; e.cdf != nil && s>>len(w.m.causes)&1 == 1 {
		scaleBy(cdf, e.cdf)
	}
	for x := len(cdf) - 1; x > 0; x-- {
		cdf[x] -= cdf[x-1]
	}
	return cdf
}

func scaleBy(a, b []float64) {
	for k := range a {
		a[k] *= b[k]
	}
}
