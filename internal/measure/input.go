package measure

import (
	"fmt"
	"regexp"
	"strings"

	"nextprobe/internal/units"
)

// MaxList is the longest list of readings accepted.
const MaxList = 256

// OpenOhms is the value an over-range ohmmeter reading has, in whatever
// resistance unit the input declares; OverDiode is the same for the diode range,
// in volts. Both as meta.expression_language of the fault library states.
const (
	OpenOhms  = 1.0e9
	OverDiode = 9.0
)

// input is an Input understood: kind, unit, and what a value may be.
type input struct {
	Input
	kind    kind
	unit    units.Unit
	integer bool    // whole numbers only
	length  int     // length a list must have; 0 = any from 1 up
	empty   bool    // an empty list is permitted
	over    float64 // value of an over-range reading; 0 = not permitted
	limited bool    // low and high apply
	low, hi float64
}

var (
	countWord  = regexp.MustCompile(`(?:^|, )(two|three|four|six)\b`)
	leadUnit   = regexp.MustCompile(`^([A-Za-z%°µΩ/]{1,6})(?:,| per| of|$)`)
	inUnit     = regexp.MustCompile(`(?:,| in) ([A-Za-z%]{1,6})(?: for .*)?$`)
	trailUnit  = regexp.MustCompile(`_(mohm|kohm|ohm|mv|us|ms|mm|kpa|dps|ma|ua)$`)
	overRange  = regexp.MustCompile(`diode[ -]range|over[ -]range`)
	numberWord = map[string]int{"two": 2, "three": 3, "four": 4, "six": 6}
)

// understand reads an Input. What the file leaves to the note is read from it,
// by these rules and no others: a list's length from a number word that begins
// the note or follows a comma ("three rms phase currents"), its element unit,
// where Element is empty, from a unit that begins the note, ends it after "in"
// or a comma, or ends the id ("r_gs_kohm"); that null is permitted from the words
// "null if"; that a voltage is read on the diode range from those words or from
// `dio` in the id.
func understand(in Input) (input, error) {
	out := input{Input: in}
	if strings.Contains(in.Note, "null if") {
		out.Nullable = true
	}
	if len(in.Choice) > 0 {
		out.kind = kindText
		return out, nil
	}
	switch in.Unit {
	case "bool":
		out.kind = kindBool
		return out, nil
	case "map":
		out.kind = kindMap
		return out, nil
	case "count":
		out.kind, out.integer = kindNumber, true
		out.limited, out.low, out.hi = true, 0, 1e9
		return out, nil
	case "list":
		out.kind = kindList
		if m := countWord.FindStringSubmatch(in.Note); m != nil {
			out.length = numberWord[m[1]]
		}
		return out, out.setUnit(elementUnit(in))
	case "":
		return out, fmt.Errorf("input %s has neither a unit nor a choice", in.ID)
	}
	out.kind = kindNumber
	return out, out.setUnit(in.Unit)
}

func elementUnit(in Input) string {
	word := in.Element
	if word == "" {
		for _, m := range [][]string{leadUnit.FindStringSubmatch(in.Note), inUnit.FindStringSubmatch(in.Note), trailUnit.FindStringSubmatch(in.ID)} {
			if m == nil {
				continue
			}
			if _, err := units.ParseUnit(m[1]); err == nil {
				word = m[1]
				break
			}
		}
	}
	if word == "g" {
		return "[g]" // nothing is weighed here: g is the standard acceleration
	}
	return word
}

func (in *input) setUnit(word string) error {
	u, err := units.ParseUnit(word)
	if err != nil {
		return fmt.Errorf("input %s: %w", in.ID, err)
	}
	in.unit = u
	switch {
	case u.IsResistance():
		in.over = OpenOhms
	case u.IsVoltage() && (overRange.MatchString(in.Note) || strings.Contains(in.Note, "9 =") || strings.Contains(in.ID, "_dio_") || strings.Contains(in.ID, "diode_rev")):
		in.over = OverDiode
	}
	return nil
}

// expects says what a value of this input must be, for error messages.
func (in *input) expects() string {
	switch in.kind {
	case kindText:
		return "one of " + strings.Join(in.Choice, ", ")
	case kindBool:
		return "yes or no"
	case kindTextList:
		return "a list of names"
	case kindMap:
		return "names with what each connects to"
	case kindList:
		n := "a list"
		if in.length > 0 {
			n = fmt.Sprintf("a list of %d values", in.length)
		}
		if s := in.unit.Symbol(); s != "" {
			n += " in " + s
		}
		return n
	}
	if in.integer {
		return "a whole number"
	}
	if s := in.unit.Symbol(); s != "" {
		return in.unit.Quantity() + " in " + s
	}
	return "a number"
}

// InputInfo is an input as a form or an API description needs it.
type InputInfo struct {
	Input
	// Kind is number, bool, text, list, list of texts or map.
	Kind string
	// Code and Symbol are the unit of the value or of a list's elements, as UCUM and
	// as a technician reads it; both empty where there is none.
	Code, Symbol string
	// Length is the number of values a list must have, 0 when any number will do.
	Length int
	// OverRange: `OL` is a permitted value.
	OverRange bool
	// Expects says in words what is wanted: "a voltage in V".
	Expects string
}

// Inputs describes the inputs in the definition's order.
func (m *Measurement) Inputs() []InputInfo {
	out := make([]InputInfo, len(m.inputs))
	for i := range m.inputs {
		in := &m.inputs[i]
		out[i] = InputInfo{Input: in.Input, Kind: in.kind.String(), Code: codeOf(in.unit), Symbol: in.unit.Symbol(), Length: in.length, OverRange: in.over > 0, Expects: in.expects()}
	}
	return out
}
