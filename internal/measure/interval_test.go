package measure

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nextprobe/internal/units"
)

// TestRangeShares: a range is a rectangle over it (JCGM 100:2008, 4.3.7), so a limit
// within it parts the likelihood as it parts the range; the value is the middle.
func TestRangeShares(t *testing.T) {
	t.Parallel()
	m := setup(t, "bearing_play")
	for _, c := range []struct {
		mm      string
		play    float64
		outcome string
	}{
		{"0.28-0.32 mm", 0.5, "tight"}, {"0.25 to 0.35", 0.5, "tight"}, {"0.29…0.33", 0.75, "play"}, {"0,26–0,31 mm", 0.2, "tight"}, {"200-290 µm", 0, "tight"}, {"0.31-0.40", 1, "play"}, {"0.3-0.3", 0, "tight"},
	} {
		res := evaluate(t, m, map[string]any{"axial_mm": c.mm, "radial_mm": 0.05, "axle_moves": false}, ParseOptions{})
		if got := share(res, "play"); math.Abs(got-c.play) > 0.01 || (c.play != 0.5 && res.Outcome != c.outcome) {
			t.Errorf("%s: P(play) = %v, want %v; %s", c.mm, got, c.play, res.Text)
		}
	}
}

// TestRangeWithInstrument: the range and the instrument's error are independent, so
// that both together are a trapezoid (JCGM 101:2008, 6.4.4). With half widths a and b,
// a > b, the area beyond a distance d of the middle is, by its geometry (derived),
// (a+b-d)²/(8ab) on the slope, d > a-b, and 1/2 - d/(2a) on the top.
func TestRangeWithInstrument(t *testing.T) {
	t.Parallel()
	beyond := func(d, a, b float64) float64 {
		if a < b {
			a, b = b, a
		}
		if d > a-b {
			return (a + b - d) * (a + b - d) / (8 * a * b)
		}
		return 0.5 - d/(2*a)
	}
	def := Definition{ID: "x", Kind: Numeric, Inputs: []Input{{ID: "v", Unit: "V"}}, Params: map[string]float64{"v_max": 0},
		Outcomes: []Outcome{{ID: "high", When: "v > v_max"}, {ID: "good", When: "true"}}}
	for _, c := range []struct{ spread, accuracy, d float64 }{{0.3, 0.1, 0.1}, {0.3, 0.1, 0.25}, {0.3, 0.1, 0.35}, {0.1, 0.3, 0.1}, {0.1, 0.3, 0.3}, {0.2, 0.2, 0.2}, {0.2, 0.2, 0}} {
		def.Params["v_max"] = 5 + c.d
		m, issues := Compile(def, nil)
		if m == nil {
			t.Fatal(issues)
		}
		text := fmt.Sprintf("%g-%g V", 5-c.spread, 5+c.spread)
		opt := ParseOptions{HalfWidth: func(field string, u units.Unit, v float64) float64 {
			if field != "v" || u.Code() != "V" || math.Abs(v-5) > 1e-12 {
				t.Errorf("the instrument was asked for %s %v %s", field, v, u)
			}
			return c.accuracy
		}}
		res := evaluate(t, m, map[string]any{"v": text}, opt)
		if got, want := share(res, "high"), beyond(c.d, c.spread, c.accuracy); math.Abs(got-want) > 0.004 {
			t.Errorf("%s ± %v above %v: %v, want %v", text, c.accuracy, 5+c.d, got, want)
		}
		// The accuracy may also stand with the reading.
		res = evaluate(t, m, map[string]any{"v": map[string]any{"value": text, "resolution": 2 * c.accuracy}}, ParseOptions{})
		if got, want := share(res, "high"), beyond(c.d, c.spread, c.accuracy); math.Abs(got-want) > 0.004 {
			t.Errorf("%s with its accuracy: %v, want %v", text, got, want)
		}
	}
}

// TestTrapezoid: the inverse distribution function rises, is odd about the middle,
// reaches the ends, does not care which error is which, and has the variance
// (a² + b²)/3 of the two rectangles together (JCGM 100:2008, 4.3.7 and 5.1.2).
func TestTrapezoid(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(1e-3, 10).Draw(t, "a"), rapid.Float64Range(1e-3, 10).Draw(t, "b")
		const n = 2000
		last, sum := -(a + b), 0.0
		for i := range n {
			u := (float64(i) + 0.5) / n
			x := trapezoid(u, a, b)
			if x < last-1e-12 || math.Abs(x+trapezoid(1-u, a, b)) > 1e-9 || x != trapezoid(u, b, a) {
				t.Fatalf("a %v, b %v: at %v %v after %v", a, b, u, x, last)
			}
			last, sum = x, sum+x*x
		}
		if want := (a*a + b*b) / 3; math.Abs(sum/n-want) > 0.002*want {
			t.Fatalf("a %v, b %v: variance %v, want %v", a, b, sum/n, want)
		}
		if math.Abs(trapezoid(0, a, b)+a+b) > 1e-12 || math.Abs(trapezoid(1, a, b)-a-b) > 1e-12 {
			t.Fatal("the ends")
		}
	})
}

