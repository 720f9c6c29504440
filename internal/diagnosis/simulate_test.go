package diagnosis

import (
	"math/rand/v2"
	"sort"
	"testing"
)

// shopFloor simulates boards drawn from the model and works them off by a
// policy: the consistency of the engine with its own numbers, not its truth.
type shopFloor struct {
	spec   Spec
	m      *Model
	eco    *Economy
	r      *rand.Rand
	choose func(*Advice) (finding, cause string) // nil: follow the advice
	rule   Policy
}

// handOver is the money lost on a board that is not repaired.
const handOver = 400

type tally struct {
	boards, firstRight, solved, tests int
	money                             float64
}

func (t *tally) add(o tally) {
	t.boards += o.boards
	t.firstRight += o.firstRight
	t.solved += o.solved
	t.tests += o.tests
	t.money += o.money
}

// truth draws one fault in 80 %, two in 17 %, three in 3 % of the boards.
func (f *shopFloor) truth() map[int]bool {
	n := 1
	if u := f.r.Float64(); u > 0.97 {
		n = 3
	} else if u > 0.8 {
		n = 2
	}
	sum := 0.0
	for _, c := range f.spec.Causes {
		sum += c.Prior
	}
	set := make(map[int]bool)
	for len(set) < n {
		u := f.r.Float64() * sum
		for i, c := range f.spec.Causes {
			if u -= c.Prior; u < 0 {
				set[i] = true
				break
			}
		}
	}
	return set
}

// level draws what a finding shows; one reading in fifty is misread.
func (f *shopFloor) level(j int, truth map[int]bool, misread float64) int {
	draw := func(e effect) int {
		u := f.r.Float64()
		for k, c := range e.cdf {
			if u < c {
				return k
			}
		}
		return len(e.cdf) - 1
	}
	x := draw(f.m.leak[j])
	for _, l := range f.m.byFinding[j] {
		if truth[l.cause] {
			x = max(x, draw(l.effect))
		}
	}
	if f.r.Float64() < misread {
		x = f.r.IntN(len(f.m.leak[j].cdf))
	}
	return x
}

// complaint is what the owner reports: up to five symptoms that are present.
func (f *shopFloor) complaint(symptoms []int, truth map[int]bool) []Observation {
	var ev []Observation
	for _, j := range symptoms {
		if f.level(j, truth, 0) > 0 && len(ev) < 5 {
			ev = append(ev, Observation{Finding: f.spec.Findings[j].ID, Level: 1})
		}
	}
	return ev
}

// board works one board off and returns what it took.
func (f *shopFloor) board(t testing.TB, symptoms []int) tally {
	truth := f.truth()
	ev := f.complaint(symptoms, truth)
	for len(ev) == 0 {
		truth = f.truth()
		ev = f.complaint(symptoms, truth)
	}
	var st State
	out := tally{boards: 1}
	m := f.m
	repairs := 0
	for range 80 {
		adv, err := m.AdviseBy(ev, f.eco, st, f.rule)
		if err != nil {
			t.Fatal(err)
		}
		finding, cause := adv.Finding, adv.Cause
		if f.choose != nil {
			finding, cause = f.choose(adv)
		}
		if finding != "" {
			for _, c := range adv.Candidates {
				if c.Finding == finding {
					out.money += c.Cost
					st.Open = append(st.Open, c.Access...)
				}
			}
			out.tests++
			ev = append(ev, Observation{Finding: finding, Level: f.level(f.m.findingIndex[finding], truth, 0.02)})
			continue
		}
		if cause == "" {
			break
		}
		i := m.CauseIndex(cause)
		for _, r := range f.eco.Repairs {
			if r.Cause == cause {
				out.money += r.Minutes*f.eco.LabourPerMinute + r.Parts + r.VerifyCost
			}
		}
		if repairs++; repairs == 1 && truth[i] {
			out.firstRight++
		}
		// What was repaired is proven, so that it is ruled out.
		if m, err = m.WithPriors(map[string]float64{cause: 0}); err != nil {
			t.Fatal(err)
		}
		if truth[i] {
			delete(truth, i)
			if len(truth) == 0 {
				out.solved++
				return out
			}
			ev = f.afterRepair(ev, i, truth)
		}
	}
	out.money += handOver
	return out
}

// afterRepair takes again the findings that the repaired cause had touched.
func (f *shopFloor) afterRepair(ev []Observation, repaired int, truth map[int]bool) []Observation {
	linked := make(map[int]bool)
	for _, l := range f.m.byCause[repaired] {
		linked[l.finding] = true
	}
	var kept []Observation
	for _, o := range ev {
		if j := f.m.findingIndex[o.Finding]; linked[j] {
			o.Level = f.level(j, truth, 0)
		}
		kept = append(kept, o)
	}
	return kept
}

func cheapestFirst(adv *Advice) (string, string) {
	if adv.Kind != AdviseMeasure {
		return adv.Finding, adv.Cause
	}
	list := append([]Candidate(nil), adv.Candidates...)
	sort.SliceStable(list, func(a, b int) bool { return list[a].Cost < list[b].Cost })
	return list[0].Finding, ""
}

// simulate runs each policy on boards drawn from one seed and logs the table.
func simulate(t testing.TB, spec Spec, eco *Economy, symptoms []int, boards int) map[string]tally {
	m, err := New(spec)
	if err != nil {
		t.Fatal(err)
	}
	result := make(map[string]tally)
	for _, p := range []struct {
		name   string
		rule   Policy
		choose func(*Advice) (string, string)
	}{
		{"expected loss", ByLoss, nil},
		{"repair cost", ByRepairCost, nil},
		{"cheapest first", ByLoss, cheapestFirst},
	} {
		f := &shopFloor{spec: spec, m: m, eco: eco, r: rand.New(rand.NewPCG(7, 11)), rule: p.rule, choose: p.choose}
		var sum tally
		for range boards {
			sum.add(f.board(t, symptoms))
		}
		result[p.name] = sum
		n := float64(boards)
		t.Logf("%-16s first repair right %5.1f %%, solved %5.1f %%, tests %5.2f, money %7.1f", p.name,
			100*float64(sum.firstRight)/n, 100*float64(sum.solved)/n, float64(sum.tests)/n, sum.money/n)
	}
	return result
}

// The policy that ships must repair the right cause first on four boards of
// five, with one reading in fifty misread, and of the policies that do it must
// cost least. (Ranking by one step of ECR hands over some four boards in ten
// here: with several suspects no single measurement changes the first repair,
// so none seems to pay. What that costs depends on the price of handing over.)
func TestShippedPolicyWins(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("simulates 240 boards")
	}
	spec, eco := synthetic(80, 30, 60)
	eco.EscalateCost = handOver
	symptoms := make([]int, 30)
	for j := range symptoms {
		symptoms[j] = j
	}
	result := simulate(t, spec, eco, symptoms, 80)
	shipped := result["expected loss"]
	good := func(o tally) bool { return 10*o.firstRight >= 8*o.boards }
	if !good(shipped) {
		t.Errorf("the first repair is right on %d of %d boards, less than 80 %%", shipped.firstRight, shipped.boards)
	}
	for _, other := range []string{"repair cost", "cheapest first"} {
		if o := result[other]; good(o) && o.money < shipped.money {
			t.Errorf("expected loss costs %.0f for %d boards, %s %.0f", shipped.money, shipped.boards, other, o.money)
		}
	}
}
