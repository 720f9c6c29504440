package units

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestSpellings: what technicians write, by quantity; the unit and value it must
// come to stand before each group. Codes are UCUM, symbols SI; the words and the
// bare prefixes are common practice, no source. Conversions: SI brochure, 9th
// edition, and NIST SP 811 appendix B (°F, psi).
func TestSpellings(t *testing.T) {
	t.Parallel()
	total := 0
	for _, g := range []struct {
		want  string
		value float64
		texts string // apart by |
	}{
		{"ohm", 4700, "4k7|4K7|4.7k|4.7 k|4,7k|4.7K|4.7 kΩ|4.7 kohm|4.7 kOhm|4.7 KΩ|4.7 Kohm|4700|4700R|4700 R|4700 Ω|4.7 kiloohm|4.7 kilohms|4.7e3 ohm|4 700 Ω|0.0047 MΩ"},
		{"ohm", 2.2e6, "2M2|2.2M|2,2 M|2.2 MΩ|2.2 Mohm|2.2 MOhm|2.2 megohm|2.2 meg|2.2 Meg|2200 k|2200kΩ|2.2 megaohms"},
		{"mohm", 150, "150|150 mΩ|150 mohm|150 mOhm|150 milliohm|150 milliohms|0R15|R15|0.15 Ω|0.15R|0,15 ohm|150000 µΩ|150000 uohm|150000 microohm"},
		{"V", 62.4, "62.4|62,4|62.4V|62.4 V|62.4 v|62.4 volt|62.4 volts|62.4 Vdc|62.4 VDC|62.4 V dc|62.4 V DC|62.4 V=|62400 mV|62400 mVdc|62400 millivolts|0.0624 kV|62V4|+62.4 V"},
		{"mV", 12, "12|12 mV|12 mv|12mV|12 millivolt|12 mVDC|0.012 V|12000 µV|12000 uV|12000 microvolts"},
		{"V", 5, "5V0|5 Vac|5 V~|5 V AC|5 Vrms|5 V rms|5 Vpp|5000mV"},
		{"A", 2.5, "2.5|2A5|2.5 A|2,5A|2.5 a|2.5 amps|2.5 amp|2.5 amperes|2.5 Adc|2.5 A DC|2500 mA|2500 ma|2500 milliamps|2.5 Arms"},
		{"uA", 90, "90|90 µA|90 μA|90 uA|90 ua|90 microamps|0.09 mA|0.00009 A"},
		{"uF", 4.7, "4.7|4u7|4µ7|4.7u|4.7 µ|4.7 µF|4.7 uF|4.7uf|4.7 microfarad|4.7 mfd|4700 nF|4700n|0.0047 mF|0.0000047 F"},
		{"nF", 2.2, "2n2|2.2n|2.2 nF|2200 pF|2200p|2.2 nanofarad|2200 picofarad"},
		{"uH", 200, "200|200 µH|200uH|200 uh|200u|200 microhenry|0.2 mH|0.2 millihenry|200000 nH"},
		{"C", 25, "25|25 °C|25°C|25 ° C|25 C|25 c|25 Cel|25℃|25 degC|25 deg C|25 degrees C|25 celsius|25 Celsius|298.15 K|298.15 kelvin|77 °F|77 [degF]|77 degF|77 deg F|77 F|77 fahrenheit"},
		{"K", 10, "10|10 K|10 kelvin|10 kelvins|10000 mK"},
		{"%", 90, "90|90 %|90%|90 pct|90 percent|90 per cent"},
		{"s", 120, "120|120 s|120 sec|120 secs|120 seconds|2 min|2 mins|2 minutes|120000 ms|120000 msec|120000 milliseconds"},
		{"h", 36, "36|36 h|36 hr|36 hrs|36 hours|1.5 d|1.5 days|2160 min"},
		{"d", 14, "14|14 d|14 days|2 weeks|2 wk|336 h"},
		{"us", 8.68, "8.68|8.68 µs|8.68us|8.68 usec|8.68 microseconds|0.00868 ms"},
		{"kPa", 10, "10|10 kPa|10 kpa|10000 Pa|100 mbar|0.1 bar|100 hPa|1.4503773773 psi|1.4503773773 [psi]"},
		{"mm2", 6, "6|6 mm2|6 mm²|6 mm^2|6 sq mm|6 qmm|0.06 cm2"},
		{"mm", 0.2, "0.2|0.2 mm|0.2 millimetre|200 µm|200 um|0.02 cm|0.0002 m|0.0002 metres"},
		{"l", 1.5, "1.5|1.5 l|1.5 L|1.5 litre|1.5 liters|1500 ml|1500 mL|1500 cc|1500 cm3"},
		{"ml/min", 200, "200|200 ml/min|200 sccm|200 cc/min|0.2 l/min|0.2 lpm"},
		{"N", 150, "150|150 N|150 newton|0.15 kN"},
		{"Ah", 5.6, "5.6|5.6 Ah|5.6 AH|5.6 A.h|5.6 amp hours|5600 mAh|5600 mah"},
		{"Hz", 43.1, "43.1|43.1 Hz|43.1 hz|43.1 hertz|0.0431 kHz"},
		{"deg", 20, "20|20°|20 deg|20 degrees"},
		{"rpm", 300, "300|300 rpm|300 RPM|300 rev/min|300 r/min"},
		{"J", 3.2, "3.2|3.2 J|3.2 joules|3200 mJ|3.2 W.s"},
		{"[g]", 1, "1|1 g|1 [g]|9.80665 m/s2"},
		{"dBm", -60, "-60|-60 dBm|−60 dBm|–60 dbm"},
		{"K/W", 20, "20|20 K/W|20 °C/W|0.02 K/mW"},
	} {
		for text := range strings.SplitSeq(g.texts, "|") {
			total++
			got, err := Parse(text, MustUnit(g.want))
			if err != nil || got.Over {
				t.Errorf("Parse(%q, %s) = %+v, %v", text, g.want, got, err)
			} else if math.Abs(got.Value-g.value) > 1e-9*math.Abs(g.value) {
				t.Errorf("Parse(%q, %s) = %v, want %v", text, g.want, got.Value, g.value)
			}
		}
	}
	if total < 200 {
		t.Errorf("%d spellings, at least 200 are wanted", total)
	}
}

