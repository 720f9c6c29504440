package units

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var words = []string{
	"mohm", "ohm", "kohm", "Mohm", "V", "mV", "A", "mA", "uA", "W", "J", "uF", "uH", "mWb", "C", "K", "kPa", "Pa", "s", "ms", "us", "min", "h", "d", "mm", "m", "mm2", "cm2",
	"l", "ml/min", "l/min", "N", "Hz", "Bd", "Ah", "deg", "%", "dBm", "K/W", "W/(m*K)", "rpm/V", "count", "[g]",
}

// TestPrintParse: what is printed with all digits reads back as the same value,
// and with fewer digits as the same within them.
func TestPrintParse(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		u := MustUnit(rapid.SampledFrom(words).Draw(t, "unit"))
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "v") * math.Pow10(rapid.IntRange(-9, 0).Draw(t, "exp"))
		sig := rapid.IntRange(2, 17).Draw(t, "sig")
		text := Format(v, u, sig)
		r, err := Parse(text, u)
		if err != nil {
			t.Fatalf("%q does not read back: %v", text, err)
		}
		tol := 0.51 * math.Pow10(1-sig) * math.Abs(v)
		if math.Abs(r.Value-v) > tol+1e-14*math.Abs(v) {
			t.Fatalf("%v %s prints as %q and reads as %v", v, u, text, r.Value)
		}
	})
}

// TestConvertBack: conversion there and back keeps the value.
func TestConvertBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := MustUnit(rapid.SampledFrom(words).Draw(t, "a"))
		b := MustUnit(rapid.SampledFrom(words).Draw(t, "b"))
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "v")
		w, err := a.Convert(v, b)
		if a.Compatible(b) != (err == nil) {
			t.Fatalf("%s and %s: compatible %v, error %v", a, b, a.Compatible(b), err)
		}
		if err != nil {
			return
		}
		back, err := b.Convert(w, a)
		if err != nil || math.Abs(back-v) > 1e-9*math.Max(1, math.Abs(v)) {
			t.Fatalf("%v %s = %v %s = %v back, %v", v, a, w, b, back, err)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"3.2-3.4 V", "3,2…3,4", "-5--2", "4k7-5k1", "980 mV-1.1 V", "1e-3-2e-3", "OL-5", "1 to 2 to 3", "2026-11-25", "4k7", "0R15", "12,4 mV", "OL", "∞ kΩ", "1e-3 ohm", "−5", "115 200 Bd", "4k7J", "1.2.3", "W/(m*K)", "5 ((V", "1e9999"} {
		f.Add(s, "ohm")
		f.Add(s, "V")
	}
	f.Fuzz(func(t *testing.T, text, unit string) {
		want, err := ParseUnit(unit)
		if err != nil {
			return
		}
		if again, err := ParseUnit(want.Code()); err != nil || again.Code() != want.Code() || !again.Compatible(want) {
			t.Fatalf("the code %q of %q does not read back: %v", want.Code(), unit, err)
		}
		r, err := Parse(text, want)
		if err != nil {
			if strings.TrimSpace(err.Error()) == "" {
				t.Fatal("an error without words")
			}
			return
		}
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || math.IsNaN(r.Step) {
			t.Fatalf("Parse(%q, %s) = %+v", text, want, r)
		}
		Format(r.Value, want, 6)
		readsBackAsRange(t, r, want)
	})
}
