package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/expr-lang/expr/vm"

	"nextprobe/internal/problem"
	"nextprobe/internal/units"
)

// Result is what a measurement says.
type Result struct {
	// Outcome is the class the readings as given fall in; Normal says whether it is a healthy one.
	Outcome string
	Normal  bool
	// Detail says which: the phase, the sensor, the tap. Empty where there is none.
	Detail string
	// Likelihood holds every outcome in rank order with its share; it sums to 1.
	Likelihood []OutcomeProb
	// Values are the computed values in the order of computing.
	Values []NamedValue
	// Text is the plain sentence: what was computed, against which limit, what it means.
	Text     string
	Warnings []string
	// Deciding is the value that decided, with the limits about it: of a numeric
	// measurement whose conditions compare one and the same number with limits that
	// the readings settle. Of several compared numbers it is the one that decided,
	// where they share no reading and the others are certain enough that the line
	// gives the likelihood. nil otherwise: for inspections and algorithms, for a
	// number over range, and where no limit changes the outcome.
	Deciding *Deciding
}

// OutcomeProb is an outcome with the share of the readings' uncertainty that falls in it.
type OutcomeProb struct {
	ID          string
	Probability float64
}

// NamedValue is a computed value: float64, bool, string, []float64, or nil where
// it cannot be known from the readings. Unit is a UCUM code, "" when none is
// stated; Label is the library's word for it, "" likewise.
type NamedValue struct {
	ID    string
	Label string
	Value any
	Unit  string
}

// EdgeShare is the likelihood below which no outcome is certain enough to be
// reported without the words "on the edge".
const EdgeShare = 0.95

// run is the state of one evaluation; it is reused for every sample.
type run struct {
	m   *Measurement
	vm  vm.VM
	env map[string]any
	// flawed maps a value that divides by zero or is otherwise no number to the
	// sentence that says so and the field at fault.
	flawed map[string]problem.Field
	r      Readings
	call   algCall
}

// Evaluate computes the derived values, the outcome, its detail, the likelihood
// over outcomes and the sentence. The error is a problem.Invalid where readings
// contradict each other or a deciding value cannot be computed from them.
// It panics for an inspection; use Inspect.
func (m *Measurement) Evaluate(r Readings) (Result, error) {
	if m.def.Kind == Inspection {
		return Result{}, problem.New(problem.Invalid, "%s is judged by eye: give the outcome, one of %s.", m.def.ID, m.outcomeIDs())
	}
	ru := m.newRun(r)
	v, err := ru.verdict(true)
	if err != nil {
		return Result{}, err
	}
	res := Result{Outcome: v.outcome, Normal: m.isNormal(v.outcome), Detail: v.detail, Warnings: v.warnings, Values: ru.values(v)}
	res.Text = v.text
	if said := m.ranges(r, res.Text); said != "" {
		res.Text = strings.TrimSuffix(res.Text, ".") + "; " + said + "."
	}
	if res.Likelihood, err = m.likelihood(r, v.outcome); err != nil {
		return Result{}, err
	}
	if edge := m.edgeText(res.Likelihood); edge != "" {
		res.Text = strings.TrimSuffix(res.Text, ".") + "; " + edge + "."
	}
	if m.def.Kind == Numeric {
		i := slices.IndexFunc(m.outcomes, func(o outcome) bool { return o.ID == v.outcome })
		res.Deciding = m.deciding(ru, r, i, res.Likelihood)
	}
	return res, nil
}

// Inspect gives the result of an inspection, or of any measurement whose outcome
// the technician states directly.
func (m *Measurement) Inspect(outcomeID string) (Result, error) {
	i := slices.IndexFunc(m.outcomes, func(o outcome) bool { return o.ID == outcomeID })
	if i < 0 {
		return Result{}, problem.InField("outcome", "%q is no outcome of %s; choose one of %s", outcomeID, m.def.ID, m.outcomeIDs())
	}
	o := m.outcomes[i]
	return Result{Outcome: o.ID, Normal: o.normal, Likelihood: m.oneHot(o.ID), Text: sentence(o.Outcome, "")}, nil
}

func (m *Measurement) outcomeIDs() string {
	ids := make([]string, len(m.outcomes))
	for i, o := range m.outcomes {
		ids[i] = o.ID
	}
	return strings.Join(ids, ", ")
}

func (m *Measurement) isNormal(id string) bool {
	return slices.ContainsFunc(m.outcomes, func(o outcome) bool { return o.ID == id && o.normal })
}

func (m *Measurement) oneHot(id string) []OutcomeProb {
	out := make([]OutcomeProb, len(m.outcomes))
	for i, o := range m.outcomes {
		out[i].ID = o.ID
		if o.ID == id {
			out[i].Probability = 1
		}
	}
	return out
}

func (m *Measurement) newRun(r Readings) *run {
	ru := &run{m: m, env: make(map[string]any, len(m.inputs)+len(m.steps)+len(r.params)), r: r}
	ru.vm.MemoryBudget = 100_000
	for k, v := range r.params {
		ru.env[k] = v
	}
	for k, v := range r.values {
		ru.env[k] = v
	}
	return ru
}

// verdict is the outcome of one set of values.
type verdict struct {
	outcome, detail, text string
	warnings              []string
	extra                 []NamedValue
}

