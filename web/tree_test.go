package web

import (
	"context"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// LibraryTree answers a small invented tree: a gate with a stop, a measurement
// whose outcomes lead to a repair, and one place that two ways lead to.
func (s *fakeShop) LibraryTree(_ context.Context, _ shop.Actor, in shop.TreeInput) (shop.Tree, error) {
	if err := s.write(in); err != nil {
		return shop.Tree{}, err
	}
	result := func(id, text string, normal bool) []shop.TreeResult {
		return []shop.TreeResult{{ID: id, Text: text, Normal: normal}}
	}
	proof := shop.TreeProof{Measurement: "interbox_visual", Name: "Power connector between boxes, both halves", Outcomes: result("clean", "clean and dry", true)}
	ride := shop.TreeProof{Measurement: "phase_resistance_3", Name: "Three phase-to-phase resistances", Outcomes: result("balanced", "balanced", true), When: "any box was opened", Always: true}
	return shop.Tree{Edition: 1, SHA256: sampleLibrary().SHA256, Version: 1, Date: "2026-05-20", Depth: 8, Currency: "EUR", LabourPerHour: 6000,
		Symptoms:  []shop.TreeSymptom{{ID: "sudden_cutoff", Text: "Power cut without warning while riding", Present: true}, {ID: "water_history", Text: "Was ridden in water", Present: false}},
		Facts:     []shop.TreeFact{{ID: "motor_plug", Value: "external", Text: "Is the motor plug inside a box or outside?"}},
		Exposures: []shop.TreeExposure{{ID: "rain", Text: "Ridden in rain or on wet ground"}},
		Places:    7, ExpectedCost: 51200, ExpectedMinutes: 140, LiveCost: 46800, Method: "Costs are reckoned so.", Notes: []string{"Begin with the board closed."},
		Steps: []shop.TreeStep{
			{Step: 1, Kind: "measure", Measurement: "phase_resistance_3", Name: "Three phase-to-phase resistances", Text: "Before everything else.", Reach: 1, Minutes: 6, Hazard: 2, HazardName: "moderate",
				Cautions: []string{"Wheel still."}, Open: []shop.TreeOpening{{ID: "motor_box_open", Name: "motor box open", Sealed: true}}, Outcomes: []shop.TreeOutcome{
					{Outcomes: result("one_open", "one phase open", false), Probability: 0.01, Step: 2}, {Outcomes: result("balanced", "balanced", true), Probability: 0.99, Step: 3}}},
			{Step: 2, Kind: "stop", Name: "Stop", Text: "Guided diagnosis ends here.", Reach: 0.01, Hazard: 4, HazardName: "stop"},
			{Step: 3, Kind: "measure", Measurement: "interbox_visual", Name: "Power connector between boxes, both halves", Again: true, Text: "Take it again: it fits badly.", Reach: 0.99, Minutes: 13, Hazard: 2, HazardName: "moderate",
				Outcomes: []shop.TreeOutcome{{Outcomes: result("soot", "arc pitting", false), Probability: 0.4, Step: 4}, {Outcomes: result("pin_damaged", "pin bent", false), Probability: 0.1, Step: 4},
					{Outcomes: result("clean", "clean and dry", true), Probability: 0.5, Step: 5}}},
			{Step: 4, Kind: "repair", Cause: "interbox_pin_burned", Name: "Contact burnt in the power connector", Text: "Repair this.", Reach: 0.5, Ways: 2, Probability: 0.93, Hazard: 3, HazardName: "high",
				Cautions: []string{"Open or live lithium pack."}, Repair: "Replace both halves.", Parts: []string{"connector pair"}, Prove: []shop.TreeProof{proof, ride}},
			{Step: 5, Kind: "continue", Name: "Continue live", Text: "Record what was measured in a job.", Reach: 0.5},
		}}, nil
}

func (s *fakeShop) LibraryTestability(context.Context, shop.Actor) (shop.Testability, error) {
	refs := func(n ...string) (out []shop.TestabilityRef) {
		for _, x := range n {
			out = append(out, shop.TestabilityRef{ID: x, Name: strings.ReplaceAll(x, "_", " ")})
		}
		return out
	}
	return shop.Testability{Edition: 1, Version: 1, Learned: true, Causes: 97, Measurements: 83, Boards: 97, Method: "One fault at a time.",
		Detected: shop.TestabilityShare{Weighted: 0.997, Unweighted: 0.99}, Undetected: refs("switch_shorted"),
		Groups: []shop.TestabilityGroup{{Causes: refs("hall_dead", "hall_wire_open"), Prior: 0.03, Advice: []string{"Substitute the sensor."}}},
		Pairs:  []shop.TestabilityPair{{A: refs("bearing_worn")[0], B: refs("bearing_wet")[0], Symptom: &refs("ridden in water")[0], Nearest: &refs("bearing_play")[0]}},
		Masked: []shop.TestabilityMasked{{Cause: refs("tyre_worn")[0], By: refs("tyre_leaks")}, {Cause: refs("light_fault")[0], By: refs("a", "b", "c", "d", "e")}},
		Idle:   []shop.TestabilityIdle{{TestabilityRef: refs("bus_voltage")[0], Pays: true, Needed: []string{"must hold before: touch"}}, {TestabilityRef: refs("baud")[0]}}}, nil
}

// The form's long address becomes a short one that can be kept; the page shows
// every step once, with its cautions, and refers to it everywhere else.
func TestTreePage(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	a := c.get("/library/tree")
	checkPage(t, a)
	if len(a.nodes("article.tree-step")) != 0 || len(a.nodes("fieldset.symptom")) != len(sampleLibrary().Symptoms) {
		t.Fatalf("the empty form shows %d steps and %d symptoms", len(a.nodes("article.tree-step")), len(a.nodes("fieldset.symptom")))
	}
	a = c.get("/library/tree?" + url.Values{"s.sudden_cutoff": {"present"}, "s.water_history": {"absent"}, "s.stutter_at_start": {""}, "exposures": {"rain", "crash"}, "fact.motor_plug": {"external"}, "depth": {"5"}}.Encode())
	want := "/library/tree?absent=water_history&depth=5&exposures=rain,crash&fact.motor_plug=external&symptoms=sudden_cutoff"
	if a.Code != http.StatusSeeOther || a.Header.Get("Location") != want {
		t.Fatalf("status %d to %q, want %q", a.Code, a.Header.Get("Location"), want)
	}
	a = c.get(want)
	checkPage(t, a)
	in := svc.calls[len(svc.calls)-1].(shop.TreeInput)
	if !equal(in, shop.TreeInput{Symptoms: []string{"sudden_cutoff"}, Absent: []string{"water_history"}, Exposures: []string{"rain", "crash"}, Facts: map[string]string{"motor_plug": "external"}, Depth: ref(5)}) {
		t.Errorf("asked for %+v", in)
	}
	for n := 1; n <= 5; n++ {
		if len(a.nodes("article#step-"+strconv.Itoa(n))) != 1 {
			t.Errorf("step %d stands %d times", n, len(a.nodes("article#step-"+strconv.Itoa(n))))
		}
	}
	if got := a.one("a.tree-see"); got != "go to step 4" {
		t.Errorf("the second way to step 4 reads %q", got)
	}
	if got := text(a.nodes("article#step-4")[0]); !strings.Contains(got, "Open or live lithium pack.") || !strings.Contains(got, "must come out as “clean and dry”") || strings.Contains(got, "any box was opened") {
		t.Errorf("the repair reads %q", got)
	}
	if got := a.one("section.hand-back"); !strings.Contains(got, "any box was opened") {
		t.Errorf("the hand-back reads %q", got)
	}
	if got := text(a.nodes("article#step-3")[0]); !strings.Contains(got, "Take it again: it fits badly.") || !strings.Contains(got, "Again: Power connector") {
		t.Errorf("the second look reads %q", got)
	}
	if len(a.nodes("input[name=exposures][checked]")) != 2 || !strings.Contains(a.one("section.tree-head"), "Use: Ridden in rain") {
		t.Error("how the board was used is not kept or not said")
	}
	if attr(a.nodes("input[name=s.sudden_cutoff]")[0], "value") != "present" || len(a.nodes("details.group[open]")) == 0 {
		t.Error("what was chosen is not kept in the form")
	}
}

// A mistake comes back beside the form with what was chosen.
func TestTreePageRefuses(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	svc.fail = problem.InField("symptoms", "there is no symptom %q in this library; the nearest are sudden_cutoff", "sudden")
	a := c.get("/library/tree?symptoms=sudden")
	checkPage(t, a)
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.Body, "the nearest are sudden_cutoff") || len(a.nodes("article.tree-step")) != 0 {
		t.Errorf("status %d\n%s", a.Code, a.Body)
	}
	svc.fail = nil
	if a = c.get("/library/tree?symptoms=sudden_cutoff&depth=deep"); svc.calls[len(svc.calls)-1].(shop.TreeInput).Depth == nil {
		t.Errorf("a depth in words is taken for none: status %d", a.Code)
	}
}

