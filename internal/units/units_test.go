package units

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// TestParse is the table of spellings. Letter codes follow IEC 60062, unit codes
// UCUM; the other spellings are common practice, no source.
func TestParse(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text, want string
		value      float64
	}{
		// IEC 60062 letter codes.
		{"4k7", "ohm", 4700}, {"4K7", "ohm", 4700}, {"0R15", "ohm", 0.15}, {"2M2", "ohm", 2.2e6}, {"4R7", "ohm", 4.7}, {"R15", "ohm", 0.15},
		{"R47", "ohm", 0.47}, {"10R", "ohm", 10}, {"100R", "ohm", 100}, {"10k", "ohm", 1e4}, {"47k", "ohm", 47e3}, {"1M", "ohm", 1e6}, {"1M0", "ohm", 1e6},
		{"1G5", "ohm", 1.5e9}, {"3k32", "ohm", 3320}, {"59R04", "ohm", 59.04}, {"k47", "ohm", 470}, {"0r15", "ohm", 0.15}, {"4k7Ω", "ohm", 4700}, {"4k7 ohm", "ohm", 4700},
		{"0R15", "mohm", 150}, {"4R7", "mohm", 4700}, {"2M2", "Mohm", 2.2}, {"2M2", "kohm", 2200}, {"500M", "Mohm", 500}, {"4k7", "kohm", 4.7}, {"R001", "mohm", 1},
		{"4u7", "uF", 4.7}, {"4µ7", "uF", 4.7}, {"2n2", "uF", 0.0022}, {"1m5", "uF", 1500}, {"4u7", "uH", 4.7}, {"100u0", "uH", 100},
		{"3V3", "V", 3.3}, {"5V0", "V", 5}, {"2A5", "A", 2.5},
		// Decimal sign, sign, exponent, blanks.
		{"12,4 mV", "mV", 12.4}, {"12.4mV", "mV", 12.4}, {"62.4V", "V", 62.4}, {"62,4", "V", 62.4}, {"1e-3 ohm", "ohm", 1e-3}, {"1E-3", "ohm", 1e-3},
		{"1.0e+9", "ohm", 1e9}, {"-5", "C", -5}, {"−5", "C", -5}, {"–5 °C", "C", -5}, {"+3.3 V", "V", 3.3}, {".5 V", "V", 0.5}, {"5. V", "V", 5}, {"  74.0  V ", "V", 74},
		{"115 200", "Bd", 115200}, {"115\u00a0200 Bd", "Bd", 115200}, {"1 000 ohm", "ohm", 1000}, {"0", "V", 0}, {"-0.2", "A", -0.2}, {"3,700 V", "V", 3.7},
		// Ohm spellings; case tells mega from milli.
		{"5 ohm", "ohm", 5}, {"5 Ohm", "ohm", 5}, {"5 ohms", "ohm", 5}, {"5 Ω", "ohm", 5}, {"5 \u2126", "ohm", 5}, {"5Ω", "ohm", 5}, {"5 R", "ohm", 5},
		{"100 mohm", "mohm", 100}, {"100 mOhm", "mohm", 100}, {"100 mΩ", "mohm", 100}, {"0.1 ohm", "mohm", 100}, {"5 Mohm", "Mohm", 5}, {"5 MΩ", "Mohm", 5}, {"5 MOhm", "Mohm", 5},
		{"5 megohm", "Mohm", 5}, {"1.5 Gohm", "Mohm", 1500}, {"22 kohm", "ohm", 22000}, {"22 kΩ", "ohm", 22000}, {"22 KΩ", "ohm", 22000}, {"22 Kohm", "kohm", 22}, {"22 kOhm", "kohm", 22},
		{"250 uohm", "mohm", 0.25}, {"250 µΩ", "mohm", 0.25}, {"250 μΩ", "mohm", 0.25},
		// The rest of the trade.
		{"74 v", "V", 74}, {"74 Vdc", "V", 74}, {"74 volts", "V", 74}, {"3700 mV", "V", 3.7}, {"0.012 V", "mV", 12}, {"2 A", "A", 2}, {"2 amps", "A", 2}, {"150 mA", "mA", 150},
		{"0.15 A", "mA", 150}, {"90 uA", "uA", 90}, {"90 µA", "uA", 90}, {"0.09 mA", "uA", 90}, {"5 W", "W", 5}, {"3.2 J", "J", 3.2}, {"1000 uF", "uF", 1000}, {"1 mF", "uF", 1000},
		{"470 nF", "uF", 0.47}, {"200 uH", "uH", 200}, {"0.2 mH", "uH", 200}, {"30.2 mWb", "mWb", 30.2}, {"0.0302 Wb", "mWb", 30.2}, {"24 C", "C", 24}, {"24 °C", "C", 24},
		{"24 Cel", "C", 24}, {"24 degC", "C", 24}, {"24℃", "C", 24}, {"3950 K", "K", 3950}, {"10 kPa", "kPa", 10}, {"10000 Pa", "kPa", 10}, {"0.1 bar", "kPa", 10},
		{"120 s", "s", 120}, {"2 min", "s", 120}, {"100 ms", "ms", 100}, {"0.1 s", "ms", 100}, {"8.68 us", "us", 8.68}, {"8.68 µs", "us", 8.68}, {"30 min", "min", 30},
		{"12 h", "h", 12}, {"4 d", "d", 4}, {"4 days", "d", 4}, {"0.3 m", "m", 0.3}, {"30 cm", "m", 0.3}, {"0.2 mm", "mm", 0.2}, {"6 mm2", "mm2", 6}, {"6 mm²", "mm2", 6},
		{"6 mm^2", "mm2", 6}, {"15 cm2", "cm2", 15}, {"1.5 l", "l", 1.5}, {"1.5 L", "l", 1.5}, {"1500 ml", "l", 1.5}, {"200 ml/min", "ml/min", 200}, {"0.2 l/min", "ml/min", 200},
		{"12.5 l/min", "l/min", 12.5}, {"150 N", "N", 150}, {"43.1 Hz", "Hz", 43.1}, {"115200 Bd", "Bd", 115200}, {"115200 baud", "Bd", 115200}, {"5.6 Ah", "Ah", 5.6},
		{"5600 mAh", "Ah", 5.6}, {"20 deg", "deg", 20}, {"20°", "deg", 20}, {"90 %", "%", 90}, {"90%", "%", 90}, {"-60 dBm", "dBm", -60}, {"20 K/W", "K/W", 20},
		{"3 W/(m*K)", "W/(m*K)", 3}, {"3 W/(m·K)", "W/(m*K)", 3}, {"3 W/m/K", "W/(m*K)", 3}, {"12.2 rpm/V", "rpm/V", 12.2}, {"20", "count", 20}, {"1.01 g", "[g]", 1.01},
	} {
		got, err := Parse(c.text, MustUnit(c.want))
		if err != nil || got.Over {
			t.Errorf("Parse(%q, %s) = %+v, %v", c.text, c.want, got, err)
			continue
		}
		if math.Abs(got.Value-c.value) > 1e-12*math.Abs(c.value) {
			t.Errorf("Parse(%q, %s) = %v, want %v", c.text, c.want, got.Value, c.value)
		}
	}
}

