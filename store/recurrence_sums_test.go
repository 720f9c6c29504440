package store_test

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nextprobe/internal/shop"
)

var everyGroup = []shop.RecurrenceGroup{shop.ByComponent, shop.ByFailureMode, shop.ByCause, shop.ByConnectorFamily, shop.BySealing,
	shop.ByPart, shop.ByLot, shop.ByAction}

// walker changes a shop at random: every way in which the report's figures can move.
type walker struct {
	*fleet
	rng    *rand.Rand
	now    time.Time
	boards []shop.Board
	open   map[shop.ID]*shop.Job
	faults map[shop.ID][]shop.Fault // of the open jobs
	gone   map[shop.ID]bool         // scrapped
	wires  map[shop.ID][]shop.Connector
	parts  map[shop.ID][]shop.InstalledPart
	past   []shop.Job
	n      int
}

func newWalker(t *testing.T, seed uint64) *walker {
	t.Helper()
	w := &walker{fleet: &fleet{bench: setup(t)}, rng: rand.New(rand.NewPCG(seed, 5)), now: days(-299), open: map[shop.ID]*shop.Job{},
		faults: map[shop.ID][]shop.Fault{}, gone: map[shop.ID]bool{}, wires: map[shop.ID][]shop.Connector{}, parts: map[shop.ID][]shop.InstalledPart{}}
	w.boards = append(w.boards, w.board)
	return w
}

func pick[T any](w *walker, list []T) T { return list[w.rng.IntN(len(list))] }

// pass lets time go by: a little, some days, or to a midnight exactly; at last to t0.
func (w *walker) pass() {
	step := time.Duration(w.rng.Int64N(int64(36 * time.Hour)))
	switch w.rng.IntN(6) {
	case 0:
		step = 0
	case 1:
		next := w.now.Add(24 * time.Hour).UTC().Truncate(24 * time.Hour)
		step = next.Sub(w.now)
	}
	if at := w.now.Add(step).Truncate(time.Microsecond); at.Before(t0) {
		w.now = at
	}
}

func (w *walker) step() {
	w.t.Helper()
	w.pass()
	b := pick(w, w.boards)
	j := w.open[b.ID]
	switch k := w.rng.IntN(16); {
	case k == 0 && len(w.boards) < 12:
		w.n++
		w.boards = append(w.boards, w.addBoard(fmt.Sprintf("NP-1%03d", w.n), w.now))
	case k <= 2:
		c := w.connector(b, "left", pick(w, []string{"M3", "X9", " M3 ", ""}), pick(w, []string{"gasket", "sleeve", ""}), w.now.Add(-time.Duration(w.rng.IntN(90*24))*time.Hour), nil)
		w.wires[b.ID] = append(w.wires[b.ID], c)
	case k == 3 && len(w.wires[b.ID]) > 0:
		w.exec(`update connectors set removed_at = $2 where id = $1 and removed_at is null and fitted_at <= $2`, pick(w, w.wires[b.ID]).ID, w.now)
	case k == 4 && len(w.wires[b.ID]) > 0:
		w.exec(`update connectors set family = $2, fitted_at = fitted_at - interval '1 hour' where id = $1`, pick(w, w.wires[b.ID]).ID, pick(w, []string{"M3", "X9", "Z1"}))
	case k == 5:
		km := float64(w.rng.IntN(9000)) / 3
		w.exec(`update boards set odometer_km = $2, odometer_at = $3 where id = $1`, b.ID, km, w.now)
	case j == nil && !w.gone[b.ID]:
		w.intake(b)
	case j != nil:
		w.work(b, j)
	}
}

func (w *walker) exec(sql string, args ...any) {
	w.t.Helper()
	_, err := w.store.Pool().Exec(w.ctx, sql, args...)
	w.ok(err)
}

func (w *walker) intake(b shop.Board) {
	w.t.Helper()
	var km *float64
	if w.rng.IntN(4) > 0 {
		km = ptr(w.now.Sub(days(-300)).Hours()/3 + float64(w.rng.IntN(100))/7)
	}
	n := w.newJob(b.ID, w.now, km)
	for _, p := range w.past {
		if p.BoardID == b.ID && w.rng.IntN(3) == 0 {
			n.Job.ComebackOf = &p.ID
		}
	}
	j, err := w.store.AddJob(w.ctx, w.shop.ID, n)
	w.ok(err)
	w.open[b.ID] = &j
}

