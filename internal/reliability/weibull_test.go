package reliability

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nextprobe/internal/problem"
)

func fit(t *testing.T, c Columns) Weibull {
	t.Helper()
	w, err := mustLife(t, c).Weibull(.95)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestWeibullOfTheHandbook(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.1.3: scale
	// 606.5280, shape 1.7208, −log likelihood 75.135, mean 540.737.
	w := fit(t, nistWeibull)
	near(t, "scale", w.Scale.Value, 606.5280, 1e-6)
	near(t, "shape", w.Shape.Value, 1.7208, 3e-6)
	near(t, "log likelihood", w.LogLik, -75.134618, 1e-8)
	near(t, "mean", w.Mean.Value, 540.737, 1e-6)
	// R: limits of the likelihood ratio, and the life of the first tenth.
	near(t, "shape, lower", w.Shape.Lower, .905645, 6e-7)
	near(t, "shape, upper", w.Shape.Upper, 2.885738, 6e-7)
	near(t, "B10", w.B10.Value, 164.022, 1e-5)
	if w.Note != "" {
		t.Errorf("note %q", w.Note)
	}
	fixed, err := mustLife(t, nistWeibull).WeibullFixed(2, .95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "scale under shape 2", fixed.Scale.Value, 580.773, 1e-6)
	near(t, "its one-sided bound", fixed.OneSidedLower, 445.928, 1e-6)
}

func TestWeibullAgreesWithR(t *testing.T) {
	t.Parallel()
	ref := readReference(t)
	w := fit(t, nistWeibull)
	// survreg(Surv(time, event) ~ 1), to all its digits.
	near(t, "survreg: shape", w.Shape.Value, ref.SurvregNIST[0], 1e-10)
	near(t, "survreg: scale", w.Scale.Value, ref.SurvregNIST[1], 1e-10)
	near(t, "survreg: log likelihood", w.LogLik, ref.SurvregNIST[2], 1e-13)

	fleet := Columns{Time: ref.Fleet.Time, Event: ref.Fleet.Event, Entry: ref.Fleet.Entry}
	var late Columns
	for i, entry := range fleet.Entry {
		if entry > 0 {
			late.Time, late.Event, late.Entry = append(late.Time, fleet.Time[i]), append(late.Event, fleet.Event[i]), append(late.Entry, entry)
		}
	}
	for name, tc := range map[string]struct {
		c    Columns
		want refWeibull
	}{
		"handbook": {nistWeibull, ref.WeibullNIST},
		"6-MP":     {gehan6MP, ref.Weibull6MP},
		"fleet":    {fleet, ref.WeibullFleet},
		"all late": {late, ref.WeibullLate},
	} {
		w := fit(t, tc.c)
		near(t, name+": log likelihood", w.LogLik, tc.want.LogLik, 1e-12)
		for what, pair := range map[string]struct {
			got  Estimate
			want [3]float64
		}{
			"shape": {w.Shape, tc.want.Shape}, "scale": {w.Scale, tc.want.Scale}, "B10": {w.B10, tc.want.B10},
			"median": {w.Median, tc.want.Median}, "mean": {w.Mean, tc.want.Mean},
		} {
			// R's maximum over two parameters is good to half the digits, its bounds to more.
			near(t, name+": "+what, pair.got.Value, pair.want[0], 1e-6)
			near(t, name+": "+what+", lower", pair.got.Lower, pair.want[1], 1e-9)
			near(t, name+": "+what+", upper", pair.got.Upper, pair.want[2], 1e-9)
		}
	}
}

func TestWeibullOfGehansData(t *testing.T) {
	t.Parallel()
	// R, survreg on each group alone.
	for _, tc := range []struct {
		c            Columns
		shape, scale float64
	}{{gehanPlacebo, 1.370500, 9.482141}, {gehan6MP, 1.353735, 33.765151}} {
		w := fit(t, tc.c)
		near(t, "shape", w.Shape.Value, tc.shape, 6e-7)
		near(t, "scale", w.Scale.Value, tc.scale, 6e-7)
	}
}

// logLikelihood is the likelihood as it is defined, item by item.
func logLikelihood(c Columns, shape, scale float64) float64 {
	sum := 0.0
	for i, v := range c.Time {
		entry := 0.0
		if c.Entry != nil {
			entry = c.Entry[i]
		}
		sum += math.Pow(entry/scale, shape) - math.Pow(v/scale, shape)
		if c.Event[i] > 0 {
			sum += math.Log(shape/scale) + (shape-1)*math.Log(v/scale)
		}
	}
	return sum
}

// TestWeibullIsTheMaximum: the likelihood as defined has the value that the fit
// says, and falls in every direction.
func TestWeibullIsTheMaximum(t *testing.T) {
	t.Parallel()
	ref := readReference(t)
	for _, c := range []Columns{nistWeibull, gehan6MP, {Time: ref.Fleet.Time, Event: ref.Fleet.Event, Entry: ref.Fleet.Entry}} {
		w := fit(t, c)
		near(t, "log likelihood", logLikelihood(c, w.Shape.Value, w.Scale.Value), w.LogLik, 1e-12)
		for i := range 16 {
			sin, cos := math.Sincos(float64(i) * math.Pi / 8)
			if v := logLikelihood(c, w.Shape.Value*(1+1e-4*sin), w.Scale.Value*(1+1e-4*cos)); v >= w.LogLik {
				t.Errorf("direction %d: %v is above %v", i, v, w.LogLik)
			}
		}
	}
}

// TestWeibullBoundsLieOnTheEdge: at each bound some shape has a likelihood below the
// maximum by half the quantile of χ² exactly, and none has a higher one.
func TestWeibullBoundsLieOnTheEdge(t *testing.T) {
	t.Parallel()
	const drop = 3.841458820694124 / 2
	rapid.Check(t, func(t *rapid.T) {
		var c Columns
		for range rapid.IntRange(4, 25).Draw(t, "n") {
			time := rapid.Float64Range(1, 1000).Draw(t, "time")
			c.Time = append(c.Time, time)
			c.Event = append(c.Event, rapid.IntRange(0, 1).Draw(t, "event"))
			c.Entry = append(c.Entry, time*rapid.SampledFrom([]float64{0, 0, .3, .7}).Draw(t, "entry"))
		}
		l, err := NewLife(c)
		if err != nil {
			t.Fatal(err)
		}
		w, _ := l.Weibull(.95)
		if math.IsNaN(w.Scale.Upper) || math.IsNaN(w.Scale.Lower) {
			if w.Note == "" {
				t.Fatalf("no bounds and no note: %+v", w)
			}
			return
		}
		for k, e := range map[float64]Estimate{1: w.Scale, -math.Log(.9): w.B10, math.Ln2: w.Median} {
			if !(e.Lower < e.Value && e.Value < e.Upper) {
				t.Fatalf("%v is not within its bounds", e)
			}
			for _, q := range []float64{e.Lower, e.Upper} {
				best := math.Inf(-1)
				const steps = 400
				for i := range steps + 1 {
					b := w.Shape.Lower * math.Pow(w.Shape.Upper/w.Shape.Lower, float64(i)/steps)
					best = max(best, logLikelihood(c, b, q*math.Pow(k, -1/b)))
				}
				if best > w.LogLik-drop+1e-7 || best < w.LogLik-drop-.03 {
					t.Fatalf("at %v the likelihood is %v, want %v below %v", q, best, drop, w.LogLik)
				}
			}
		}
	})
}

// TestWeibullFindsTheHighestPeak: with late entries the likelihood may have several;
// no point of a wide grid may be above the fit.
func TestWeibullFindsTheHighestPeak(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var c Columns
		for range rapid.IntRange(3, 12).Draw(t, "n") {
			time := math.Exp(rapid.Float64Range(-4, 4).Draw(t, "log time"))
			c.Time = append(c.Time, time)
			c.Event = append(c.Event, rapid.IntRange(0, 1).Draw(t, "event"))
			c.Entry = append(c.Entry, time*rapid.SampledFrom([]float64{0, .01, .5, .9, .9999}).Draw(t, "entry"))
		}
		l, err := NewLife(c)
		if err != nil {
			t.Fatal(err)
		}
		w, _ := l.Weibull(.95)
		if math.IsNaN(w.LogLik) {
			if w.Note == "" {
				t.Fatal("no fit and no note")
			}
			return
		}
		for logShape := -5.0; logShape <= 4; logShape += .25 {
			shape := math.Exp(logShape)
			s := newProfile(l)
			scale := l.last() * math.Exp((s.sum.at(shape).log-math.Log(float64(l.failures)))/shape)
			if v := logLikelihood(c, shape, scale); v > w.LogLik+1e-9*(1+math.Abs(v)) {
				t.Fatalf("shape %v, scale %v has likelihood %v, the fit %+v", shape, scale, v, w)
			}
		}
	})
}

