package measure

import (
	"fmt"
	"math"
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
// and half width.
type dimension struct {
	id          string
	element     int
	mid, width  float64
	low, high   float64
	constrained bool
}

func (m *Measurement) dimensions(r Readings) []dimension {
	var out []dimension
	for i := range m.inputs {
		in := &m.inputs[i]
		w := r.width[in.ID]
		add := func(element int, mid, width float64) {
			if width > 0 {
				out = append(out, dimension{id: in.ID, element: element, mid: mid, width: width, low: in.low, high: in.hi, constrained: in.limited})
			}
		}
		switch x := r.values[in.ID].(type) {
		case float64:
			if len(w) == 1 {
				add(-1, x, w[0])
			}
		case []float64:
			for j := range w {
				add(j, x[j], w[j])
			}
		}
	}
	return out
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
	bases := primes(len(dims))
	ru := m.newRun(r)
	for k, v := range ru.env { // the sample writes into lists, the readings must stay
		if l, ok := v.([]float64); ok {
			ru.env[k] = append([]float64(nil), l...)
		}
	}
	counts, total := map[string]int{}, 0
	for i := range samples {
		ru.draw(dims, bases, i)
		v, err := ru.verdict(false)
		if err != nil {
			continue
		}
		counts[v.outcome]++
		total++
	}
	out := m.oneHot(central)
	if total == 0 {
		return out, nil
	}
	for i := range out {
		out[i].Probability = float64(counts[out[i].ID]) / float64(total)
	}
	return out, nil
}

func (ru *run) draw(dims []dimension, bases []int, i int) {
	for k, d := range dims {
		x := d.mid + d.width*(2*halton(i, bases[k])-1)
		if d.constrained {
			x = min(max(x, d.low), d.high)
		}
		if d.element < 0 {
			ru.env[d.id] = x
		} else {
			ru.env[d.id].([]float64)[d.element] = x
		}
	}
}

// edgeText says how an uncertain reading is shared, or "" when one outcome has
// EdgeShare or more.
func edgeText(l []OutcomeProb) string {
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
			parts = append(parts, fmt.Sprintf("%.0f %% %s", pct, strings.ReplaceAll(o.ID, "_", " ")))
		}
	}
	if best >= EdgeShare {
		return ""
	}
	return "on the edge: " + strings.Join(parts, ", ")
}
