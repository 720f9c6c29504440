package measure

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// TestReferenceShares holds the likelihoods of library measurements to shares that
// scipy integrated (testdata/reference/uncertainty.py; versions in the JSON).
func TestReferenceShares(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../testdata/reference/uncertainty.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Cases []struct {
			Measurement, Outcome string
			In                   map[string]any
			Pct                  map[string]float64
			Share                float64
		}
	}
	if err := json.Unmarshal(raw, &ref); err != nil {
		t.Fatal(err)
	}
	if len(ref.Cases) < 9 {
		t.Fatalf("only %d cases", len(ref.Cases))
	}
	for _, c := range ref.Cases {
		opt := ParseOptions{Accuracy: map[string]Accuracy{}}
		for id, pct := range c.Pct {
			opt.Accuracy[id] = Accuracy{PlusMinusPct: pct}
		}
		got := share(evaluate(t, setup(t, c.Measurement), c.In, opt), c.Outcome)
		if !(math.Abs(got-c.Share) < 0.008) {
			t.Errorf("%s %v: P(%s) = %v, want %v", c.Measurement, c.In, c.Outcome, got, c.Share)
		}
	}
}