func TestParseExactDecimals(t *testing.T) {
	t.Parallel()
	// Shifting the decimal sign must give the float nearest to the decimal number.
	for text, want := range map[string]float64{"12.4 mV": 0.0124, "62 mV": 0.062, "3700 mV": 3.7, "0.1 mV": 0.0001} {
		if got, err := Parse(text, volt); err != nil || got.Value != want {
			t.Errorf("Parse(%q, V) = %v, %v; want exactly %v", text, got.Value, err, want)
		}
	}
}

func TestParseOver(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"OL", "ol", "O.L", ".OL", "0L", "0.L", "open", "Open", "∞", "over", "over-range", "over range", "OL MΩ", "OL kohm", "open circuit"} {
		if got, err := Parse(text, MustUnit("mohm")); err != nil || !got.Over {
			t.Errorf("Parse(%q) = %+v, %v; want over-range", text, got, err)
		}
	}
	if _, err := Parse("OL V", MustUnit("mohm")); err == nil {
		t.Error("an over-range in volts was taken for a resistance")
	}
}

func TestParseErrors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, want, says string }{
		{"4k7J", "ohm", "tolerance letter J"}, {"4R7 K", "ohm", "tolerance letter K"}, {"62 kg", "V", "voltage in V was expected"},
		{"5 A", "V", "a current"}, {"4k7", "V", "a resistance"}, {"24 C", "V", "a temperature"}, {"90 %", "V", "voltage"}, {"20 deg", "%", "an angle"},
		{"NaN", "V", "OL"}, {"inf", "V", "OL"}, {"-Infinity", "V", "OL"}, {"", "V", "nothing"}, {"   ", "V", "nothing"}, {"abc", "V", "begin with a number"},
		{"1.234.567", "V", "not one number"}, {"1,234.5 V", "V", "not one number"}, {"12 3 V", "V", "not one number"}, {"1e999", "V", "out of range"}, {"5 parsec", "V", "parsec"}, {"5--", "V", "not"},
		{"12 mol", "V", "mol"}, {"-", "V", "number"}, {"4k7 V", "ohm", "Ω"}, {"5 V A", "V", "not a unit"}, {"7\x00", "V", "control"}, {strings.Repeat("1", 65), "V", "64 characters"},
		{"10 dBm", "W", "power level"}, {"5 W", "J", "energy"}, {"20 V", "count", "plain number"},
	} {
		got, err := Parse(c.text, MustUnit(c.want))
		if err == nil {
			t.Errorf("Parse(%q, %s) = %+v, want an error", c.text, c.want, got)
		} else if !strings.Contains(err.Error(), c.says) {
			t.Errorf("Parse(%q, %s): %q does not say %q", c.text, c.want, err, c.says)
		}
	}
}

