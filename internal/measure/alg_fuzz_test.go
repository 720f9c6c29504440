package measure

import (
	"encoding/binary"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

// checkSound holds an algorithm to what every reading may count on: readings that
// pass the declarations give a declared outcome or an error that names the field,
// twice the same; the likelihoods are shares of one; nothing that is no number gets
// into sentence or values; and a sample of the uncertainty decides as the sentence.
func checkSound(t *testing.T, m *Measurement, in map[string]any, opt ParseOptions) {
	t.Helper()
	r, _, err := m.Parse(in, opt)
	if err != nil {
		namedError(t, err)
		return
	}
	got, err := m.Evaluate(r)
	again, err2 := m.Evaluate(r)
	if !reflect.DeepEqual(got, again) || fmt.Sprint(err) != fmt.Sprint(err2) {
		t.Fatalf("%v: first %+v %v, then %+v %v", in, got, err, again, err2)
	}
	quiet, qerr := m.newRun(r).verdict(false)
	if (qerr == nil) != (err == nil) || quiet.outcome != got.Outcome {
		t.Fatalf("%v: a sample says %s %v, the sentence %s %v", in, quiet.outcome, qerr, got.Outcome, err)
	}
	if err != nil {
		namedError(t, err)
		return
	}
	sum := 0.0
	for i, p := range got.Likelihood {
		if p.ID != m.outcomes[i].ID || !(p.Probability >= 0 && p.Probability <= 1) {
			t.Fatalf("%v: likelihood %+v", in, got.Likelihood)
		}
		sum += p.Probability
	}
	if len(got.Likelihood) != len(m.outcomes) || math.Abs(sum-1) > 1e-9 {
		t.Fatalf("%v: the likelihoods sum to %v: %+v", in, sum, got.Likelihood)
	}
	if !slices.ContainsFunc(m.outcomes, func(o outcome) bool { return o.ID == got.Outcome }) {
		t.Fatalf("%v: %q is not declared", in, got.Outcome)
	}
	said := got.Text + " " + got.Detail + " " + strings.Join(got.Warnings, " ")
	for _, bad := range []string{"NaN", "Inf", "%!", "<nil>"} {
		if got.Text == "" || strings.Contains(said, bad) {
			t.Fatalf("%v: says %q", in, said)
		}
	}
	for _, v := range got.Values {
		if !finite(v.Value) {
			t.Fatalf("%v: %s is %v", in, v.ID, v.Value)
		}
	}
}

// namedError fails unless the error is a problem that names a field of the readings.
func namedError(t *testing.T, err error) {
	t.Helper()
	p := problem.As(err)
	if p == nil || p.Code != problem.Invalid || p.Message == "" || len(p.Fields) == 0 {
		t.Fatalf("not a named refusal: %#v", err)
	}
	for _, f := range p.Fields {
		if !strings.HasPrefix(f.Field, "readings.") || f.Message == "" {
			t.Fatalf("the refusal names %q: %q", f.Field, f.Message)
		}
	}
}

// volts reads a list of voltages from bytes, two each, in units of 0.01 V; at most
// what a list may hold.
func volts(raw []byte) []any {
	var out []any
	for ; len(raw) >= 2 && len(out) <= MaxList; raw = raw[2:] {
		out = append(out, float64(int16(binary.LittleEndian.Uint16(raw)))/100)
	}
	return out
}

// bytesOf is the opposite of volts, for seeds.
func bytesOf(list ...float64) []byte {
	var out []byte
	for _, v := range list {
		out = binary.LittleEndian.AppendUint16(out, uint16(int16(math.Round(100*v))))
	}
	return out
}

// known gives the value, or null where it is not known.
func known(is bool, v any) any {
	if is {
		return v
	}
	return nil
}

// fuzzAccuracy keeps the fuzzed accuracy to what an instrument may state.
func fuzzAccuracy(m *Measurement, pct float64) ParseOptions {
	opt := everyAccuracy(m, 0)
	opt.Prefix = ""
	if pct > 0 && pct <= 100 {
		for id := range opt.Accuracy {
			opt.Accuracy[id] = Accuracy{PlusMinusPct: pct}
		}
	}
	return opt
}

var chemistries = []any{nil, "layered_oxide", "iron_phosphate"}

func FuzzBalanceTaps(f *testing.F) {
	m := setup(f, "balance_tap_order")
	f.Add(bytesOf(0, 3.7, 7.4, 11.1, 14.8, 18.5), uint8(5), 3.7, true, uint8(0), 1.0)
	f.Add(bytesOf(0, 3.7, 11.1, 7.4, 14.8, 18.5), uint8(5), 3.7, false, uint8(1), 0.5)
	f.Add(bytesOf(0, 3.3, 0.02, 9.9, 13.2, 16.5), uint8(5), 3.3, false, uint8(2), 5.0)
	f.Add(bytesOf(0, 3.7, 7.4, 7.4, 11.1, 14.8), uint8(5), 3.7, true, uint8(0), 0.0)
	f.Add(bytesOf(3.7, 7.4, 11.1, 14.8, 18.5, 18.5), uint8(5), 3.7, true, uint8(0), 0.1)
	f.Add(bytesOf(18.5, 14.8, 11.1, 7.4, 3.7, 0), uint8(5), 3.7, true, uint8(0), 1.0)
	f.Add(bytesOf(0, 1.0, 4.65, 8.3, 11.95, 15.6), uint8(5), 3.65, true, uint8(0), 1.0)
	f.Add(bytesOf(0, 4.6), uint8(1), 4.6, true, uint8(1), 1.0)
	f.Add(bytesOf(0, 5, 10, 15, 20, 25), uint8(5), 3.7, false, uint8(0), 0.0)
	f.Add(bytesOf(0, 0), uint8(1), 0.5, true, uint8(0), 100.0)
	f.Fuzz(func(t *testing.T, raw []byte, n uint8, cell float64, cellKnown bool, chemistry uint8, pct float64) {
		in := map[string]any{"taps": volts(raw), "n": float64(n), "v_cell": known(cellKnown, cell), "chemistry": chemistries[int(chemistry)%3]}
		checkSound(t, m, in, fuzzAccuracy(m, pct))
		// As many groups as the list has steps, so that the order itself is judged.
		in["n"] = float64(len(in["taps"].([]any)) - 1)
		checkSound(t, m, in, fuzzAccuracy(m, pct))
	})
}

func FuzzPhaseResistance(f *testing.F) {
	m := setup(f, "phase_resistance_3")
	f.Add(100.0, 100.0, 100.0, 20.0, 100.0, true, 0.0, 1.0)
	f.Add(112.0, 100.0, 112.0, 72.0, 100.0, false, 0.0, 2.0)
	f.Add(OpenOhms, OpenOhms, 100.0, 20.0, 100.0, true, 9.0, 0.0)
	f.Add(300.0, 150.0, 150.0, 20.0, 100.0, true, 0.0, 10.0)
	f.Add(50.0, 100.0, 50.0, 20.0, 0.0, true, -6.0, 1.0)
	f.Add(8.0, 70.0, 72.0, -60.0, 100.0, true, 0.0, 100.0)
	f.Add(0.0, 0.0, 0.0, 300.0, 0.0, false, 0.0, 1.0)
	f.Add(5000.0, 5000.0, 5000.0, 20.0, 1e-300, true, 0.0, 1.0)
	f.Fuzz(func(t *testing.T, ab, bc, ca, temp, model float64, modelKnown bool, flex, pct float64) {
		in := phases(ab, bc, ca)
		in["t_wind_c"], in["r_model_20"], in["flex_change_pct"] = temp, known(modelKnown, model), flex
		checkSound(t, m, in, fuzzAccuracy(m, pct))
	})
}

func FuzzHallSequence(f *testing.F) {
	m := setup(f, "hall_sequence")
	for _, s := range [][]byte{
		{1, 3, 2, 6, 4, 5, 1, 3, 2, 6, 4, 5, 1}, {1, 5, 4, 6, 2, 3, 1, 5, 4, 6, 2, 3, 1}, {5, 7, 6, 6, 4, 5, 5, 7, 6, 6, 4, 5, 5},
		{0, 2, 2, 6, 4, 4, 0, 2, 2, 6, 4, 4, 0}, {7, 7, 7, 7, 7, 7, 7}, {0, 1, 3, 7, 6, 4, 0, 1, 3, 7, 6, 4, 0},
		{0, 6, 6, 7, 1, 1, 0, 6, 6, 7, 1, 1, 0}, {3, 7, 3, 7, 3, 7, 3}, {1, 2, 1, 2, 1, 2, 1, 2}, {1}, {}, {8, 1, 3, 2, 6, 4, 5},
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s []byte) {
		list, low := []any{}, []any{}
		for _, b := range s[:min(len(s), MaxList+1)] {
			list, low = append(list, float64(b)), append(low, float64(b&7))
		}
		checkSound(t, m, map[string]any{"states": list}, ParseOptions{})
		checkSound(t, m, map[string]any{"states": low}, ParseOptions{})
	})
}

