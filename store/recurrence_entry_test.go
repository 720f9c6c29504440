package store_test

import (
	"testing"

	"nextprobe/internal/shop"
)

// What was there when a board or a connector was first seen is counted, and said to
// have been there.
func TestRecurrenceAtEntry(t *testing.T) {
	t.Parallel()
	f := &fleet{bench: setup(t)}
	// The record of NP-0002 is made for its job of the same day.
	b := f.addBoard("NP-0002", days(-79.9))
	f.visit(b, -80, 1000, "motor_connector", "reseat", nil)
	f.visit(b, -60, 1100, "motor_connector", "reseat", nil)
	// A connector that comes into the register during the job that finds it broken.
	late := f.connector(f.board, "left", "M3", "gasket", days(-50), nil)
	name := func(x *shop.Fault) { x.ConnectorID = &late.ID }
	f.visit(f.board, -50, 500, "motor_connector", "reseat", name)
	f.visit(f.board, -20, 800, "motor_connector", "reseat", name)
	for group, want := range map[shop.RecurrenceGroup][2]int{shop.ByComponent: {4, 1}, shop.ByConnectorFamily: {2, 1}, shop.ByAction: {2, 0}} {
		rows := f.report(group, -100, 0, 0)
		if len(rows) != 1 || rows[0].Failures != want[0] || rows[0].AtEntry != want[1] {
			t.Errorf("%s: %+v, want %v", group, rows, want)
		}
		// The halves add up to the whole.
		sum := shop.GroupCount{}
		for _, half := range append(f.report(group, -100, -50, 0), f.report(group, -50, 0, 0)...) {
			sum.Failures, sum.AtEntry, sum.BoardDays = sum.Failures+half.Failures, sum.AtEntry+half.AtEntry, sum.BoardDays+half.BoardDays
		}
		if sum.Failures != want[0] || sum.AtEntry != want[1] || sum.BoardDays-rows[0].BoardDays > 1e-9 || rows[0].BoardDays-sum.BoardDays > 1e-9 {
			t.Errorf("%s: halves %+v, whole %+v", group, sum, rows[0])
		}
	}
}
