package diagnosis

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"nextprobe/internal/problem"
)

// sixStates is the dependency matrix of Pattipati and Alexandridis (1990) and of
// Raghavan, Shakeri and Pattipati (1999) (from memory), restricted to some of its
// five tests: priors of s1 to s5, no fault being the rest.
func sixStates(tests ...int) Spec {
	rows := []struct {
		id    string
		prior float64
		shows string
	}{{"s1", 0.01, "01001"}, {"s2", 0.02, "00110"}, {"s3", 0.1, "10011"}, {"s4", 0.05, "11000"}, {"s5", 0.12, "11110"}}
	var spec Spec
	name := func(k int) string { return "t" + string(rune('0'+k)) }
	for _, k := range tests {
		spec.Findings = append(spec.Findings, Finding{ID: name(k), Levels: twoLevels, Leak: []float64{1, 0}})
	}
	for _, r := range rows {
		spec.Causes = append(spec.Causes, Cause{r.id, r.prior})
		for _, k := range tests {
			if r.shows[k-1] == '1' {
				spec.Links = append(spec.Links, Link{r.id, name(k), []float64{0, 1}})
			}
		}
	}
	return spec
}

func judge(t *testing.T, spec Spec, how TestabilitySpec) *Testability {
	t.Helper()
	r, err := mustNew(t, spec).Testability(how)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The figures follow by hand from the matrix: with t1 and t2 alone s2 shows
// nothing and s4 and s5 look alike, so that 0.28 of 0.30 is detected and 0.11 of
// 0.28 isolated; with t2 and t3 s3 is hidden and s1 and s4 look alike.
func TestTestabilityByHand(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name                     string
		tests                    []int
		detected, toOne, toTwo   float64
		plainDetected, plainOne  float64
		undetected, group, masks []string
	}{
		{"two tests", []int{1, 2}, 0.9333333, 0.3928571, 1, 4.0 / 5, 2.0 / 4, []string{"s2"}, []string{"s4", "s5"},
			[]string{"s1<s4", "s1<s5", "s3<s4", "s3<s5", "s4<s5", "s5<s4"}},
		{"two other tests", []int{2, 3}, 0.6666667, 0.7, 1, 4.0 / 5, 2.0 / 4, []string{"s3"}, []string{"s1", "s4"},
			[]string{"s1<s4", "s1<s5", "s2<s5", "s4<s1", "s4<s5"}},
		{"all tests", []int{1, 2, 3, 4, 5}, 1, 1, 1, 1, 1, nil, nil, []string{"s2<s5", "s4<s5"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			r := judge(t, sixStates(tc.tests...), TestabilitySpec{})
			within(t, "detected", r.Detected.Weighted, tc.detected, 5e-8)
			within(t, "isolated to one", r.IsolatedToOne.Weighted, tc.toOne, 5e-8)
			within(t, "isolated to two", r.IsolatedToTwo.Weighted, tc.toTwo, 5e-8)
			within(t, "detected, unweighted", r.Detected.Unweighted, tc.plainDetected, 1e-12)
			within(t, "isolated, unweighted", r.IsolatedToOne.Unweighted, tc.plainOne, 1e-12)
			if !slices.Equal(r.Undetected, tc.undetected) {
				t.Errorf("undetected %v", r.Undetected)
			}
			var group, masks []string
			for _, g := range r.Groups {
				group = append(group, g.Causes...)
			}
			for _, m := range r.Masked {
				for _, by := range m.By {
					masks = append(masks, m.Cause+"<"+by)
				}
			}
			if !slices.Equal(group, tc.group) || !slices.Equal(masks, tc.masks) {
				t.Errorf("groups %v, masked %v", group, masks)
			}
			if len(r.Pairs) != len(group)/2 {
				t.Errorf("pairs %+v", r.Pairs)
			}
		})
	}
}

// A symptom joins the causes' groups but cannot be measured: it takes a pair out
// of its group and leaves it a pair that no test separates.
func TestTestabilityOfSymptoms(t *testing.T) {
	t.Parallel()
	spec := sixStates(1, 2, 3)
	r := judge(t, spec, TestabilitySpec{Tests: []string{"t1", "t2"}})
	if len(r.Groups) != 0 || len(r.Pairs) != 1 || r.Pairs[0].Symptom != "t3" || r.Pairs[0].A != "s4" || r.Pairs[0].B != "s5" {
		t.Errorf("groups %v, pairs %+v", r.Groups, r.Pairs)
	}
	if r.Detected.Weighted != 1 || !(r.DetectedByTests.Weighted < 1) {
		t.Errorf("detected %v, by tests %v", r.Detected, r.DetectedByTests)
	}
}

