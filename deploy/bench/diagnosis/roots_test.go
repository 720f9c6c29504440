package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// Two roots, one that shows in a symptom which the causes it raises do not touch
// and one that is told at intake.
const twoRoots = `
roots:
  shaken:
    name: Ridden on rough ground
    prior: 0.3
    symptoms: {box_cracked: 0.6}
    raises: {axle_loose: 6, bearing_worn: 0.2, tyre_worn: 3}
  stored:
    name: Stood for months
    prior: 0.1
    exposures: {storage: 0.7, road_salt: 0.05}
    raises: {axle_loose: 2, bearing_corroded: 8}
`

func rootedShop(t *testing.T) *workshop {
	t.Helper()
	lib, issues := faultlib.Load(append(bytes.Clone(firstEdition(t)), twoRoots...))
	if lib == nil {
		t.Fatal(issues)
	}
	w, err := newWorkshop(lib, lib)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// The first edition with its roots, drawn twice.
func TestRootedBoardsAreDrawnFromTheSeed(t *testing.T) {
	t.Parallel()
	w := rootedShop(t)
	shown := 0
	for k := range 60 {
		a, b := w.draw(3, k), w.draw(3, k)
		if fmt.Sprint(*a) != fmt.Sprint(*b) {
			t.Fatalf("board %d differs from itself", k)
		}
		at := w.numbers.at["s:box_cracked"]
		if x := a.shown[at]; x > 0 {
			shown++
			if !slices.Contains(a.roots, "shaken") {
				t.Errorf("board %d shows a root that is not true", k)
			}
			if a.fresh(at, nil) != x || a.level(at, nil) < x {
				t.Errorf("board %d: what a root shows is gone without faults", k)
			}
		}
	}
	if shown == 0 {
		t.Error("no board shows a root")
	}
}

// With one fault on the board, P(state, cause) ∝ P(state)·odds(cause | state)·Π(1 − p | state);
// the draw is compared within four standard errors.
func TestDrawIsTheModelsOwn(t *testing.T) {
	t.Parallel()
	w := rootedShop(t)
	n := w.numbers
	type pair struct{ state, cause int }
	want, sum := map[pair]float64{}, 0.0
	for s, st := range n.states {
		none := st.p
		for _, p := range st.causes {
			none *= 1 - p
		}
		for i, p := range st.causes {
			want[pair{s, i}] = none * p / (1 - p)
			sum += none * p / (1 - p)
		}
	}
	r := rand.New(rand.NewPCG(1, 2))
	got, single := map[pair]int{}, 0
	for range 30000 {
		st, faults := n.drawState(r, nil)
		if len(faults) == 1 {
			single++
			s := slices.IndexFunc(n.states, func(x rootState) bool { return slices.Equal(x.on, st.on) })
			got[pair{s, faults[0]}]++
		}
	}
	if share := float64(single) / 30000; math.Abs(share-0.8) > 0.01 {
		t.Errorf("%.3f of the boards have one fault, want 0.8", share)
	}
	for s := range n.states {
		for _, id := range []string{"axle_loose", "bearing_worn", "tyre_worn", "bearing_corroded"} {
			i := slices.Index(n.ids, id)
			if i < 0 {
				t.Fatal("no cause", id)
			}
			p := want[pair{s, i}] / sum
			seen := float64(got[pair{s, i}]) / float64(single)
			if off := math.Abs(seen - p); off > 4*math.Sqrt(p*(1-p)/float64(single)) {
				t.Errorf("state %d, %s: %.5f, want %.5f", s, id, seen, p)
			}
		}
	}
	// And the causes' shares over all boards are their priors, root or not.
	for i, p := range n.causes {
		all := 0.0
		for _, st := range n.states {
			all += st.p * st.causes[i]
		}
		if math.Abs(all-p) > 1e-12 {
			t.Errorf("%s: %v over all boards, want %v", n.ids[i], all, p)
		}
	}
}

// By Bayes' rule a root has the library's probability where its exposure is told.
func TestExposuresSayWhatTheLibrarySays(t *testing.T) {
	t.Parallel()
	w := rootedShop(t)
	root := w.numbers.roots[1]
	if len(root.exposures) != 2 {
		t.Fatalf("exposures %v", root.exposures)
	}
	total := 0.0
	for k, want := range []float64{0.05, 0.7} { // road_salt, storage: in the order of intake
		e := root.exposures[k]
		p := 0.1 * e.ifTrue
		if got := p / (p + 0.9*e.ifNone); math.Abs(got-want) > 1e-12 {
			t.Errorf("%s says %v, want %v", e.id, got, want)
		}
		total += e.ifTrue
	}
	if total > 1 {
		t.Errorf("exposures of a root that is true sum to %v", total)
	}
	for k := range 80 {
		b := w.draw(4, k)
		j := w.newJob(b, policies()[0])
		for _, r := range j.model.Roots() {
			want := map[string]float64{"shaken": 0.3, "stored": 0.1}[r.ID]
			switch {
			case r.ID == "stored" && slices.Contains(b.exposures, "storage"):
				want = 0.7
			case r.ID == "stored" && slices.Contains(b.exposures, "road_salt"):
				want = 0.05
			}
			if r.Prior != want {
				t.Errorf("board %d told %v: %s has %v, want %v", k, b.exposures, r.ID, r.Prior, want)
			}
		}
	}
}

// The baselines' single-fault beliefs against the engine's exact explanations.
func TestBaselinesKnowRoots(t *testing.T) {
	t.Parallel()
	w := rootedShop(t)
	compared := 0
	for k := range 10 {
		j := w.newJob(w.draw(8, k), policies()[0])
		list, _, err := j.model.Explanations(j.ev, diagnosis.ExplainOptions{MaxCauses: 1, Ratio: 1e-6})
		if err != nil {
			t.Fatal(err)
		}
		first := -1
		for x := range list {
			if len(list[x].Causes) != 1 || w.engine.CauseIndex(list[x].Causes[0]) < 0 {
				continue
			}
			if first < 0 {
				first = x
				continue
			}
			a, b := list[first], list[x]
			got := j.alone(w.engine.CauseIndex(a.Causes[0])) - j.alone(w.engine.CauseIndex(b.Causes[0]))
			if want := math.Log(a.Probability / b.Probability); math.Abs(got-want) > 1e-9 {
				t.Errorf("board %d: %v over %v is %v, want %v", k, a.Causes, b.Causes, got, want)
			}
			compared++
		}
	}
	if compared < 20 {
		t.Errorf("only %d pairs compared", compared)
	}
}

func TestLibrariesMustMatch(t *testing.T) {
	t.Parallel()
	rooted := rootedShop(t).numbers.lib
	shipped, issues := faultlib.Load(faultlib.Embedded())
	if shipped == nil {
		t.Fatal(issues)
	}
	plain := shopOf(t, firstEdition(t)).numbers.lib
	if _, err := newWorkshop(rooted, plain); err != nil {
		t.Error("roots alone may differ:", err)
	}
	plain.Causes = plain.Causes[1:]
	if _, err := newWorkshop(rooted, plain); err == nil {
		t.Error("a library without one of the causes passes")
	}
}

// With the number of faults free, each cause is there as often as its prior says
// among the boards that have any.
func TestFreeBoardsHaveThePriors(t *testing.T) {
	t.Parallel()
	for _, w := range []*workshop{rootedShop(t), shopOf(t, firstEdition(t))} {
		n := w.numbers
		n.free = true
		none := 0.0
		for _, st := range n.states {
			p := st.p
			for _, q := range st.causes {
				p *= 1 - q
			}
			none += p
		}
		if len(n.states) == 0 {
			none = 1
			for _, q := range n.causes {
				none *= 1 - q
			}
		}
		const boards = 20000
		r, count := rand.New(rand.NewPCG(5, 6)), make([]int, len(n.causes))
		for range boards {
			_, faults := n.drawState(r, nil)
			if len(faults) == 0 {
				t.Fatal("a board without a fault")
			}
			for _, i := range faults {
				count[i]++
			}
		}
		for i, p := range n.causes {
			p /= 1 - none
			if got := float64(count[i]) / boards; math.Abs(got-p) > 4.5*math.Sqrt(p*(1-p)/boards) {
				t.Errorf("%s: %v, want %v", n.ids[i], got, p)
			}
		}
	}
}
