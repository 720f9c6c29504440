package units

import (
	"math"
	"strings"
)

// coherent are the units a product or quotient is called by where it has a name of
// its own: the derived units of the SI and those the trade reads beside them.
var coherent = []string{"V", "A", "Ohm", "W", "J", "F", "H", "Wb", "S", "K", "m", "s", "Hz", "N", "Pa", "V/m", "K/W", "W/(m.K)"}

// Times returns the unit of a product. A temperature scale with an offset counts
// as the difference in it, as in UCUM.
func (u Unit) Times(v Unit) Unit { return combine(u, v, 1) }

// Over returns the unit of a quotient.
func (u Unit) Over(v Unit) Unit { return combine(u, v, -1) }

// Power returns the unit of the n-th power, n from -4 to 4; ok is false beyond.
func (u Unit) Power(n int) (_ Unit, ok bool) {
	if n < -4 || n > 4 {
		return Unit{}, false
	}
	out := Unit{}
	for range max(n, -n) {
		out = out.Times(u)
	}
	if n < 0 {
		out = Unit{}.Over(out)
	}
	return out, true
}

// Root returns the unit of the square root; ok is false where the dimension has none.
func (u Unit) Root() (_ Unit, ok bool) {
	out := Unit{factor: math.Sqrt(u.scale())}
	for i, e := range u.dim {
		if e%2 != 0 {
			return Unit{}, false
		}
		out.dim[i] = e / 2
	}
	return out.called("sqrt("+u.Code()+")", "√("+u.String()+")"), true
}

// Difference returns the unit of a difference of two values in u: kelvins for °C.
func (u Unit) Difference() Unit {
	if u.offset == 0 {
		return u
	}
	out := Unit{dim: u.dim, factor: u.factor}
	return out.called("difference of "+u.Code(), u.symbol+" of difference")
}

// Alike reports whether a number means the same in both units, to within the
// rounding of a product of factors.
func (u Unit) Alike(v Unit) bool {
	return u.dim == v.dim && math.Abs(u.scale()-v.scale()) <= 1e-9*u.scale() && u.offset == v.offset
}

// IsPoint reports a scale with an offset (°C, °F), whose values are points on it
// and not amounts.
func (u Unit) IsPoint() bool { return u.offset != 0 }

func combine(u, v Unit, sign int) Unit {
	out := Unit{factor: u.scale() * math.Pow(v.scale(), float64(sign))}
	for i := range out.dim {
		out.dim[i] = int8(min(max(int(u.dim[i])+sign*int(v.dim[i]), -120), 120))
	}
	code, symbol := u.Code(), u.String()
	switch {
	case v == Unit{}:
	case sign > 0 && u == Unit{}:
		code, symbol = v.Code(), v.String()
	case sign > 0:
		code, symbol = code+"."+bracket(v.Code(), "/"), symbol+"·"+bracket(v.String(), "/")
	default:
		code, symbol = code+"/"+bracket(v.Code(), "/."), symbol+"/"+bracket(v.String(), "/·")
	}
	return out.called(code, symbol)
}

func bracket(s, signs string) string {
	if strings.ContainsAny(s, signs) {
		return "(" + s + ")"
	}
	return s
}

// called gives a reckoned unit its name: the plain number's, that of a coherent
// unit with a prefix, or the product it came from.
func (u Unit) called(code, symbol string) Unit {
	if u.dim == (dim{}) && math.Abs(u.factor-1) < 1e-9 {
		return Unit{}
	}
	for _, name := range coherent {
		c := MustUnit(name)
		if c.dim != u.dim {
			continue
		}
		for _, p := range []string{"", "m", "u", "k", "M", "n", "p", "G"} {
			if p != "" && strings.Contains(name, "/") {
				break
			}
			if math.Abs(u.factor/(c.scale()*math.Pow10(prefixes[p]))-1) < 1e-9 {
				return MustUnit(p + name)
			}
		}
	}
	u.code, u.symbol = code, symbol
	return u
}
