package measure

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"nextprobe/internal/units"
)

// Issue is one mistake in a Definition. Path leads to the place in the
// measurement (`compute[1].expr`, `outcomes[0].when`, `inputs[2].unit`,
// `params.tol`, `examples[3]`), so that a reader of the file can find its line.
type Issue struct {
	Path    string
	Message string
}

func (i Issue) String() string { return i.Path + ": " + i.Message }

// Measurement is a compiled Definition. It never changes and is safe for
// concurrent use.
type Measurement struct {
	def      Definition
	inputs   []input
	byID     map[string]*input
	steps    []step
	outcomes []outcome
	tables   map[string]Table
	alg      *algorithm
	sameLen  [][2]string // pairs of lists that are combined element by element
	sampler  *sampler    // nil: the sample is asked point by point
	axes     []axis      // what the conditions of a numeric measurement compare
}

type step struct {
	Step
	prog *program // nil: documentation only
	unit units.Unit
}

type outcome struct {
	Outcome
	prog   *program
	reason *reason
	normal bool
}

// Definition returns the definition it was compiled from.
func (m *Measurement) Definition() Definition { return m.def }

// Compile checks a definition and compiles its expressions. It returns a usable
// Measurement only when there are no issues.
//
// In a measurement of kind algorithm a compute text that does not parse is taken
// as documentation and gives no value; one that parses must be right. The when
// texts of algorithm outcomes are hints to the reader and are not looked at.
func Compile(def Definition, tables map[string]Table) (*Measurement, []Issue) {
	c := compiler{m: &Measurement{def: def, byID: map[string]*input{}, tables: tables}, quantities: map[string]quantity{}}
	c.scope = scope{names: map[string]valueType{}, tables: tables}
	c.inputs()
	c.params()
	if def.Kind == Algorithm {
		c.algorithm()
	}
	if def.Kind != Inspection {
		c.compute()
	} else if len(def.Inputs)+len(def.Compute) > 0 {
		c.issue("kind", "an inspection has neither inputs nor compute; use numeric")
	}
	c.outcomes()
	if len(c.issues) > 0 {
		return nil, c.issues
	}
	if def.Kind == Numeric {
		c.m.sampler = compileSampler(c.m)
		c.m.axes = c.m.findAxes()
	}
	return c.m, nil
}

type compiler struct {
	m      *Measurement
	scope  scope
	issues []Issue
	// quantities of the computed values so far.
	quantities map[string]quantity
}

func (c *compiler) issue(path, format string, args ...any) {
	c.issues = append(c.issues, Issue{Path: path, Message: fmt.Sprintf(format, args...)})
}

var identifier = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

func (c *compiler) declare(path, id string, t valueType) {
	_, fn := functions[id]
	switch _, taken := c.scope.names[id]; {
	case !identifier.MatchString(id):
		c.issue(path, "%q is no name: small letters, digits and underscores, beginning with a letter", id)
	case taken:
		c.issue(path, "the name %q is already taken in this measurement", id)
	case id == "pi" || id == "null" || id == "interp" || id == "nil" || strings.HasPrefix(id, "null_") || fn:
		c.issue(path, "the name %q belongs to the expression language", id)
	default:
		c.scope.names[id] = t
	}
}

func (c *compiler) inputs() {
	for i, in := range c.m.def.Inputs {
		x, err := understand(in)
		if err != nil {
			c.issue(fmt.Sprintf("inputs[%d].unit", i), "%v", err)
		}
		if x.limited = x.limited || x.unit.NonNegative(); x.limited && x.hi == 0 {
			x.hi = maxValue
		}
		c.m.inputs = append(c.m.inputs, x)
	}
	for i := range c.m.inputs {
		x := &c.m.inputs[i]
		c.m.byID[x.ID] = x
		c.declare(fmt.Sprintf("inputs[%d].id", i), x.ID, valueType{kind: x.kind, nullable: x.Nullable})
	}
}

func (c *compiler) params() {
	for _, id := range sortedNames(c.m.def.Params) {
		c.declare("params."+id, id, valueType{kind: kindNumber})
	}
}

