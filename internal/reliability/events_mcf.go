package reliability

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// MeanCumulative is a mean cumulative function by column, one row a distinct age at
// which something failed. It is a step function, 0 before the first row and constant
// between rows.
type MeanCumulative struct {
	Time   []float64 // in the unit of the ages, ascending
	AtRisk []int     // units under observation at Time
	Events []int     // events at Time
	Mean   []float64 // expected events of one unit from age 0 to Time
	// SE is the standard error of Mean. It comes from the differences between
	// units, so it is NaN, with the bounds, while only one has ever been seen.
	SE           []float64
	Lower, Upper []float64
}

// MeanCumulative returns the expected number of events of a unit by age, without any
// assumption about the process (Nelson, J. Quality Technology 20 (1988) 24-35)
//
//	M(t) = Σ_{u≤t} d(u)/n(u)
//
// with the robust variance of Lawless and Nadeau, Technometrics 37 (1995) 158-168,
// which allows for units that differ and for events that bring others
//
//	var M(t) = Σ_i { Σ_{u≤t} Y_i(u)/n(u) · (d_i(u) − d(u)/n(u)) }²
//
// where Y_i is 1 while unit i is under observation and d_i counts its events, and with
// log bounds M·exp(±z·se/M). A unit is under observation at ages above its Start and
// up to its End, so an event at the age at which a unit leaves still counts it, and
// units that came late are allowed for. Bounds are pointwise; with fewer than some
// twenty units they are too narrow. Nelson's variance of 1995 divides by n−1 instead
// and is a little larger. A confidence outside 0 to 1 is an Invalid error.
func (e *Events) MeanCumulative(confidence float64) (*MeanCumulative, error) {
	if err := checkConfidence(confidence); err != nil {
		return nil, err
	}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	w := newWatch(e)
	m := newMeanCumulative(w.ages())
	mean, several := 0.0, false
	for from := 0; from < len(w.happened); {
		to := from + 1
		for to < len(w.happened) && w.happened[to].time == w.happened[from].time {
			to++
		}
		t, d := w.happened[from].time, float64(to-from)
		w.advance(t)
		n := float64(w.atRisk)
		several = several || w.atRisk > 1
		mean += d / n
		se := math.Sqrt(w.step(w.happened[from:to]))
		if !several {
			se = math.NaN()
		}
		spread := math.Exp(z * se / mean)
		m.Time, m.AtRisk, m.Events = append(m.Time, t), append(m.AtRisk, w.atRisk), append(m.Events, to-from)
		m.Mean, m.SE = append(m.Mean, mean), append(m.SE, se)
		m.Lower, m.Upper = append(m.Lower, mean/spread), append(m.Upper, mean*spread)
		from = to
	}
	return m, nil
}

// newMeanCumulative has room for n rows.
func newMeanCumulative(n int) *MeanCumulative {
	column := func() []float64 { return make([]float64, 0, n) }
	return &MeanCumulative{Time: column(), AtRisk: make([]int, 0, n), Events: make([]int, 0, n),
		Mean: column(), SE: column(), Lower: column(), Upper: column()}
}

// At returns the mean cumulative function at an age with its bounds: 0 without bounds
// before the first event. How far it may be read is the caller's to know: beyond the
// longest observation nothing was seen.
func (m *MeanCumulative) At(age float64) Estimate {
	i, found := slices.BinarySearch(m.Time, age)
	if !found {
		i--
	}
	if i < 0 {
		return Estimate{0, math.NaN(), math.NaN()}
	}
	return Estimate{m.Mean[i], m.Lower[i], m.Upper[i]}
}

// happening is one event of one unit.
type happening struct {
	time float64
	unit int32
}