func (w *walker) work(b shop.Board, j *shop.Job) {
	w.t.Helper()
	switch k := w.rng.IntN(10); {
	case k < 4:
		component := pick(w, []string{"motor_connector", "hall_cable", "charge_port"})
		f := shop.Fault{ID: newID(), JobID: j.ID, Cause: fmt.Sprintf("%s.%d", component, w.rng.IntN(2)), Component: component,
			FailureMode: pick(w, []string{"open", "short", ""}), Probability: 0.9, At: w.now, By: "Kim"}
		if l := w.wires[b.ID]; len(l) > 0 && w.rng.IntN(2) == 0 {
			f.ConnectorID = ptr(pick(w, l).ID)
		}
		if l := w.parts[b.ID]; len(l) > 0 && w.rng.IntN(2) == 0 {
			f.InstalledPartID = ptr(pick(w, l).ID)
		}
		// The same cause at the same place once more is refused, which is no change.
		if w.tryChange(j, w.now, func(c *shop.JobChange) { c.Fault = &f }) == nil {
			w.faults[j.ID] = append(w.faults[j.ID], f)
		}
	case k < 7 && len(w.faults[j.ID]) > 0:
		f := pick(w, w.faults[j.ID])
		r := w.mend(j, f.ID, pick(w, []string{"cleaned", "replaced", "soldered"}), w.now)
		if w.rng.IntN(2) == 0 {
			p := shop.InstalledPart{ID: newID(), PartName: pick(w, []string{"Cable", "Cable, long", "Port"}), Lot: pick(w, []string{"L1", "L2", ""}), Serial: pick(w, []string{"", "K1", "K2", "K3"}), InstalledAt: w.now, RepairID: &r.ID}
			if w.rng.IntN(2) == 0 {
				p.PartID = &w.part.ID
			}
			// A serial that is in another board is refused.
			if w.tryChange(j, w.now, func(c *shop.JobChange) { c.Installed = []shop.InstalledPart{p} }) == nil {
				w.parts[b.ID] = append(w.parts[b.ID], p)
			}
		}
	case k == 7 && len(w.parts[b.ID]) > 0:
		w.exec(`update installed_parts set removed_at = $2 where id = $1 and removed_at is null and installed_at <= $2`, pick(w, w.parts[b.ID]).ID, w.now)
	case k == 8 && w.rng.IntN(3) == 0:
		w.change(j, w.now, func(c *shop.JobChange) { c.Edit = &shop.JobEdit{OdometerKM: ptr(float64(w.rng.IntN(5000)))} })
	case k == 9 && len(w.faults[j.ID]) > 0 && w.rng.IntN(4) == 0:
		// What no use case does: a failure moves, another goes.
		f := pick(w, w.faults[j.ID])
		w.exec(`update faults set component = 'hall_cable', at = at - interval '3 days' where id = $1`, f.ID)
		w.exec(`delete from faults f where f.id = $1 and not exists (select from repairs r where r.fault_id = f.id)`, pick(w, w.faults[j.ID]).ID)
		var left []shop.Fault
		for _, f := range w.faults[j.ID] {
			var there bool
			w.ok(w.store.Pool().QueryRow(w.ctx, `select exists (select from faults where id = $1)`, f.ID).Scan(&there))
			if there {
				left = append(left, f)
			}
		}
		w.faults[j.ID] = left
	case k >= 8:
		to := shop.Returned
		if w.rng.IntN(8) == 0 {
			to, w.gone[b.ID] = shop.Scrapped, true
		}
		w.move(j, to, w.now)
		w.past = append(w.past, *j)
		delete(w.open, b.ID)
	}
}

// window is a random one, often with edges at a midnight or at an event's moment.
func (w *walker) window() (from, to time.Time) {
	edge := func() time.Time {
		at := days(-310).Add(time.Duration(w.rng.Float64() * float64(w.now.Sub(days(-320))))).Truncate(time.Microsecond)
		switch w.rng.IntN(5) {
		case 0:
			return at.Truncate(24 * time.Hour)
		case 1:
			if len(w.past) > 0 {
				return pick(w, w.past).OpenedAt
			}
		}
		return at
	}
	from, to = edge(), edge()
	if w.rng.IntN(2) == 0 {
		to = t0
	}
	if to.Before(from) {
		from, to = to, from
	}
	return from, to.Add(time.Microsecond)
}

// figures compares what is summed up with what is counted: distances are rounded, all
// else is exact.
var figures = cmp.Options{cmpopts.EquateEmpty(), cmp.FilterPath(func(p cmp.Path) bool { return p.Last().String() == ".DistanceKM" },
	cmpopts.EquateApprox(1e-9, 1e-6))}

