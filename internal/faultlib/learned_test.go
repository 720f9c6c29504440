package faultlib

import (
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/problem"
)

// Replacing every link by what stands in the file changes nothing; replacing one
// changes that one, floored like the file's own.
func TestLearnedLinksReplaceTheFiles(t *testing.T) {
	t.Parallel()
	lib, issues := Load(Embedded())
	if lib == nil {
		t.Fatal(issues)
	}
	rows := lib.LinkRows()
	if len(rows) < 300 {
		t.Fatalf("only %d links", len(rows))
	}
	var same []diagnosis.Link
	for _, r := range rows {
		same = append(same, diagnosis.Link{Cause: r.Cause, Finding: r.Finding, P: r.P})
		if len(r.Levels) != len(r.P) || !sumsToOne(r.P) {
			t.Errorf("%+v", r)
		}
	}
	plain, err := lib.Spec(ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	again, err := lib.Spec(ModelContext{Links: same})
	if err != nil {
		t.Fatal(err)
	}
	for k := range plain.Links {
		for z := range plain.Links[k].P {
			if plain.Links[k].Cause != again.Links[k].Cause || plain.Links[k].P[z] != again.Links[k].P[z] {
				t.Fatalf("link %d: %+v and %+v", k, plain.Links[k], again.Links[k])
			}
		}
	}
	even := make([]float64, len(rows[7].P))
	for z := range even {
		even[z] = 1 / float64(len(even))
	}
	moved, err := lib.Spec(ModelContext{Links: []diagnosis.Link{{Cause: rows[7].Cause, Finding: rows[7].Finding, P: even}}})
	if err != nil {
		t.Fatal(err)
	}
	for k := range moved.Links {
		for z, p := range moved.Links[k].P {
			want := plain.Links[k].P[z]
			if k == 7 {
				want = even[z] // The floor is uniform too.
			}
			if d := p - want; d > 1e-15 || d < -1e-15 {
				t.Errorf("link %d level %d: %v, want %v", k, z, p, want)
			}
		}
	}
}

func TestLearnedLinksAreChecked(t *testing.T) {
	t.Parallel()
	lib, _ := Load(Embedded())
	r := lib.LinkRows()[0]
	for name, l := range map[string]diagnosis.Link{
		"no such link": {Cause: "nobody", Finding: r.Finding, P: r.P},
		"levels":       {Cause: r.Cause, Finding: r.Finding, P: []float64{1}},
		"sum":          {Cause: r.Cause, Finding: r.Finding, P: make([]float64, len(r.P))},
		"negative":     {Cause: r.Cause, Finding: r.Finding, P: []float64{1.5, -0.5}},
	} {
		_, err := lib.Model(ModelContext{Links: []diagnosis.Link{l}})
		if e := problem.As(err); e == nil || e.Fields[0].Field != "links[0]" {
			t.Errorf("%s: %v", name, err)
		}
	}
}
