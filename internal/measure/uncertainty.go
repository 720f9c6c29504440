package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/problem"
)

// samples is the size of the fixed sample that propagates uncertainty.
const samples = 1024

// leap is the stride through the Halton sequence: the leaped sequence of Kocis
// and Whiten (ACM TOMS 23(2), 1997; their choice 409; from memory) keeps its
// evenness in many dimensions, where the plain sequence's high bases correlate.
// 409 is a prime and therefore no base here.
const leap = 409

// halton returns coordinate d of point i, in (0, 1).
func halton(i, base int) float64 {
	x, f := 0.0, 1.0
	for n := (i + 1) * leap; n > 0; n /= base {
		f /= float64(base)
		x += f * float64(n%base)
	}
	return x
}

// primes returns the first n primes without leap.
func primes(n int) []int {
	out := make([]int, 0, n)
next:
	for p := 2; len(out) < n; p++ {
		for _, q := range out {
			if q*q > p {
				break
			}
			if p%q == 0 {
				continue next
			}
		}
		if p != leap {
			out = append(out, p)
		}
	}
	return out
}

// dimension is one uncertain number: input id, element (-1 for a scalar), middle
// and half width; where a range was read with an instrument of known accuracy, the
// half widths of both.
type dimension struct {
	id          string
	element     int
	mid, width  float64
	second      float64
	low, high   float64
	constrained bool
	cell        *float64 // where the sample is read: an element, or an algorithm's number
}

func (m *Measurement) dimensions(r Readings) []dimension {
	var out []dimension
	for i := range m.inputs {
		in := &m.inputs[i]
		add := func(element int, mid, width, spread float64) {
			if width == 0 {
				width, spread = spread, 0
			}
			if width > 0 {
				out = append(out, dimension{id: in.ID, element: element, mid: mid, width: width, second: spread, low: in.low, high: in.hi, constrained: in.limited})
			}
		}
		w, s := r.width[in.ID], r.spread[in.ID]
		if len(w)+len(s) == 0 {
			continue
		}
		switch x := r.values[in.ID].(type) {
		case float64:
			add(-1, x, elementOf(w, 0), elementOf(s, 0))
		case []float64:
			for j := range x {
				add(j, x[j], elementOf(w, j), elementOf(s, j))
			}
		}
	}
	return out
}

// elementOf is 0 where the list does not state it.
func elementOf(l []float64, i int) float64 {
	if i < len(l) {
		return l[i]
	}
	return 0
}

// likelihood propagates the readings' rectangular distributions through the
// formulas and the outcome rules by a fixed quasi-random sample (propagation of
// distributions, JCGM 101:2008) and returns each outcome's share. Samples for
// which the readings contradict each other count for none.
func (m *Measurement) likelihood(r Readings, central string) ([]OutcomeProb, error) {
	dims := m.dimensions(r)
	if len(dims) == 0 {
		return m.oneHot(central), nil
	}
	if len(dims) > MaxList {
		return nil, problem.New(problem.Invalid, "At most %d readings can carry an accuracy.", MaxList)
	}
	var counts []int
	total := 0
	fast := false
	if m.sampler != nil {
		counts, total, fast = m.sampler.shares(r, dims)
	}
	if !fast {
		counts, total = m.sharesByEngine(r, dims)
	}
	out := m.oneHot(central)
	if total == 0 {
		return out, nil
	}
	for i := range out {
		out[i].Probability = float64(counts[i]) / float64(total)
	}
	return out, nil
}

// sharesByEngine asks each point of the sample for itself: the way of algorithms,
// and the reference the columns are held to.
func (m *Measurement) sharesByEngine(r Readings, dims []dimension) (counts []int, total int) {
	ru := m.newRun(r)
	ru.hold(dims)
	points := make([]*[samples]float64, len(dims))
	for k := range dims {
		points[k] = haltonColumn(k)
	}
	counts = make([]int, len(m.outcomes))
	for i := range samples {
		for k := range dims {
			ru.put(&dims[k], dims[k].at(points[k], i))
		}
		v, err := ru.verdict(false)
		if err != nil {
			continue
		}
		counts[slices.IndexFunc(m.outcomes, func(o outcome) bool { return o.ID == v.outcome })]++
		total++
	}
	return counts, total
}

// hold gives the sample places of its own to write to: lists are copied, because
// the readings must stay, and an algorithm's numbers stand behind pointers, so that
// a new value costs no allocation. The engine wants plain numbers.
func (ru *run) hold(dims []dimension) {
	for k, v := range ru.env {
		if l, ok := v.([]float64); ok {
			ru.env[k] = append([]float64(nil), l...)
		}
	}
	for k := range dims {
		d := &dims[k]
		switch {
		case d.element >= 0:
			d.cell = &ru.env[d.id].([]float64)[d.element]
		case ru.m.alg != nil:
			d.cell = new(float64)
			ru.env[d.id] = d.cell
		}
	}
}

func (ru *run) put(d *dimension, x float64) {
	if d.cell != nil {
		*d.cell = x
		return
	}
	ru.env[d.id] = x
}

// edgeText says how an uncertain reading is shared, or "" when one outcome has
// EdgeShare or more.
func (m *Measurement) edgeText(l []OutcomeProb) string {
	var best float64
	var parts []string
	order := append([]OutcomeProb(nil), l...)
	for i := 1; i < len(order); i++ { // few outcomes: insertion keeps rank order among equals
		for j := i; j > 0 && order[j].Probability > order[j-1].Probability; j-- {
			order[j], order[j-1] = order[j-1], order[j]
		}
	}
	for _, o := range order {
		best = max(best, o.Probability)
		if pct := math.Round(o.Probability * 100); pct >= 1 {
			parts = append(parts, fmt.Sprintf("%.0f %% %s", pct, m.outcomeWords(o.ID)))
		}
	}
	if best >= EdgeShare {
		return ""
	}
	return "on the edge: " + strings.Join(parts, ", ")
}
