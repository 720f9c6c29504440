package units

import "math"

// quantities names the kind of quantity of a dimension, with its article.
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
