package reliability

import (
	"math/rand/v2"
	"testing"
)

// manyUnits is a fleet of 200 000 units with some 780 000 events, a quarter of the
// units seen late.
func manyUnits() []Unit {
	r := rand.New(rand.NewPCG(1, 107))
	units := make([]Unit, 200_000)
	for i := range units {
		start := 0.0
		if i%4 == 0 {
			start = 300 * r.Float64()
		}
		units[i] = powerLawUnit(r, 1, .005, start, start+50+1450*r.Float64())
	}
	return units
}

func BenchmarkEvents(b *testing.B) {
	units := manyUnits()
	e, err := NewEvents(units)
	if err != nil {
		b.Fatal(err)
	}
	counts := make([]Count, len(units))
	for i, u := range units {
		counts[i] = Count{len(u.Events), u.End - u.Start}
	}
	for _, bench := range []struct {
		name string
		run  func() error
	}{
		{"NewEvents", func() error { _, err := NewEvents(units); return err }},
		{"MeanCumulative", func() error { _, err := e.MeanCumulative(.95); return err }},
		{"PowerLaw", func() error { _, err := e.PowerLaw(.95); return err }},
		{"Laplace", func() error { e.Laplace(); return nil }},
		{"Reversals", func() error { e.Reversals(); return nil }},
		{"ShrinkRates", func() error { _, err := ShrinkRates(counts, .9); return err }},
	} {
		b.Run(bench.name, func(b *testing.B) {
			for b.Loop() {
				if err := bench.run(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
