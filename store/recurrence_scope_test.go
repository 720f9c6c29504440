package store_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"nextprobe/internal/shop"
)

// A drill-down that is narrowed to the boards of its key shows what it shows of the
// whole shop.
func TestDrillDownOfSomeBoards(t *testing.T) {
	t.Parallel()
	w := newWalker(t, 3)
	for range 300 {
		w.step()
	}
	seen := 0
	for _, g := range []shop.RecurrenceGroup{shop.ByConnectorFamily, shop.ByPart, shop.ByLot} {
		q := shop.RecurrenceQuery{Group: g, From: days(-250), To: t0, Now: t0}
		rows, err := w.store.Recurrence(w.ctx, w.shop.ID, q)
		w.ok(err)
		for _, r := range rows {
			type shown struct {
				Life   shop.LifeData
				Events []shop.FaultEvent
			}
			var got [2]shown
			for i, limit := range []int{20_000, 0} {
				s := w.store.NarrowUpTo(limit)
				got[i].Life, err = s.LifeData(w.ctx, w.shop.ID, q, r.Key, false)
				w.ok(err)
				got[i].Events, err = s.RecurrenceEvents(w.ctx, w.shop.ID, q, r.Key)
				w.ok(err)
			}
			if d := cmp.Diff(got[1], got[0]); d != "" {
				t.Errorf("%s %s (-whole shop +some boards)\n%s", g, r.Key, d)
			}
			seen += len(got[0].Events)
		}
	}
	if seen < 5 {
		t.Errorf("%d events: the walk shows little", seen)
	}
}
