package faultlib

import (
	"fmt"
	"math"
	"strconv"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// handModel is the tiny library's model as the file's semantics say it, written
// out by hand and summed over every set of causes: three causes (cable_open,
// sensor_dead, unmodelled), the finding stutters with levels 0 and 1, the finding
// loop with levels 0 (good), 1 (high), 2 (open).
type handModel struct {
	priors   [3]float64
	stutters [4][]float64 // cable_open, sensor_dead, unmodelled, leak
	loop     [4][]float64
}

func newHandModel(floor, unmodelled float64) handModel {
	mix := func(p ...float64) []float64 {
		out := make([]float64, len(p))
		for i := range p {
			out[i] = (1-floor)*p[i] + floor/float64(len(p))
		}
		return out
	}
	return handModel{
		priors:   [3]float64{0.05, 0.02, unmodelled},
		stutters: [4][]float64{mix(0.2, 0.8), mix(0.5, 0.5), mix(0.8, 0.2), mix(0.99, 0.01)},
		loop:     [4][]float64{mix(0.1, 0.2, 0.7), mix(0.6, 0.4, 0), mix(0.8, 0.1, 0.1), mix(0.98, 0.01, 0.01)},
	}
}

func upTo(p []float64, x int) float64 {
	sum := 0.0
	for k := 0; k <= x; k++ {
		sum += p[k]
	}
	return sum
}

// level is P(finding = x | the causes of set, and the leak).
func level(rows [4][]float64, set, x int) float64 {
	cdf := func(x int) float64 {
		if x < 0 {
			return 0
		}
		p := upTo(rows[3], x)
		for i := range 3 {
			if set>>i&1 == 1 {
				p *= upTo(rows[i], x)
			}
		}
		return p
	}
	return cdf(x) - cdf(x-1)
}

// solve sums over the eight sets: P(E), P(each cause, E), P(no fault, E). A level
// of -1 is not observed; like weighs the levels of loop.
func (h handModel) solve(stutters int, like []float64) (pe float64, joint [3]float64, none float64) {
	for set := range 8 {
		p := 1.0
		for i := range 3 {
			if set>>i&1 == 1 {
				p *= h.priors[i]
			} else {
				p *= 1 - h.priors[i]
			}
		}
		if stutters >= 0 {
			p *= level(h.stutters, set, stutters)
		}
		if like != nil {
			sum := 0.0
			for x, w := range like {
				sum += w * level(h.loop, set, x)
			}
			p *= sum
		}
		pe += p
		for i := range 3 {
			if set>>i&1 == 1 {
				joint[i] += p
			}
		}
		if set == 0 {
			none = p
		}
	}
	return pe, joint, none
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-12*math.Max(1, math.Abs(want))) {
		t.Errorf("%s = %.17g, expected %.17g", what, got, want)
	}
}

func TestModelAgainstHand(t *testing.T) {
	t.Parallel()
	for _, floor := range []float64{0, 0.001, 0.05} {
		for _, unmodelled := range []float64{0, 0.02} {
			lib := mustLoad(t, tinyWith(fmt.Sprint(floor), fmt.Sprint(unmodelled)))
			hand := newHandModel(floor, unmodelled)
			model, err := lib.Model(ModelContext{})
			if err != nil {
				t.Fatal(err)
			}
			for s := -1; s <= 1; s++ {
				for name, like := range map[string]map[string]float64{"not taken": nil, "open": {"open": 1}, "high": {"high": 1}, "good": {"good": 1},
					"on the edge": {"high": 0.3, "good": 0.7}} {
					var ev []diagnosis.Observation
					var levels []float64
					if s >= 0 {
						o, err := lib.ObserveSymptom("stutters", s == 1)
						if err != nil {
							t.Fatal(err)
						}
						ev = append(ev, o)
					}
					if like != nil {
						o, err := lib.ObserveLikelihood("loop", like)
						if err != nil {
							t.Fatal(err)
						}
						ev = append(ev, o)
						levels = []float64{like["good"], like["high"], like["open"]}
					}
					post, err := model.Infer(ev)
					if err != nil {
						t.Fatal(err)
					}
					pe, joint, none := hand.solve(s, levels)
					at := fmt.Sprintf("floor %v, unmodelled %v, stutters %d, loop %s: ", floor, unmodelled, s, name)
					near(t, at+"P(E)", post.PEvidence, pe)
					near(t, at+"cable_open", post.Marginals[model.CauseIndex("cable_open")], joint[0]/pe)
					near(t, at+"sensor_dead", post.Marginals[model.CauseIndex("sensor_dead")], joint[1]/pe)
					near(t, at+"unmodelled", post.Unmodelled, joint[2]/pe)
					near(t, at+"no fault", post.NoFault, none/pe)
				}
			}
		}
	}
}

