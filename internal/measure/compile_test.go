package measure

import (
	"strings"
	"testing"

	"github.com/expr-lang/expr/vm"
)

// numericDef is a small sound definition that the cases below spoil.
func numericDef() Definition {
	return Definition{
		ID: "drop", Kind: Numeric,
		Inputs: []Input{{ID: "v", Unit: "V"}, {ID: "i", Unit: "A"}, {ID: "i_ma", Unit: "mA"}, {ID: "ok", Unit: "bool"}, {ID: "l", Unit: "list", Element: "V"},
			{ID: "m", Unit: "V", Nullable: true}, {ID: "how", Choice: []string{"a", "b"}}},
		Params:   map[string]float64{"limit": 10},
		Compute:  []Step{{ID: "r", Expr: "v / i"}},
		Outcomes: []Outcome{{ID: "high", When: "r > limit"}, {ID: "good", When: "true"}},
	}
}

func TestCompileIssues(t *testing.T) {
	t.Parallel()
	table := map[string]Table{"curve": {{0, 0}, {1, 10}}}
	when := func(s string) func(*Definition) { return func(d *Definition) { d.Outcomes[0].When = s } }
	expr := func(s string) func(*Definition) { return func(d *Definition) { d.Compute[0].Expr = s } }
	for _, c := range []struct {
		name  string
		spoil func(*Definition)
		path  string
		says  string
	}{
		{"unknown name", when("x > 3"), "outcomes[0].when", `unknown name "x"`},
		{"name is later", func(d *Definition) { d.Compute = append(d.Compute, Step{ID: "q", Expr: "1"}); d.Compute[0].Expr = "q" }, "compute[0].expr", `unknown name "q"`},
		{"syntax", when("r >"), "outcomes[0].when", "does not parse"},
		{"not a condition", when("r + 1"), "outcomes[0].when", "must be true or false"},
		{"arity", expr("abs(v, i)"), "compute[0].expr", "takes 1 argument"},
		{"unknown function", expr("sin(v)"), "compute[0].expr", "unknown function"},
		{"list as number", expr("l + 1"), "compute[0].expr", "is a list"},
		{"number as list", expr("mean(v)"), "compute[0].expr", "a list is needed"},
		{"bool arithmetic", expr("ok * 2"), "compute[0].expr", "is a bool"},
		{"text against number", when("how == 1"), "outcomes[0].when", "compares a text with a number"},
		{"sel of two kinds", expr("sel(ok, 1, 'x')"), "compute[0].expr", "both must be of one kind"},
		{"null arithmetic", expr("null + 1"), "compute[0].expr", "null can only"},
		{"nil", when("m == nil"), "outcomes[0].when", "write null"},
		{"table alone", expr("curve + 1"), "compute[0].expr", "is a table"},
		{"unknown table", expr("interp(v, curves)"), "compute[0].expr", "unknown table"},
		{"closure", expr("sum(map(l, {# * 2}))"), "compute[0].expr", ""},
		{"member", expr("l[0]"), "compute[0].expr", "outside the library's expression language"},
		{"ternary", expr("ok ? 1 : 2"), "compute[0].expr", "outside the library's expression language"},
		{"power operator", expr("v ** 2"), "compute[0].expr", "outside"},
		{"range", expr("len(1..1000000)"), "compute[0].expr", "outside"},
		{"let", expr("let a = 1; a"), "compute[0].expr", ""},
		{"too long", expr(strings.Repeat("1 + ", 400) + "1"), "compute[0].expr", "longer than"},
		{"too many nodes", expr(strings.Repeat("1+", 400) + "1"), "compute[0].expr", ""},
		{"deep nesting", expr(strings.Repeat("(", 450) + "1" + strings.Repeat(")", 450)), "", ""},
		{"mixed dimensions", when("v > i"), "outcomes[0].when", "mixes a voltage in V with a current in A"},
		{"mixed prefixes", when("i > i_ma"), "outcomes[0].when", "without a factor"},
		{"never true", when("1 > 2"), "outcomes[0].when", "never true"},
		{"always true", when("limit == 10"), "outcomes[0].when", "always true"},
		{"gap", func(d *Definition) { d.Outcomes[1].When = "r < 5" }, "outcomes[1].when", "have no outcome"},
		{"shadowed threshold", func(d *Definition) {
			d.Outcomes = []Outcome{{ID: "a", When: "r > 5"}, {ID: "b", When: "r > limit and ok"}, {ID: "c", When: "true"}}
		}, "outcomes[1].when", "never be reached"},
		{"outcome twice", func(d *Definition) { d.Outcomes[1].ID = "high" }, "outcomes[1].id", "stands twice"},
		{"name twice", func(d *Definition) { d.Compute[0].ID = "v" }, "compute[0].id", "already taken"},
		{"name of the language", func(d *Definition) { d.Compute[0].ID = "mean" }, "compute[0].id", "belongs to"},
		{"unknown unit", func(d *Definition) { d.Inputs[0].Unit = "parsec" }, "inputs[0].unit", "parsec"},
		{"no unit", func(d *Definition) { d.Inputs[0].Unit = "" }, "inputs[0].unit", "neither"},
		{"unknown algorithm", func(d *Definition) { d.Kind, d.Algorithm = Algorithm, "alg_guess" }, "algorithm", "alg_phase_resistance"},
		{"algorithm without its inputs", func(d *Definition) { d.Kind, d.Algorithm = Algorithm, "alg_bridge" }, "inputs", `"up"`},
		{"inspection with inputs", func(d *Definition) { d.Kind = Inspection }, "kind", "neither inputs"},
		{"no condition", when(""), "outcomes[0].when", "needs a condition"},
		{"one outcome", func(d *Definition) { d.Outcomes = d.Outcomes[1:] }, "outcomes", "at least two"},
	} {
		d := numericDef()
		c.spoil(&d)
		m, issues := Compile(d, table)
		if c.path == "" {
			continue // it must only not hang or crash
		}
		if m != nil || len(issues) == 0 {
			t.Errorf("%s: no issue", c.name)
			continue
		}
		found := false
		for _, is := range issues {
			found = found || (is.Path == c.path && strings.Contains(is.Message, c.says))
		}
		if !found {
			t.Errorf("%s: %v does not say %q at %s", c.name, issues, c.says, c.path)
		}
	}
	if _, issues := Compile(numericDef(), table); len(issues) > 0 {
		t.Errorf("the sound definition: %v", issues)
	}
}

