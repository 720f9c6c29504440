package store_test

import (
	"testing"
	"time"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/migrations"
	"nextprobe/store"
)

// install records a part with a serial on a board, as it was recorded before serials
// were held to one place.
func (f *fleet) install(b shop.Board, serial, lot string, at float64, removed *float64) shop.InstalledPart {
	f.t.Helper()
	p := shop.InstalledPart{ID: newID(), BoardID: b.ID, PartID: &f.part.ID, PartName: "Motor connector", Serial: serial, Lot: lot, InstalledAt: days(at)}
	if removed != nil {
		p.RemovedAt = ptr(days(*removed))
	}
	_, err := f.store.Pool().Exec(f.ctx, `
insert into installed_parts (shop_id, id, board_id, part_id, part_name, serial, lot, installed_at, removed_at, doubled) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		f.shop.ID, p.ID, b.ID, f.part.ID, p.PartName, serial, lot, p.InstalledAt, p.RemovedAt, serial == "K9" && at == -160)
	f.ok(err)
	return p
}

type stay struct {
	serial, board        string
	at, removed          float64 // removed 1: still there
	starts, ends, failed float64 // watched from, to; 1: not
}

func (f *fleet) stays(q shop.RecurrenceQuery, key string) []stay {
	f.t.Helper()
	q.From, q.To, q.Now = days(-200), days(10), t0
	d, err := f.store.LifeData(f.ctx, f.shop.ID, q, key, false)
	f.ok(err)
	var out []stay
	for _, x := range d.Fittings {
		s := stay{x.Serial, x.BoardSerial, dayOf(x.At), 1, 1, 1, 1}
		if x.Removed != nil {
			s.removed = dayOf(*x.Removed)
		}
		if len(x.Watched) > 0 {
			s.starts, s.ends = dayOf(x.Watched[0].Starts), dayOf(x.Watched[len(x.Watched)-1].Ends)
		}
		if x.Failed != nil {
			s.failed = dayOf(x.Failed.At)
		}
		out = append(out, s)
	}
	return out
}

// The second example at the head of lifedata.go, as it is read from the log. What follows
// from it is computed in internal/shop (TestSerialExample).
func TestLifeDataOfSerials(t *testing.T) {
	t.Parallel()
	f := &fleet{bench: setup(t)}
	f.board = f.addBoard("NP-0101", days(-300))
	two, three := f.addBoard("NP-0102", days(-300)), f.addBoard("NP-0103", days(-300))
	four := shop.Board{ID: newID(), Serial: "NP-0104", Make: "Other", Model: "Two", CreatedAt: days(-300), UpdatedAt: days(-300), Version: 1}
	f.ok(f.store.AddBoard(f.ctx, f.shop.ID, four, f.audit("board.create", four.ID)))
	f.install(f.board, "K7", "L1", -300, ptr(-180.0))
	broke := f.install(two, " k7", "", -150, nil)
	f.install(three, "K8", "L2", -200, nil)
	f.install(f.board, "K9", "L2", -160, nil)
	f.install(four, "K9", "L2", -100, nil)
	f.visit(two, -90, 100, "motor_connector", "", func(x *shop.Fault) { x.InstalledPartID = &broke.ID })

	whole := []stay{{"K7", "NP-0101", -300, -180, -200, -180, 1}, {"K8", "NP-0103", -200, 1, -200, 0, 1}, {"K9", "NP-0101", -160, 1, -160, 0, 1},
		{"k7", "NP-0102", -150, 1, -150, 0, -90}, {"K9", "NP-0104", -100, 1, -100, 0, 1}}
	part := f.part.ID.String()
	sameAll(t, f.stays(shop.RecurrenceQuery{Group: shop.ByPart}, part), whole)
	// The second installation of K7 names no lot: it keeps that of the first.
	sameAll(t, f.stays(shop.RecurrenceQuery{Group: shop.ByLot}, "L1"), []stay{whole[0], whole[3]})
	// Narrowed to a model, its boards are watched; where else the pieces were is known still.
	other := f.stays(shop.RecurrenceQuery{Group: shop.ByPart, Filter: shop.RecurrenceFilter{Model: "Other Two"}}, part)
	sameAll(t, other, []stay{{"K9", "NP-0101", -160, 1, 1, 1, 1}, whole[4]})
	// Of another cause nothing failed.
	if got := f.stays(shop.RecurrenceQuery{Group: shop.ByPart, Filter: shop.RecurrenceFilter{Cause: "x"}}, part); len(got) != 5 || got[3].failed != 1 {
		t.Errorf("by another cause %+v", got)
	}
	// To the last contact NP-0102 was last seen on day -90.
	if got := f.stays(shop.RecurrenceQuery{Group: shop.ByLot, ToLastContact: true}, "L1"); len(got) != 2 || got[1].ends != -90 {
		t.Errorf("to the last contact %+v", got)
	}
}

// A connector that failed before the window is known to have failed.
func TestLifeDataKnowsEarlierFailures(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	q := shop.RecurrenceQuery{Group: shop.ByConnectorFamily, From: days(-45), To: days(10), Now: t0}
	d, err := f.store.LifeData(f.ctx, f.shop.ID, q, "M3", false)
	f.ok(err)
	if len(d.Fittings) != 2 || d.Fittings[0].Failed == nil || !d.Fittings[0].Failed.At.Equal(days(-80)) || d.Fittings[0].Failed.Mode != "open" || d.Fittings[1].Failed.JobID != f.jobs[2].ID {
		t.Errorf("%+v", d.Fittings)
	}
}

// A serial that is still installed elsewhere is refused, in any case of letters; once it
// was taken off it may be fitted again, and another article may have the same serial.
func TestSerialIsInOnePlace(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	fit := func(b shop.Board, serial string, part *shop.ID, removed ...shop.ID) error {
		j := f.openJob(b.ID, days(-5), nil)
		defer f.move(&j, shop.Returned, days(-5))
		return f.tryChange(&j, days(-5), func(c *shop.JobChange) {
			for _, id := range removed {
				c.Removed = append(c.Removed, shop.Removal{InstalledPartID: id})
			}
			c.Installed = []shop.InstalledPart{{ID: newID(), PartID: part, PartName: "Motor connector", Serial: serial}}
		})
	}
	f.ok(fit(f.a, "S-1", &f.part.ID))
	refused(t, fit(f.c, " s-1 ", &f.part.ID), problem.Conflict, "serial")
	f.ok(fit(f.c, "S-1", nil))
	f.ok(fit(f.c, "", &f.part.ID))
	f.ok(fit(f.a, "", &f.part.ID))
	file, err := f.store.BoardFile(f.ctx, f.shop.ID, f.a.ID)
	f.ok(err)
	for _, p := range file.Installed {
		if p.Serial == "S-1" {
			f.ok(fit(f.a, "S-1", &f.part.ID, p.ID))
		}
	}
}

// What contradicts itself from before stays as it was recorded.
func TestMigrationKeepsDoubledSerials(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	const before = 14
	f.ok(store.MigrateDown(f.ctx, f.url(), int(migrations.Latest())-before))
	_, err := f.store.Pool().Exec(f.ctx, `
insert into installed_parts (shop_id, id, board_id, part_name, serial, installed_at)
select $1, gen_random_uuid(), $2, 'Board', s, $3 from unnest('{A,a,A,B}'::text[]) s`, f.shop.ID, f.a.ID, days(-9).Truncate(time.Second))
	f.ok(err)
	f.ok(store.Migrate(f.ctx, f.url()))
	var kept, doubled int
	f.ok(f.store.Pool().QueryRow(f.ctx, `select count(*), count(*) filter (where doubled) from installed_parts where part_name = 'Board'`).Scan(&kept, &doubled))
	if kept != 4 || doubled != 2 {
		t.Errorf("%d kept, %d of them doubled", kept, doubled)
	}
}