// TestRangeSaidAgain: what was typed as a range stands in the sentence as one, with
// the comparison it takes part in or behind it.
func TestRangeSaidAgain(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		id   string
		in   map[string]any
		says string
	}{
		{"bearing_play", map[string]any{"axial_mm": "0.40-0.42 mm", "radial_mm": 0.05, "axle_moves": false}, "xial play 0.4 to 0.42 mm is above 0.3 mm"},
		{"bearing_play", map[string]any{"axial_mm": "280 µm-0.32 mm", "radial_mm": 0.05, "axle_moves": false}, "0.28 to 0.32 mm"},
		{"capacity_test", map[string]any{"ah": "8.0 to 8.2 Ah", "ah_rated": 10.0, "stop_group_low": false}, "read as a range: charge delivered 8 to 8.2 Ah"},
		{"contact_dry_circuit", map[string]any{"r_mohm": []any{3.0, "130-140 mΩ", 5.0}}, "value 2, 130 to 140 mΩ"},
		{"phase_resistance_3", map[string]any{"r_ab": "100-102 mohm", "r_bc": 101.0, "r_ca": 101.0, "t_wind_c": 20.0, "flex_change_pct": 0.0}, "100 to 102 mΩ"},
	} {
		res := evaluate(t, setup(t, c.id), c.in, ParseOptions{})
		if !strings.Contains(res.Text, c.says) {
			t.Errorf("%s %v: %q does not say %q", c.id, c.in, res.Text, c.says)
		}
	}
	list := []any{}
	for i := range 6 {
		list = append(list, fmt.Sprintf("%d-%d", 10+i, 12+i))
	}
	if res := evaluate(t, setup(t, "contact_dry_circuit"), map[string]any{"r_mohm": list}, ParseOptions{}); !strings.Contains(res.Text, "and 3 more") {
		t.Errorf("%q", res.Text)
	}
}

// TestRangeLine: the number line shows the range, and its central 95 %.
func TestRangeLine(t *testing.T) {
	t.Parallel()
	res := evaluate(t, setup(t, "quiescent_current"), map[string]any{"i_ua": "400-600 µA", "q_ah": 10.0}, ParseOptions{})
	d := res.Deciding
	if d == nil || math.Abs(d.Value-500) > 1e-9 || math.Abs(d.Low-405) > 1 || math.Abs(d.High-595) > 1 || math.Abs(share(res, "drain")-0.5) > 0.01 {
		t.Errorf("%+v, %+v", d, res.Likelihood)
	}
}

// TestRangeIsItsMiddle: over the library's examples, a number typed as a narrow range
// about itself comes to what the number comes to.
func TestRangeIsItsMiddle(t *testing.T) {
	t.Parallel()
	defs, tables, ids := loadLibrary(t)
	tried := 0
	for _, id := range ids {
		m, _ := Compile(defs[id], tables)
		if m == nil {
			continue
		}
		for _, ex := range defs[id].Examples {
			in := map[string]any{}
			for k, v := range ex.In {
				if f, ok := v.(float64); ok && f > 0 && f < 1e6 && m.byID[k].kind == kindNumber && !m.byID[k].integer {
					v = fmt.Sprintf("%.12g to %.12g", f*(1-1e-9), f*(1+1e-9))
					tried++
				}
				in[k] = v
			}
			res := evaluate(t, m, in, ParseOptions{Prefix: "in"})
			if share(res, ex.Out) < 0.2 {
				t.Errorf("%s %v: %s, %+v, the numbers come to %s", id, in, res.Outcome, res.Likelihood, ex.Out)
			}
		}
	}
	if tried < 200 {
		t.Errorf("only %d numbers were typed as ranges", tried)
	}
}

// TestSplitList: how lists are typed and pasted.
func TestSplitList(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text string
		want []string
	}{
		{"3.2-3.4, 3.3", []string{"3.2-3.4", "3.3"}}, {"3,2-3,4 3,3", []string{"3,2-3,4", "3,3"}}, {"3.2 - 3.4 3.3", []string{"3.2 - 3.4", "3.3"}}, {"3.2 to 3.4 V 3.3 V", []string{"3.2 to 3.4 V", "3.3 V"}},
		{"3.2 V\n3.3 V\r\n3.2-3.4 V\n", []string{"3.2 V", "3.3 V", "3.2-3.4 V"}}, {"3.2\t3.3\t3.2…3.4", []string{"3.2", "3.3", "3.2…3.4"}}, {"3,2; 3,3;3,2–3,4", []string{"3,2", "3,3", "3,2–3,4"}},
		{"3.2 -3.4", []string{"3.2", "-3.4"}}, {"3.2- 3.4", []string{"3.2- 3.4"}}, {"3.2 … 3.4", []string{"3.2 … 3.4"}}, {"3.2 …3.4 5", []string{"3.2 …3.4", "5"}}, {"-5 -2", []string{"-5", "-2"}}, {"-5 to -2 -1", []string{"-5 to -2", "-1"}}, {"–5 –2", []string{"–5", "–2"}},
		{"3.7 3.8 3.9", []string{"3.7", "3.8", "3.9"}}, {"3.7, 3.8, 3.9,", []string{"3.7", "3.8", "3.9"}}, {"3.7;;3.9", []string{"3.7", "", "3.9"}}, {"V 3.2", []string{"V", "3.2"}},
	} {
		if got := splitList(c.text, units.MustUnit("V")); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%q parts into %q, want %q", c.text, got, c.want)
		}
	}
	for text, want := range map[string][]string{"OL 5 R15 OL MΩ": {"OL", "5", "R15", "OL MΩ"}, "4k7-5k1 4k8": {"4k7-5k1", "4k8"}, "12 mohm 13 mohm": {"12 mohm", "13 mohm"}, "100 m\u03a9 open": {"100 mΩ", "open"}} {
		if got := splitList(text, units.MustUnit("ohm")); !reflect.DeepEqual(got, want) {
			t.Errorf("%q parts into %q, want %q", text, got, want)
		}
	}
	// A pasted column with a flickering group goes all the way.
	res := evaluate(t, setup(t, "contact_dry_circuit"), map[string]any{"r_mohm": "12-15 mohm\n14 mohm\n90 to 110 mohm\n"}, ParseOptions{})
	if got := share(res, "film"); math.Abs(got-0.5) > 0.01 {
		t.Errorf("%+v", res.Likelihood)
	}
}
