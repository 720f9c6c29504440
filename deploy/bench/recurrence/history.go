package main

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/google/uuid"

	"nextprobe/internal/faultlib"
)

// The invented chain. Every board gets connectors, parts and visits of its own rate;
// faults fall on the components of the library in proportion to its priors. Three bad
// actors are planted: a connector family, a lot and a repair action.
const (
	years       = 5
	families    = 20
	articles    = 100
	lots        = 1000
	badFamily   = "Family 07"
	badLot      = "L0042"
	badAction   = "cleaned"
	familyRatio = 2.5
	lotRatio    = 4
	actionRatio = 2 // how much sooner a component fails again after badAction
)

// end is the present of the invented chain.
var end = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

var (
	sealings = []string{"none", "gasket", "sleeve", "gland", "gel", "lacquer"}
	actions  = []string{"cleaned", "reseated", "soldered", "replaced", "replaced and sealed", "wires through a gland"}
	models   = []string{"Otterling 18", "Otterling 20", "Brackwing 14", "Brackwing 16", "Tarnfell S"}
)

type scale struct {
	jobs, boards, shops int
	seed                uint64
}

type boardRow struct {
	id      uuid.UUID
	shop    int
	n       int
	model   string
	created time.Time
	km      float64 // at kmAt; no reading when kmAt is zero
	kmAt    time.Time
}

type connectorRow struct {
	id      uuid.UUID
	board   *boardRow
	place   string
	family  string
	sealing string
	fitted  time.Time
	removed *time.Time
}

type installedRow struct {
	id        uuid.UUID
	board     *boardRow
	article   int
	lot       string
	installed time.Time
	removed   *time.Time
}

type jobRow struct {
	id             uuid.UUID
	board          *boardRow
	number         int
	opened, closed time.Time
	scrapped       bool
	km             *float64
	comebackOf     *uuid.UUID
	components     []string
}

type faultRow struct {
	id        uuid.UUID
	job       *jobRow
	cause     *faultlib.Cause
	connector *uuid.UUID
	installed *uuid.UUID
	at        time.Time
}

type repairRow struct {
	id     uuid.UUID
	fault  *faultRow
	action string
	at     time.Time
}

// history is the whole chain, each list in the order of time, as a database that grew
// over the years has it.
type history struct {
	boards     []*boardRow
	connectors []*connectorRow
	installed  []*installedRow
	jobs       []*jobRow
	faults     []*faultRow
	repairs    []*repairRow
}

type inventor struct {
	rng    *rand.Rand
	lib    *faultlib.Library
	weight []float64 // of the causes, summed up
	h      history
}

// invent makes a history that depends on the scale alone.
func invent(lib *faultlib.Library, s scale) *history {
	v := &inventor{rng: rand.New(rand.NewPCG(s.seed, 0x6e70)), lib: lib} // #nosec G404 -- invented data, made again from its seed
	sum := 0.0
	for i := range lib.Causes {
		sum += lib.Causes[i].PriorPer1000
		v.weight = append(v.weight, sum)
	}
	// Rates of visits differ from board to board (a gamma of shape 2), and are scaled
	// so that the visits come out at the number asked for.
	rates, total := make([]float64, s.boards), 0.0
	for i := range rates {
		rates[i] = v.rng.ExpFloat64() + v.rng.ExpFloat64()
		total += rates[i]
	}
	owed := 0.0
	for i := range s.boards {
		owed += rates[i] / total * float64(s.jobs)
		visits := int(owed)
		owed -= float64(visits)
		if i == s.boards-1 {
			visits = s.jobs - len(v.h.jobs)
		}
		v.board(i, i%s.shops, visits)
	}
	v.h.order(s.shops)
	return &v.h
}

func (v *inventor) id(at time.Time) uuid.UUID {
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[:8], uint64(at.UnixMilli())<<16|v.rng.Uint64()&0xfff|0x7000)
	binary.BigEndian.PutUint64(id[8:], v.rng.Uint64()&(1<<62-1)|1<<63)
	return id
}

