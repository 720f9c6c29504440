package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// PowerLaw is a power-law process (a nonhomogeneous Poisson process, Crow-AMSAA model)
// fitted by maximum likelihood: a unit of age t has had Scale·t^Shape events on
// average. Ages are in the unit of the data. What cannot be estimated is NaN, and Note
// says why in a sentence; Note is "" when all can.
type PowerLaw struct {
	Events int
	// Shape has no unit: below 1 events get rarer with age, above 1 more frequent.
	Shape Estimate
	// Scale is the λ of MIL-HDBK-189 and IEC 61164: the events of one unit up to age 1.
	Scale float64
	// Eta is the same figure as an age, Scale^(−1/Shape): the one by which a unit has
	// had one event on average.
	Eta float64
	// Age is the end of the longest observation, at which Intensity and MTBF hold.
	Age float64
	// Intensity is the rate of events of one unit at Age, events per unit of age.
	Intensity Estimate
	// MTBF is 1/Intensity, the mean time between failures if the rate stayed as it is
	// at Age. With one event its upper bound is +Inf.
	MTBF Estimate
	// Exact says where the bounds come from: pivots, or else the likelihood ratio.
	Exact bool
	// Unbiased are the estimates without the bias of maximum likelihood.
	Unbiased UnbiasedPowerLaw
	// Test is the conditional test of the shape 1, which is that of MILHDBK189.
	Test Trend
	Note string
}

// UnbiasedPowerLaw holds the estimates that follow from the unbiased shape,
// (M−1)/Σ ln(b_i/t_ij) over the M events that are chance. NaN when M is below 2 or a
// unit was not observed from new.
type UnbiasedPowerLaw struct {
	Shape     float64
	Scale     float64
	Intensity float64
	// MTBF has the approximate bounds of the NIST/SEMATECH e-Handbook, section
	// 8.4.5.2, for one time-truncated unit; NaN elsewhere, or where they do not exist.
	MTBF Estimate
}

// Notes of fits of the power law.
const (
	noteNoEvents    = "There are no events yet: no trend can be given."
	noteNoExposure  = "Nothing was under observation."
	noteEventsAtEnd = "All events came at the end of the longest observation: the shape has no upper limit."
	noteNoGrowth    = "Units came under observation late and events get rarer faster than any power law allows: no shape above 0 is the most likely."
)

// PowerLaw fits the process to all units together, each observed from Start to End.
// With N events the likelihood is largest, for each shape b, at
// scale = N/S(b), S(b) = Σ (End^b − Start^b), so that only the profile
//
//	l(b) = N·ln b − N·ln S(b) + (b−1)·Σ ln t + constant
//
// remains, which is concave in b. Where all units are observed from new to the same
// age T the maximum is the closed form shape = N/Σ ln(T/t), scale = N/(k·T^shape) of
// MIL-HDBK-189 (Crow 1974). With unequal observations the full likelihood is solved,
// which takes from the number of events of the units, too, what it says of the shape
// (Rigdon and Basu, Statistical Methods for the Reliability of Repairable Systems,
// 2000, section 5.3); all units are then assumed to have the same scale.
//
// Bounds are two-sided and exact for equal time-truncated observations from new and
// for a single failure-truncated unit observed from new: shape by χ² (2N·b/shape has
// 2N degrees of freedom, or 2(N−1)), MTBF as in Crow, Technometrics 24 (1982) 67-72.
// Otherwise they are those of the likelihood ratio. The process assumes events that
// are independent and units that are alike: where units differ much its bounds are too
// narrow, and those of MeanCumulative hold. A confidence outside 0 to 1 is an Invalid
// error.
func (e *Events) PowerLaw(confidence float64) (*PowerLaw, error) {
	if err := checkConfidence(confidence); err != nil {
		return nil, err
	}
	nan := math.NaN()
	f := newGrowth(e)
	p := &PowerLaw{Events: e.count, Shape: unknown(), Scale: nan, Eta: nan, Age: f.age, Intensity: unknown(), MTBF: unknown(), Test: e.MILHDBK189(),
		Unbiased: UnbiasedPowerLaw{nan, nan, nan, unknown()}}
	switch {
	case e.exposure == 0:
		p.Age, p.Note = nan, noteNoExposure
		return p, nil
	case e.count == 0:
		p.Note = noteNoEvents
		return p, nil
	case f.logs == 0:
		p.Note = noteEventsAtEnd
		return p, nil
	}
	if p.Exact = f.pivotal(); p.Exact {
		f.exact(p, confidence)
	} else {
		f.likelihood(p, confidence)
	}
	f.unbiased(p, confidence)
	return p, nil
}