// TestWeibullTakesAnySpread: lives from the smallest number to the largest.
func TestWeibullTakesAnySpread(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		c    Columns
		note string
	}{
		{plus(1e-300, 1, 1e300), noteBeyond},
		{plus(5e-324, 1.7e308), noteBeyond},
		{plus(1, 1+1e-15, -(1 + 1e-15)), noteFew},
		{plus(1e300, 1e300, -1.1e300), noteFew},
		{Columns{Time: []float64{1e-300, 1, 1e300}, Event: []int{1, 1, 1}, Entry: []float64{5e-324, 1e-300, 0}}, noteBeyond},
	} {
		w := fit(t, tc.c)
		if !(w.Shape.Lower < w.Shape.Value && w.Shape.Value < w.Shape.Upper) || w.Note != tc.note {
			t.Errorf("%v: %+v, want a shape and %q", tc.c, w, tc.note)
		}
		for _, e := range []Estimate{w.Scale, w.B10, w.Median, w.Mean} {
			if e.Value == 0 || math.IsInf(e.Upper, 0) || e.Lower > e.Value || e.Value > e.Upper {
				t.Errorf("%v: %+v", tc.c, e)
			}
		}
	}
}

// TestWeibullScales: a change of the unit of time changes the lives and nothing else.
func TestWeibullScales(t *testing.T) {
	t.Parallel()
	for _, unit := range []float64{1e-9, 86400, 1e12} {
		c := Columns{Event: nistWeibull.Event}
		for _, v := range nistWeibull.Time {
			c.Time = append(c.Time, v*unit)
		}
		a, b := fit(t, nistWeibull), fit(t, c)
		near(t, "shape", b.Shape.Value, a.Shape.Value, 1e-12)
		near(t, "shape, upper", b.Shape.Upper, a.Shape.Upper, 1e-11)
		near(t, "B10", b.B10.Lower/unit, a.B10.Lower, 1e-11)
		near(t, "log likelihood", b.LogLik, a.LogLik-10*math.Log(unit), 1e-11)
	}
}

