package measure

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func lineOf(t *testing.T, def Definition, in map[string]any, opt ParseOptions) *Deciding {
	t.Helper()
	m, issues := Compile(def, nil)
	if m == nil {
		t.Fatal(issues)
	}
	return evaluate(t, m, in, opt).Deciding
}

// TestDeciding: the line of measurements of the library, worked by hand from their
// conditions.
func TestDeciding(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		id   string
		in   map[string]any
		want *Deciding
	}{
		{"quiescent_current", map[string]any{"i_ua": 620.0, "q_ah": 10.0},
			&Deciding{Name: "i_ua", Label: "Current when off", Unit: "uA", Value: 620, Low: 620, High: 620, Limits: []Limit{{500, "normal", "drain"}, {5000, "drain", "heavy"}}}},
		{"bus_termination", map[string]any{"r_ohm": 120.0},
			&Deciding{Name: "r_ohm", Unit: "Ohm", Value: 120, Low: 120, High: 120, Limits: []Limit{{20, "short", "extra_end"}, {50, "extra_end", "good"}, {100, "good", "one_end"}, {140, "one_end", "none"}}}},
		{"bus_termination", map[string]any{"r_ohm": "OL"}, nil},
		{"uart_baud", map[string]any{"min_pulse_us": 8.68, "baud_set": 115200.0},
			&Deciding{Name: "dev_pct", Unit: "%", Limits: []Limit{{-3, "mismatch", "match"}, {3, "match", "mismatch"}}}},
		// A yes or no that settles the matter leaves no limit; one that does not is held.
		{"capacity_test", map[string]any{"ah": 8.0, "ah_rated": 10.0, "stop_group_low": true}, nil},
		{"capacity_test", map[string]any{"ah": 8.0, "ah_rated": 10.0, "stop_group_low": false},
			&Deciding{Name: "soh_pct", Unit: "%", Value: 80, Low: 80, High: 80, Limits: []Limit{{70, "worn", "reduced"}, {85, "reduced", "good"}}}},
		// The largest of a list has no name of its own.
		{"contact_dry_circuit", map[string]any{"r_mohm": []any{3.0, 130.0, 5.0}},
			&Deciding{Unit: "mOhm", Value: 130, Low: 130, High: 130, Limits: []Limit{{100, "good", "film"}}}},
		// Of two compared readings the one that decided; none where neither did.
		{"bearing_play", map[string]any{"axial_mm": 0.4, "radial_mm": 0.05, "axle_moves": false}, nil},
		{"hall_supply", map[string]any{"v_plugged": 4.2, "v_unplugged": 5.0, "v_nom": 5.0},
			&Deciding{Name: "v_plugged", Unit: "V", Value: 4.2, Low: 4.2, High: 4.2, Limits: []Limit{{4.5, "pulled_down", "good"}, {5.5, "good", "over"}}}},
		{"hall_supply", map[string]any{"v_plugged": 5.0, "v_unplugged": 5.0, "v_nom": 5.0}, nil},
		// Current and ratio rest on the same readings: neither moves alone.
		{"sag_from_log", map[string]any{"v1": 80.0, "i1": 1.0, "v2": 76.0, "i2": 21.0, "series": 20.0, "parallel": 2.0, "r_new_mohm": 12.0}, nil},
		// An algorithm's outcome is no comparison.
		{"phase_resistance_3", phases(104.0, 100.0, 100.0), nil},
	} {
		res := evaluate(t, setup(t, c.id), c.in, ParseOptions{})
		got := res.Deciding
		if (got == nil) != (c.want == nil) {
			t.Errorf("%s %v: %+v", c.id, c.in, got)
			continue
		}
		if got == nil {
			continue
		}
		w := *c.want
		if w.Label == "" {
			w.Label = got.Label
		}
		if c.id == "uart_baud" {
			w.Value, w.Low, w.High = got.Value, got.Value, got.Value
		}
		if !reflect.DeepEqual(*got, w) {
			t.Errorf("%s %v:\n%+v, want\n%+v", c.id, c.in, *got, w)
		}
		if got.Label == "" {
			t.Errorf("%s: no label", c.id)
		}
	}
}

// TestDecidingAgrees: over the library's examples, at three accuracies, the line puts
// the value in the outcome that was found, its limits rise and hang together, and the
// interval holds 95 % of what the engine reckons point by point.
func TestDecidingAgrees(t *testing.T) {
	t.Parallel()
	defs, tables, ids := loadLibrary(t)
	lines, wide := 0, 0
	for _, id := range ids {
		m, _ := Compile(defs[id], tables)
		if defs[id].Kind != Numeric || m == nil {
			continue
		}
		for _, ex := range defs[id].Examples {
			for _, pct := range []float64{0, 1, 5} {
				r, _, err := m.Parse(ex.In, everyAccuracy(m, pct))
				if err != nil {
					t.Fatal(err)
				}
				res, err := m.Evaluate(r)
				if err != nil {
					t.Fatal(err)
				}
				d := res.Deciding
				if d == nil {
					continue
				}
				lines++
				if got := outcomeOn(d, d.Value); got != res.Outcome {
					t.Errorf("%s: the line says %s, the outcome is %s: %+v", id, got, res.Outcome, d)
				}
				for i := 1; i < len(d.Limits); i++ {
					if d.Limits[i].At <= d.Limits[i-1].At {
						t.Errorf("%s: limits %+v", id, d.Limits)
					}
				}
				if d.Low < d.High {
					wide++
					intervalHolds(t, m, r, d)
				}
			}
		}
	}
	if lines < 100 || wide < 60 {
		t.Errorf("only %d lines, %d of them with an interval", lines, wide)
	}
}