// TestUncertainReading: a value with its uncertainty is refused with what to type instead.
func TestUncertainReading(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, want, says string }{
		{"3.3 ± 0.1 V", "V", "give 3.3 V here"}, {"3.3+/-0.1 V", "V", "accuracy"}, {"3.3 +- 0.1 V", "V", "accuracy"}, {"100 mΩ ± 5 mΩ", "mohm", "accuracy"},
	} {
		if got, err := Parse(c.text, MustUnit(c.want)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("Parse(%q, %s) = %+v, %v; wanted the words %q", c.text, c.want, got, err, c.says)
		}
	}
}

// TestFormatUncertain (figures from memory): JCGM 100:2008, 7.2.2 (a mass of 100.02147 g with 0.35 mg)
// and H.1 (50.000838 mm with 93 nm); the others by its rule 7.2.6, by hand.
func TestFormatUncertain(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		v, u       float64
		unit, want string
	}{
		{100.02147, 0.00035, "g", "(100.02147 ± 0.00035) g"}, {0.050000838, 93e-9, "m", "(50.000838 ± 0.000093) mm"}, {62.4037, 0.1234, "V", "(62.40 ± 0.12) V"},
		{0.0124, 0.00031, "V", "(12.40 ± 0.31) mV"}, {4712, 47, "ohm", "(4.712 ± 0.047) kΩ"}, {23.46, 1.5, "C", "(23.5 ± 1.5) °C"}, {1234, 123, "s", "(1230 ± 120) s"}, {98765, 1500, "s", "(98800 ± 1500) s"},
		{5, 0.0996, "V", "(5.00 ± 0.10) V"}, {0, 0.5, "A", "(0 ± 500) mA"}, {-0.004, 0.12, "V", "(0 ± 120) mV"}, {20, 1, "count", "20.0 ± 1.0"}, {62.4, 0, "V", "62.4 V"}, {62.4, math.NaN(), "V", "62.4 V"},
	} {
		if got := FormatUncertain(c.v, c.u, MustUnit(c.unit)); got != c.want {
			t.Errorf("FormatUncertain(%v, %v, %s) = %q, want %q", c.v, c.u, c.unit, got, c.want)
		}
	}
}

// TestFormatUncertainReadsBack: the value comes back to within half a digit of the
// uncertainty's last place, and that place holds two digits of it.
func TestFormatUncertainReadsBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		unit := MustUnit(rapid.SampledFrom([]string{"V", "mohm", "A", "C", "s", "%", "kPa", "l"}).Draw(t, "unit"))
		v := rapid.Float64Range(-500, 500).Draw(t, "v")
		u := rapid.Float64Range(0.1, 1).Draw(t, "m") * math.Pow10(rapid.IntRange(-4, 2).Draw(t, "exp"))
		text := FormatUncertain(v, u, unit)
		value, rest, ok := strings.Cut(strings.TrimPrefix(text, "("), " ± ")
		spread, symbol, ok2 := strings.Cut(rest, ") ")
		if !ok || !ok2 {
			t.Fatal(text)
		}
		got, err := Parse(value+" "+symbol, unit)
		width, err2 := Parse(spread, MustUnit("K"))
		if !unit.IsPoint() { // a width in °C is one in K
			width, err2 = Parse(spread+" "+symbol, unit)
		}
		if err != nil || err2 != nil || math.Abs(got.Value-v) > 0.051*u || math.Abs(width.Value-u) > 0.051*u {
			t.Fatalf("%v ± %v %s prints as %s and reads as %v ± %v (%v, %v)", v, u, unit, text, got.Value, width.Value, err, err2)
		}
	})
}
