package units

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestRanges: how technicians write what a flickering display shows (common
// practice, no source; the letter codes IEC 60062, the units UCUM), with the two ends
// in the wanted unit.
func TestRanges(t *testing.T) {
	t.Parallel()
	for _, g := range []struct {
		want      string
		low, high float64
		texts     string // apart by |
	}{
		{"V", 3.2, 3.4, "3.2-3.4 V|3.2 - 3.4 V|3.2–3.4|3.2 – 3.4 V|3.2—3.4|3.2‑3.4 V|3.2−3.4 V|3,2-3,4|3,2…3,4 V|3.2…3.4|3.2 … 3.4 V|3.2...3.4 V|3.2..3.4|3.2 .. 3.4 V|3.2~3.4 V|3.2 to 3.4 V|3.2 TO 3.4 V|3.2to3.4 V|3.2 to 3.4"},
		{"V", 3.2, 3.4, "3.2V-3.4V|3.2 V - 3.4 V|3.2 V to 3.4 V|3.2 V…3.4 V|3200-3400 mV|3200 mV to 3.4 V|3.2 V-3400 mV|3.2 V - 3.4|3V2-3V4|3V2 to 3V4|+3.2-+3.4 V|3.2e0-3.4e0 V|32e-1-34e-1|3 200-3 400 mV"},
		{"V", 0.98, 1.1, "980 mV-1.1 V|980mV - 1.1V|0.98 to 1.1|0,98–1,10 V|980-1100 mV"},
		{"mohm", 12, 15, "12-15 mohm|12-15|12–15 mΩ|12 to 15 mOhm|12 mohm-15 mohm|0R012-0R015|0.012-0.015 ohm|12…15 milliohms|12000-15000 µΩ"},
		{"ohm", 4700, 5100, "4k7-5k1|4k7…5k1|4K7 to 5K1|4.7-5.1k|4.7k-5.1k|4.7-5.1 kΩ|4700-5100|4700R-5100R|4.7 k to 5.1 k|4k7-5.1 kohm|4k7 Ω - 5k1 Ω"},
		{"ohm", 47e3, 51e3, "47-51k|47k-51k|47k–51k|47 to 51 kohm"},
		{"C", -5, -2, "-5--2 C|-5 to -2 C|−5…−2 °C|-5 - -2 °C|–5––2 °C|-5 °C - -2 °C"},
		{"C", -5, 2, "-5-2 C|-5 to 2 °C|-5…+2 °C|-5 - 2"},
		{"C", 20, 25, "20-25 °C|20–25 C|20 to 25 deg C|293.15 K - 298.15 K|68-77 °F|68 °F to 25 °C"},
		{"A", -0.2, 0.1, "-0.2-0.1|-0.2…0.1 A|-200-100 mA|-200 mA to 0.1 A"},
		{"%", 10, 20, "10-20 %|10 %-20 %|10 to 20 percent|10–20%"},
		{"deg", 18, 20, "18-20°|18°-20°|18 to 20 degrees"},
		{"uF", 4.7, 5.1, "4u7-5u1|4.7-5.1 µF|4700 nF to 5.1 µF|4.7u-5.1u"},
		{"s", 2, 4, "2-4 s|2 s-4 s|2 s to 4 s|2 s-4|2000 ms…4 s"},
		{"Hz", 1, 2, "1-2 s-1|1-2 Hz"},
		{"ohm", 1e-3, 2e-3, "1e-3-2e-3|1e-3 to 2e-3 ohm|1E-3 Ω-2E-3 Ω"},
		{"Ah", 5.6, 6, "5.6-6 amp-hours|5600-6000 mAh"},
		{"V", 3.3, 3.3, "3.3-3.3 V|3.30 to 3.3 V"},
		{"dBm", -90, -80, "-90--80 dBm|-90 to -80|−90…−80 dBm"},
	} {
		for text := range strings.SplitSeq(g.texts, "|") {
			want := MustUnit(g.want)
			got, err := Parse(text, want)
			tol := 1e-9 * max(math.Abs(g.low), math.Abs(g.high))
			if err != nil || got.Over || math.Abs(got.Value-got.HalfWidth-g.low) > tol || math.Abs(got.Value+got.HalfWidth-g.high) > tol {
				t.Errorf("Parse(%q, %s) = %+v, %v; want %v to %v", text, g.want, got, err, g.low, g.high)
			}
			if got.Text != text {
				t.Errorf("%q was kept as %q", text, got.Text)
			}
		}
	}
}

// TestNoRange: single readings that hold a hyphen stay what they are.
func TestNoRange(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text, want string
		value      float64
	}{
		{"1e-3", "V", 1e-3}, {"1E-3 V", "V", 1e-3}, {"-3.2 V", "V", -3.2}, {"–5 °C", "C", -5}, {"−60 dBm", "dBm", -60}, {"5 s-1", "Hz", 5}, {"5.6 amp-hours", "Ah", 5.6}, {"-1e-3 V", "V", -1e-3}, {"150 newton", "N", 150},
	} {
		if got, err := Parse(c.text, MustUnit(c.want)); err != nil || got.Value != c.value || got.HalfWidth != 0 {
			t.Errorf("Parse(%q) = %+v, %v", c.text, got, err)
		}
	}
}

