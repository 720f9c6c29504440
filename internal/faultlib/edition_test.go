package faultlib

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"nextprobe/internal/measure"
)

// TestFirstEditionExamples: every worked example of the first edition comes out the
// same with today's library: new limits and inputs may add to it, not overturn it.
func TestFirstEditionExamples(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../testdata/library-edition1.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var first struct {
		Meta         struct{ Version int }
		Measurements []struct {
			ID       string
			Outcomes []struct{ ID string }
			Examples []struct {
				In     map[string]any
				Out    string
				Detail string
				Values map[string]float64
			}
		}
		Causes   []struct{ ID string }
		Symptoms []struct{ ID string }
	}
	if err := yaml.Unmarshal(raw, &first); err != nil {
		t.Fatal(err)
	}
	if first.Meta.Version != 1 {
		t.Fatalf("edition %d", first.Meta.Version)
	}
	lib, n := embeddedLibrary(t), 0
	for _, old := range first.Measurements {
		m := lib.Measurement(old.ID)
		if m == nil {
			t.Errorf("measurement %s is gone", old.ID)
			continue
		}
		for _, o := range old.Outcomes {
			if m.outcome(o.ID) < 0 {
				t.Errorf("outcome %s of %s is gone", o.ID, old.ID)
			}
		}
		if len(old.Examples) == 0 {
			continue
		}
		def := m.Definition
		def.Examples = nil
		for _, e := range old.Examples {
			def.Examples = append(def.Examples, measure.Example{In: e.In, Out: e.Out, Detail: e.Detail, Values: e.Values})
			n++
		}
		compiled, issues := measure.Compile(def, lib.Tables)
		for _, i := range append(issues, compiled.CheckExamples()...) {
			t.Errorf("%s: %s", old.ID, i)
		}
	}
	for _, c := range first.Causes {
		if lib.Cause(c.ID) == nil {
			t.Errorf("cause %s is gone", c.ID)
		}
	}
	for _, s := range first.Symptoms {
		if lib.Symptom(s.ID) == nil {
			t.Errorf("symptom %s is gone", s.ID)
		}
	}
	if n < 180 {
		t.Errorf("only %d examples were run", n)
	}
}

// TestChargeTables: both tables of rest voltage rise without a step back, from 0 to
// 100 %, and cover what their chemistry can rest at. The plateau of iron phosphate
// is the reason for its own limits: from 20 to 90 % it moves by less than 0.15 V,
// where layered oxide moves by half a volt (from memory; data sheets of both kinds
// show it).
func TestChargeTables(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	for name, want := range map[string]struct{ full, moves float64 }{"ocv_layered_oxide": {4.18, 0.5}, "ocv_iron_phosphate": {3.40, 0.13}} {
		points := lib.Tables[name]
		if len(points) < 10 || points[0][1] != 0 || points[len(points)-1] != [2]float64{want.full, 100} {
			t.Fatalf("%s: %v", name, points)
		}
		at := map[float64]float64{}
		for i, p := range points {
			at[p[1]] = p[0]
			if i > 0 && (p[0] <= points[i-1][0] || p[1] <= points[i-1][1]) {
				t.Errorf("%s: %v does not rise after %v", name, p, points[i-1])
			}
		}
		if d := at[90] - at[20]; d > want.moves+0.05 || d < want.moves-0.05 {
			t.Errorf("%s moves by %.3f V from 20 to 90 %%", name, d)
		}
	}
}

// TestEveryOutcomeHasAnExample: where numbers decide, each outcome is worked once.
func TestEveryOutcomeHasAnExample(t *testing.T) {
	t.Parallel()
	for _, m := range embeddedLibrary(t).Measurements {
		for _, o := range m.Outcomes {
			if m.Kind != measure.Inspection && !slices.ContainsFunc(m.Examples, func(e measure.Example) bool { return e.Out == o.ID }) {
				t.Errorf("%s %s has no worked example", m.ID, o.ID)
			}
		}
	}
}

// TestCautions: from hazard 2 on the caution is concrete and stands by itself.
func TestCautions(t *testing.T) {
	t.Parallel()
	elsewhere, n := regexp.MustCompile(`^as [a-z]`), 0
	for _, m := range embeddedLibrary(t).Measurements {
		if elsewhere.MatchString(m.Caution) {
			t.Errorf("%s sends to another caution: %q", m.ID, m.Caution)
		}
		if m.Hazard < 2 {
			continue
		}
		if n++; len(strings.Fields(m.Caution)) < 8 {
			t.Errorf("%s, hazard %d: %q", m.ID, m.Hazard, m.Caution)
		}
	}
	if n < 50 {
		t.Errorf("only %d cautions were looked at", n)
	}
}

// TestVerificationShowsTheCause: some verification can come out badly while the
// cause is there, except where meta.changes says why none can.
func TestVerificationShowsTheCause(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	why := strings.Join(lib.Meta.Changes, " ")
	for _, c := range lib.Causes {
		links := lib.LinksOf(c.ID)
		shown := links != nil && slices.ContainsFunc(c.Verify, func(v Check) bool { return len(links.Outcomes[v.Measurement]) > 0 })
		if !shown && !strings.Contains(why, c.ID+", because") {
			t.Errorf("no verification of %s shows it, and meta.changes does not say why", c.ID)
		}
	}
}