func TestTestabilityPage(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	a := c.get("/library/testability")
	checkPage(t, a)
	for _, want := range []string{"hall dead", "Substitute the sensor.", "what the owner says does: ridden in water", "hidden by 5 causes", "it never saved what it costs", "it must hold before: touch", "with the numbers this shop has learned"} {
		if !strings.Contains(a.Body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if a = c.get("/library"); len(a.nodes("a[href=/library/tree]")) != 1 || len(a.nodes("a[href=/library/testability]")) != 1 {
		t.Error("the library page does not lead there")
	}
}

// The tree of the shipped library through the real use cases: every step once, in
// the order of the numbers. NEXTPROBE_PAGES writes it to be looked at.
func TestTreeOfTheRealShop(t *testing.T) {
	t.Parallel()
	_, _, c := atRealShop(t)
	a := c.get("/library/tree?symptoms=cutoff_under_load")
	checkPage(t, a)
	steps := a.nodes("article.tree-step")
	for i, s := range steps {
		if attr(s, "id") != "step-"+strconv.Itoa(i+1) {
			t.Fatalf("%s stands at place %d", attr(s, "id"), i+1)
		}
	}
	if len(steps) < 20 {
		t.Fatalf("%d steps", len(steps))
	}
	told := c.get("/library/testability")
	checkPage(t, told)
	if dir := os.Getenv("NEXTPROBE_PAGES"); dir != "" {
		for name, body := range map[string]string{"tree-real": a.Body, "testability-real": told.Body, "tree-form": c.get("/library/tree").Body} {
			if err := os.WriteFile(filepath.Join(dir, name+".html"), []byte(strings.ReplaceAll(body, `"/static/`, `"static/`)), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}
