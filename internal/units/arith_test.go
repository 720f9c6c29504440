package units

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestUnitArithmetic: the coherence of the SI (SI brochure, 9th edition, table 4).
func TestUnitArithmetic(t *testing.T) {
	t.Parallel()
	u := MustUnit
	sqrtOf := func(x Unit) Unit { r, _ := x.Root(); return r }
	squared := func(x Unit) Unit { r, _ := x.Power(2); return r }
	for _, c := range []struct {
		got  Unit
		want string
	}{
		{u("V").Times(u("A")), "W"}, {u("V").Over(u("A")), "Ohm"}, {u("mV").Over(u("A")), "mOhm"}, {u("A").Times(u("mohm")), "mV"}, {u("uF").Times(u("V")).Times(u("V")), "uJ"},
		{u("J").Over(u("s")), "W"}, {u("V.s"), "Wb"}, {u("Wb").Over(u("A")), "H"}, {u("W").Times(u("K/W")), "K"}, {u("ohm").Times(u("F")), "s"}, {u("kohm").Times(u("uF")), "ms"},
		{u("1").Over(u("s")), "Hz"}, {u("1").Over(u("ohm")), "S"}, {u("N").Times(u("m")), "J"}, {u("V").Over(u("V")), "1"}, {u("C").Difference(), "K"}, {u("K").Difference(), "K"},
		{sqrtOf(u("W").Times(u("ohm"))), "V"}, {squared(sqrtOf(squared(u("mA")))), "uA.A"}, {sqrtOf(squared(u("K"))), "K"},
	} {
		if want := u(c.want); !c.got.Alike(want) {
			t.Errorf("got %s (%+v), want %s", c.got, c.got, c.want)
		}
	}
	for _, c := range []struct{ got, code, symbol string }{
		{u("A").Over(u("mm2")).Code(), "A/mm2", ""}, {u("kPa").Over(u("K")).Code(), "kPa/K", ""}, {u("V").Times(u("K/s")).Code(), "V.(K/s)", ""}, {u("mV").Over(u("A")).Code(), "mOhm", ""},
	} {
		if c.got != c.code {
			t.Errorf("code %s, want %s", c.got, c.code)
		}
	}
	if _, ok := u("V").Root(); ok {
		t.Error("the root of a volt has no dimension of this system")
	}
	if u("C").Alike(u("K")) || !u("C").IsPoint() || u("K").IsPoint() {
		t.Error("a temperature in °C is a point, kelvins are an amount")
	}
	if _, ok := u("V").Power(9); ok {
		t.Error("a ninth power was taken")
	}
}

// TestArithmeticIsAGroup: over any two units, dividing undoes multiplying.
func TestArithmeticIsAGroup(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := MustUnit(rapid.SampledFrom(words).Draw(t, "a")), MustUnit(rapid.SampledFrom(words).Draw(t, "b"))
		back := a.Times(b).Over(b)
		if !back.Alike(a.Difference()) || !back.Compatible(a) {
			t.Fatalf("%s × %s / %s = %s", a, b, b, back)
		}
		if one := a.Over(b).Times(b.Over(a)); one.dim != (dim{}) || math.Abs(one.scale()-1) > 1e-9 {
			t.Fatalf("%s/%s × %s/%s = %s", a, b, b, a, one)
		}
		if x, y := a.Times(b), b.Times(a); !x.Alike(y) {
			t.Fatalf("%s × %s = %s but %s", a, b, x, y)
		}
	})
}
