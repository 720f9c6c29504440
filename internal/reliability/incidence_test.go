package reliability

import (
	"fmt"
	"math"
	"testing"
)

func TestIncidenceAgreesWithR(t *testing.T) {
	t.Parallel()
	// survfit of a state factor gives the infinitesimal jackknife error, which for
	// this model is the multinomial one of Greenwood's kind.
	ref := readReference(t)
	for name, tc := range map[string]struct {
		entry []float64
		want  refIncidence
	}{
		"from new":       {nil, ref.IncidenceFromNew},
		"left truncated": {ref.Fleet.Entry, ref.IncidenceFleet},
	} {
		got, err := mustLife(t, Columns{Time: ref.Fleet.Time, Event: ref.Fleet.Mode, Entry: tc.entry}).AalenJohansen(.95)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Time) != len(tc.want.Time) || len(got.Modes) != 3 {
			t.Fatalf("%s: %d rows of %d modes, want %d of 3", name, len(got.Time), len(got.Modes), len(tc.want.Time))
		}
		for k, m := range got.Modes {
			for i, at := range got.Time {
				what := fmt.Sprintf("%s: mode %d at %v", name, m.Mode, at)
				near(t, what, m.Incidence[i], tc.want.Incidence[k][i], 1e-12)
				near(t, what+": se", m.SE[i], tc.want.SE[k][i], 1e-12)
			}
		}
	}
}

func TestIncidenceAddsUp(t *testing.T) {
	t.Parallel()
	ref := readReference(t)
	l := mustLife(t, Columns{Time: ref.Fleet.Time, Event: ref.Fleet.Mode, Entry: ref.Fleet.Entry})
	got, _ := l.AalenJohansen(.95)
	km, _ := l.KaplanMeier(.95)
	failures := 0
	for _, m := range got.Modes {
		failures += m.Failures
	}
	if failures != l.Failures() {
		t.Errorf("%d failures by mode, %d in all", failures, l.Failures())
	}
	for i := range got.Time {
		sum := got.Survival[i]
		for _, m := range got.Modes {
			sum += m.Incidence[i]
		}
		near(t, "all together", sum, 1, 1e-12)
		near(t, "survival", got.Survival[i], km.Survival[i], 1e-12)
	}
}

// TestOneModeIsKaplanMeier: with one mode, incidence is what has not survived, its
// error Greenwood's, and its bounds the log-log ones turned over.
func TestOneModeIsKaplanMeier(t *testing.T) {
	t.Parallel()
	l := mustLife(t, gehan6MP)
	got, _ := l.AalenJohansen(.95)
	km, _ := l.KaplanMeier(.95)
	for i := range got.Time {
		near(t, "incidence", got.Modes[0].Incidence[i], 1-km.Survival[i], 1e-13)
		near(t, "se", got.Modes[0].SE[i], km.SE[i], 1e-13)
		near(t, "lower", got.Modes[0].Lower[i], 1-km.Upper[i], 1e-13)
		near(t, "upper", got.Modes[0].Upper[i], 1-km.Lower[i], 1e-13)
	}
}

// TestCauseSpecificCurvesOverstate by hand: of four items one fails of mode 1 at 1,
// one of mode 2 at 2, one of mode 1 at 3, one is censored at 4. The share that failed
// of mode 1 is 1/4 + 2/4·1/2 = 1/2; with mode 2 as censored it would be 1 − 3/4·1/2.
func TestCauseSpecificCurvesOverstate(t *testing.T) {
	t.Parallel()
	got, _ := mustLife(t, Columns{Time: []float64{1, 2, 3, 4}, Event: []int{1, 2, 1, 0}}).AalenJohansen(.95)
	km, _ := mustLife(t, Columns{Time: []float64{1, 2, 3, 4}, Event: []int{1, 0, 1, 0}}).KaplanMeier(.95)
	near(t, "incidence of mode 1", got.Modes[0].Incidence[2], .5, 1e-15)
	near(t, "incidence of mode 2", got.Modes[1].Incidence[2], .25, 1e-15)
	near(t, "mode 1 alone", 1-km.Survival[1], .625, 1e-15)
	if !math.IsNaN(got.Modes[1].Lower[0]) {
		t.Error("a mode that has not come up yet has no bounds")
	}
}