// growth is what the likelihood of a power law knows of the data, with ages in units
// of the end of the longest observation.
type growth struct {
	units     int     // with exposure
	n         float64 // events
	free      float64 // events that are chance
	logs      float64 // −Σ ln of all events, above 0
	own       float64 // Σ ln(b_i/t_ij) over the events that are chance
	age       float64
	fromNew   bool // no unit came late
	equal     bool // all ended at the same age
	truncated int  // units that are failure-truncated
	windows   *powerSum
}

func newGrowth(e *Events) *growth {
	g := &growth{n: float64(e.count), fromNew: true, equal: true, windows: &powerSum{}}
	for _, u := range e.units {
		if u.End > u.Start {
			g.age = max(g.age, u.End)
		}
	}
	for _, u := range e.units {
		if u.End == u.Start {
			continue
		}
		g.units++
		g.equal = g.equal && u.End == g.age
		if x := math.Log(u.End / g.age); u.Start == 0 {
			g.windows.x = append(g.windows.x, x)
		} else {
			g.fromNew = false
			g.windows.late = append(g.windows.late, x)
			g.windows.gap = append(g.windows.gap, math.Log(u.Start/u.End))
		}
		if u.FailureTruncated {
			g.truncated++
		}
		for _, t := range u.Events {
			g.logs -= math.Log(t / g.age)
		}
		for _, t := range u.free() {
			g.own -= math.Log(t / u.End)
			g.free++
		}
	}
	return g
}

// pivotal says whether the data allow exact bounds.
func (g *growth) pivotal() bool {
	if !g.fromNew {
		return false
	}
	return g.equal && g.truncated == 0 || g.units == 1
}

// exact fills in the closed forms. Superposed, k equal units are one of k times the
// intensity.
func (g *growth) exact(p *PowerLaw, confidence float64) {
	tail := (1 - confidence) / 2
	shape := g.n / g.logs
	chi := distuv.ChiSquared{K: 2 * g.free}
	p.Shape = Estimate{shape, shape * chi.Quantile(tail) / (2 * g.n), shape * chi.Quantile(1-tail) / (2 * g.n)}
	k := float64(g.units)
	p.setScale(shape, math.Log(g.n/k)-shape*math.Log(g.age))
	rate := g.n * shape / k / g.age
	lower, upper := crowBounds(g.n, tail, g.truncated > 0)
	// The pivots are (n²/shape)·intensity/rate = S·φ; see crowBounds.
	p.Intensity = Estimate{rate, rate * lower / (g.n * g.n), rate * upper / (g.n * g.n)}
	p.MTBF = inverse(p.Intensity)
}

func (p *PowerLaw) setScale(shape, logScale float64) {
	p.Scale = math.Exp(logScale)
	p.Eta = math.Exp(-logScale / shape)
}

func inverse(e Estimate) Estimate { return Estimate{1 / e.Value, 1 / e.Upper, 1 / e.Lower} }

// unbiased fills in the estimates without bias.
func (g *growth) unbiased(p *PowerLaw, confidence float64) {
	if !g.fromNew || g.free < 2 || g.own == 0 {
		return
	}
	u := &p.Unbiased
	u.Shape = (g.free - 1) / g.own
	logScale := math.Log(g.n) - u.Shape*math.Log(g.age) - g.windows.at(u.Shape).log
	u.Scale = math.Exp(logScale)
	u.Intensity = u.Shape * math.Exp(logScale+(u.Shape-1)*math.Log(g.age))
	u.MTBF.Value = 1 / u.Intensity
	if g.units > 1 || g.truncated > 0 {
		return
	}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	top := g.n * (g.n - 1)
	root := math.Sqrt(g.n*z*z/2 + z*z*z*z/16)
	above := g.n + z*z/4 + root
	u.MTBF.Lower = u.MTBF.Value * top / (above * above)
	if below := g.n - z*math.Sqrt(g.n/2); below > 0 {
		u.MTBF.Upper = u.MTBF.Value * top / (below * below)
	}
}