func TestWeibullNamesWhatIsMissing(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		c    Columns
		note string
	}{
		{"no rows", Columns{}, noteNoRows},
		{"all censored", plus(-3, -4), noteNoFailures},
		{"one failure", plus(3, -4), noteOneFailure},
		{"all at one time", plus(4, 4, -1, -4), noteSameTime},
		// Each item failed just after it came: late entries whose likelihood is that of
		// a hazard like 1/t, steeper than any shape above 0.
		{"no shape", Columns{Time: []float64{1.1, 2.01, 8.02, 30}, Event: []int{1, 1, 1, 0}, Entry: []float64{1, 2, 8, 1}}, noteNoShape},
	} {
		w := fit(t, tc.c)
		if w.Note != tc.note || !math.IsNaN(w.Shape.Value) || !math.IsNaN(w.Scale.Upper) || !math.IsNaN(w.LogLik) {
			t.Errorf("%s: %+v, want nothing but %q", tc.name, w, tc.note)
		}
	}
	few := fit(t, plus(3, 5, -8))
	if few.Note != noteFew || !(few.Shape.Lower < few.Shape.Value && few.Shape.Value < few.Shape.Upper) {
		t.Errorf("two failures: %+v", few)
	}
	open := fit(t, Columns{Time: []float64{2, 4, 6, 9, 9, 20}, Event: []int{1, 1, 1, 1, 1, 0}, Entry: []float64{1, 2, 3, 4, 5, 1}})
	if open.Note != noteOpenShape || open.Shape.Lower != 0 || !(open.Shape.Value > 0) || !math.IsNaN(open.Scale.Upper) {
		t.Errorf("a shape near 0 not excluded: %+v", open)
	}
}

