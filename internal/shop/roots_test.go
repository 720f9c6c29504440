package shop

import (
	"bytes"
	"math"
	"testing"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/learning"
)

// withRoot gives the desk the shipped library with a root that raises one cause.
func (d *desk) withRoot() {
	d.t.Helper()
	text := bytes.Clone(faultlib.Embedded())
	text = append(text, "\nroots:\n  long_storage: {name: Stood for months, prior: 0.2, exposures: {storage: 0.9}, raises: {axle_loose: 4}}\n"...)
	lib, issues := faultlib.Load(text)
	if lib == nil {
		d.t.Fatal(issues[len(issues)-1])
	}
	model, err := lib.Model(faultlib.ModelContext{})
	if err != nil {
		d.t.Fatal(err)
	}
	d.lib, d.ed = lib, &edition{lib: lib, model: model, version: d.ed.version}
}

// A library that names a root: the job's exposures set how probable it is, and
// the diagnosis says so.
func TestExposuresMakeARootProbable(t *testing.T) {
	d := setup(t, Diagnosing)
	if roots := d.diagnosis().Roots; len(roots) > 0 {
		t.Fatalf("the shipped library names no root; the diagnosis has %v", roots)
	}
	d.withRoot()
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

// A job that says a root is probable counts for more against a cause that the
// root raises and that was not there: nobody looked at it, so in the mean by the
// odds ratios of the root's two states.
func TestAJobTeachesByTheStateOfItsRoot(t *testing.T) {
	d := setup(t, Diagnosing)
	d.withRoot()
	d.file.Job.Exposures = []string{"storage"}
	fault := d.confirm("tyre_puncture")
	d.file.Job.State = Repairing
	d.repairs(fault)
	c, err := teachingCase(d.bench)
	if err != nil {
		t.Fatal(err)
	}
	l, err := learning.Learn(c)
	if err != nil {
		t.Fatal(err)
	}
	// 0.8·exp(−h) + 0.2·exp(−4h) = 1 − μ, by halving.
	mu := d.lib.Cause("axle_loose").PriorPer1000 / 1000
	low, high := 0.0, 1.0
	for range 100 {
		if h := (low + high) / 2; 0.8*math.Exp(-h)+0.2*math.Exp(-4*h) > 1-mu {
			low = h
		} else {
			high = h
		}
	}
	without, with := 1-math.Exp(-low), 1-math.Exp(-4*low)
	odds := func(p float64) float64 { return p / (1 - p) }
	found := false
	for _, n := range l.Causes {
		switch n.Cause {
		case "tyre_puncture":
			if n.Present != 1 || n.Extra != 0 || n.Resolved != 1 {
				t.Errorf("the fault that was confirmed: %+v", n)
			}
		case "axle_loose":
			found = true
			present := 0.9*with + 0.1*without
			against := 0.9*(1-with)*odds(with)/odds(mu) + 0.1*(1-without)*odds(without)/odds(mu)
			if math.Abs(n.Present-present) > 1e-9 || math.Abs(n.Extra-(present+against-1)) > 1e-9 || n.Resolved > 1e-9 {
				t.Errorf("%+v, want present %v and %v jobs", n, present, present+against)
			}
			if n.Extra < 1 {
				t.Errorf("the job counts for %v only", 1+n.Extra)
			}
		default:
			if n.Extra != 0 {
				t.Errorf("no root raises %s, and it counts for %v", n.Cause, 1+n.Extra)
			}
		}
	}
	if !found {
		t.Error("axle_loose is not counted")
	}
}