// watch carries the deviations u_i of all units, whose squares add up to the variance,
// along the ages. Every unit under observation loses d/n² at each step, so a unit's
// value is kept as its distance from the loss that is common to all: a step then costs
// what happened in it, and not the number of units.
type watch struct {
	units       []Unit
	happened    []happening // by age
	byStart     []int32     // units in order of their start, of those that come in
	byEnd       []int32     // units in order of their end
	in, out     int         // how many of these have come and gone
	atRisk      int
	lost        float64   // Σ d/n² so far
	above       []float64 // u_i + lost of a unit under observation, u_i of one that has left
	watched     []bool
	sum, square float64 // Σ u_i and Σ u_i² of the units under observation
	left        float64 // Σ u_i² of those that have left
	peak        float64 // the largest variance since the sums were last taken anew
	steps       int     // steps since then
}

func newWatch(e *Events) *watch {
	n := len(e.units)
	w := &watch{units: e.units, happened: make([]happening, 0, e.count), byStart: make([]int32, n), byEnd: make([]int32, n),
		above: make([]float64, n), watched: make([]bool, n)}
	for i, u := range e.units {
		w.byStart[i], w.byEnd[i] = int32(i), int32(i)
		for _, t := range u.Events {
			w.happened = append(w.happened, happening{t, int32(i)})
		}
	}
	slices.SortFunc(w.byStart, func(a, b int32) int {
		return cmp.Or(cmp.Compare(e.units[a].Start, e.units[b].Start), cmp.Compare(a, b))
	})
	slices.SortFunc(w.byEnd, func(a, b int32) int { return cmp.Or(cmp.Compare(e.units[a].End, e.units[b].End), cmp.Compare(a, b)) })
	// Ages are numbers, so plain comparison does, in half the time.
	slices.SortFunc(w.happened, func(a, b happening) int {
		switch {
		case a.time < b.time:
			return -1
		case a.time > b.time:
			return 1
		}
		return int(a.unit) - int(b.unit)
	})
	return w
}

// ages is the number of distinct ages at which something happened.
func (w *watch) ages() int {
	n := 0
	for i, h := range w.happened {
		if i == 0 || h.time != w.happened[i-1].time {
			n++
		}
	}
	return n
}

// advance lets in the units whose observation began before the age and lets out those
// whose ended before it.
func (w *watch) advance(age float64) {
	for ; w.in < len(w.byStart) && w.units[w.byStart[w.in]].Start < age; w.in++ {
		i := w.byStart[w.in]
		w.above[i], w.watched[i] = w.lost, true
		w.atRisk++
	}
	for ; w.out < len(w.byEnd) && w.units[w.byEnd[w.out]].End < age; w.out++ {
		i := w.byEnd[w.out]
		u := w.above[i] - w.lost
		w.above[i], w.watched[i] = u, false
		w.sum -= u
		w.square -= u * u
		w.left += u * u
		w.atRisk--
	}
}

// step takes the events of one age and returns the variance at it.
func (w *watch) step(events []happening) float64 {
	n := float64(w.atRisk)
	loss := float64(len(events)) / (n * n)
	w.square += loss * (n*loss - 2*w.sum)
	w.sum -= n * loss
	w.lost += loss
	for _, h := range events {
		u := w.above[h.unit] - w.lost
		w.square += (2*u + 1/n) / n
		w.sum += 1 / n
		w.above[h.unit] += 1 / n
	}
	w.steps++
	variance := w.left + w.square
	// What is taken away from a sum leaves its rounding errors behind: once the
	// variance has halved, or enough steps have passed to pay for it, it is summed anew.
	if w.peak = max(w.peak, variance); variance < w.peak/2 || w.steps >= len(w.units) {
		w.anew()
		variance = w.left + w.square
		w.peak, w.steps = variance, 0
	}
	return max(variance, 0)
}

func (w *watch) anew() {
	w.sum, w.square, w.left = 0, 0, 0
	for i, watched := range w.watched {
		u := w.above[i]
		if !watched {
			w.left += u * u
			continue
		}
		u -= w.lost
		w.sum += u
		w.square += u * u
	}
}