// Worked by hand: with a leak of 0.1 and links of 0.6 and 0.2 the chances of the
// high level are 0.64 and 0.28; they are 0.36 apart, and 0.54 and 0.18 from none.
func TestTestabilityDistances(t *testing.T) {
	t.Parallel()
	spec := Spec{Causes: []Cause{{"a", 0.1}, {"b", 0.1}}, Findings: []Finding{{"f", twoLevels, binary(0.1)}},
		Links: []Link{{"a", "f", binary(0.6)}, {"b", "f", binary(0.2)}}}
	m := mustNew(t, spec)
	a, b := m.byCause[0][0].effect, m.byCause[1][0].effect
	within(t, "apart", m.distance(0, []effect{a}, []effect{b}), 0.36, 1e-12)
	within(t, "from none", m.distance(0, []effect{a}, nil), 0.54, 1e-12)
	// Both: 1 − 0.9·0.4·0.8 = 0.712, against b alone 0.28.
	within(t, "masked", m.distance(0, []effect{a, b}, []effect{b}), 0.432, 1e-12)
	r := judge(t, spec, TestabilitySpec{Apart: 0.15})
	if len(r.Groups) != 0 || r.Detected.Unweighted != 1 || len(r.Masked) != 1 || r.Masked[0].Cause != "b" {
		t.Errorf("at 0.15: %+v", r)
	}
	if r = judge(t, spec, TestabilitySpec{Apart: 0.5}); r.Detected.Unweighted != 0.5 || !slices.Equal(r.Undetected, []string{"b"}) {
		t.Errorf("at 0.5: %+v", r)
	}
}

func TestTestabilityProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		spec, _ := randomShop(rt)
		m, err := New(spec)
		if err != nil {
			rt.Fatal(err)
		}
		apart := rapid.SampledFrom([]float64{0.05, 0.2, 0.5, 0.9}).Draw(rt, "apart")
		r, err := m.Testability(TestabilitySpec{Apart: apart})
		if err != nil {
			rt.Fatal(err)
		}
		stricter, _ := m.Testability(TestabilitySpec{Apart: math.Min(1, 1.1*apart)})
		if stricter.Detected.Weighted > r.Detected.Weighted+1e-12 {
			rt.Fatalf("asking for more detects more: %+v, %+v", r, stricter)
		}
		seen := map[string]bool{}
		for _, g := range r.Groups {
			for _, id := range g.Causes {
				if seen[id] || slices.Contains(r.Undetected, id) {
					rt.Fatalf("%s stands twice, or is undetected: %+v", id, r)
				}
				seen[id] = true
			}
		}
		if r.IsolatedToOne.Weighted > r.IsolatedToTwo.Weighted+1e-12 || r.DetectedByTests.Weighted > r.Detected.Weighted+1e-12 {
			rt.Fatalf("shares %+v", r)
		}
		// The order in which causes stand in a library changes no share.
		turned := spec
		turned.Causes = slices.Clone(spec.Causes)
		slices.Reverse(turned.Causes)
		again, err := New(turned)
		if err != nil {
			rt.Fatal(err)
		}
		o, _ := again.Testability(TestabilitySpec{Apart: apart})
		if math.Abs(o.Detected.Weighted-r.Detected.Weighted) > 1e-12 || math.Abs(o.IsolatedToOne.Weighted-r.IsolatedToOne.Weighted) > 1e-12 || len(o.Groups) != len(r.Groups) || len(o.Pairs) != len(r.Pairs) {
			rt.Fatalf("turned round: %+v, before %+v", o, r)
		}
	})
}

func TestTestabilityRefuses(t *testing.T) {
	t.Parallel()
	m := mustNew(t, sixStates(1))
	for field, how := range map[string]TestabilitySpec{"apart": {Apart: 1.5}, "tests": {Tests: []string{"x"}}} {
		_, err := m.Testability(how)
		if pe := problem.As(err); pe == nil || len(pe.Fields) == 0 || pe.Fields[0].Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	empty, err := mustNew(t, Spec{}).Testability(TestabilitySpec{})
	if err != nil || empty.Detected.Weighted != 0 || empty.Causes != 0 {
		t.Errorf("an empty model: %+v, %v", empty, err)
	}
}

// Of two meters that tell the same the one without hazard is chosen; what tells
// nothing never pays.
func TestUseOfMeasurements(t *testing.T) {
	t.Parallel()
	spec, eco := bench()
	m := mustNew(t, spec)
	boards := []UseBoard{{"plug_burnt", seen("no_drive")}, {"winding_open", seen("no_drive")}, {"tyre_flat", seen("soft_ride")}}
	uses, err := m.UseOf(UseSpec{Economy: eco, Boards: boards})
	if err != nil {
		t.Fatal(err)
	}
	by := map[string]Use{}
	for _, u := range uses {
		by[u.Finding] = u
	}
	if u := by["meter_two"]; u.Chosen != 2 || !u.Pays() {
		t.Errorf("meter_two %+v", u)
	}
	if u := by["meter"]; u.Chosen != 0 || !u.Pays() {
		t.Errorf("meter %+v", u)
	}
	if u := by["unrelated"]; u.Chosen != 0 || u.BestScore != 0 || u.Pays() {
		t.Errorf("unrelated %+v", u)
	}
	again, _ := m.UseOf(UseSpec{Economy: eco, Boards: boards})
	if !reflect.DeepEqual(uses, again) {
		t.Error("two counts differ")
	}
	gated, err := m.UseOf(UseSpec{Economy: eco, Boards: boards, Gates: []TreeGate{{Finding: "unrelated", Stop: []int{1}}}})
	if err != nil || gated[4].Finding != "unrelated" || gated[4].Chosen != 3 {
		t.Errorf("a gate is taken on every board: %+v, %v", gated, err)
	}
	if _, err := m.UseOf(UseSpec{Economy: eco, Boards: []UseBoard{{Cause: "x"}}}); problem.As(err) == nil {
		t.Errorf("an unknown cause: %v", err)
	}
	if _, err := m.UseOf(UseSpec{Boards: boards}); problem.As(err) == nil {
		t.Errorf("no economy: %v", err)
	}
}