func TestWarnings(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text, want string
		warned     bool
	}{
		{"62 mV", "V", true}, {"62 V", "mV", true}, {"74 V", "V", false}, {"0R15", "mohm", false}, {"47R", "mohm", true}, {"4k7", "ohm", false},
		{"150 mohm", "ohm", false}, {"0.05", "V", false}, {"297 K", "C", true}, {"3700 mV", "V", false},
	} {
		got, err := Parse(c.text, MustUnit(c.want))
		if err != nil || (got.Warning != "") != c.warned {
			t.Errorf("Parse(%q, %s): warning %q, %v; warned must be %v", c.text, c.want, got.Warning, err, c.warned)
		}
	}
}

func TestParseJSON(t *testing.T) {
	t.Parallel()
	obj := func(v any, unit any) map[string]any { return map[string]any{"value": v, "unit": unit} }
	for _, c := range []struct {
		in   any
		want float64
	}{
		{62.4, 62.4}, {"62.4 V", 62.4}, {obj(62.4, "V"), 62.4}, {obj(62400.0, "mV"), 62.4}, {obj("62,4", "V"), 62.4}, {obj(62.4, nil), 62.4},
		{json.Number("62.4"), 62.4}, {62, 62}, {map[string]any{"value": "62400 mV"}, 62.4}, {obj(0.0624, "kV"), 62.4},
	} {
		got, err := ParseJSON(c.in, volt)
		if err != nil || math.Abs(got.Value-c.want) > 1e-12 {
			t.Errorf("ParseJSON(%v) = %v, %v", c.in, got, err)
		}
	}
	for _, bad := range []any{nil, true, []any{1.0}, obj(1.0, "kg"), obj(1.0, 3.0), obj(obj(1.0, "V"), "V"), map[string]any{"unit": "V"}, map[string]any{"value": 1.0, "volts": 2.0}, math.NaN(), math.Inf(1), obj(math.Inf(1), "V")} {
		if got, err := ParseJSON(bad, volt); err == nil {
			t.Errorf("ParseJSON(%v) = %v, want an error", bad, got)
		}
	}
	if got, err := ParseJSON(obj("OL", "Mohm"), ohm); err != nil || !got.Over {
		t.Errorf("over-range in an object: %v, %v", got, err)
	}
}

// TestStep: the last digit typed, which an instrument's "counts" refer to.
func TestStep(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]float64{"12.43": 0.01, "12430 mV": 0.001, "74": 1, "7e1": 10, "1.20e3": 10} {
		got, err := Parse(text, volt)
		if err != nil || math.Abs(got.Step-want) > 1e-9*want {
			t.Errorf("Step of %q = %v, %v; want %v", text, got.Step, err, want)
		}
	}
}

