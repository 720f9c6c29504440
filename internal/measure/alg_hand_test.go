package measure

import (
	"math"
	"slices"
	"testing"
)

// handCase is a case worked by hand; its comment holds the arithmetic. outcome ""
// means that the readings are refused, and detail then names the field.
type handCase struct {
	name            string
	in              map[string]any
	outcome, detail string
	values          map[string]float64 // to 5 in the last of 5 digits
}

// checkHand holds a measurement to its cases, and the cases to covering every
// outcome that the measurement declares.
func checkHand(t *testing.T, id string, cases []handCase) {
	t.Helper()
	m := setup(t, id)
	covered := map[string]bool{}
	for _, c := range cases {
		covered[c.outcome] = true
		r, _, err := m.Parse(c.in, ParseOptions{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		res, err := m.Evaluate(r)
		if c.outcome == "" {
			if err == nil {
				t.Errorf("%s: taken for %s %q", c.name, res.Outcome, res.Detail)
			} else if got := fieldsOf(t, err); got["readings."+c.detail] == "" {
				t.Errorf("%s: %s is not named in %v", c.name, c.detail, got)
			}
			continue
		}
		if err != nil || res.Outcome != c.outcome || res.Detail != c.detail {
			t.Errorf("%s: %s %q %v, want %s %q", c.name, res.Outcome, res.Detail, err, c.outcome, c.detail)
		}
		for _, v := range res.Values {
			want, named := c.values[v.ID]
			if got, _ := v.Value.(float64); named && !(math.Abs(got-want) <= 5e-5*math.Abs(want)) {
				t.Errorf("%s: %s = %v, want %v", c.name, v.ID, v.Value, want)
			}
			delete(c.values, v.ID)
		}
		for v := range c.values {
			t.Errorf("%s: %s is not among the values", c.name, v)
		}
	}
	for _, o := range m.outcomes {
		if !covered[o.ID] {
			t.Errorf("no case for %s", o.ID)
		}
	}
}

// with is a copy of readings with some of them changed.
func with(in map[string]any, change map[string]any) map[string]any {
	out := map[string]any{}
	for k, v := range in {
		out[k] = v
	}
	for k, v := range change {
		out[k] = v
	}
	return out
}

// TestSampleIsTheSentence: the quick way that judges the points of a sample says of
// each what the way that words the sentence says of it, so that the shares are the
// same, point by point. The examples carry 3 % on every reading.
func TestSampleIsTheSentence(t *testing.T) {
	t.Parallel()
	_, _, ids := loadLibrary(t)
	compared := map[string]int{}
	for _, id := range ids {
		m := setup(t, id)
		if m.alg == nil {
			continue
		}
		for _, ex := range m.def.Examples {
			r, _, err := m.Parse(ex.In, everyAccuracy(m, 3))
			if err != nil {
				t.Fatalf("%s: %v", id, err)
			}
			dims := m.dimensions(r)
			if len(dims) == 0 {
				continue
			}
			counts, total := m.sharesByEngine(r, dims)
			want, wantTotal := sharesBySentence(m, r, dims)
			if !slices.Equal(counts, want) || total != wantTotal {
				t.Errorf("%s, %v: %v of %d, by sentences %v of %d", id, ex.In, counts, total, want, wantTotal)
			}
			compared[m.def.Algorithm]++
		}
	}
	for _, name := range []string{"alg_balance_taps", "alg_bridge", "alg_motor_ident", "alg_pack_voltage", "alg_phase_resistance"} {
		if compared[name] < 5 {
			t.Errorf("only %d examples of %s were compared", compared[name], name)
		}
	}
}

// sharesBySentence evaluates each point of the sample as if it had been read.
func sharesBySentence(m *Measurement, r Readings, dims []dimension) (counts []int, total int) {
	counts = make([]int, len(m.outcomes))
	for i := range samples {
		point := r
		point.values = with(r.values, nil)
		for id, v := range point.values {
			if l, ok := v.([]float64); ok {
				point.values[id] = slices.Clone(l)
			}
		}
		for k := range dims {
			d := &dims[k]
			if x := d.at(haltonColumn(k), i); d.element >= 0 {
				point.values[d.id].([]float64)[d.element] = x
			} else {
				point.values[d.id] = x
			}
		}
		v, err := m.newRun(point).verdict(true)
		if err != nil {
			continue
		}
		counts[slices.IndexFunc(m.outcomes, func(o outcome) bool { return o.ID == v.outcome })]++
		total++
	}
	return counts, total
}