func FuzzBridge(f *testing.F) {
	m := setup(f, "bridge_diode_test")
	over := []float64{9, 9, 9, 9, 9, 9}
	for _, drops := range [][]float64{
		{0.45, 0.46, 0.45, 0.44, 0.45, 0.45}, {0.45, 0.46, 0.45, 0.44, 0.01, 0.45}, {9, 0.46, 0.45, 0.44, 0.45, 0.45},
		{0.45, 0.46, 0.45, 0.44, 0.22, 0.45}, {0.45, 0.53, 0.45, 0.44, 0.45, 0.45}, {-0.5, 0.45, 0.45, 0.45, 0.45, 0.45}, {0.8, 0.8, 0.8, 0.8, 0.8, 0.8},
	} {
		f.Add(bytesOf(append(slices.Clone(drops), over...)...), 1.0)
		f.Add(bytesOf(append(slices.Clone(drops), drops...)...), 10.0)
	}
	f.Fuzz(func(t *testing.T, raw []byte, pct float64) {
		v := volts(raw)
		for len(v) < 12 {
			v = append(v, OverDiode)
		}
		checkSound(t, m, map[string]any{"up": v[:3], "low": v[3:6], "up_rev": v[6:9], "low_rev": v[9:12]}, fuzzAccuracy(m, pct))
	})
}

