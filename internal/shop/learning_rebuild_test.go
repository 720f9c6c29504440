package shop_test

import (
	"testing"

	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// Sums that went wrong are made right again from the lessons, and new jobs use the
// numbers that come out.
func TestRebuildMendsTheSums(t *testing.T) {
	h := setup(t)
	h.teach(6, "tyre_worn")
	right := h.number("tyre_worn")

	f := ok[shop.LearningFile](t)(h.store.Learning(h.ctx, h.shop.ID))
	wrong := f.Totals.Causes["tyre_worn"]
	wrong.Present += 3
	f.Totals.Causes["tyre_worn"] = wrong
	if err := h.store.ChangeLearning(h.ctx, h.shop.ID, shop.LearningChange{Version: f.Version, Totals: f.Totals}); err != nil {
		t.Fatal(err)
	}
	if n := h.number("tyre_worn"); !(n.Levels[0].Learned > right.Levels[0].Learned+0.05) {
		t.Fatalf("the sums were not spoilt: %+v", n.Levels)
	}
	if got := ok[shop.LearningRebuild](t)(h.RebuildLearning(h.ctx, h.owner)); got != (shop.LearningRebuild{Lessons: 6, Moved: 1}) {
		t.Errorf("rebuilt %+v, want 6 lessons and one number moved", got)
	}
	if n := h.number("tyre_worn"); n.Status != right.Status || n.Levels[0] != right.Levels[0] {
		t.Errorf("%+v, want %+v", n.Levels, right.Levels)
	}

	// Once more there is nothing to mend, and the sums stay as they are.
	before := ok[shop.LearningFile](t)(h.store.Learning(h.ctx, h.shop.ID))
	if got := ok[shop.LearningRebuild](t)(h.RebuildLearning(h.ctx, h.owner)); got.Moved != 0 {
		t.Errorf("%d numbers moved a second time", got.Moved)
	}
	after := ok[shop.LearningFile](t)(h.store.Learning(h.ctx, h.shop.ID))
	if before.State == nil || after.State == nil || before.State.Number != after.State.Number {
		t.Errorf("state %+v became %+v", before.State, after.State)
	}
	if _, err := h.RebuildLearning(h.ctx, h.technician); !problem.Is(err, problem.Forbidden) {
		t.Errorf("a technician adds up anew: %v", err)
	}
	if right.Status == learning.ExpertPrior {
		t.Error("six jobs moved nothing")
	}
}
