package learning

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

type dated struct {
	day    float64
	lesson Lesson
}

func stream(t *rapid.T) []dated {
	n := rapid.IntRange(1, 60).Draw(t, "jobs")
	seed := rapid.Uint64().Draw(t, "seed")
	r := rand.New(rand.NewPCG(seed, 7))
	list := make([]dated, n)
	for k := range list {
		l := Lesson{}
		for i := range 5 {
			e := r.Float64()
			l.Causes = append(l.Causes, CauseCount{fmt.Sprint("c", i), e, resolved(e, 0.3), 3*r.Float64() - 0.9})
		}
		for i := range r.IntN(4) {
			a := r.Float64()
			l.Links = append(l.Links, LinkCount{Cause: fmt.Sprint("c", i), Finding: "f", Resolved: a,
				Levels: []LevelCount{{"good", a}, {"open", r.Float64()}}})
		}
		list[k] = dated{20000 + math.Floor(2000*r.Float64()), l}
	}
	return list
}

func sum(list []dated) Totals {
	var t Totals
	for _, d := range list {
		t.Add(d.day, d.lesson)
	}
	return t
}

// The same lessons in another order, and the sum of the definition, give the same
// totals: Σ count·2^(−age/half-life).
func TestTotalsDoNotDependOnTheOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		list := stream(t)
		first := sum(list)
		other := append([]dated(nil), list...)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "shuffle"), 3)).Shuffle(len(other), func(a, b int) { other[a], other[b] = other[b], other[a] })
		second := sum(other)
		if first.AsOf != second.AsOf || first.Jobs != second.Jobs {
			t.Fatalf("as of %v and %v, jobs %d and %d", first.AsOf, second.AsOf, first.Jobs, second.Jobs)
		}
		close := func(what string, a, b float64) {
			if math.Abs(a-b) > 1e-12*math.Max(1, math.Abs(a)) {
				t.Errorf("%s: %.17g and %.17g", what, a, b)
			}
		}
		want := map[string]CauseTotal{}
		for _, d := range list {
			w := math.Pow(0.5, (first.AsOf-d.day)/547.875)
			for _, c := range d.lesson.Causes {
				s := want[c.Cause]
				want[c.Cause] = CauseTotal{s.Present + w*c.Present, s.Jobs + w*(1+c.Extra), s.Resolved + w*c.Resolved}
			}
		}
		for id, a := range first.Causes {
			b := second.Causes[id]
			close(id, a.Present, b.Present)
			close(id+" jobs", a.Jobs, b.Jobs)
			close(id+" resolved", a.Resolved, b.Resolved)
			close(id+" by definition", a.Present, want[id].Present)
			close(id+" jobs by definition", a.Jobs, want[id].Jobs)
		}
		for id, a := range first.Links {
			b := second.Links[id]
			close(id, a.Resolved, b.Resolved)
			for level, n := range a.Levels {
				close(id+level, n, b.Levels[level])
			}
		}
		experts := []Expert{{Cause: "c0", P: []float64{0.1}}, {Cause: "c1", Finding: "f", Levels: []string{"good", "open"}, P: []float64{0.3, 0.7}}}
		x, y := Numbers(experts, first, nil), Numbers(experts, second, nil)
		for k := range x {
			for z := range x[k].Levels {
				close(x[k].Subject, x[k].Levels[z].Learned, y[k].Levels[z].Learned)
			}
		}
	})
}

// Kulhavý and Zarrop 1993: the forgotten distribution is p^λ·p₀^(1−λ), normalised.
// Checked on the densities themselves: the ratio of the two must not depend on θ.
func TestForgettingIsTheGeometricMean(t *testing.T) {
	t.Parallel()
	const mu, days = 0.2, 300.0
	var tot Totals
	for range 7 {
		tot.Add(0, Lesson{Causes: []CauseCount{{Cause: "c", Present: 1, Resolved: 1}}})
	}
	before := distuv.Beta{Alpha: Strength*mu + tot.Causes["c"].Present, Beta: Strength*(1-mu) + tot.Causes["c"].Jobs - tot.Causes["c"].Present}
	prior := distuv.Beta{Alpha: Strength * mu, Beta: Strength * (1 - mu)}
	tot.fade(decay(days))
	after := distuv.Beta{Alpha: Strength*mu + tot.Causes["c"].Present, Beta: Strength*(1-mu) + tot.Causes["c"].Jobs - tot.Causes["c"].Present}
	lambda := math.Pow(2, -days/547.875)
	ratio := func(x float64) float64 {
		return lambda*before.LogProb(x) + (1-lambda)*prior.LogProb(x) - after.LogProb(x)
	}
	for _, x := range []float64{0.01, 0.1, 0.35, 0.6, 0.9} {
		near(t, fmt.Sprint("at ", x), ratio(x), ratio(0.5))
	}
}

func TestAJobCountsHalfAfterEighteenMonths(t *testing.T) {
	t.Parallel()
	var tot Totals
	tot.Add(100, Lesson{Causes: []CauseCount{{Cause: "c", Present: 1, Resolved: 1}}})
	tot.Add(100+547.875, Lesson{})
	near(t, "present", tot.Causes["c"].Present, 0.5)
	near(t, "weight", tot.Weight, 1.5)
	// A late arrival counts by its own day.
	tot.Add(100, Lesson{Causes: []CauseCount{{Cause: "c", Present: 1, Resolved: 1}}})
	near(t, "late", tot.Causes["c"].Present, 1)
}
