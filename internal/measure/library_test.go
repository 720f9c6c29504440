package measure

import (
	"os"
	"sync"
	"testing"

	"go.yaml.in/yaml/v3"
)

// libraryFile is the embedded fault library of a neighbouring package. Reading it
// as plain YAML keeps this package free of the loader that is built on top of it.
const libraryFile = "../faultlib/library.yaml"

type yamlLibrary struct {
	Tables       map[string]any `yaml:"tables"`
	Measurements []yamlMeasurement
}

type yamlMeasurement struct {
	ID, Kind, Algorithm string
	Inputs              []struct {
		ID, Label, Unit, Note, Element string
		Nullable                       bool
		Choice                         []string
	}
	Params   map[string]float64
	Compute  []struct{ ID, Label, Expr, Note, Unit string }
	Outcomes []struct{ ID, When, Meaning string }
	Normal   []string
	Examples []struct {
		In     map[string]any
		Out    string
		Detail string
		Values map[string]float64
	}
}

func (y yamlMeasurement) definition() Definition {
	def := Definition{ID: y.ID, Kind: Kind(y.Kind), Algorithm: y.Algorithm, Params: y.Params}
	for _, in := range y.Inputs {
		def.Inputs = append(def.Inputs, Input{ID: in.ID, Label: in.Label, Unit: in.Unit, Note: in.Note, Element: in.Element, Choice: in.Choice, Nullable: in.Nullable})
	}
	for _, s := range y.Compute {
		def.Compute = append(def.Compute, Step{ID: s.ID, Label: s.Label, Expr: s.Expr, Note: s.Note, Unit: s.Unit})
	}
	for i, o := range y.Outcomes {
		normal := len(y.Normal) == 0 && i == len(y.Outcomes)-1
		for _, n := range y.Normal {
			normal = normal || n == o.ID
		}
		def.Outcomes = append(def.Outcomes, Outcome{ID: o.ID, When: o.When, Meaning: o.Meaning, Normal: normal})
	}
	for _, e := range y.Examples {
		def.Examples = append(def.Examples, Example{In: e.In, Out: e.Out, Detail: e.Detail, Values: e.Values})
	}
	return def
}

// readLibrary reads the file once for all tests.
var readLibrary = sync.OnceValues(func() (lib yamlLibrary, err error) {
	raw, err := os.ReadFile(libraryFile)
	if err == nil {
		err = yaml.Unmarshal(raw, &lib)
	}
	return lib, err
})

// loadLibrary returns every definition and table of the library.
func loadLibrary(tb testing.TB) (map[string]Definition, map[string]Table, []string) {
	tb.Helper()
	lib, err := readLibrary()
	if err != nil {
		tb.Fatalf("the fault library must be there and readable: %v", err)
	}
	tables := map[string]Table{}
	for name, v := range lib.Tables {
		m, ok := v.(map[string]any)
		if ok {
			v = m["points"]
		}
		var t Table
		for _, p := range v.([]any) {
			xy := p.([]any)
			t = append(t, [2]float64{toFloat(tb, xy[0]), toFloat(tb, xy[1])})
		}
		tables[name] = t
	}
	defs, ids := map[string]Definition{}, []string{}
	for _, y := range lib.Measurements {
		defs[y.ID] = y.definition()
		ids = append(ids, y.ID)
	}
	return defs, tables, ids
}

func toFloat(tb testing.TB, v any) float64 {
	switch x := v.(type) {
	case float64:
		return x
	case int:
		return float64(x)
	}
	tb.Fatalf("%v is no number", v)
	return 0
}

// setup compiles one measurement of the library.
func setup(tb testing.TB, id string) *Measurement {
	tb.Helper()
	defs, tables, _ := loadLibrary(tb)
	def, ok := defs[id]
	if !ok {
		tb.Fatalf("the library has no measurement %s", id)
	}
	m, issues := Compile(def, tables)
	for _, is := range issues {
		tb.Errorf("%s: %s", id, is)
	}
	if tb.Failed() {
		tb.FailNow()
	}
	return m
}

// TestLibraryExamples runs every worked example of the library; the counts guard
// against a loader that silently reads nothing.
func TestLibraryExamples(t *testing.T) {
	t.Parallel()
	defs, tables, ids := loadLibrary(t)
	examples, compiled := 0, 0
	for _, id := range ids {
		m, issues := Compile(defs[id], tables)
		for _, is := range issues {
			t.Errorf("%s: %s", id, is)
		}
		if m == nil {
			continue
		}
		compiled++
		examples += len(defs[id].Examples)
		for _, is := range m.CheckExamples() {
			t.Errorf("%s: %s", id, is)
		}
	}
	if compiled < 80 || examples < 180 {
		t.Errorf("only %d measurements and %d examples were run", compiled, examples)
	}
}