// outcomeOn reads the outcome off the line. A value on a limit may belong to either
// side and is given the outcome below.
func outcomeOn(d *Deciding, x float64) string {
	for _, l := range d.Limits {
		if x <= l.At {
			return l.Below
		}
	}
	return d.Limits[len(d.Limits)-1].Above
}

// intervalHolds asks the engine, which is the reference, for the value in every point.
func intervalHolds(t *testing.T, m *Measurement, r Readings, d *Deciding) {
	t.Helper()
	a := m.axes[slices.IndexFunc(m.axes, func(a axis) bool {
		return upperFirst(m.phrase(a.value.node)) == d.Label || a.name != "" && a.name == d.Name
	})]
	engine := *m
	engine.sampler = nil
	xs := engine.sampleOf(r, m.dimensions(r), &a)
	below, above := 0, 0
	for _, x := range xs {
		if x < d.Low {
			below++
		}
		if x > d.High {
			above++
		}
	}
	if len(xs) != samples || below > samples/40 || above > samples/40 || below+above < samples/20-4 {
		t.Errorf("%s: %d of %d below %v, %d above %v", m.def.ID, below, len(xs), d.Low, above, d.High)
	}
}

// TestDecidingOfRectangle (derived): the central 95 % of a rectangle of half width a
// are ±0.95·a, and the shares of the line are those of the lengths.
func TestDecidingOfRectangle(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		x, half := rapid.Float64Range(-50, 50).Draw(t, "x"), rapid.Float64Range(0.01, 20).Draw(t, "half")
		low := rapid.Float64Range(-60, 50).Draw(t, "low")
		high := low + rapid.Float64Range(1, 30).Draw(t, "span")
		def := Definition{ID: "x", Kind: Numeric, Inputs: []Input{{ID: "x", Unit: "V"}}, Params: map[string]float64{"low": low, "high": high},
			Outcomes: []Outcome{{ID: "too_low", When: "x < low"}, {ID: "too_high", When: "high < x"}, {ID: "good", When: "true"}}}
		m, issues := Compile(def, nil)
		if m == nil {
			t.Fatal(issues)
		}
		r, _, err := m.Parse(map[string]any{"x": map[string]any{"value": x, "resolution": 2 * half}}, ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		res, err := m.Evaluate(r)
		if err != nil {
			t.Fatal(err)
		}
		d := res.Deciding
		want := []Limit{{low, "too_low", "good"}, {high, "good", "too_high"}}
		if d == nil || !reflect.DeepEqual(d.Limits, want) || d.Value != x || d.Unit != "V" || d.Label != "X" {
			t.Fatalf("%+v", d)
		}
		if math.Abs(d.Low-(x-0.95*half)) > 0.01*half || math.Abs(d.High-(x+0.95*half)) > 0.01*half {
			t.Fatalf("%v ± %v: from %v to %v", x, half, d.Low, d.High)
		}
		inside := (min(x+half, high) - max(x-half, low)) / (2 * half)
		if got := share(res, "good"); math.Abs(got-min(max(inside, 0), 1)) > 0.01 {
			t.Fatalf("good %v, want %v", got, inside)
		}
	})
}

// TestDecidingOthersHeld: with two readings compared, the one on the edge is drawn and
// the certain one held; where both are on the edge no line can say it all.
func TestDecidingOthersHeld(t *testing.T) {
	t.Parallel()
	def := Definition{ID: "x", Kind: Numeric, Inputs: []Input{{ID: "a", Unit: "V"}, {ID: "b", Unit: "V"}},
		Outcomes: []Outcome{{ID: "a_high", When: "a > 5"}, {ID: "b_high", When: "b > 5"}, {ID: "good", When: "true"}}}
	wide := func(v float64) map[string]any { return map[string]any{"value": v, "resolution": 0.4} }
	for _, c := range []struct {
		a, b float64
		name string
	}{{1, 4.9, "b"}, {4.9, 1, "a"}, {4.9, 4.9, ""}, {1, 1, ""}, {5.1, 1, "a"}, {1, 5.1, "b"}, {6, 1, "a"}} {
		d := lineOf(t, def, map[string]any{"a": wide(c.a), "b": wide(c.b)}, ParseOptions{})
		if (d == nil) != (c.name == "") || (d != nil && d.Name != c.name) {
			t.Errorf("a %v, b %v: %+v", c.a, c.b, d)
		}
	}
	// A limit that is itself uncertain is no place on the line.
	def.Outcomes = []Outcome{{ID: "a_high", When: "a > 0.5 * b"}, {ID: "good", When: "true"}}
	if d := lineOf(t, def, map[string]any{"a": wide(1), "b": wide(2)}, ParseOptions{}); d != nil {
		t.Errorf("%+v", d)
	}
	if d := lineOf(t, def, map[string]any{"a": wide(1), "b": 2.0}, ParseOptions{}); d == nil || d.Limits[0].At != 1 {
		t.Errorf("%+v", d)
	}
}
