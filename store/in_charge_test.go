package store_test

import (
	"testing"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// What the technician decided against the advice comes back as it was written.
func TestTechnicianInChargeIsKept(t *testing.T) {
	t.Parallel()
	b := setup(t)
	j := b.openJob(b.board.ID, t0, nil)
	skip := shop.Observation{ID: newID(), Kind: shop.ObservedMeasurement, Measurement: "hall_timing", Unavailable: true,
		Reason: shop.OtherReason, Note: "the stand is lent out", At: t0, By: "Kim"}
	sound := shop.Observation{ID: newID(), Kind: shop.ObservedCause, Cause: "bearing_worn", Note: "turns like new", At: t0, By: "Kim"}
	f := shop.Fault{ID: newID(), Cause: "axle_loose", Component: "axle", At: t0, By: "Kim", Probability: 0.003,
		Advised: "bearing_worn", Disagreement: shop.SeenDirectly, Grounds: "it moves in its blocks", Basis: "Nothing seen points to it."}
	b.change(&j, t0, func(c *shop.JobChange) {
		c.Add = []shop.Observation{skip, sound}
		c.Fault = &f
	})
	got, err := b.store.JobFile(b.ctx, b.shop.ID, j.ID)
	b.ok(err)
	f.JobID = j.ID
	same(t, got.Observations, []shop.Observation{skip, sound})
	same(t, got.Faults, []shop.Fault{f})

	// One cause is found sound once, and again after it was taken back.
	again := shop.Observation{ID: newID(), Kind: shop.ObservedCause, Cause: "bearing_worn"}
	refused(t, b.tryChange(&j, t0, func(c *shop.JobChange) { c.Add = []shop.Observation{again} }), problem.Conflict, "")
	b.change(&j, t0, func(c *shop.JobChange) { c.Retract = []shop.ID{sound.ID, skip.ID} })
	b.change(&j, t0, func(c *shop.JobChange) { c.Add = []shop.Observation{again} })
	// Another cause beside it is another finding.
	b.change(&j, t0, func(c *shop.JobChange) {
		c.Add = []shop.Observation{{ID: newID(), Kind: shop.ObservedCause, Cause: "bearing_corroded"}}
	})
}