// TestRangeErrors: what is wrong with a range is named.
func TestRangeErrors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, want, says string }{
		{"3.4-3.2 V", "V", "runs from high to low: write 3.2 to 3.4 V"}, {"1.1 V-980 mV", "V", "write 0.98 to 1.1 V"}, {"-2--5 C", "C", "write -5 to -2 °C"}, {"-2 to -5 °C", "C", "high to low"}, {"5k1-4k7", "ohm", "write 4700 to 5100 Ω"},
		{"1 V - 2 ohm", "V", "a voltage at one end and a resistance at the other"}, {"1 V - 2 ohm", "ohm", "a voltage at one end"}, {"3 mV to 4 mA", "V", "a current at the other"}, {"4k7-5 V", "V", "a resistance"},
		{"1-2 ohm", "V", "a voltage in V was expected"}, {"1 ohm-2 ohm", "V", "a voltage in V was expected"}, {"3-4 parsec", "V", "parsec"},
		{"OL-5 Mohm", "ohm", "over range at one end"}, {"5 Mohm to OL", "ohm", "over range at one end"}, {"2 Mohm-open", "ohm", "give OL alone"}, {"OL - OL", "ohm", "over range"},
		{"4-5k1", "ohm", "write both ends alike"}, {"4k7-5", "ohm", "write both ends alike"},
		{"2026-11-25", "V", "neither one reading nor one range"}, {"1-2-3", "V", "neither one reading nor one range"}, {"1 - 2 - 3 V", "V", "neither"}, {"0171-2345678", "ohm", "zeros before a number"}, {"030-12345", "V", "zeros before"}, {"+49 171 2345678", "ohm", "not one number"},
		{"555-123-4567", "ohm", "neither"}, {"3.2-3.4, 3.3", "V", "not one number"}, {"3.2, 3.3", "V", "not one number"}, {"3.2-3.4;3.3", "V", "not a unit"}, {"3.2-", "V", "not one number"}, {"3.2 to", "V", "not a unit"}, {"to 3.4", "V", "begin with a number"}, {"-", "V", "number"},
		{"1e999-2e999", "V", "out of range"}, {"-1e308-1e308", "V", "out of range"}, {"NaN-3", "V", "begin with a number"}, {"3-NaN", "V", "not"}, {"1 to 2 to 3", "V", "unit"}, {"1…2…3", "V", "unit"}, {"4k7J-5k1J", "ohm", "tolerance"},
	} {
		got, err := Parse(c.text, MustUnit(c.want))
		if err == nil {
			t.Errorf("Parse(%q, %s) = %+v, want an error", c.text, c.want, got)
		} else if !strings.Contains(err.Error(), c.says) {
			t.Errorf("Parse(%q, %s): %q does not say %q", c.text, c.want, err, c.says)
		}
	}
}