// FuzzHarness reads pins from text: a line `p1 q1 q2|q1` is the near pin p1, with q1
// and q2 on record and q1 found; what follows `metal` has continuity to the box.
func FuzzHarness(f *testing.F) {
	m := setup(f, "harness_continuity")
	f.Add("p1 q1|q1\np2 q2|q2", "")
	f.Add("p1 q1|q2\np2 q2|q1", "")
	f.Add("p1 q1|q1\np2 q2|", "")
	f.Add("p1 q1|q1 q2\np2 q2|q1 q2", "")
	f.Add("p1 q1 q2|q1\np10 q1|q1", "p10 p1 p1")
	f.Add("p1 q1 q1|q1 q1\np01 q3|q3", "")
	f.Add("p1 |\n|q", "")
	f.Fuzz(func(t *testing.T, cable, metal string) {
		expected, found := map[string]any{}, map[string]any{}
		names := func(s string) []any {
			l := []any{}
			for _, w := range strings.Fields(s) {
				l = append(l, w)
			}
			return l
		}
		for _, line := range strings.Split(cable, "\n") {
			want, got, tested := strings.Cut(line, "|")
			pin, mates, _ := strings.Cut(want, " ")
			expected[pin] = names(mates)
			if tested {
				found[pin] = names(got)
			}
		}
		checkSound(t, m, map[string]any{"expected": expected, "found": found, "to_metal": names(metal)}, ParseOptions{})
	})
}

func FuzzPackVoltage(f *testing.F) {
	m := setup(f, "pack_voltage_soc")
	f.Add(74.0, 20.0, true, 74.1, true, uint8(0), 0.0, 1.0)
	f.Add(75.6, 20.0, false, 0.0, false, uint8(1), 3.0, 1.0)
	f.Add(65.6, 20.0, true, 65.5, true, uint8(2), 4.0, 0.1)
	f.Add(3.7, 1.0, false, 0.0, false, uint8(0), 0.0, 20.0)
	f.Add(4.1, 1.0, false, 0.0, false, uint8(0), 2.0, 3.0)
	f.Add(-0.2, 20.0, true, -0.2, true, uint8(0), 5.0, 100.0)
	f.Add(1e12, 1.0, false, 0.0, false, uint8(0), 1e9, 1.0)
	f.Add(0.0, 1.0, false, 0.0, false, uint8(1), 0.0, 1.0)
	f.Fuzz(func(t *testing.T, v, series float64, seriesKnown bool, reported float64, reportKnown bool, chemistry uint8, pins, pct float64) {
		in := map[string]any{"v_pack": v, "series": known(seriesKnown, series), "v_reported": known(reportKnown, reported), "chemistry": chemistries[int(chemistry)%3], "charge_pins": known(pins != 0, pins)}
		checkSound(t, m, in, fuzzAccuracy(m, pct))
		in["series"], in["charge_pins"] = known(seriesKnown, 1+math.Mod(math.Trunc(math.Abs(series)), 200)), known(pins != 0, math.Mod(math.Trunc(math.Abs(pins)), 8))
		checkSound(t, m, in, fuzzAccuracy(m, pct))
	})
}

