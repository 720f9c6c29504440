package web

import (
	"math"
	"strings"
	"testing"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// shapes counts the elements of a class.
func (p *Picture) shapes(class string) int {
	n := 0
	for _, s := range p.Shapes {
		if s.Class == class {
			n++
		}
	}
	return n
}

// inside fails when a shape leaves the drawing.
func inside(t *testing.T, p *Picture) {
	t.Helper()
	for _, s := range p.Shapes {
		if s.El == "path" {
			continue
		}
		x, y := s.X, s.Y
		if s.El == "rect" {
			x, y = s.X+s.W, s.Y+s.H
			if s.W < 0 || s.H < 0 {
				t.Errorf("%s: a rectangle of %g by %g", p.Title, s.W, s.H)
			}
		}
		if math.IsNaN(x+y) || s.X < 0 || s.Y < 0 || x > float64(p.Width) || y > float64(p.Height) {
			t.Errorf("%s: %+v lies outside %d by %d", p.Title, s, p.Width, p.Height)
		}
	}
}

// The steps follow from the pattern the library states: a swapped pair gives 2v,
// −v, 2v; a doubled node 0.
func TestTapLadder(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		steps []float64
		odd   int
		says  string
	}{
		"sound":   {[]float64{3.7, 3.71, 3.65, 3.7}, 0, "within 15 %"},
		"swapped": {[]float64{3.7, 7.4, -3.7, 7.4, 3.7}, 3, "pin 2 to 3 −3.7 V"},
		"doubled": {[]float64{3.7, 3.7, 0, 3.7}, 1, "pin 2 to 3 0 V"},
		"twenty":  {repeated(3.7, 20), 0, "20 steps"},
	} {
		p := tapLadder(c.steps, 3.7)
		if p.shapes("bar-odd") != c.odd || p.shapes("bar-ok") != len(c.steps)-c.odd || !strings.Contains(p.Desc, c.says) {
			t.Errorf("%s: %d odd and %d sound bars, %q", name, p.shapes("bar-odd"), p.shapes("bar-ok"), p.Desc)
		}
		inside(t, p)
	}
	if tapLadder(nil, 3.7) != nil || tapLadder([]float64{1}, math.NaN()) != nil {
		t.Error("a ladder of nothing")
	}
}

func repeated(x float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = x
	}
	return out
}

// The order 1 3 2 6 4 5 and the states 0 and 7 that never occur are those of the
// six-step commutation tables (Microchip AN885, from memory).
func TestHallWheel(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		states       []float64
		walks, jumps int
		says         string
	}{
		"forward":    {[]float64{1, 3, 2, 6, 4, 5, 1, 3}, 6, 0, "one step round"},
		"backward":   {[]float64{1, 5, 4, 6, 2, 3, 1}, 6, 0, "one step round"},
		"resting":    {[]float64{3, 3, 3}, 0, 0, "Never reached: 1, 2, 6, 4, 5"},
		"skips":      {[]float64{1, 2, 6, 4, 5, 1}, 4, 1, "1 to 2"},
		"stuck high": {[]float64{5, 7, 6, 4, 5}, 2, 2, "State 7 (111)"},
		"sixty":      {[]float64{0, 1, 3, 7, 6, 4, 0}, 2, 4, "State 0 (000)"},
	} {
		p := hallWheel(c.states)
		if p.shapes("walk") != c.walks || p.shapes("jump") != c.jumps || !strings.Contains(p.Desc, c.says) {
			t.Errorf("%s: %d steps and %d jumps, %q", name, p.shapes("walk"), p.shapes("jump"), p.Desc)
		}
		if n := p.shapes("sector") + p.shapes("sector-on"); n != 6 {
			t.Errorf("%s: %d sectors", name, n)
		}
		inside(t, p)
	}
	if hallWheel([]float64{1, 9}) != nil || hallWheel([]float64{1.5}) != nil || hallWheel(nil) != nil {
		t.Error("a wheel of what are no states")
	}
}

