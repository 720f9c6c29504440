package measure

import (
	"math"
	"slices"
)

// Deciding is the comparison that an outcome rests on, as a number line shows it:
// one value, its central 95 % interval, and the limits at which the outcome changes.
type Deciding struct {
	// Name is the id of the computed value or input, "" where the conditions compare
	// an expression (the largest of a list); Label words it either way.
	Name  string `json:"name,omitempty"`
	Label string `json:"label,omitempty"`
	// Unit is the UCUM code that Value, Low, High and every limit are in, "" for a
	// plain number.
	Unit string `json:"unit,omitempty"`
	// Value is what the readings as given come to.
	Value float64 `json:"value"`
	// Low and High hold the central 95 % of the sample that propagates the readings'
	// accuracy (JCGM 101:2008, 7.7: the probabilistically symmetric interval); both
	// are Value where it has no uncertainty. Value need not lie between them: noise
	// alone makes the largest deviation of several readings larger.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// Limits, rising, are where the outcome changes; there is at least one.
	Limits []Limit `json:"limits"`
}

// Limit is a place on the line and the outcome on each side of it.
type Limit struct {
	At    float64 `json:"at"`
	Below string  `json:"below"`
	Above string  `json:"above"`
}

// deciding finds the line for an evaluation; ru holds the values of the readings as
// given, and index is the outcome they come to.
func (m *Measurement) deciding(ru *run, r Readings, index int, shares []OutcomeProb) *Deciding {
	dims := m.dimensions(r)
	split := !slices.ContainsFunc(shares, func(o OutcomeProb) bool { return o.Probability == 1 })
	for _, a := range m.candidates(index, split) {
		if slices.ContainsFunc(dims, func(d dimension) bool { return a.limits[d.id] }) {
			continue
		}
		if d := m.line(ru, a, r, dims, shares); d != nil {
			return d
		}
	}
	return nil
}

// candidates are the values that may have decided: the only one compared; else the
// one that the outcome's condition compares; else, where the likelihood is split, any,
// because the line must then give it.
func (m *Measurement) candidates(index int, split bool) []*axis {
	var out, told []*axis
	values := valuesIn(m, m.outcomes[index].reason)
	for i := range m.axes {
		a := &m.axes[i]
		if a.barred {
			continue
		}
		out = append(out, a)
		if len(values) == 1 && values[0] == a.text {
			told = append(told, a)
		}
	}
	switch {
	case len(m.axes) == 1, split && len(told) == 0:
		return out
	}
	return told
}

// valuesIn lists the values that a condition compares.
func valuesIn(m *Measurement, r *reason) []string {
	var out []string
	for _, c := range compared(r) {
		if p, _ := m.sides(c); !slices.Contains(out, p.src) {
			out = append(out, p.src)
		}
	}
	return out
}

// line draws the line of one value, the others held as they were read. It is nil
// where the value is no number, where no limit changes the outcome, or where the
// line does not give the likelihood, because other values are uncertain too.
func (m *Measurement) line(ru *run, a *axis, r Readings, dims []dimension, shares []OutcomeProb) *Deciding {
	v, err := a.value.run(&ru.vm, ru.env)
	x, ok := v.(float64)
	if err != nil || !ok || !finite(x) || (a.unit.IsResistance() && x >= OpenOhms) {
		return nil
	}
	rules, ok := ru.rules(a)
	if !ok {
		return nil
	}
	d := &Deciding{Name: a.name, Unit: codeOf(a.unit), Value: x, Low: x, High: x, Limits: m.changes(rules)}
	if len(d.Limits) == 0 || slices.ContainsFunc(d.Limits, func(l Limit) bool { return !finite(l.At) }) {
		return nil
	}
	d.Label = upperFirst(m.phrase(a.value.node))
	if a.name != "" {
		d.Label = m.Label(a.name)
	}
	if len(dims) == 0 {
		return d
	}
	xs := m.sampleOf(r, dims, a)
	counts, total := make([]int, len(m.outcomes)), 0
	for _, x := range xs {
		if i := decide(rules, x); i >= 0 {
			counts[i]++
			total++
		}
	}
	for i, s := range shares {
		if total > 0 && math.Abs(float64(counts[i])/float64(total)-s.Probability) > 2.0/samples {
			return nil
		}
	}
	if len(xs) > 0 {
		d.Low, d.High = central95(xs)
	}
	if !finite(d.Low) || !finite(d.High) {
		return nil
	}
	return d
}

// central95 returns the ends of the probabilistically symmetric 95 % interval
// (JCGM 101:2008, 7.7.2). It sorts xs.
func central95(xs []float64) (low, high float64) {
	slices.Sort(xs)
	n := len(xs)
	q := min(int(0.95*float64(n)+0.5), n-1)
	r := (n - q) / 2
	if (n-q)%2 == 1 {
		r = (n - q + 1) / 2
	}
	return xs[max(r-1, 0)], xs[min(r+q-1, n-1)]
}

