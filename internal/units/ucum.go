package units

import (
	"fmt"
	"math"
	"strings"
)

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
	"µ", "u", "μ", "u", "\u2126", "Ω", "−", "-", "–", "-", "—", "-", "‒", "-", "\u2010", "-", "\u2011", "-", "\u00a0", " ", "\u202f", " ", "\u2009", " ", "⋅", "·", "º", "°", "×", "*",
)
