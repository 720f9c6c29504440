package shop

import (
	"math"
	"slices"

	"nextprobe/internal/diagnosis"
)

// overlaps finds the observations pointing to a cause that say much the same, or
// that say something only together. Their weights, each with all others staying,
// then do not add up to what they weigh together.
func (w *weigher) overlaps(at int, linked []int) ([]overlap, error) {
	var group []int
	for _, j := range linked {
		if w.weights[at][j] > -leastSaid {
			group = append(group, j)
		}
	}
	if len(group) < 2 {
		return nil, nil
	}
	rest, err := w.logOdds(at, group, -1)
	if err != nil {
		return nil, err
	}
	alone := make([]float64, len(group))
	var same, apart []int
	for k, j := range group {
		with, err := w.logOdds(at, group, j)
		if err != nil {
			return nil, err
		}
		alone[k] = with - rest
		switch left := w.weights[at][j]; {
		case alone[k]-left >= clearly:
			same = append(same, k)
		case left-alone[k] >= clearly && alone[k] < clearly:
			apart = append(apart, k)
		}
	}
	var out []overlap
	for _, kind := range []struct {
		list  []int
		apart bool
	}{{same, false}, {apart, true}} {
		if len(kind.list) < 2 {
			continue
		}
		o, err := w.jointly(at, group, alone, kind.list, kind.apart)
		if err != nil {
			return nil, err
		}
		if o != nil {
			out = append(out, *o)
		}
	}
	return out, nil
}

// jointly weighs some of a group together; nil where their sum says it as well.
func (w *weigher) jointly(at int, group []int, alone []float64, list []int, apart bool) (*overlap, error) {
	o := &overlap{apart: apart}
	var out []int
	sum := 0.0
	for _, k := range list {
		j := group[k]
		out = append(out, j)
		sum += w.weights[at][j]
		o.names, o.alone = append(o.names, w.name(w.found[j])), append(o.alone, alone[k])
	}
	without, err := w.logOdds(at, out, -1)
	if err != nil {
		return nil, err
	}
	full, err := w.logOdds(at, nil, -1)
	if err != nil {
		return nil, err
	}
	o.joint = full - without
	if !apart && o.joint < sum+clearly || apart && o.joint < clearly {
		return nil, nil
	}
	return o, nil
}

// logOdds is ten times the common logarithm of the odds of a cause under the
// evidence without the places given, but with the place keep (-1 for none).
func (w *weigher) logOdds(cause int, without []int, keep int) (float64, error) {
	var ev []diagnosis.Observation
	for j, o := range w.ev {
		if j == keep || !slices.Contains(without, j) {
			ev = append(ev, o)
		}
	}
	post, err := w.model.Infer(ev)
	if err != nil {
		return 0, err
	}
	p := post.Marginals[cause]
	return math.Max(-diagnosis.MaxDecibans, math.Min(diagnosis.MaxDecibans, 10*math.Log10(p/(1-p)))), nil
}