func TestUnits(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ in, code, symbol string }{
		{"mohm", "mOhm", "mΩ"}, {"Mohm", "MOhm", "MΩ"}, {"kohm", "kOhm", "kΩ"}, {"C", "Cel", "°C"}, {"uA", "uA", "µA"}, {"W/(m*K)", "W/(m.K)", "W/(m·K)"},
		{"mm2", "mm2", "mm²"}, {"Ah", "A.h", "Ah"}, {"rpm/V", "{r}/(min.V)", "rpm/V"}, {"count", "1", ""}, {"%", "%", "%"}, {"dBm", "dB[mW]", "dBm"}, {"ml/min", "ml/min", "ml/min"},
		{"deg", "deg", "°"}, {"V/Hz", "V/Hz", "V/Hz"}, {"s-1", "1/s", "1/s"}, {"/s", "1/s", "1/s"},
	} {
		u, err := ParseUnit(c.in)
		if err != nil || u.Code() != c.code || u.Symbol() != c.symbol {
			t.Errorf("ParseUnit(%q) = %q, %q, %v; want %q, %q", c.in, u.Code(), u.Symbol(), err, c.code, c.symbol)
		}
		if again, err := ParseUnit(u.Code()); err != nil || again != u {
			t.Errorf("the code %q of %q does not read back: %+v, %v", u.Code(), c.in, again, err)
		}
	}
	if (Unit{}) != MustUnit("1") {
		t.Error("the zero Unit is not the plain number")
	}
}

// TestConversions: SI brochure (9th edition, 2019) and UCUM definitions.
func TestConversions(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		v        float64
		from, to string
		want     float64
	}{
		{0, "C", "K", 273.15}, {25, "C", "K", 298.15}, {212, "[degF]", "C", 100}, {1, "bar", "kPa", 100}, {1, "[psi]", "Pa", 6894.757293168361},
		{1, "W.h", "J", 3600}, {1, "A.h", "A.s", 3600}, {180, "deg", "rad", math.Pi}, {60, "rpm", "Hz", 1}, {1, "V/A", "ohm", 1}, {1, "W/A", "V", 1},
		{1, "Wb", "V.s", 1}, {1, "F", "A.s/V", 1}, {1, "H", "V.s/A", 1}, {1, "N.m", "J", 1}, {1, "Pa.m3/s", "W", 1}, {50, "%", "1", 0.5}, {1, "l", "cm3", 1000}, {1, "[g]", "m/s2", 9.80665},
	} {
		got, err := MustUnit(c.from).Convert(c.v, MustUnit(c.to))
		if err != nil || math.Abs(got-c.want) > 1e-9*math.Max(1, math.Abs(c.want)) {
			t.Errorf("%v %s = %v %s, %v; want %v", c.v, c.from, got, c.to, err, c.want)
		}
	}
	if _, err := volt.Convert(1, ohm); err == nil {
		t.Error("volts were converted to ohms")
	}
}

func TestUnitErrors(t *testing.T) {
	t.Parallel()
	for _, s := range []string{"parsec", "(", "m)", "V//A", "V.", "m9", "((((((V))))))", "kmin", "mCel", strings.Repeat("m.", 20) + "m", "m4.m4.m4", "μ", "²"} {
		if u, err := ParseUnit(s); err == nil {
			t.Errorf("ParseUnit(%q) = %+v, want an error", s, u)
		}
	}
}

func TestFormat(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		v    float64
		unit string
		sig  int
		want string
	}{
		{0.0124, "V", 3, "12.4 mV"}, {4700, "ohm", 3, "4.7 kΩ"}, {1.4e6, "ohm", 3, "1.4 MΩ"}, {1.4, "Mohm", 3, "1.4 MΩ"}, {100.5, "mohm", 4, "100.5 mΩ"}, {24.04, "C", 3, "24 °C"},
		{62.4, "V", 3, "62.4 V"}, {999.96, "mohm", 4, "1 Ω"}, {0, "V", 3, "0 V"}, {-0.0124, "V", 3, "-12.4 mV"}, {20, "count", 3, "20"}, {0.498, "%", 2, "0.5 %"},
		{20, "deg", 3, "20°"}, {3600, "s", 4, "3600 s"}, {5.6, "Ah", 3, "5.6 Ah"}, {2.5e-7, "A", 3, "250 nA"}, {12.5, "l/min", 3, "12.5 l/min"},
	} {
		if got := Format(c.v, MustUnit(c.unit), c.sig); got != c.want {
			t.Errorf("Format(%v, %s, %d) = %q, want %q", c.v, c.unit, c.sig, got, c.want)
		}
	}
}
