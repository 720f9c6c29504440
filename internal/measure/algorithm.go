package measure

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"nextprobe/internal/problem"
	"nextprobe/internal/units"
)

// algorithm is a Go function that decides what a list of conditions cannot say.
type algorithm struct {
	needs    []need
	params   map[string]float64 // defaults; the definition's own override them
	units    map[string]units.Unit
	outcomes []string
	prepare  func(env map[string]any)
	run      func(c *algCall) (verdict, error)
}

// need is an input the algorithm reads, and what it requires of it.
type need struct {
	id       string
	kind     kind
	unit     string
	length   int
	nullable bool
	low, hi  float64 // where hi > low: permitted range
	integer  bool
	over     float64
}

// apply tightens an understood input to what the algorithm needs; it returns what
// does not fit, or "".
func (n need) apply(x *input) string {
	switch {
	case n.kind == kindTextList && x.kind == kindList:
		x.kind, x.empty = kindTextList, true
	case x.kind != n.kind:
		return fmt.Sprintf("must be a %s", n.kind)
	}
	if n.unit != "" {
		want := units.MustUnit(n.unit)
		switch {
		case x.kind == kindList && x.unit == (units.Unit{}):
			x.unit = want
		case !x.unit.Compatible(want):
			return fmt.Sprintf("must be %s in %s", want.Quantity(), want)
		case !x.unit.SameScale(want):
			return fmt.Sprintf("must be in %s, the algorithm reckons in it", want)
		}
	}
	if n.length > 0 {
		x.length = n.length
	}
	x.Nullable = x.Nullable || n.nullable
	x.integer = x.integer || n.integer
	if n.over > 0 {
		x.over = n.over
	}
	if n.hi > n.low {
		x.limited, x.low, x.hi = true, n.low, n.hi
	}
	return ""
}

// algorithms is the registry: closed, by the names the library uses.
var algorithms = map[string]*algorithm{
	"alg_balance_taps":     balanceTaps,
	"alg_bms_latch":        bmsLatch,
	"alg_bridge":           bridge,
	"alg_charge_led":       chargeLED,
	"alg_hall_sequence":    hallSequence,
	"alg_harness":          harness,
	"alg_motor_ident":      motorIdent,
	"alg_pack_voltage":     packVoltage,
	"alg_phase_resistance": phaseResistance,
}

// AlgorithmNames lists the algorithms a library may name, in order.
func AlgorithmNames() []string { return sortedNames(algorithms) }

// algCall is one call of an algorithm: the readings by input id, the computed
// values, and the parameters.
type algCall struct {
	env    map[string]any
	params map[string]float64
	prefix string
	quiet  bool // no sentence is wanted: one sample of many
	// view is memory that alg_balance_taps keeps between the samples.
	view tapView
}

// say formats a part of the sentence, or nothing where none is wanted.
func (c *algCall) say(format string, args ...any) string {
	if c.quiet {
		return ""
	}
	return fmt.Sprintf(format, args...)
}

// num returns a number and whether it is known.
func (c *algCall) num(id string) (float64, bool) {
	switch x := c.env[id].(type) {
	case float64:
		return x, true
	case *float64: // one sample of many
		return *x, true
	}
	return 0, false
}

func (c *algCall) must(id string) float64 { f, _ := c.num(id); return f }

func (c *algCall) list(id string) []float64 { l, _ := c.env[id].([]float64); return l }

func (c *algCall) yes(id string) bool { b, _ := c.env[id].(bool); return b }

func (c *algCall) text(id string) string { s, _ := c.env[id].(string); return s }

// refuse returns the error for readings that contradict each other or nature.
func (c *algCall) refuse(message string, ids ...string) error {
	if c.quiet {
		return errRefused
	}
	e := &problem.Error{Code: problem.Invalid, Message: message}
	for _, id := range ids {
		e.Fields = append(e.Fields, problem.Field{Field: c.prefix + "." + id, Message: message})
	}
	return e
}

// errRefused stands for every refusal of a sample, which nobody reads.
var errRefused = errors.New("refused")

func value(id, label string, v any, unit string) NamedValue {
	code := ""
	if unit != "" {
		code = units.MustUnit(unit).Code()
	}
	return NamedValue{ID: id, Label: label, Value: v, Unit: code}
}

// naturalLess orders names so that p2 stands before p10.
func naturalLess(a, b string) int {
	key := func(s string) (string, string) {
		i := len(s)
		for i > 0 && s[i-1] >= '0' && s[i-1] <= '9' {
			i--
		}
		return s[:i], strings.TrimLeft(s[i:], "0")
	}
	ah, an := key(a)
	bh, bn := key(b)
	if c := strings.Compare(ah, bh); c != 0 {
		return c
	}
	if len(an) != len(bn) {
		return len(an) - len(bn)
	}
	if c := strings.Compare(an, bn); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}

func naturalSorted[V any](m map[string]V) []string {
	keys := sortedNames(m)
	slices.SortFunc(keys, naturalLess)
	return keys
}
