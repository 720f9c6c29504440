package store_test

import (
	"fmt"
	"testing"

	"nextprobe/internal/shop"
)

// BenchmarkJobFile reads a job of usual size: thirty observations, a few faults
// and repairs.
func BenchmarkJobFile(b *testing.B) {
	x := setup(b)
	j := x.openJob(x.board.ID, t0, ptr(100.0))
	x.change(&j, t0, func(c *shop.JobChange) {
		for i := range 30 {
			c.Add = append(c.Add, shop.Observation{ID: newID(), Kind: shop.ObservedMeasurement, Measurement: fmt.Sprintf("m%02d", i),
				Result: &shop.Result{Readings: map[string]any{"v": "62.4V"}, Outcome: "low", Likelihood: map[string]float64{"low": 0.9, "normal": 0.1},
					Values: []shop.ResultValue{{ID: "v_cell", Value: 3.12, Unit: "V"}}, Text: "62.4 V / 20 = 3.12 V"}})
		}
	})
	for i := range 3 {
		f := x.confirm(&j, fmt.Sprintf("component_%d", i), t0, nil)
		x.mend(&j, f.ID, "replace", t0)
	}
	for range 8 {
		c := shop.Connector{ID: newID(), BoardID: x.board.ID, Place: "p", Polarity: "unknown", FittedAt: t0}
		x.ok(x.store.AddConnector(x.ctx, x.shop.ID, c, x.audit("connector.add", c.ID)))
	}
	b.ResetTimer()
	for b.Loop() {
		f, err := x.store.JobFile(x.ctx, x.shop.ID, j.ID)
		if err != nil || len(f.Observations) != 30 {
			b.Fatal(err)
		}
	}
}

// BenchmarkAddJob opens and closes nothing else: one intake per turn.
func BenchmarkAddJob(b *testing.B) {
	x := setup(b)
	for b.Loop() {
		b.StopTimer()
		n := x.newJob(x.addBoard("", t0).ID, t0, ptr(100.0))
		n.Observations = []shop.Observation{{ID: newID(), Kind: shop.ObservedSymptom, Symptom: "cuts_out", Present: true}}
		b.StartTimer()
		if _, err := x.store.AddJob(x.ctx, x.shop.ID, n); err != nil {
			b.Fatal(err)
		}
	}
}
