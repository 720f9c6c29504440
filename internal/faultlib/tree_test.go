package faultlib

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

func request(symptoms ...string) TreeRequest {
	return TreeRequest{Present: symptoms, Depth: diagnosis.DefaultTreeDepth, LabourPerHour: 6000}
}

func compileTree(t *testing.T, lib *Library, req TreeRequest) *diagnosis.Tree {
	t.Helper()
	tree, err := lib.CompileTree(req)
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

// Every tree of the shipped library begins with the safety gate, whose stops are
// leaves, and ends in decisions that the library can word.
func TestTreeOfTheShippedLibrary(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	for _, symptoms := range [][]string{{"cutoff_under_load"}, {"no_charge_led_green"}, {"stutter_at_start", "water_history"}, {"short_range", "percent_jumps"}} {
		tree := compileTree(t, lib, request(symptoms...))
		t.Logf("%v: %d nodes of %d places, depth %d, work %d, cost %.0f, live %.0f", symptoms, len(tree.Nodes), tree.Places, tree.Depth, tree.Work, tree.Nodes[0].Cost, tree.Live)
		root := tree.Nodes[0]
		if root.Finding != MeasurementFinding("pack_heat_triage") || !root.Gate {
			t.Fatalf("%v begins with %+v", symptoms, root)
		}
		stops := 0
		for _, b := range root.Branches {
			if tree.Nodes[b.Node].Kind == diagnosis.TreeStop {
				stops += len(b.Levels)
			}
		}
		if stops != 2 {
			t.Errorf("%v: %d outcomes of the gate stop, want hot and warming", symptoms, stops)
		}
		reach, repairs := 0.0, 0
		for k, n := range tree.Nodes {
			if k > 0 && n.Gate {
				t.Errorf("%v: a second gate %+v", symptoms, n)
			}
			if len(n.Branches) == 0 {
				reach += n.Reach
			}
			if n.Kind == diagnosis.AdviseRepair {
				repairs++
				if len(lib.VerifyFor(n.Cause)) == 0 {
					t.Errorf("%v: nothing proves the repair of %s", symptoms, n.Cause)
				}
			}
			if n.Cut == diagnosis.CutWork || tree.Cut {
				t.Errorf("%v: cut", symptoms)
			}
		}
		if reach < 1-1e-9 || reach > 1+1e-9 || repairs < 3 {
			t.Errorf("%v: leaves sum to %v, %d repairs", symptoms, reach, repairs)
		}
	}
}

// A symptom that is a stop sign leaves nothing to measure.
func TestTreeOfAStopSign(t *testing.T) {
	t.Parallel()
	tree := compileTree(t, embeddedLibrary(t), request("short_range", "smoke_or_hiss"))
	if len(tree.Nodes) != 1 || tree.Nodes[0].Kind != diagnosis.TreeStop {
		t.Errorf("%+v", tree.Nodes)
	}
}

// Facts of the board change what must be opened.
func TestTreeKnowsTheBoard(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0.001", "0.02"))
	inside := compileTree(t, lib, request("stutters"))
	req := request("stutters")
	req.Facts = map[string]string{"plug": "outside"}
	outside := compileTree(t, lib, req)
	if got := outside.Nodes[0].Access; !slices.Equal(got, []string{"plug_parted"}) {
		t.Errorf("with the plug outside the first step opens %v", got)
	}
	if got := inside.Nodes[0].Access; inside.Nodes[0].Kind == diagnosis.AdviseMeasure && !slices.Equal(got, []string{"plug_parted", "box_open"}) {
		t.Errorf("with the plug inside the first step opens %v", got)
	}
}

// An exposure brings its symptom, as at intake, and makes the roots that name it
// more probable.
func TestTreeKnowsExposures(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	req := request("stutter_at_start")
	req.Depth, req.Exposures = 3, []string{"rain"}
	said := request("stutter_at_start", "water_history")
	said.Depth = 3
	given, named := compileTree(t, lib, req), compileTree(t, lib, said)
	if len(lib.RootPriors(req.Exposures)) == 0 && !reflect.DeepEqual(given, named) {
		t.Error("without roots an exposure says something else than its symptom")
	}
	req.Present = []string{"stutter_at_start", "water_history"}
	if both := compileTree(t, lib, req); !reflect.DeepEqual(given, both) {
		t.Error("a symptom that is told and brought counts twice")
	}
	plain := request("stutter_at_start")
	plain.Depth = 3
	if reflect.DeepEqual(given, compileTree(t, lib, plain)) {
		t.Error("the exposure changes nothing")
	}
	req = request()
	req.Depth, req.Exposures = 3, []string{"crash"}
	if tree := compileTree(t, lib, req); len(tree.Nodes) < 5 {
		t.Errorf("an exposure alone gives %d steps", len(tree.Nodes))
	}
}

func TestTreeRequestRefused(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	many := make([]string, 0, 9)
	for i := range 9 {
		many = append(many, lib.Symptoms[i].ID)
	}
	for _, tc := range []struct {
		name, field, says string
		change            func(*TreeRequest)
	}{
		{"no symptom", "symptoms", "at least one", func(r *TreeRequest) { r.Present = nil }},
		{"only absent ones", "symptoms", "at least one", func(r *TreeRequest) { r.Present, r.Absent = nil, []string{"short_range"} }},
		{"a misspelt one", "symptoms", "cutoff_under_load", func(r *TreeRequest) { r.Present = []string{"cutof_underload"} }},
		{"one by another name", "symptoms", "charge_port_hot", func(r *TreeRequest) { r.Present = []string{"port_hot"} }},
		{"a piece of one", "symptoms", "cutoff_under_load", func(r *TreeRequest) { r.Present = []string{"cutof"} }},
		{"an unknown absent one", "absent", `"zzz"`, func(r *TreeRequest) { r.Absent = []string{"zzz"} }},
		{"twice", "symptoms", "twice", func(r *TreeRequest) { r.Present = []string{"short_range", "short_range"} }},
		{"present and absent", "absent", "twice", func(r *TreeRequest) { r.Absent = []string{"short_range"} }},
		{"too many", "symptoms", "at most 8", func(r *TreeRequest) { r.Present = many }},
		{"depth 0", "depth", "1 to 12", func(r *TreeRequest) { r.Depth = 0 }},
		{"depth 100", "depth", "1 to 12", func(r *TreeRequest) { r.Depth = 100 }},
		{"an unknown exposure", "exposures", "give some of rain", func(r *TreeRequest) { r.Exposures = []string{"mud"} }},
		{"an exposure twice", "exposures", "twice", func(r *TreeRequest) { r.Exposures = []string{"rain", "rain"} }},
		{"an exposure whose symptom is denied", "absent", "brings it", func(r *TreeRequest) { r.Exposures, r.Absent = []string{"rain"}, []string{"water_history"} }},
		{"an unknown fact", "facts.moon", "no board fact", func(r *TreeRequest) { r.Facts = map[string]string{"moon": "full"} }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			req := request("short_range")
			tc.change(&req)
			_, err := lib.CompileTree(req)
			pe := problem.As(err)
			if pe == nil || pe.Code != problem.Invalid || len(pe.Fields) == 0 || pe.Fields[0].Field != tc.field || !strings.Contains(pe.Fields[0].Message, tc.says) {
				t.Errorf("refused with %v", err)
			}
		})
	}
}

// Levenshtein's distance of "kitten" and "sitting" is 3, the example of many
// textbooks.
func TestEditDistance(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"", "abc", 3}, {"abc", "", 3}, {"abc", "abc", 0}, {"flaw", "lawn", 2}, {strings.Repeat("x", 1000), "", maxTyped}} {
		if got := editDistance(tc.a, tc.b); got != tc.want {
			t.Errorf("%q to %q: %d, want %d", tc.a, tc.b, got, tc.want)
		}
	}
}