// likelihood fills in the maximum of the full likelihood and its bounds.
func (g *growth) likelihood(p *PowerLaw, confidence float64) {
	slope := func(logShape float64) float64 {
		b := math.Exp(logShape)
		_, s := g.windows.near(b)
		return 1/b - s - g.logs/g.n
	}
	start := math.Log(g.n / g.logs)
	lo, fLo, hi, fHi, found := bracket(slope, start, .5)
	if !found {
		p.Note = noteNoGrowth
		return
	}
	shape := math.Exp(root(slope, lo, fLo, hi, fHi))
	// All that follows looks only near the maximum, the closer the more events there are.
	width := 1 / math.Sqrt(g.n)
	near := math.Exp(min(2, 8*width))
	g.windows.prepare(shape/near, shape*near)
	drop := distuv.ChiSquared{K: 1}.Quantile(confidence) / 2
	top := g.profile(shape)
	p.Shape = Estimate{shape, 0, math.NaN()}
	excess := func(logShape float64) float64 { return g.profile(math.Exp(logShape)) - top + drop }
	if at, ok := crossing(excess, math.Log(shape), drop, -width); ok {
		p.Shape.Lower = math.Exp(at)
	}
	if at, ok := crossing(excess, math.Log(shape), drop, width); ok {
		p.Shape.Upper = math.Exp(at)
	}
	logSum, _ := g.windows.near(shape)
	p.setScale(shape, math.Log(g.n)-logSum-shape*math.Log(g.age))
	g.intensity(p, shape, top, drop)
}

// profile is the likelihood at its largest for a shape, but for a constant.
func (g *growth) profile(shape float64) float64 {
	logSum, _ := g.windows.near(shape)
	return g.n*(math.Log(shape)-logSum) - (shape-1)*g.logs
}

// intensity fills in the intensity at Age. In units of Age it is φ, and the
// likelihood n·ln φ − (b−1)·logs − φ·S(b)/b is concave in (ln φ, b): for each φ it is
// taken at the best shape.
func (g *growth) intensity(p *PowerLaw, shape, top, drop float64) {
	logSum, _ := g.windows.near(shape)
	best := math.Log(g.n) + math.Log(shape) - logSum
	// top lacks the constant n·ln n − n of the likelihood.
	full := top + g.n*math.Log(g.n) - g.n
	excess := func(v float64) float64 {
		b := g.bestShape(v, shape)
		logSum, _ := g.windows.near(b)
		return g.n*v - (b-1)*g.logs - math.Exp(v+logSum)/b - full + drop
	}
	rate := func(v float64) float64 { return math.Exp(v) / g.age }
	p.Intensity = Estimate{rate(best), 0, math.NaN()}
	width := 1 / math.Sqrt(g.n)
	if at, ok := crossing(excess, best, drop, -width); ok {
		p.Intensity.Lower = rate(at)
	}
	if at, ok := crossing(excess, best, drop, width); ok {
		p.Intensity.Upper = rate(at)
	}
	p.MTBF = inverse(p.Intensity)
}

// bestShape is the likeliest shape for an intensity e^v at Age, near a start. Where the
// likelihood still rises towards the shape 0 it is as good as that.
func (g *growth) bestShape(v, start float64) float64 {
	slope := func(logShape float64) float64 {
		b := math.Exp(logShape)
		logSum, s := g.windows.near(b)
		return math.Exp(v+logSum)/b*(1/b-s) - g.logs
	}
	lo, fLo, hi, fHi, found := bracket(slope, math.Log(start), .25/math.Sqrt(g.n))
	if !found {
		return math.Exp(lo)
	}
	return math.Exp(root(slope, lo, fLo, hi, fHi))
}

// bracket looks for two arguments between which a falling function passes 0, in steps
// that double from a start. found is false when there are none in a wide range.
func bracket(f func(float64) float64, start, step float64) (lo, fLo, hi, fHi float64, found bool) {
	lo, fLo = start, f(start)
	hi, fHi = lo, fLo
	for range 24 {
		switch {
		case fLo >= 0 && fHi <= 0:
			return lo, fLo, hi, fHi, true
		case fLo < 0:
			hi, fHi = lo, fLo
			lo -= step
			fLo = f(lo)
		default:
			lo, fLo = hi, fHi
			hi += step
			fHi = f(hi)
		}
		step *= 2
		if lo < -30 || hi > 300 {
			break
		}
	}
	return lo, fLo, hi, fHi, fLo >= 0 && fHi <= 0
}

// crossing finds where a concave function that is above 0 at a start passes 0, going
// in one direction. ok is false when it does not within a wide range.
func crossing(f func(float64) float64, start, atStart, step float64) (at float64, ok bool) {
	inside, fInside := start, atStart
	for range 24 {
		outside := inside + step
		fOutside := f(outside)
		if fOutside <= 0 {
			return root(f, inside, fInside, outside, fOutside), true
		}
		if math.IsNaN(fOutside) || math.Abs(outside-start) > 30 {
			break
		}
		inside, fInside = outside, fOutside
		step *= 2
	}
	return 0, false
}
