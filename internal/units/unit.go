// Package units reads and prints quantities: units by UCUM (the Unified Code for
// Units of Measure) with the spellings of the trade accepted beside it, and
// numbers as technicians write them, IEC 60062 letter codes included. It is pure.
//
// Two words differ from UCUM because the fault library uses them so: `C` is the
// degree Celsius (UCUM `Cel`), and `count` is a plain number (UCUM `1`).
package units

import "fmt"

// dim holds the exponents of a unit's dimension: metre, kilogram, second,
// ampere, kelvin, then two that SI does not know but that keep nonsense out:
// the plane angle (so that a degree is not a percentage) and the logarithmic
// level (so that dBm is nothing else).
type dim [7]int8

const (
	dLength = iota
	dMass
	dTime
	dCurrent
	dTemp
	dAngle
	dLevel
)

// Unit is a parsed unit. It is comparable: two spellings of one unit are equal.
// The zero Unit is the plain number, the same as ParseUnit("1").
type Unit struct {
	code   string // UCUM; "" means "1"
	symbol string
	dim    dim
	// A value v in this unit is v*factor+offset in SI base units; a zero factor
	// means 1 so that the zero Unit is usable.
	factor, offset float64
}

// Code returns the UCUM code (`mOhm`, `Cel`, `W/(m.K)`, `1`). dBm has none in
// UCUM; it is written `dB[mW]` on the pattern of UCUM's `dB[W]`.
func (u Unit) Code() string {
	if u.code == "" {
		return "1"
	}
	return u.code
}

// Symbol returns the unit as a technician reads it (`mΩ`, `°C`, `W/(m·K)`); it is
// empty for a plain number.
func (u Unit) Symbol() string { return u.symbol }

// String returns the symbol, or `1` for a plain number.
func (u Unit) String() string {
	if u.symbol == "" {
		return "1"
	}
	return u.symbol
}

func (u Unit) scale() float64 {
	if u.factor == 0 {
		return 1
	}
	return u.factor
}

// Compatible reports whether values can be converted between the two units.
func (u Unit) Compatible(v Unit) bool { return u.dim == v.dim }

// SameScale reports whether a number means the same in both units.
func (u Unit) SameScale(v Unit) bool {
	return u.dim == v.dim && u.scale() == v.scale() && u.offset == v.offset
}

// Convert returns v, given in u, in the unit to. It fails where the dimensions differ.
func (u Unit) Convert(v float64, to Unit) (float64, error) {
	if u.dim != to.dim {
		return 0, mismatch(u, to)
	}
	if u.SameScale(to) {
		return v, nil
	}
	if u.offset == to.offset {
		return v * (u.scale() / to.scale()), nil
	}
	return (v*u.scale() + u.offset - to.offset) / to.scale(), nil
}

func mismatch(got, want Unit) error {
	return fmt.Errorf("%s is %s; %s was expected", got, got.Quantity(), want.expectation())
}

// expectation names what was wanted, for error messages: "a voltage in V".
func (u Unit) expectation() string {
	if u.symbol == "" {
		return "a plain number"
	}
	return u.Quantity() + " in " + u.symbol
}

// Quantity names the kind of quantity with its article: "a voltage".
func (u Unit) Quantity() string {
	if q, ok := quantities[u.dim]; ok {
		return q
	}
	return "a quantity in " + u.String()
}

// IsResistance reports whether the unit measures electrical resistance.
func (u Unit) IsResistance() bool { return u.dim == ohmDim }

// IsVoltage reports whether the unit measures voltage.
func (u Unit) IsVoltage() bool { return u.dim == voltDim }

// IsTemperature reports whether the unit measures temperature.
func (u Unit) IsTemperature() bool { return u.dim == dim{dTemp: 1} }

// NonNegative reports whether a reading in this unit can only be zero or more: a
// resistance, a length, a time. Voltages, currents, temperatures, gauge
// pressures, angles, levels and shares may be negative.
func (u Unit) NonNegative() bool {
	switch u.dim {
	case dim{}, dim{dCurrent: 1}, dim{dTemp: 1}, dim{dAngle: 1}, dim{dAngle: 1, dTime: -1},
		dim{dLevel: 1}, dim{-1, 1, -2}, dim{2, 1, -3}, voltDim, dim{dLength: 1, dTime: -2}, dim{dLength: 1, dTime: -1}:
		return false
	}
	return true
}
