// Package units reads and prints quantities: units by UCUM (the Unified Code for
// Units of Measure) with the spellings of the trade accepted beside it, and
// numbers as technicians write them, IEC 60062 letter codes included. It is pure.
//
// Two words differ from UCUM because the fault library uses them so: `C` is the
// degree Celsius (UCUM `Cel`), and `count` is a plain number (UCUM `1`).
package units

import (
	"fmt"
	"math"
	"strings"
)

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

var quantities = map[dim]string{
	{}:                         "a plain number or a share",
	{dLength: 1}:               "a length",
	{dLength: 2}:               "an area",
	{dLength: 3}:               "a volume",
	{dMass: 1}:                 "a mass",
	{dTime: 1}:                 "a time",
	{dTime: -1}:                "a frequency or rate",
	{dCurrent: 1}:              "a current",
	{dCurrent: 1, dTime: 1}:    "a charge",
	{dTemp: 1}:                 "a temperature",
	{dAngle: 1}:                "an angle",
	{dAngle: 1, dTime: -1}:     "an angular rate",
	{dLevel: 1}:                "a power level",
	{dLength: 1, dTime: -2}:    "an acceleration",
	{dLength: 3, dTime: -1}:    "a flow",
	{1, 1, -2}:                 "a force",
	{-1, 1, -2}:                "a pressure",
	{2, 1, -2}:                 "an energy or torque",
	{2, 1, -3}:                 "a power",
	{2, 1, -3, -1}:             "a voltage",
	{2, 1, -3, -2}:             "a resistance",
	{-2, -1, 3, 2}:             "a conductance",
	{-2, -1, 4, 2}:             "a capacitance",
	{2, 1, -2, -2}:             "an inductance",
	{2, 1, -2, -1}:             "a magnetic flux",
	{-2, -1, 3, 0, 1}:          "a thermal resistance",
	{1, 1, -3, 0, -1}:          "a thermal conductivity",
	{-2, -1, 2, 1}:             "a speed constant",
	{1, 1, -3, -2}:             "a resistance per length",
	{2, 1, -3, -1, 0, 0, 0}:    "a voltage",
	{dLength: 1, dTime: -1}:    "a speed",
	{dLength: -2, dCurrent: 1}: "a current density",
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

var (
	ohmDim  = dim{2, 1, -3, -2}
	voltDim = dim{2, 1, -3, -1}
)

// atom is a unit without prefix.
type atom struct {
	code, symbol   string
	dim            dim
	factor, offset float64
	metric         bool // takes SI prefixes
}

// atoms by every accepted spelling that may carry a prefix or stand alone.
// Factors and definitions: UCUM 2.1 table, SI brochure (9th edition).
var atoms = makeAtoms()

func makeAtoms() map[string]atom {
	m := map[string]atom{}
	add := func(a atom, names ...string) {
		if a.symbol == "" {
			a.symbol = a.code
		}
		m[a.code] = a
		for _, n := range names {
			m[n] = a
		}
	}
	add(atom{code: "m", dim: dim{dLength: 1}, factor: 1, metric: true})
	add(atom{code: "g", dim: dim{dMass: 1}, factor: 1e-3, metric: true})
	add(atom{code: "s", dim: dim{dTime: 1}, factor: 1, metric: true}, "sec")
	add(atom{code: "min", dim: dim{dTime: 1}, factor: 60})
	add(atom{code: "h", dim: dim{dTime: 1}, factor: 3600}, "hr")
	add(atom{code: "d", dim: dim{dTime: 1}, factor: 86400}, "day", "days")
	add(atom{code: "wk", dim: dim{dTime: 1}, factor: 604800})
	add(atom{code: "A", dim: dim{dCurrent: 1}, factor: 1, metric: true}, "amp", "amps", "ampere")
	add(atom{code: "K", dim: dim{dTemp: 1}, factor: 1, metric: true}, "kelvin")
	add(atom{code: "Cel", symbol: "°C", dim: dim{dTemp: 1}, factor: 1, offset: 273.15}, "C", "°C", "℃", "degC", "celsius")
	add(atom{code: "[degF]", symbol: "°F", dim: dim{dTemp: 1}, factor: 5.0 / 9, offset: 459.67 * 5 / 9}, "°F", "degF")
	add(atom{code: "rad", dim: dim{dAngle: 1}, factor: 1, metric: true})
	add(atom{code: "deg", symbol: "°", dim: dim{dAngle: 1}, factor: math.Pi / 180}, "°", "degree", "degrees")
	add(atom{code: "Hz", dim: dim{dTime: -1}, factor: 1, metric: true})
	add(atom{code: "Bd", dim: dim{dTime: -1}, factor: 1, metric: true}, "baud")
	add(atom{code: "N", dim: dim{1, 1, -2}, factor: 1, metric: true})
	add(atom{code: "Pa", dim: dim{-1, 1, -2}, factor: 1, metric: true})
	add(atom{code: "bar", dim: dim{-1, 1, -2}, factor: 1e5, metric: true})
	add(atom{code: "[psi]", symbol: "psi", dim: dim{-1, 1, -2}, factor: 6894.757293168361}, "psi")
	add(atom{code: "J", dim: dim{2, 1, -2}, factor: 1, metric: true})
	add(atom{code: "W", dim: dim{2, 1, -3}, factor: 1, metric: true}, "watt", "watts")
	add(atom{code: "V", dim: voltDim, factor: 1, metric: true}, "volt", "volts")
	add(atom{code: "Ohm", symbol: "Ω", dim: ohmDim, factor: 1, metric: true}, "ohm", "ohms", "Ohms", "OHM", "OHMS", "Ω")
	add(atom{code: "S", dim: dim{-2, -1, 3, 2}, factor: 1, metric: true})
	add(atom{code: "F", dim: dim{-2, -1, 4, 2}, factor: 1, metric: true}, "farad")
	add(atom{code: "H", dim: dim{2, 1, -2, -2}, factor: 1, metric: true}, "henry")
	add(atom{code: "Wb", dim: dim{2, 1, -2, -1}, factor: 1, metric: true})
	add(atom{code: "l", dim: dim{dLength: 3}, factor: 1e-3, metric: true}, "L", "litre", "liter")
	add(atom{code: "[g]", symbol: "g", dim: dim{dLength: 1, dTime: -2}, factor: 9.80665}, "gn", "g0")
	add(atom{code: "%", factor: 1e-2}, "pct", "percent")
	add(atom{code: "[ppm]", symbol: "ppm", factor: 1e-6}, "ppm")
	add(atom{code: "1", symbol: "", factor: 1}, "count", "ratio")
	add(atom{code: "{r}", symbol: "r", factor: 1})
	add(atom{code: "dB[mW]", symbol: "dBm", dim: dim{dLevel: 1}, factor: 1}, "dBm", "dbm")
	return m
}

var prefixes = map[string]int{"T": 12, "G": 9, "M": 6, "k": 3, "h": 2, "d": -1, "c": -2, "m": -3, "u": -6, "n": -9, "p": -12}

// symbolFor overrides composed symbols where the trade has its own word.
var symbolFor = map[string]string{"{r}/min": "rpm", "{r}/(min.V)": "rpm/V", "A.h": "Ah", "mA.h": "mAh", "W.h": "Wh", "kW.h": "kWh", "deg/s": "°/s"}

type term struct {
	prefix string
	atom   atom
	exp    int
}

// ParseUnit reads a UCUM code or trade spelling. Upper and lower case matter:
// `Mohm` is mega, `mohm` is milli.
func ParseUnit(s string) (Unit, error) {
	s = normalise(strings.TrimSpace(s))
	if len(s) > 32 {
		return Unit{}, fmt.Errorf("a unit is at most 32 characters long")
	}
	if t, ok := trade[s]; ok {
		s = t
	} else if rest, ok := strings.CutPrefix(s, "rpm/"); ok {
		s = "{r}/min/" + rest
	}
	p := unitParser{in: s}
	terms, err := p.product(0)
	if err != nil {
		return Unit{}, fmt.Errorf("%q is not a unit known here: %w", s, err)
	}
	return compose(terms)
}

// MustUnit is ParseUnit for unit words written in the program itself; it panics
// on a wrong one.
func MustUnit(s string) Unit {
	u, err := ParseUnit(s)
	if err != nil {
		panic(err)
	}
	return u
}

func compose(terms []term) (Unit, error) {
	u := Unit{factor: 1}
	exp10 := 0
	for _, t := range terms {
		if t.atom.offset != 0 {
			if len(terms) > 1 || t.exp != 1 {
				// A temperature scale inside a product can only mean a difference.
				t.atom.offset = 0
			}
			u.offset = t.atom.offset
		}
		exp10 += prefixes[t.prefix] * t.exp
		u.factor *= math.Pow(t.atom.factor, float64(t.exp))
		for i, d := range t.atom.dim {
			e := int(u.dim[i]) + int(d)*t.exp
			if e < -9 || e > 9 {
				return Unit{}, fmt.Errorf("the exponents of this unit are beyond reason")
			}
			u.dim[i] = int8(e)
		}
	}
	u.factor *= math.Pow10(exp10)
	u.code = render(terms, ".", false)
	u.symbol = render(terms, "·", true)
	if s, ok := symbolFor[u.code]; ok {
		u.symbol = s
	}
	if u.code == "1" {
		return Unit{}, nil
	}
	return u, nil
}

func render(terms []term, dot string, symbol bool) string {
	var num, den []string
	for _, t := range terms {
		if t.atom.code == "1" {
			continue
		}
		s := t.prefix + t.atom.code
		if symbol {
			s = strings.ReplaceAll(t.prefix, "u", "µ") + t.atom.symbol
		}
		e := t.exp
		list := &num
		if e < 0 {
			e, list = -e, &den
		}
		if e > 1 && symbol && e <= 3 {
			s += []string{"²", "³"}[e-2]
		} else if e > 1 {
			s += fmt.Sprint(e)
		}
		*list = append(*list, s)
	}
	out := strings.Join(num, dot)
	if out == "" && (len(den) > 0 || !symbol) {
		out = "1"
	}
	switch len(den) {
	case 0:
	case 1:
		out += "/" + den[0]
	default:
		out += "/(" + strings.Join(den, dot) + ")"
	}
	return out
}

// unitParser reads UCUM's little grammar: products with . * ·, quotients with /,
// brackets, and integer exponents behind a unit.
type unitParser struct {
	in    string
	pos   int
	depth int
}

func (p *unitParser) product(sign int) ([]term, error) {
	if p.depth++; p.depth > 4 {
		return nil, fmt.Errorf("too many brackets")
	}
	defer func() { p.depth-- }()
	var out []term
	exp := 1
	if p.pos < len(p.in) && p.in[p.pos] == '/' {
		exp = -1
		p.pos++
	}
	for {
		ts, err := p.factor()
		if err != nil {
			return nil, err
		}
		for _, t := range ts {
			t.exp *= exp
			out = append(out, t)
		}
		if p.pos >= len(p.in) || (sign > 0 && p.in[p.pos] == ')') {
			return out, nil
		}
		switch {
		case p.in[p.pos] == '/':
			exp = -1
			p.pos++
		case p.in[p.pos] == '.' || p.in[p.pos] == '*':
			exp = 1
			p.pos++
		case strings.HasPrefix(p.in[p.pos:], "·"):
			exp = 1
			p.pos += len("·")
		default:
			return nil, fmt.Errorf("unexpected %q", p.in[p.pos:])
		}
	}
}

func (p *unitParser) factor() ([]term, error) {
	if p.pos < len(p.in) && p.in[p.pos] == '(' {
		p.pos++
		ts, err := p.product(1)
		if err != nil {
			return nil, err
		}
		if p.pos >= len(p.in) || p.in[p.pos] != ')' {
			return nil, fmt.Errorf("a bracket is not closed")
		}
		p.pos++
		return ts, nil
	}
	start := p.pos
	for p.pos < len(p.in) && !strings.ContainsRune("/.*()", rune(p.in[p.pos])) && !strings.HasPrefix(p.in[p.pos:], "·") {
		p.pos++
	}
	return single(p.in[start:p.pos])
}

// single reads one prefixed unit with its exponent: `mm2`, `kPa`, `s-1`.
func single(w string) ([]term, error) {
	if w == "" {
		return nil, fmt.Errorf("a unit is missing")
	}
	if t, ok := lookup(w, 1); ok {
		return []term{t}, nil
	}
	var base string
	var exp int
	switch {
	case strings.HasSuffix(w, "²"):
		base, exp = strings.TrimSuffix(w, "²"), 2
	case strings.HasSuffix(w, "³"):
		base, exp = strings.TrimSuffix(w, "³"), 3
	default:
		last := w[len(w)-1]
		if last < '1' || last > '4' {
			return nil, fmt.Errorf("unknown word %q", w)
		}
		base, exp = w[:len(w)-1], int(last-'0')
		if b, ok := strings.CutSuffix(base, "-"); ok {
			base, exp = b, -exp
		}
		base = strings.TrimSuffix(base, "^")
	}
	if t, ok := lookup(base, exp); ok {
		return []term{t}, nil
	}
	return nil, fmt.Errorf("unknown word %q", w)
}

func lookup(w string, exp int) (term, bool) {
	if a, ok := atoms[w]; ok {
		return term{atom: a, exp: exp}, true
	}
	if w == "" {
		return term{}, false
	}
	a, ok := atoms[w[1:]]
	if _, isPrefix := prefixes[w[:1]]; ok && isPrefix && a.metric {
		return term{prefix: w[:1], atom: a, exp: exp}, true
	}
	return term{}, false
}

// normalise folds the characters that look alike onto one: both micro signs,
// both ohm signs, the minus signs and the spaces.
func normalise(s string) string { return folder.Replace(s) }

var folder = strings.NewReplacer(
	"µ", "u", "μ", "u", "\u2126", "Ω", "−", "-", "–", "-", "\u00a0", " ", "\u202f", " ", "\u2009", " ", "⋅", "·", "º", "°", "×", "*",
)