// TestModelByHand is one number worked out on paper (D): floor 0, nothing
// unmodelled, the loop open. P(open | D) is 1 minus the product of the F(high):
// leak 0.99, cable_open 0.3, sensor_dead 1.
//
//	P(E) = 0.95·(1-0.99) + 0.05·(1-0.99·0.3) = 0.0095 + 0.03515 = 0.04465
//	P(cable_open | E) = 0.03515 / 0.04465
func TestModelByHand(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0", "0"))
	model, err := lib.Model(ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	o, err := lib.ObserveOutcome("loop", "open")
	if err != nil {
		t.Fatal(err)
	}
	post, err := model.Infer([]diagnosis.Observation{o})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "P(E)", post.PEvidence, 0.04465)
	near(t, "cable_open", post.Marginals[0], 0.03515/0.04465)
	near(t, "sensor_dead", post.Marginals[1], 0.02)
}

func TestPriorsOverride(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0", "0.02"))
	model, err := lib.Model(ModelContext{Priors: map[string]float64{"cable_open": 0.4, diagnosis.UnmodelledID: 0.1}})
	if err != nil {
		t.Fatal(err)
	}
	post, err := model.Infer(nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "cable_open", post.Marginals[0], 0.4)
	near(t, "unmodelled", post.Unmodelled, 0.1)
	near(t, "no fault", post.NoFault, 0.6*0.98*0.9)
	_, err = lib.Model(ModelContext{Priors: map[string]float64{"cable": 0.4, "sensor_dead": 1.5}})
	if p := problem.As(err); p == nil || len(p.Fields) != 2 || p.Fields[0].Field != "priors.cable" || p.Fields[1].Field != "priors.sensor_dead" {
		t.Errorf("error %v", err)
	}
}

// TestSeveralNormalOutcomes: a hall sequence is valid in either direction, and
// both are the lowest level.
func TestSeveralNormalOutcomes(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	m := lib.Measurement("hall_sequence")
	if m.Levels != 8 {
		t.Fatalf("%d levels, expected 7 abnormal and one normal", m.Levels)
	}
	forward, err := lib.ObserveOutcome("hall_sequence", "valid_forward")
	if err != nil {
		t.Fatal(err)
	}
	reverse, err := lib.ObserveOutcome("hall_sequence", "valid_reverse")
	if err != nil {
		t.Fatal(err)
	}
	if forward.Level != 0 || reverse.Level != 0 {
		t.Errorf("levels %d and %d", forward.Level, reverse.Level)
	}
	top, err := lib.ObserveOutcome("hall_sequence", "no_change")
	if err != nil || top.Level != 7 {
		t.Errorf("no_change at level %d (%v)", top.Level, err)
	}
	soft, err := lib.ObserveLikelihood("hall_sequence", map[string]float64{"valid_forward": 0.5, "valid_reverse": 0.5})
	if err != nil || soft.Likelihood != nil || soft.Level != 0 {
		t.Errorf("both normal outcomes give %+v (%v)", soft, err)
	}
	levels := make([]float64, 8)
	levels[0], levels[7] = 0.6, 0.4
	for _, o := range m.OutcomeProbabilities(levels) {
		want := map[string]float64{"valid_forward": 0.3, "valid_reverse": 0.3, "no_change": 0.4}[o.ID]
		if o.Probability != want {
			t.Errorf("%s %v, expected %v", o.ID, o.Probability, want)
		}
	}
	// A verification that names one accepts both.
	for _, c := range lib.VerifyFor("hall_signal_open") {
		if c.Measurement == "hall_sequence" && len(c.Outcomes) != 2 {
			t.Errorf("verified by %v", c.Outcomes)
		}
	}
}

func TestObserveErrors(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0", "0"))
	for i, c := range []struct {
		field string
		try   func() error
	}{
		{"symptom", func() error { _, err := lib.ObserveSymptom("x", true); return err }},
		{"measurement", func() error { _, err := lib.ObserveOutcome("x", "open"); return err }},
		{"outcome", func() error { _, err := lib.ObserveOutcome("loop", "x"); return err }},
		{"measurement", func() error { _, err := lib.ObserveLikelihood("x", nil); return err }},
		{"likelihood", func() error { _, err := lib.ObserveLikelihood("loop", nil); return err }},
		{"likelihood.x", func() error { _, err := lib.ObserveLikelihood("loop", map[string]float64{"x": 1}); return err }},
		{"likelihood.open", func() error {
			_, err := lib.ObserveLikelihood("loop", map[string]float64{"open": math.NaN()})
			return err
		}},
	} {
		t.Run(strconv.Itoa(i), func(t *testing.T) {
			t.Parallel()
			if p := problem.As(c.try()); p == nil || p.Code != problem.Invalid || p.Fields[0].Field != c.field {
				t.Errorf("error %v, expected the field %s", p, c.field)
			}
		})
	}
}