// TestLanguage: each function and operator that the library's language names.
func TestLanguage(t *testing.T) {
	t.Parallel()
	sc := scope{names: map[string]valueType{
		"x": {kind: kindNumber}, "l": {kind: kindList}, "k": {kind: kindList}, "n": {kind: kindNumber, nullable: true}, "b": {kind: kindBool, nullable: true}, "s": {kind: kindText},
	}, tables: map[string]Table{"curve": {{0, 0}, {1, 10}, {3, 30}}}}
	env := map[string]any{"x": 2.0, "l": []float64{3, -1, 2}, "k": []float64{1, 2, 4}, "n": nil, "b": nil, "s": "cord"}
	for src, want := range map[string]any{
		"1 + 2 * 3 - 4 / 8": 6.5, "-x": -2.0, "7 / 2": 3.5, "1.0e+9": 1e9, "1.0e6 / 2": 5e5, "x * pi": 6.283185307179586,
		"abs(-3)": 3.0, "max(abs(l))": 3.0, "min(l)": -1.0, "max(1, x, 3)": 3.0, "min(x, 5)": 2.0, "mean(l)": 4.0 / 3, "median(l)": 2.0, "median(k)": 2.0, "sum(l)": 4.0, "len(l)": 3.0,
		"count(l, 1)": 2.0, "count_below(l, 0)": 1.0, "argmax(l)": 1.0, "argmin(l)": 2.0, "max(abs_dev(k))": 4 - 7.0/3,
		"max(sub(l, 1))": 2.0, "sum(scale(l, 2))": 8.0, "max(sub2(l, k))": 2.0, "sum(mul(l, k))": 9.0, "sum(mul(l, 2))": 8.0, "max(div(l, k))": 3.0,
		"ln(1)": 0.0, "exp(0)": 1.0, "sqrt(9)": 3.0, "pow(2, 10)": 1024.0, "sel(x > 1, 5, 6)": 5.0, "sel(s == 'cord', 15, 30)": 15.0,
		"interp(2, curve)": 20.0, "interp(-5, curve)": 0.0, "interp(99, curve)": 30.0,
		"true and not false": true, "1 < 2 or 1 / 0 > 5": true, "x >= 2 and x <= 2 and x == 2 and x != 3": true, "true != false": true,
		// Null: arithmetic is unknown, comparisons false, and only null tests see it.
		"n + 1": nil, "-n": nil, "abs(n)": nil, "n > 1": false, "n <= 1": false, "n == 1": false, "n != 1": false, "n == null": true, "n != null": false, "x != null": true,
		"n != null and abs(n) > 15": false, "not (n > 1)": true, "not b": true, "b or x == 2": true, "sel(b, 1, 2)": nil, "sel(x > 5, 1, n)": nil, "max(x, n)": nil, "interp(n, curve)": nil,
	} {
		p, err := compileExpr(src, sc)
		if err != nil {
			t.Errorf("%s: %v", src, err)
			continue
		}
		got, err := p.run(&vm.VM{}, env)
		if err != nil {
			t.Errorf("%s: %v", src, err)
			continue
		}
		if w, ok := want.(float64); ok {
			g, ok := got.(float64)
			if !ok || g-w > 1e-12 || w-g > 1e-12 {
				t.Errorf("%s = %v, want %v", src, got, want)
			}
		} else if got != want {
			t.Errorf("%s = %v, want %v", src, got, want)
		}
	}
}

