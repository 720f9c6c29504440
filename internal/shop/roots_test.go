package shop

import (
	"bytes"
	"math"
	"testing"

	"nextprobe/internal/faultlib"
)

// A library that names a root: the job's exposures set how probable it is, and
// the diagnosis says so.
func TestExposuresMakeARootProbable(t *testing.T) {
	d := setup(t, Diagnosing)
	if roots := d.diagnosis().Roots; len(roots) > 0 {
		t.Fatalf("the shipped library names no root; the diagnosis has %v", roots)
	}
	text := bytes.Clone(faultlib.Embedded())
	text = append(text, "\nroots:\n  long_storage: {name: Stood for months, prior: 0.2, exposures: {storage: 0.9}, raises: {axle_loose: 4}}\n"...)
	lib, issues := faultlib.Load(text)
	if lib == nil {
		t.Fatal(issues[len(issues)-1])
	}
	model, err := lib.Model(faultlib.ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	d.lib, d.ed = lib, &edition{lib: lib, model: model, version: d.ed.version}
	for _, c := range []struct {
		exposures []string
		want      float64
	}{{nil, 0.2}, {[]string{"rain"}, 0.2}, {[]string{"rain", "storage"}, 0.9}} {
		d.file.Job.Exposures = c.exposures
		roots := d.diagnosis().Roots
		if len(roots) != 1 || roots[0].ID != "long_storage" || roots[0].Name != "Stood for months" || math.Abs(roots[0].Probability-c.want) > 1e-9 {
			t.Errorf("exposures %v: roots %v, want %v", c.exposures, roots, c.want)
		}
	}
}