func FuzzMotorIdent(f *testing.F) {
	m := setup(f, "motor_ident")
	f.Add(52.0, 101.0, 30.2, 12.2, 15.0, 50.0, 100.0, 22.0, false, 1.0)
	f.Add(75.0, 101.0, 30.2, 12.2, 15.0, 50.0, 100.0, 22.0, false, 5.0)
	f.Add(52.0, 60.0, 40.0, -12.2, 15.0, 0.0, -1.0, 300.0, false, 1.0)
	f.Add(0.0, 0.0, 0.0, 12.2, 15.0, 50.0, 100.0, 22.0, true, 1.0)
	f.Add(52.0, 100.0, 30.2, 1e-320, 1.0, 1e-320, 1e-320, -60.0, false, 0.0)
	f.Add(1e12, 1e12, 1e12, 1e12, 1e9, 1e12, 1e12, 20.0, false, 100.0)
	f.Fuzz(func(t *testing.T, r, l, flux, kv, pairs, rModel, lModel, temp float64, failed bool, pct float64) {
		in := map[string]any{"r_mohm": r, "l_uh": l, "flux_mwb": flux, "kv": kv, "pole_pairs": pairs, "r_model": known(rModel != 0, rModel), "l_model": known(lModel != 0, lModel), "t_wind_c": temp, "failed": failed}
		checkSound(t, m, in, fuzzAccuracy(m, pct))
		in["pole_pairs"] = math.Mod(math.Trunc(math.Abs(pairs)), 100)
		checkSound(t, m, in, fuzzAccuracy(m, pct))
	})
}

func FuzzChargeLED(f *testing.F) {
	m := setup(f, "charge_led_logic")
	f.Add("green", "red", "green", false)
	f.Add("dark", "dark", "dark", true)
	f.Add("red", "green", "blink", false)
	f.Add(" Green", "RED", "red ", true)
	f.Add("blink", "", "yellow", false)
	f.Fuzz(func(t *testing.T, open, start, minute string, full bool) {
		checkSound(t, m, map[string]any{"led_open": open, "led_start": start, "led_1min": minute, "pack_full": full}, ParseOptions{})
	})
}

func FuzzBMSLatch(f *testing.F) {
	m := setup(f, "bms_latch_check")
	for _, bits := range []uint8{0, 1, 2, 4, 8, 16, 31, 30} {
		f.Add(bits, "")
	}
	f.Add(uint8(17), "yes")
	f.Add(uint8(16), "perhaps")
	f.Fuzz(func(t *testing.T, bits uint8, word string) {
		in := map[string]any{}
		for i, id := range []string{"on_found", "on_no_load", "on_charger", "on_reseat", "cells_ok"} {
			in[id] = bits>>i&1 == 1
		}
		checkSound(t, m, in, ParseOptions{})
		in["on_charger"] = word
		checkSound(t, m, in, ParseOptions{})
	})
}

// TestEveryAlgorithmIsFuzzed fails for an algorithm that the targets above leave out.
func TestEveryAlgorithmIsFuzzed(t *testing.T) {
	t.Parallel()
	fuzzed := map[string]bool{}
	for _, id := range []string{"balance_tap_order", "phase_resistance_3", "hall_sequence", "bridge_diode_test", "harness_continuity", "pack_voltage_soc", "motor_ident", "charge_led_logic", "bms_latch_check"} {
		fuzzed[setup(t, id).def.Algorithm] = true
	}
	for _, name := range AlgorithmNames() {
		if !fuzzed[name] {
			t.Errorf("%s has no fuzz target", name)
		}
	}
}