// verdict computes and decides; the text is only made when wanted.
func (ru *run) verdict(text bool) (verdict, error) {
	if ru.m.alg != nil && ru.m.alg.prepare != nil {
		for _, n := range ru.m.alg.needs { // what an earlier sample filled in is unknown again
			if ru.r.values[n.id] == nil {
				ru.env[n.id] = nil
			}
		}
		ru.m.alg.prepare(ru.env)
	}
	// An algorithm decides from the readings alone; its computed values are for the
	// reader, so a sample does without them.
	if text || ru.m.alg == nil {
		if err := ru.compute(); err != nil {
			return verdict{}, err
		}
	}
	if ru.m.alg != nil {
		return ru.algorithm(text)
	}
	for i := range ru.m.outcomes {
		o := &ru.m.outcomes[i]
		for _, n := range o.prog.names {
			if f, bad := ru.flawed[n]; bad {
				return verdict{}, &problem.Error{Code: problem.Invalid, Message: f.Message, Fields: []problem.Field{f}}
			}
		}
		v, err := o.prog.run(&ru.vm, ru.env)
		if err != nil {
			return verdict{}, problem.New(problem.Invalid, "%s cannot be judged from these readings: %v.", ru.m.def.ID, err)
		}
		if hit, _ := v.(bool); !hit {
			continue
		}
		out := verdict{outcome: o.ID, detail: ru.detail(o)}
		if text {
			out.text = ru.explain(i)
		}
		return out, nil
	}
	return verdict{}, problem.New(problem.Invalid, "These readings fit no outcome of %s.", ru.m.def.ID)
}

func (ru *run) compute() error {
	clear(ru.flawed)
	for i := range ru.m.steps {
		s := &ru.m.steps[i]
		if s.prog == nil {
			continue
		}
		v, err := s.prog.run(&ru.vm, ru.env)
		if err != nil {
			return problem.New(problem.Invalid, "%s cannot be computed from these readings: %v.", ru.m.Label(s.ID), err)
		}
		ru.env[s.ID] = v
		if !finite(v) {
			ru.note(s, v)
		}
	}
	return nil
}

// note records a step whose value is not finite. An infinity that no zero reading
// causes is kept: a bus that does not fall at all has an infinite time constant.
func (ru *run) note(s *step, v any) {
	field := problem.Field{Field: ru.r.prefix}
	for _, n := range s.prog.divisors {
		if f, ok := ru.env[n].(float64); ok && f == 0 {
			if ru.m.byID[n] != nil {
				field.Field += "." + n
			}
			field.Message = fmt.Sprintf("%s is zero, and %s is reckoned by dividing by it: take the reading again", ru.m.Label(n), lowerFirst(ru.m.Label(s.ID)))
			ru.flaw(s.ID, field)
			return
		}
	}
	for _, n := range s.prog.names {
		if f, ok := ru.flawed[n]; ok {
			ru.flaw(s.ID, f)
			return
		}
	}
	if hasNaN(v) {
		field.Message = fmt.Sprintf("%s cannot be computed from these readings", ru.m.Label(s.ID))
		ru.flaw(s.ID, field)
	}
}

func (ru *run) flaw(id string, f problem.Field) {
	if ru.flawed == nil {
		ru.flawed = map[string]problem.Field{}
	}
	ru.flawed[id] = f
}

func finite(v any) bool {
	switch x := v.(type) {
	case float64:
		return !math.IsNaN(x) && !math.IsInf(x, 0)
	case []float64:
		for _, f := range x {
			if math.IsNaN(f) || math.IsInf(f, 0) {
				return false
			}
		}
	}
	return true
}

func hasNaN(v any) bool {
	switch x := v.(type) {
	case float64:
		return math.IsNaN(x)
	case []float64:
		return slices.ContainsFunc(x, math.IsNaN)
	}
	return false
}

// detail names the place a numeric measurement's abnormal outcome points to: the
// library computes it as `which`, or as `low_group` and `high_group`.
func (ru *run) detail(o *outcome) string {
	if o.normal {
		return ""
	}
	id := "which"
	switch {
	case strings.Contains(o.ID, "low") && ru.env["low_group"] != nil:
		id = "low_group"
	case strings.Contains(o.ID, "high") && ru.env["high_group"] != nil:
		id = "high_group"
	case !strings.Contains(o.Meaning, "detail"):
		return ""
	}
	if f, ok := ru.env[id].(float64); ok {
		return units.Number(f, 4)
	}
	return ""
}

func (ru *run) algorithm(text bool) (verdict, error) {
	ru.call = algCall{env: ru.env, params: ru.r.params, prefix: ru.r.prefix, quiet: !text, view: ru.call.view}
	v, err := ru.m.alg.run(&ru.call)
	if err != nil {
		return verdict{}, err
	}
	if text {
		i := slices.IndexFunc(ru.m.outcomes, func(o outcome) bool { return o.ID == v.outcome })
		v.text = sentence(ru.m.outcomes[i].Outcome, v.text)
	}
	return v, nil
}

// values lists the computed values, then what the algorithm adds.
func (ru *run) values(v verdict) []NamedValue {
	var out []NamedValue
	for _, s := range ru.m.steps {
		if s.prog == nil {
			continue
		}
		x := ru.env[s.ID]
		if !finite(x) {
			x = nil
		}
		out = append(out, NamedValue{ID: s.ID, Label: s.Label, Value: x, Unit: codeOf(s.unit)})
	}
	for _, e := range v.extra {
		i := slices.IndexFunc(out, func(n NamedValue) bool { return n.ID == e.ID })
		if i < 0 {
			out = append(out, e)
		}
	}
	return out
}

func codeOf(u units.Unit) string {
	if u == (units.Unit{}) {
		return ""
	}
	return u.Code()
}

// sentence joins what was found with the outcome and its meaning.
func sentence(o Outcome, found string) string {
	out := o.Words()
	if found != "" {
		out = found + ": " + out
	}
	if m := strings.TrimSpace(o.Meaning); m != "" && m != "normal" && m != o.Label {
		out += " (" + strings.TrimSuffix(m, ".") + ")"
	}
	return upperFirst(out) + "."
}