// between is a moment of a span, to the second.
func (v *inventor) between(from, to time.Time) time.Time {
	return from.Add(time.Duration(v.rng.Float64() * float64(to.Sub(from)))).Truncate(time.Second)
}

func (v *inventor) board(n, shop, visits int) {
	created := v.between(end.AddDate(-years, 0, 0), end.AddDate(0, -1, 0))
	b := &boardRow{shop: shop, n: n, model: models[v.rng.IntN(len(models))], created: created, id: v.id(created)}
	v.h.boards = append(v.h.boards, b)
	own := v.fit(b)
	perDay := 2 + 18*v.rng.Float64()
	at := make([]time.Time, visits)
	for i := range at {
		at[i] = v.between(created, end.Add(-time.Hour))
	}
	slices.SortFunc(at, time.Time.Compare)
	// A repaired component may fail again soon: its visit is put forward.
	var before *jobRow
	for i, opened := range at {
		if before != nil && opened.Before(before.closed.Add(time.Hour)) {
			opened = before.closed.Add(time.Hour)
		}
		if !opened.Before(end) {
			opened = end.Add(-time.Minute)
		}
		if before != nil && opened.Before(before.closed) {
			before.closed = opened
		}
		before = v.visit(b, &own, before, opened, perDay, i == visits-1)
	}
}

// carried is what a board has on it.
type carried struct {
	connectors []*connectorRow
	parts      []*installedRow
	repaired   map[string]string // component to its last action
}

func (v *inventor) fit(b *boardRow) carried {
	own := carried{repaired: map[string]string{}}
	for i := range 3 + v.rng.IntN(4) {
		own.connectors = append(own.connectors, v.connector(b, fmt.Sprintf("place %d", i+1), b.created))
	}
	return own
}

func (v *inventor) connector(b *boardRow, place string, at time.Time) *connectorRow {
	c := &connectorRow{board: b, place: place, fitted: at, id: v.id(at), family: fmt.Sprintf("Family %02d", 1+v.rng.IntN(families)),
		sealing: sealings[v.rng.IntN(len(sealings))]}
	v.h.connectors = append(v.h.connectors, c)
	return c
}

func (v *inventor) visit(b *boardRow, own *carried, before *jobRow, opened time.Time, perDay float64, last bool) *jobRow {
	j := &jobRow{board: b, opened: opened, id: v.id(opened)}
	j.closed = opened.Add(time.Duration(1+v.rng.IntN(120)) * time.Hour)
	if j.closed.After(end) {
		j.closed = end
	}
	if v.rng.IntN(10) > 0 { // one of ten displays cannot be read
		km := math.Round(perDay*opened.Sub(b.created).Hours()/24*10) / 10
		j.km, b.km, b.kmAt = &km, km, opened
	}
	v.h.jobs = append(v.h.jobs, j)
	for range []int{0, 1, 1, 1, 1, 2, 2, 2, 2, 3}[v.rng.IntN(10)] {
		v.fault(j, own, before)
	}
	j.scrapped = last && v.rng.IntN(12) == 0
	return j
}

// fault confirms one failure and repairs it.
func (v *inventor) fault(j *jobRow, own *carried, before *jobRow) {
	f := &faultRow{job: j, cause: v.cause(own, before)}
	f.at = v.between(j.opened, j.opened.Add(j.closed.Sub(j.opened)/2))
	f.id = v.id(f.at)
	if slices.ContainsFunc(v.h.faultsOf(j), func(o *faultRow) bool { return o.cause == f.cause }) {
		return // one cause is confirmed once in a job
	}
	if before != nil && j.opened.Sub(before.closed) < 90*24*time.Hour && slices.Contains(before.components, f.cause.Component) {
		j.comebackOf = &before.id
	}
	j.components = append(j.components, f.cause.Component)
	c := v.guilty(own.connectors)
	if v.rng.IntN(3) == 0 {
		f.connector = &c.id
	}
	if p := v.guiltyPart(own.parts); p != nil && v.rng.IntN(4) == 0 {
		f.installed = &p.id
	}
	v.h.faults = append(v.h.faults, f)
	if v.rng.IntN(20) == 0 {
		return // waived
	}
	v.repair(f, own, c)
}