// TestZeroDivisor: a zero reading must not slip past the limits as a non-number
// and come out as good.
func TestZeroDivisor(t *testing.T) {
	t.Parallel()
	m := setup(t, "harness_drop")
	in := map[string]any{"dv_mv": 0.0, "i_a": 0.0, "len_m": 0.3, "mm2": 6.0, "t_c": 22.0, "i_max_a": 40.0, "v_pack": 74.0, "joints": 2.0}
	r, _, err := m.Parse(in, ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Evaluate(r)
	if got := fieldsOf(t, err); !strings.Contains(got["readings.i_a"], "zero") {
		t.Errorf("%v", got)
	}
	// A bus that does not fall at all has an infinite time constant, which is a finding.
	if got := outcomeOf(t, setup(t, "bus_residual_voltage"), map[string]any{"v0": 70.0, "v1": 70.0, "t1": 60.0, "c_uf": 1000.0}, ParseOptions{}); got != "held" {
		t.Errorf("a bus that holds: %s", got)
	}
}

func TestUnknownTypeValue(t *testing.T) {
	t.Parallel()
	res := evaluate(t, setup(t, "phase_inductance_3"), map[string]any{"l_mean": []any{205.0, 203.0, 201.0}, "l_model": nil}, ParseOptions{})
	if res.Outcome != "balanced" {
		t.Errorf("%+v", res)
	}
	for _, v := range res.Values {
		if v.ID == "dev_pct" && v.Value != nil {
			t.Errorf("a deviation from an unknown type value: %v", v.Value)
		}
	}
}

func TestText(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		id   string
		in   map[string]any
		text string
	}{
		{"phase_chassis_insulation", map[string]any{"r_mohm": 1.6, "t_c": 20.0}, "Insulation brought to 40 °C = 0.4 MΩ is below 1 MΩ: wet (damp or contaminated: dry at 60-70 C and repeat before judging)."},
		{"bus_termination", map[string]any{"r_ohm": 60.4}, "Resistance between the two wires 60.4 Ω (between 50 Ω and 100 Ω): good (about 60 ohm)."},
		{"bearing_play", map[string]any{"axial_mm": 0.1, "radial_mm": 0.05, "axle_moves": "no"}, "Axial play 0.1 mm (limit 0.3 mm), radial play 0.05 mm (limit 0.15 mm): tight."},
		{"bearing_play", map[string]any{"axial_mm": 0.1, "radial_mm": 0.05, "axle_moves": "yes"}, "Axle moves in its blocks – yes: axle loose (movement is at the axle blocks, not in the bearing)."},
		{"pack_heat_triage", map[string]any{"t_box_c": 24.0, "t_amb_c": 21.0, "t_box10_c": 24.0}, "Rise over ambient 3 K (limit 10 K), rise per minute 0 K/min (limit 0.1 K/min), warmest spot of the battery box 24 °C (limit 60 °C): normal (no self-heating seen)."},
		{"light_output", map[string]any{"v_supply": 3.0, "v_nominal": 12.0, "i_lamp": 0.1, "i_nominal": 0.5}, "Supply voltage 3 V is below 8.4 V (0.7 × nominal supply voltage): no supply (auxiliary converter or driver fault)."},
		{"imu_static", map[string]any{"a_g": []any{1.0, 0.99, 1.01}, "gyro_dps": []any{0.1, 0.2, 0.1}, "pitch_err_deg": -3.0, "axis_ok": true}, "Pitch error when level -3° is outside ±1°: tilt offset (level calibration or loose mounting)."},
		{"phase_resistance_3", map[string]any{"r_ab": 101.0, "r_bc": 100.0, "r_ca": 100.5, "t_wind_c": 20.0, "flex_change_pct": 0.0}, "Unbalance 0.50 % (limit 5 %), mean 100.5 mΩ, 100.5 mΩ at 20 °C: balanced."},
	} {
		if got := evaluate(t, setup(t, c.id), c.in, ParseOptions{}).Text; got != c.text {
			t.Errorf("%s: %q, want %q", c.id, got, c.text)
		}
	}
}

