package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/graph/encoding/dot"
	"gonum.org/v1/gonum/graph/multi"
)

func TestLibraryTree(t *testing.T) {
	t.Parallel()
	status, out, errOut := call(t, "library", "tree", "--symptoms", "short_range,water_history", "--absent", "percent_jumps", "--facts", "motor_plug=external", "--depth", "3", "--json")
	if status != 0 {
		t.Fatalf("status %d: %s", status, errOut)
	}
	var got struct {
		Depth    int
		Facts    []struct{ ID, Value string }
		Symptoms []struct {
			ID      string
			Present bool
		}
		Steps []struct {
			Step        int
			Kind        string
			Measurement string
			Reach       float64
			Outcomes    []struct{ Step int }
			Prove       []struct{ Measurement string }
		}
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Depth != 3 || len(got.Symptoms) != 3 || got.Symptoms[2].Present || len(got.Steps) < 5 || got.Steps[0].Measurement != "pack_heat_triage" {
		t.Fatalf("answer %.600s", out)
	}
	if !slices.Contains(got.Facts, struct{ ID, Value string }{"motor_plug", "external"}) {
		t.Errorf("facts %+v", got.Facts)
	}
	leaves := 0.0
	for i, s := range got.Steps {
		if s.Step != i+1 || s.Kind == "repair" && len(s.Prove) == 0 {
			t.Errorf("step %+v", s)
		}
		if len(s.Outcomes) == 0 {
			leaves += s.Reach
		}
	}
	if leaves < 1-1e-9 || leaves > 1+1e-9 {
		t.Errorf("the leaves sum to %v", leaves)
	}

	_, out, _ = call(t, "library", "tree", "--symptoms", "short_range", "--exposures", "rain,storage", "--depth", "2", "--json")
	if !strings.Contains(out, `"exposures":[{"id":"rain"`) || !strings.Contains(out, `{"id":"water_history"`) {
		t.Errorf("with exposures %.600s", out)
	}
	_, out, _ = call(t, "library", "tree", "--symptoms", "short_range", "--depth", "2", "--format", "dot")
	if err := dot.UnmarshalMulti([]byte(out), multi.NewDirectedGraph()); err != nil {
		t.Errorf("no graph: %v", err)
	}
	if _, out, _ = call(t, "library", "tree", "--symptoms", "short_range", "--depth", "2"); !strings.Contains(out, "\n1. Battery-box heat triage") {
		t.Errorf("text %.300s", out)
	}
}

func TestLibraryTreeRefuses(t *testing.T) {
	t.Parallel()
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("causes: 7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		args   []string
		status int
		stderr string
	}{
		{"no symptom", nil, 1, "at least one symptom"},
		{"misspelt", []string{"--symptoms", "short_rang"}, 1, "short_range"},
		{"depth 0", []string{"--symptoms", "short_range", "--depth", "0"}, 1, "1 to 12"},
		{"depth 100", []string{"--symptoms", "short_range", "--depth", "100"}, 1, "1 to 12"},
		{"depth in words", []string{"--symptoms", "short_range", "--depth", "two"}, 2, "depth"},
		{"format", []string{"--symptoms", "short_range", "--format", "svg"}, 2, "text, json, dot"},
		{"two formats", []string{"--symptoms", "short_range", "--format", "dot", "--json"}, 2, "exclude"},
		{"fact", []string{"--symptoms", "short_range", "--facts", "motor_plug=sideways"}, 1, "motor_plug"},
		{"exposure", []string{"--symptoms", "short_range", "--exposures", "mud"}, 1, "give some of rain"},
		{"library", []string{"--symptoms", "short_range", "--library", bad}, 1, "errors"},
		{"argument", []string{"short_range"}, 2, "short_range"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			status, _, errOut := call(t, append([]string{"library", "tree"}, c.args...)...)
			if status != c.status || !strings.Contains(errOut, c.stderr) {
				t.Errorf("status %d, %q; want %d and %q", status, errOut, c.status, c.stderr)
			}
		})
	}
}

func TestLibraryTestability(t *testing.T) {
	t.Parallel()
	status, out, errOut := call(t, "library", "testability", "--json")
	if status != 0 {
		t.Fatalf("status %d: %s", status, errOut)
	}
	var got struct {
		Causes        int
		Detected      struct{ Weighted float64 }
		IsolatedToOne struct{ Weighted float64 } `json:"isolated_to_one"`
		Groups        []struct{ Causes []struct{ ID, Name string } }
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Causes < 90 || !(got.Detected.Weighted > 0.9 && got.Detected.Weighted <= 1) || !(got.IsolatedToOne.Weighted > 0.8) || got.Groups == nil {
		t.Errorf("answer %.500s", out)
	}
	if _, out, _ = call(t, "library", "testability"); !strings.Contains(out, "Ambiguity groups: ") || !strings.Contains(out, "isolated to at most two") {
		t.Errorf("text %.300s", out)
	}
}