func (h *history) faultsOf(j *jobRow) []*faultRow {
	from := len(h.faults)
	for from > 0 && h.faults[from-1].job == j {
		from--
	}
	return h.faults[from:]
}

// cause is drawn by the library's priors, or it is what the last repair did not mend.
func (v *inventor) cause(own *carried, before *jobRow) *faultlib.Cause {
	if before != nil && len(before.components) > 0 {
		again := before.components[v.rng.IntN(len(before.components))]
		chance := 0.15
		if own.repaired[again] == badAction {
			chance *= actionRatio
		}
		if v.rng.Float64() < chance {
			of := v.lib.CausesOf(again)
			return of[v.rng.IntN(len(of))]
		}
	}
	at, _ := slices.BinarySearch(v.weight, v.rng.Float64()*v.weight[len(v.weight)-1])
	return &v.lib.Causes[min(at, len(v.lib.Causes)-1)]
}

func (v *inventor) guilty(list []*connectorRow) *connectorRow {
	return pick(v, list, func(c *connectorRow) float64 {
		if c.family == badFamily {
			return familyRatio
		}
		return 1
	})
}

func (v *inventor) guiltyPart(list []*installedRow) *installedRow {
	if len(list) == 0 {
		return nil
	}
	return pick(v, list, func(p *installedRow) float64 {
		if p.lot == badLot {
			return lotRatio
		}
		return 1
	})
}

func pick[T any](v *inventor, list []T, weight func(T) float64) T {
	sum := 0.0
	for _, x := range list {
		sum += weight(x)
	}
	at := v.rng.Float64() * sum
	for _, x := range list {
		if at -= weight(x); at < 0 {
			return x
		}
	}
	return list[len(list)-1]
}

// repair mends a fault; some repairs fit a part, some another connector.
func (v *inventor) repair(f *faultRow, own *carried, c *connectorRow) {
	r := &repairRow{fault: f, action: actions[v.rng.IntN(len(actions))]}
	r.at = v.between(f.at, f.job.closed)
	r.id = v.id(r.at)
	v.h.repairs = append(v.h.repairs, r)
	own.repaired[f.cause.Component] = r.action
	if v.rng.IntN(4) == 0 {
		if len(own.parts) > 0 && v.rng.IntN(2) == 0 && r.at.After(own.parts[0].installed) {
			own.parts[0].removed = &r.at
			own.parts = own.parts[1:]
		}
		lot := v.rng.IntN(lots)
		p := &installedRow{board: f.job.board, article: lot % articles, lot: fmt.Sprintf("L%04d", lot), installed: r.at, id: v.id(r.at)}
		own.parts = append(own.parts, p)
		v.h.installed = append(v.h.installed, p)
	}
	if r.action == "replaced" && c.removed == nil && v.rng.IntN(4) == 0 && r.at.After(c.fitted) {
		c.removed = &r.at
		own.connectors = slices.DeleteFunc(own.connectors, func(x *connectorRow) bool { return x == c })
		own.connectors = append(own.connectors, v.connector(c.board, c.place, r.at))
	}
}

// order puts every list in the order of time and gives jobs their numbers.
func (h *history) order(shops int) {
	slices.SortStableFunc(h.boards, func(a, b *boardRow) int { return a.created.Compare(b.created) })
	slices.SortStableFunc(h.connectors, func(a, b *connectorRow) int { return a.fitted.Compare(b.fitted) })
	slices.SortStableFunc(h.installed, func(a, b *installedRow) int { return a.installed.Compare(b.installed) })
	slices.SortStableFunc(h.jobs, func(a, b *jobRow) int { return a.opened.Compare(b.opened) })
	slices.SortStableFunc(h.faults, func(a, b *faultRow) int { return a.at.Compare(b.at) })
	slices.SortStableFunc(h.repairs, func(a, b *repairRow) int { return a.at.Compare(b.at) })
	numbers := make([]int, shops)
	for _, j := range h.jobs {
		numbers[j.board.shop]++
		j.number = numbers[j.board.shop]
	}
}