// rule is a condition in which only one value is open.
type rule struct {
	op    string // and, or, a comparison, or "" for what is settled
	kids  []rule
	truth bool
	// For a comparison: the value, or its size, against the limit.
	size  bool
	limit float64
}

// rules settles every condition but for the value of a. ok is false where a limit
// is no number.
func (ru *run) rules(a *axis) (out []rule, ok bool) {
	out = make([]rule, len(ru.m.outcomes))
	ok = true
	for i := range ru.m.outcomes {
		out[i] = ru.rule(a, ru.m.outcomes[i].reason, &ok)
	}
	return out, ok
}

func (ru *run) rule(a *axis, r *reason, ok *bool) rule {
	switch r.op {
	case "and", "or", "not":
		out := rule{op: r.op, kids: make([]rule, len(r.kids))}
		for i, k := range r.kids {
			out.kids[i] = ru.rule(a, k, ok)
		}
		return out
	case "<", "<=", ">", ">=":
		value, limit := ru.m.sides(r)
		if value.src != a.text || value.typ.kind != kindNumber {
			break
		}
		v, err := limit.run(&ru.vm, ru.env)
		x, isNumber := v.(float64)
		*ok = *ok && err == nil && isNumber && !math.IsNaN(x)
		op := r.op
		if limit == r.left {
			op = map[string]string{"<": ">", "<=": ">=", ">": "<", ">=": "<="}[op]
		}
		return rule{op: op, limit: x, size: value == r.signed}
	}
	return rule{truth: ru.holds(r)}
}

func (r *rule) holds(x float64) bool {
	switch r.op {
	case "":
		return r.truth
	case "not":
		return !r.kids[0].holds(x)
	case "and", "or":
		for i := range r.kids {
			if r.kids[i].holds(x) == (r.op == "or") {
				return r.op == "or"
			}
		}
		return r.op == "and"
	}
	if r.size {
		x = math.Abs(x)
	}
	return comparisonsOf[r.op](x, r.limit)
}

func (r *rule) limits() []float64 {
	var out []float64
	for i := range r.kids {
		out = append(out, r.kids[i].limits()...)
	}
	if comparisonsOf[r.op] != nil && finite(r.limit) {
		out = append(out, r.limit)
		if r.size {
			out = append(out, -r.limit)
		}
	}
	return out
}

// decide is the outcome at x, -1 where there is none.
func decide(rules []rule, x float64) int {
	if math.IsNaN(x) {
		return -1
	}
	return slices.IndexFunc(rules, func(r rule) bool { return r.holds(x) })
}

// changes lists the limits at which the outcome changes.
func (m *Measurement) changes(rules []rule) []Limit {
	var at []float64
	for i := range rules {
		at = append(at, rules[i].limits()...)
	}
	slices.Sort(at)
	at = slices.Compact(at)
	var out []Limit
	for i, x := range at {
		below, above := x-math.Max(1, math.Abs(x)), x+math.Max(1, math.Abs(x))
		if i > 0 {
			below = (at[i-1] + x) / 2
		}
		if i+1 < len(at) {
			above = (x + at[i+1]) / 2
		}
		b, a := decide(rules, below), decide(rules, above)
		if b != a && a >= 0 && b >= 0 {
			out = append(out, Limit{At: x, Below: m.outcomes[b].ID, Above: m.outcomes[a].ID})
		}
	}
	return out
}

// sampleOf returns the value of a in every point of the sample where it is a number.
func (m *Measurement) sampleOf(r Readings, dims []dimension, a *axis) []float64 {
	if m.sampler != nil {
		if xs, ok := m.sampler.values(r, dims, a); ok {
			return xs
		}
	}
	ru := m.newRun(r)
	ru.hold(dims)
	out := make([]float64, 0, samples)
	for i := range samples {
		for k := range dims {
			ru.put(&dims[k], dims[k].at(haltonColumn(k), i))
		}
		if ru.compute() != nil {
			continue
		}
		v, err := a.value.run(&ru.vm, ru.env)
		if x, ok := v.(float64); ok && err == nil && !math.IsNaN(x) {
			out = append(out, x)
		}
	}
	return out
}

// values is sampleOf by columns.
func (s *sampler) values(r Readings, dims []dimension, a *axis) ([]float64, bool) {
	reg, ok := s.stepReg[a.text]
	if !ok {
		reg, ok = s.known[a.text]
	}
	if !ok || s.kinds[reg] != kindNumber {
		return nil, false
	}
	end := slices.IndexFunc(s.code, func(in instr) bool { return in.dst == reg }) + 1 // 0 for an input
	c := columnPool.Get().(*columns)
	defer columnPool.Put(c)
	c.bind(s, r)
	out := make([]float64, 0, samples)
	for start := 0; start < samples; start += block {
		c.draw(s, dims, start)
		c.execute(s.code, 0, end)
		x := &c.regs[reg]
		_, stride := c.rowsOf(x)
		for i := range c.rows {
			if v := x.num[i*stride]; !x.isNull(i) && !math.IsNaN(v) {
				out = append(out, v)
			}
		}
	}
	return out, !c.mismatch
}