func TestRangeWarnings(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, want, says string }{
		{"555-1234", "ohm", "wide range"}, {"1-3 V", "V", "wide range"}, {"1-2 V", "V", ""}, {"-1-1 V", "V", ""}, {"5-25 °C", "C", ""}, {"62-64 mV", "V", "is the prefix right"}, {"68-77 °F", "C", "converted"},
	} {
		got, err := Parse(c.text, MustUnit(c.want))
		if err != nil || (got.Warning == "") != (c.says == "") || !strings.Contains(got.Warning, c.says) {
			t.Errorf("Parse(%q) = %+v, %v", c.text, got, err)
		}
	}
}

// TestRangeStep: counts refer to the last digit of the coarser end.
func TestRangeStep(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]float64{"3.20-3.41 V": 0.01, "3.2-3.41 V": 0.1, "980 mV-1.10 V": 0.01} {
		if got, err := Parse(text, volt); err != nil || math.Abs(got.Step-want) > 1e-12 {
			t.Errorf("Step of %q = %v, %v", text, got.Step, err)
		}
	}
}

// TestRangeInObject: a range in JSON, with the unit beside it.
func TestRangeInObject(t *testing.T) {
	t.Parallel()
	for _, in := range []any{"3.2-3.4", map[string]any{"value": "3200-3400", "unit": "mV"}, map[string]any{"value": "3.2-3.4 V", "unit": "V"}, map[string]any{"value": "3200 mV-3.4 V", "unit": "V"}, map[string]any{"value": "3.2 to 3.4"}} {
		got, err := ParseJSON(in, volt)
		if err != nil || math.Abs(got.Value-3.3) > 1e-12 || math.Abs(got.HalfWidth-0.1) > 1e-12 || math.Abs(got.Step-0.1) > 0.0991 {
			t.Errorf("ParseJSON(%v) = %+v, %v", in, got, err)
		}
	}
	got, err := ParseJSON(map[string]any{"value": "68-77", "unit": "[degF]"}, MustUnit("C"))
	if err != nil || math.Abs(got.Value-22.5) > 1e-9 || math.Abs(got.HalfWidth-2.5) > 1e-9 {
		t.Errorf("%+v, %v", got, err)
	}
}

// readsBackAsRange: what was read as a range prints as one that reads the same.
func readsBackAsRange(t rapid.TB, r Reading, u Unit) {
	t.Helper()
	if r.HalfWidth < 0 || math.IsNaN(r.HalfWidth) || math.IsInf(r.HalfWidth, 0) {
		t.Fatalf("%+v", r)
	}
	low, high := r.Value-r.HalfWidth, r.Value+r.HalfWidth
	text := FormatRange(low, high, u)
	if r.HalfWidth == 0 || len(text) > MaxText {
		return
	}
	back, err := Parse(text, u)
	tol := 1e-11 * max(math.Abs(low), math.Abs(high))
	if err != nil || math.Abs(back.Value-r.Value) > tol || math.Abs(back.HalfWidth-r.HalfWidth) > tol {
		t.Fatalf("%q read as %+v prints as %q and reads as %+v (%v)", r.Text, r, text, back, err)
	}
}

// TestRangePrintParse: any two ends in any unit, with any of the signs between them.
func TestRangePrintParse(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		u := MustUnit(rapid.SampledFrom(words).Draw(t, "unit"))
		a := rapid.Float64Range(-1e6, 1e6).Draw(t, "a") * math.Pow10(rapid.IntRange(-6, 0).Draw(t, "exp"))
		b := a + rapid.Float64Range(1e-3, 1e3).Draw(t, "span")
		readsBackAsRange(t, Reading{Value: (a + b) / 2, HalfWidth: (b - a) / 2}, u)
		sign := rapid.SampledFrom([]string{"-", " - ", "–", "…", "...", " to ", "~"}).Draw(t, "sign")
		text := Number(a, 9) + sign + Number(b, 9) + " " + u.Symbol()
		got, err := Parse(text, u)
		tol := 1e-8 * max(math.Abs(a), math.Abs(b))
		if Number(a, 9) == Number(b, 9) {
			return
		}
		if err != nil || math.Abs(got.Value-(a+b)/2) > tol || math.Abs(got.HalfWidth-(b-a)/2) > tol {
			t.Fatalf("Parse(%q) = %+v, %v", text, got, err)
		}
	})
}
