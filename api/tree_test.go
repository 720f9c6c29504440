package api_test

import (
	"testing"
)

// TestLibraryTree: the tree over the wire begins with the safety check, and every
// outcome leads to a step that is there. That it says what the diagnosis of a job
// says is checked in shop.
func TestLibraryTree(t *testing.T) {
	t.Parallel()
	b := setup(t)
	r := b.do("GET", v1+"/library/tree?symptoms=short_range,water_history&absent=percent_jumps&facts=motor_plug:external&depth=5", nil, 200)
	steps := r.list("steps")
	if r.text("steps.0.measurement") != "pack_heat_triage" || r.number("depth") != 5 || r.text("expected_cost.currency") != b.shop.Currency {
		t.Errorf("answer %.400s", r.raw)
	}
	repairs := 0
	for _, s := range steps {
		s := s.(map[string]any)
		for _, o := range s["outcomes"].([]any) {
			if n := o.(map[string]any)["step"].(float64); n < 2 || int(n) > len(steps) {
				t.Errorf("an outcome of step %v leads to %v of %d", s["step"], n, len(steps))
			}
		}
		if s["kind"] == "repair" {
			repairs++
			if len(s["prove"].([]any)) == 0 || s["probability"] == nil {
				t.Errorf("repair %v", s)
			}
		}
	}
	if repairs == 0 {
		t.Error("no repair")
	}
	r = b.do("GET", v1+"/library/tree?symptoms=grinding_noise&exposures=rain,storage&depth=2", nil, 200)
	if r.text("symptoms.1.id") != "water_history" || r.text("exposures.0.id") != "rain" || r.text("exposures.1.id") != "storage" || r.text("exposures.0.text") == "" {
		t.Errorf("symptoms %v, exposures %v", r.list("symptoms"), r.list("exposures"))
	}
	again := 0
	for _, s := range b.do("GET", v1+"/library/tree?symptoms=grinding_noise", nil, 200).list("steps") {
		if s := s.(map[string]any); s["again"] == true && s["kind"] == "measure" {
			again++
		}
	}
	if again == 0 {
		t.Error("no second look")
	}
	for _, path := range []string{"?symptoms=short_range&exposures=mud", "?symptoms=short_range&exposures=rain&absent=water_history", "?symptoms=", "?symptoms=no_such_thing", "?symptoms=short_range&depth=0", "?symptoms=short_range&depth=100",
		"?symptoms=short_range&absent=short_range", "?symptoms=short_range&facts=motor_plug", "?symptoms=short_range&facts=moon:full"} {
		b.send("GET", v1+"/library/tree"+path, nil)
		b.refuse("GET", v1+"/library/tree"+path, nil, 400, "")
	}
}

func TestLibraryTestability(t *testing.T) {
	t.Parallel()
	b := setup(t)
	// It is worked out once, here without a request's time limit: with the race
	// detector on a busy machine it takes long.
	if _, err := b.svc.LibraryTestability(t.Context(), b.owner); err != nil {
		t.Fatal(err)
	}
	r := b.do("GET", v1+"/library/testability", nil, 200)
	if d, one := r.number("detected.weighted"), r.number("isolated_to_one.weighted"); !(d > 0.9 && d <= 1 && one > 0.8 && one <= 1) {
		t.Errorf("detected %v, isolated %v", d, one)
	}
	if len(r.list("groups.0.advice")) == 0 || r.number("causes") < 90 {
		t.Errorf("answer %.400s", r.raw)
	}
}