// sortedNames returns the keys of a map in order.
func sortedNames[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func (c *compiler) algorithm() {
	alg, ok := algorithms[c.m.def.Algorithm]
	if !ok {
		c.issue("algorithm", "unknown algorithm %q; known are %s", c.m.def.Algorithm, strings.Join(AlgorithmNames(), ", "))
		return
	}
	c.m.alg = alg
	for _, n := range alg.needs {
		x, ok := c.m.byID[n.id]
		if !ok {
			c.issue("inputs", "%s needs an input %q", c.m.def.Algorithm, n.id)
			continue
		}
		if msg := n.apply(x); msg != "" {
			c.issue("inputs", "%s: input %q %s", c.m.def.Algorithm, n.id, msg)
		}
		c.scope.names[x.ID] = valueType{kind: x.kind, nullable: x.Nullable}
	}
	for _, id := range alg.outcomes {
		if !slices.ContainsFunc(c.m.def.Outcomes, func(o Outcome) bool { return o.ID == id }) {
			c.issue("outcomes", "%s can answer %q, which is not among the outcomes", c.m.def.Algorithm, id)
		}
	}
	for i, o := range c.m.def.Outcomes {
		if !slices.Contains(alg.outcomes, o.ID) {
			c.issue(fmt.Sprintf("outcomes[%d].id", i), "%s never answers %q", c.m.def.Algorithm, o.ID)
		}
	}
	for _, id := range sortedNames(c.m.def.Params) {
		if _, ok := alg.params[id]; !ok {
			c.issue("params."+id, "%s has no parameter of that name", c.m.def.Algorithm)
		}
	}
}

func (c *compiler) compute() {
	for i, s := range c.m.def.Compute {
		path := fmt.Sprintf("compute[%d].expr", i)
		p, err := compileExpr(s.Expr, c.scope)
		var syntax *syntaxError
		if err != nil && c.m.def.Kind == Algorithm && errors.As(err, &syntax) {
			c.m.steps = append(c.m.steps, step{Step: s})
			continue
		}
		st := step{Step: s, prog: p, unit: c.stepUnit(i, s, p)}
		t := valueType{}
		if err != nil {
			c.issue(path, "%s: %v", s.ID, err)
		} else {
			t = p.typ
			c.quantities[s.ID] = c.stepQuantity(i, s, c.quantityOf(path, p.node), st.unit)
			c.notePairs(p.node)
		}
		c.declare(fmt.Sprintf("compute[%d].id", i), s.ID, t)
		c.m.steps = append(c.m.steps, st)
	}
}

// suffixUnits: what the last part of a computed value's name says about its unit
// where the library does not state it. It serves display only.
var suffixUnits = []struct{ suffix, unit string }{
	{"_mohm", "mOhm"}, {"_kohm", "kOhm"}, {"_ohm", "Ohm"}, {"_pct", "%"}, {"_mv", "mV"}, {"_mwb", "mWb"}, {"_kpa", "kPa"},
	{"_deg", "deg"}, {"_ms", "ms"}, {"_us", "us"}, {"_ma", "mA"}, {"_pa", "Pa"}, {"_mm", "mm"}, {"_c", "C"}, {"_s", "s"}, {"_w", "W"},
	{"_j", "J"}, {"_a", "A"}, {"_v", "V"}, {"_k", "K"}, {"_n", "N"}, {"_sccm", "cm3/min"},
}

func (c *compiler) stepUnit(i int, s Step, p *program) units.Unit {
	if s.Unit != "" {
		u, err := units.ParseUnit(s.Unit)
		if err != nil {
			c.issue(fmt.Sprintf("compute[%d].unit", i), "%v", err)
		}
		return u
	}
	if c.m.alg != nil {
		// An algorithm's branch resistance r_a is no current: it states its units.
		return c.m.alg.units[s.ID]
	}
	for _, x := range suffixUnits {
		if strings.HasSuffix(s.ID, x.suffix) && len(s.ID) > len(x.suffix) && !strings.Contains(s.ID, "_per_") {
			return units.MustUnit(x.unit)
		}
	}
	if p == nil {
		return units.Unit{}
	}
	if u, ok := c.displayUnit(p.node); ok {
		return u
	}
	return units.Unit{}
}

func (c *compiler) outcomes() {
	def := c.m.def
	if len(def.Outcomes) < 2 {
		c.issue("outcomes", "a measurement has at least two outcomes")
	}
	flagged := slices.ContainsFunc(def.Outcomes, func(o Outcome) bool { return o.Normal })
	seen := map[string]bool{}
	for i, o := range def.Outcomes {
		path := fmt.Sprintf("outcomes[%d]", i)
		if seen[o.ID] {
			c.issue(path+".id", "the outcome %q stands twice", o.ID)
		}
		seen[o.ID] = true
		out := outcome{Outcome: o, normal: o.Normal || (!flagged && i == len(def.Outcomes)-1)}
		if def.Kind == Numeric {
			c.when(path+".when", &out)
		}
		c.m.outcomes = append(c.m.outcomes, out)
	}
	if def.Kind == Numeric {
		c.reachable()
	}
}

func (c *compiler) when(path string, out *outcome) {
	if out.When == "" {
		c.issue(path, "outcome %s of a numeric measurement needs a condition", out.ID)
		return
	}
	p, err := compileExpr(out.When, c.scope)
	if err != nil {
		c.issue(path, "%s: %v", out.ID, err)
		return
	}
	if p.typ.kind != kindBool {
		c.issue(path, "%s: the condition is a %s, it must be true or false", out.ID, p.typ.kind)
		return
	}
	c.quantityOf(path, p.node)
	c.notePairs(p.node)
	out.prog = p
	out.reason = newReason(p.node, c.scope)
}