func TestPhaseTriangle(t *testing.T) {
	t.Parallel()
	// A star of 62, 50 and 50 mΩ reads 112, 100, 112 between its ends (series connection).
	p := phaseTriangle([3]float64{112, 100, 112}, [3]float64{62, 50, 50}, "A")
	if p.shapes("branch-odd") != 1 || p.shapes("branch") != 2 || !strings.Contains(p.Desc, "A 62 mΩ, B 50 mΩ, C 50 mΩ") || !strings.HasSuffix(p.Desc, "Marked: A.") {
		t.Errorf("%q", p.Desc)
	}
	inside(t, p)
	open := phaseTriangle([3]float64{measure.OpenOhms, 100, measure.OpenOhms}, [3]float64{1e9, -1e9, 1e9}, "A")
	if strings.Contains(open.Desc, "Branch") || !strings.Contains(open.Desc, "A–B open") {
		t.Errorf("an open phase has no branch values: %q", open.Desc)
	}
	if phaseTriangle([3]float64{math.NaN(), 1, 1}, [3]float64{}, "") != nil {
		t.Error("a triangle with a side missing")
	}
}

func TestGroupBars(t *testing.T) {
	t.Parallel()
	p := groupBars("Group voltages", "V", []float64{3.70, 3.70, 3.71, 3.41, 3.70}, 4)
	if p.shapes("bar-odd") != 1 || !strings.Contains(p.Desc, "median of 3.7 V; lowest 3.41 in group 4, highest 3.71 in group 3") {
		t.Errorf("%q", p.Desc)
	}
	inside(t, p)
	inside(t, groupBars("Group voltages", "V", repeated(3.7, 24), 0))
	if groupBars("x", "V", []float64{1}, 0) != nil {
		t.Error("bars of one group")
	}
}

// realLibrary is the embedded edition.
func realLibrary(t *testing.T) *faultlib.Library {
	t.Helper()
	lib, issues := faultlib.Load(faultlib.Embedded())
	if lib == nil {
		t.Fatal(issues)
	}
	return lib
}

// A bus that falls from 70 V to 1.2 V in 60 s crosses 5 V at 38.94 s (the
// library's worked example of an exponential decay).
func TestDecayCurve(t *testing.T) {
	t.Parallel()
	lib := realLibrary(t)
	draw := func(id string, in map[string]any) *Picture {
		return pictureOf(lib.Measurement(id), in, shop.Evaluation{Measurement: id})
	}
	p := draw("bus_residual_voltage", map[string]any{"v0": "70 V", "v1": 1.2, "t1": 60.0, "c_uf": 1000.0})
	if p == nil || p.Kind != "decay" || p.shapes("limit") != 2 || !strings.Contains(p.Desc, "From 70 to 1.2 V in 60 s") {
		t.Fatalf("%+v", p)
	}
	inside(t, p)
	// At the leak rate of 2 cm³/min a box of 1.5 l may lose 0.29 kPa in 120 s.
	p = draw("box_leak_decay", map[string]any{"p1_kpa": 10.0, "p2_kpa": 9.9, "t_s": 120.0, "vol_l": 1.5, "t1_c": 21.0, "t2_c": 21.0, "p_atm_kpa": 101.3})
	if p == nil || !strings.Contains(p.Desc, "9.709 kPa") {
		t.Fatalf("%+v", p)
	}
	inside(t, p)
	if p = draw("motor_ntc", map[string]any{"r_ohm": 10e3}); p != nil {
		t.Errorf("a picture of nothing: %+v", p)
	}
}

// Every worked example of the library can be drawn, or has no picture; none
// leaves its frame.
func TestPicturesOfTheWorkedExamples(t *testing.T) {
	t.Parallel()
	kinds := map[string]int{}
	lib := realLibrary(t)
	for i := range lib.Measurements {
		m := &lib.Measurements[i]
		for _, ex := range m.Examples {
			r, _, err := m.Compiled().Parse(ex.In, measure.ParseOptions{})
			if err != nil {
				t.Fatal(err)
			}
			res, err := m.Compiled().Evaluate(r)
			if err != nil {
				t.Fatal(err)
			}
			e := shop.Evaluation{Measurement: m.ID, Outcome: res.Outcome, Normal: res.Normal, Detail: res.Detail}
			for _, v := range res.Values {
				e.Values = append(e.Values, shop.ResultValue{ID: v.ID, Label: v.Label, Value: v.Value, Unit: v.Unit})
			}
			if p := pictureOf(m, ex.In, e); p != nil {
				kinds[p.Kind]++
				inside(t, p)
				if p.Desc == "" || strings.Contains(p.Desc, "NaN") {
					t.Errorf("%s: %q", m.ID, p.Desc)
				}
			}
		}
	}
	for _, k := range []string{"taps", "hall", "phases", "decay", "groups"} {
		if kinds[k] == 0 {
			t.Errorf("no example gives a %s picture: %v", k, kinds)
		}
	}
}