func TestFixedShapeWithoutFailures(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook, section 8.4.5.1: without a failure in a time T the
	// lower 95 % limit of the mean is .3338 T, the 80 % one .6213 T, 90 % .4343 T.
	l := mustLife(t, plus(-300, -500))
	for confidence, factor := range map[float64]float64{.8: .6213, .9: .4343, .95: .3338} {
		w, err := l.WeibullFixed(1, confidence)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "one-sided bound", w.OneSidedLower, factor*800, 2e-4)
		if !math.IsNaN(w.Scale.Value) || !math.IsNaN(w.Scale.Upper) || !(w.Scale.Lower < w.OneSidedLower) {
			t.Errorf("%+v", w)
		}
	}
	// Shape 2: (Σ t²/−ln α)^(1/2).
	w, _ := l.WeibullFixed(2, .95)
	near(t, "shape 2", w.OneSidedLower, math.Sqrt((300*300+500*500)/-math.Log(.05)), 1e-12)
}

func TestFixedShapeRefuses(t *testing.T) {
	t.Parallel()
	l := mustLife(t, plus(3))
	for field, call := range map[string]func() error{
		"shape":      func() error { _, err := l.WeibullFixed(0, .95); return err },
		"confidence": func() error { _, err := l.WeibullFixed(1, 1); return err },
		"time":       func() error { _, err := mustLife(t, Columns{}).WeibullFixed(1, .95); return err },
	} {
		if e := problem.As(call()); e == nil || e.Fields[0].Field != field {
			t.Errorf("%s: %v", field, e)
		}
	}
	if _, err := l.Weibull(0); err == nil {
		t.Error("a confidence of 0 was taken")
	}
	if _, err := l.Exponential(2); err == nil {
		t.Error("a confidence of 2 was taken")
	}
}

func TestExponentialOfTheHandbook(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook, section 8.4.5.1 (example from memory): two failures in
	// 800 h, 90 %: mean 400 h, from 127.07 to 2251.23.
	x, err := mustLife(t, plus(100, 200, -500)).Exponential(.9)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", x.Mean.Value, 400, 1e-15)
	near(t, "lower", x.Mean.Lower, 127.07, 4e-5)
	near(t, "upper", x.Mean.Upper, 2251.23, 1e-5)
	// The same section's factors of the estimate T/r, 90 %: (r, lower, upper).
	for _, f := range [][3]float64{{1, .2108, 19.4957}, {2, .3177, 5.6281}, {3, .3869, 3.6689}, {5, .4756, 2.5379}, {10, .5895, 1.8432}} {
		times := []float64{-100}
		for range int(f[0]) {
			times = append(times, 10)
		}
		x, _ := mustLife(t, plus(times...)).Exponential(.9)
		near(t, "lower factor", x.Mean.Lower/x.Mean.Value, f[1], 5e-5)
		near(t, "upper factor", x.Mean.Upper/x.Mean.Value, f[2], 5e-5)
	}
	none, _ := mustLife(t, plus(-800)).Exponential(.95)
	near(t, "without a failure", none.OneSidedLower, .3338*800, 2e-4)
	if none.Note != noteNoFailures || !math.IsNaN(none.Mean.Value) || !math.IsNaN(none.Mean.Upper) {
		t.Errorf("%+v", none)
	}
	// An exponential life is a Weibull life of shape 1.
	l := mustLife(t, Columns{Time: gehan6MP.Time, Event: gehan6MP.Event, Entry: make([]float64, 21)})
	x, _ = l.Exponential(.95)
	w, _ := l.WeibullFixed(1, .95)
	near(t, "mean", x.Mean.Value, w.Scale.Value, 1e-13)
	near(t, "lower", x.Mean.Lower, w.Scale.Lower, 1e-13)
	near(t, "upper", x.Mean.Upper, w.Scale.Upper, 1e-13)
	near(t, "one-sided", x.OneSidedLower, w.OneSidedLower, 1e-13)
	near(t, "log likelihood", x.LogLik, w.LogLik, 1e-13)
	if empty, err := mustLife(t, Columns{}).Exponential(.95); err != nil || empty.Note != noteNoRows {
		t.Errorf("%+v, %v", empty, err)
	}
}
