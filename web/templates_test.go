package web

import (
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func equal(a, b any) bool { return cmp.Equal(a, b) }

// TestNoTemplateIsUnused fails when a template is left that no handler renders:
// every one of them is executed with a filled page by TestEveryPageRenders and
// the error and sign-in tests, and html/template fails on a field that is missing.
func TestNoTemplateIsUnused(t *testing.T) {
	t.Parallel()
	var code strings.Builder
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.HasSuffix(f, "_test.go") {
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			code.Write(b)
		}
	}
	names, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil || len(names) < 20 {
		t.Fatalf("%d templates, %v", len(names), err)
	}
	for _, n := range names {
		name := strings.TrimSuffix(filepath.Base(n), ".html")
		if name == "layout" || strings.HasPrefix(name, "part-") {
			continue
		}
		if !strings.Contains(code.String(), `"`+name+`"`) {
			t.Errorf("nothing renders %s", name)
		}
	}
}

// TestPagesAreStructs keeps page data typed: a map would hide a misspelt field.
func TestPagesAreStructs(t *testing.T) {
	t.Parallel()
	for _, pg := range []page{&SignInPage{}, &ErrorPage{}, &JobsPage{}, &IntakePage{}, &TagPage{}, &BenchPage{}, &BoardsPage{}, &BoardPage{}, &BoardFormPage{}, &ConnectorFormPage{},
		&PartsPage{}, &PartPage{}, &PartFormPage{}, &RecurrencePage{}, &RecurrenceDetailPage{}, &LibraryPage{}, &MeasurementPage{}, &OwnMeasurementPage{}, &CausePage{}, &TreePage{}, &TestabilityPage{}, &LearningPage{}, &SettingsPage{}, &InstrumentsPage{}, &InstrumentFormPage{}, &CalculatorPage{}} {
		ty := reflect.TypeOf(pg).Elem()
		for i := range ty.NumField() {
			if f := ty.Field(i); f.IsExported() && f.Type.Kind() == reflect.Map {
				t.Errorf("%s.%s is a map", ty.Name(), f.Name)
			}
		}
	}
}