func (w *walker) compare() (bySums int) {
	w.t.Helper()
	for _, g := range everyGroup {
		from, to := w.window()
		q := shop.RecurrenceQuery{Group: g, From: from, To: to, Now: t0, SumsOnly: w.rng.IntN(2) == 0}
		want, err := w.store.RecurrenceFromRecords(w.ctx, w.shop.ID, q)
		w.ok(err)
		got, ok, err := w.store.RecurrenceBySums(w.ctx, w.shop.ID, q)
		w.ok(err)
		if !ok {
			continue
		}
		bySums++
		rules := figures
		if q.SumsOnly {
			rules = append(rules, cmpopts.IgnoreFields(shop.GroupCount{}, "Boards", "RepeatBoards", "Carriers", "Comebacks"))
		}
		if d := cmp.Diff(want, got, rules); d != "" {
			w.t.Fatalf("%s from %s to %s (-counted +summed)\n%s", g, from, to, d)
		}
	}
	return bySums
}

// Whatever happens in a shop, the sums are what the records give.
func TestSumsAreWhatTheRecordsGive(t *testing.T) {
	t.Parallel()
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			w := newWalker(t, seed)
			bySums := 0
			for range 40 {
				for range 1 + w.rng.IntN(15) {
					w.step()
				}
				bySums += w.compare()
			}
			if bySums < 100 || len(w.past) < 10 {
				t.Errorf("%d lists by sums, %d jobs: the walk shows little", bySums, len(w.past))
			}
			kept := w.sums()
			w.ok(w.store.RebuildSums(w.ctx, w.shop.ID))
			if d := cmp.Diff(w.sums(), kept); d != "" {
				t.Errorf("(-made anew +kept)\n%s", d)
			}
			if len(kept) < 100 {
				t.Errorf("%d sums", len(kept))
			}
		})
	}
}

// sums are all rows that are not nothing, as text, with the contributions.
func (w *walker) sums() []string {
	w.t.Helper()
	rows, err := w.store.Pool().Query(w.ctx, `
select s::text from (select shop_id, grp, level, period, key, name, failures, at_entry, comebacks, boards, repeats, carried, released, service,
         trim_scale(service_us) as service_us, trim_scale(distance) as distance, trim_scale(distance_us) as distance_us, last_at from recurrence_sums) s
 where (failures, at_entry, comebacks, boards, repeats, carried, released, service, service_us, distance, distance_us)
       <> (0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
union all
select (c.shop_id, c.board_id, c.day, u.grp, u.key, u.name, u.kind, u.us, trim_scale(u.value))::text
  from recurrence_contributions c cross join unnest(c.grp, c.key, c.name, c.kind, c.us, c.value) as u (grp, key, name, kind, us, value)
 order by 1`)
	w.ok(err)
	defer rows.Close()
	var out []string
	for rows.Next() {
		var s string
		w.ok(rows.Scan(&s))
		out = append(out, s)
	}
	w.ok(rows.Err())
	return out
}

// Writers at the same time as readers that work marks off: no mark is lost.
func TestSumsWithWritersAndReaders(t *testing.T) {
	t.Parallel()
	w := newWalker(t, 9)
	var boards []shop.Board
	for i := range 6 {
		boards = append(boards, w.addBoard(fmt.Sprintf("NP-2%03d", i), days(-100)))
	}
	var writers, readers sync.WaitGroup
	done := make(chan struct{})
	for _, b := range boards {
		writers.Go(func() {
			own := &fleet{bench: w.bench}
			for d := range 12 {
				own.visit(b, float64(d-90), float64(100*d), "motor_connector", "reseat", nil)
			}
		})
	}
	for range 3 {
		readers.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
				}
				rows, ok, err := w.store.RecurrenceBySums(w.ctx, w.shop.ID, shop.RecurrenceQuery{Group: shop.ByComponent, From: days(-300), To: t0})
				if err != nil || !ok {
					t.Errorf("%v %v", ok, err)
					return
				}
				if len(rows) > 0 && rows[0].Failures > 12*len(boards) {
					t.Errorf("counted twice: %+v", rows[0])
				}
			}
		})
	}
	writers.Wait()
	close(done)
	readers.Wait()
	rows, _, err := w.store.RecurrenceBySums(w.ctx, w.shop.ID, shop.RecurrenceQuery{Group: shop.ByComponent, From: days(-300), To: t0})
	w.ok(err)
	if len(rows) != 1 || rows[0].Failures != 12*len(boards) || rows[0].Boards != len(boards) {
		t.Errorf("%+v", rows)
	}
	var left int
	w.ok(w.store.Pool().QueryRow(w.ctx, `select count(*) from recurrence_dirty`).Scan(&left))
	if left != 0 {
		t.Errorf("%d marks left", left)
	}
	kept := w.sums()
	w.ok(w.store.RebuildSums(w.ctx, w.shop.ID))
	same(t, w.sums(), kept)
}