func TestInspect(t *testing.T) {
	t.Parallel()
	m := setup(t, "charge_port_visual")
	res, err := m.Inspect("soot")
	if err != nil || res.Normal || share(res, "soot") != 1 || res.Text != "Soot (arc or heat marks)." {
		t.Errorf("%+v, %v", res, err)
	}
	if res, err = m.Inspect("clean"); err != nil || !res.Normal {
		t.Errorf("%+v, %v", res, err)
	}
	_, err = m.Inspect("rusty")
	if got := fieldsOf(t, err); !strings.Contains(got["outcome"], "green_corrosion") {
		t.Errorf("%v", got)
	}
	if _, err := m.Evaluate(Readings{}); err == nil {
		t.Error("an inspection was evaluated")
	}
}

// TestExampleMismatch: a wrong worked example is reported, so that
// TestLibraryExamples can fail.
func TestExampleMismatch(t *testing.T) {
	t.Parallel()
	d := numericDef()
	in := map[string]any{"v": 1.0, "i": 1.0, "i_ma": 1.0, "ok": true, "l": []any{1.0}, "m": nil, "how": "a"}
	d.Examples = []Example{{In: in, Out: "high"}, {In: in, Out: "good", Values: map[string]float64{"r": 1.01}}, {In: in, Out: "good", Detail: "x"}, {In: map[string]any{}, Out: "good"}, {In: in, Out: "good", Values: map[string]float64{"r": 1, "q": 1}}}
	m, issues := Compile(d, nil)
	if len(issues) > 0 {
		t.Fatal(issues)
	}
	if got := m.CheckExamples(); len(got) != len(d.Examples) {
		t.Errorf("%d of %d wrong examples were found: %v", len(got), len(d.Examples), got)
	}
}

func TestProseCompute(t *testing.T) {
	t.Parallel()
	defs, tables, _ := loadLibrary(t)
	def := defs["balance_tap_order"]
	if _, issues := Compile(def, tables); len(issues) > 0 {
		t.Errorf("prose in an algorithm's compute is documentation: %v", issues)
	}
	def = defs["phase_resistance_3"]
	def.Compute = append([]Step{{ID: "wrong", Expr: "r_xy + 1"}}, def.Compute...)
	if _, issues := Compile(def, tables); len(issues) == 0 {
		t.Error("an expression that parses must also be right")
	}
}

// TestInputs: what the notes of the library's lists say is understood.
func TestInputs(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		id, input, symbol string
		length            int
		over              bool
	}{
		{"phase_current_balance", "i_rms", "A", 3, false}, {"phase_hall_insulation", "r_kohm", "kΩ", 6, true}, {"hall_timing", "sector_us", "µs", 6, false},
		{"foot_sensor_resistance", "r_empty", "Ω", 2, true}, {"bridge_diode_test", "low_rev", "V", 3, true}, {"interbox_polarity", "v_dio_rev", "V", 0, true},
		{"input_resistance", "v_diode_rev", "V", 0, true}, {"imu_static", "a_g", "g", 0, false}, {"contact_dry_circuit", "r_mohm", "mΩ", 0, true},
		{"temperature_derating", "t_ch_cold", "°C", 0, false}, {"current_offset", "i_off", "A", 0, false}, {"balance_tap_order", "taps", "V", 0, false}, {"charge_current", "vf_expected", "V", 0, false},
	} {
		for _, in := range setup(t, c.id).Inputs() {
			if in.ID == c.input && (in.Symbol != c.symbol || in.Length != c.length || in.OverRange != c.over) {
				t.Errorf("%s.%s: unit %q, length %d, over-range %v", c.id, c.input, in.Symbol, in.Length, in.OverRange)
			}
		}
	}
}
