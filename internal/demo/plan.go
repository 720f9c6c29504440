package demo

import (
	"sort"
	"time"

	"nextprobe/internal/shop"
)

// visit is one planned job: when, which board, what is broken, how it ends.
type visit struct {
	board  int // index into filler.boards, -1: any free one
	at     time.Time
	causes []string
	// action overrides the library's repair wording, part the article used.
	action, part string
	exposures    []string
	complaint    string
	// upTo is the state the job is left in.
	upTo shop.State
	// refit replaces the connector's family in the register after the repair.
	refit string
	// early allows a visit within the warranty time of the one before.
	early bool
}

// The repairs whose durability the demo compares.
const (
	actCleaned   = "Cleaned the contacts and set their tension"
	actSameAgain = "Replaced both halves with the same family"
	actOther     = "Replaced both halves with Larch-90"
	actFoam      = "New foam seal, groove cleaned"
	actCord      = "Silicone cord seal kit, groove cleaned, screws in cross order"
)

// plan lays the visits out: the stories the owner should find, and between
// them what the library's priors bring.
func (f *filler) plan() []visit {
	day := func(d int) time.Time { return f.start.AddDate(0, 0, d).Add(time.Duration(8+f.rng.IntN(9)) * time.Hour) }
	var vs []visit
	// The connector family that keeps failing: even boards carry it.
	for _, s := range []struct {
		board, day int
		action     string
		refit      string
		early      bool
	}{
		{0, 70, actCleaned, "", false}, {0, 215, actSameAgain, "", false}, {0, 350, actSameAgain, "", false}, {0, 470, actOther, goodFamily, false},
		{2, 120, actCleaned, "", false}, {2, 260, actSameAgain, "", false}, {2, 400, actOther, goodFamily, false},
		{4, 205, actCleaned, "", false}, {4, 251, actSameAgain, "", true},
		{6, 210, actSameAgain, "", false}, {6, 380, actOther, goodFamily, false},
		{8, 240, actCleaned, "", false}, {8, 390, actOther, goodFamily, false},
		{10, 310, actSameAgain, "", false}, {12, 355, actOther, goodFamily, false},
		{14, 410, actCleaned, "", false}, {16, 440, actOther, goodFamily, false}, {18, 480, actSameAgain, "", false},
	} {
		vs = append(vs, visit{board: s.board, at: day(s.day), causes: []string{"interbox_burned"}, action: s.action, refit: s.refit, early: s.early, part: partFor(s.action), upTo: shop.Returned})
	}
	// Seals: the foam kit leaks again, the cord kit does not.
	for _, s := range []struct {
		board, day int
		causes     []string
		action     string
		early      bool
	}{
		{1, 50, []string{"gasket_set"}, actFoam, false}, {1, 170, []string{"gasket_set", "controller_water"}, actCord, false},
		{3, 75, []string{"gasket_set"}, actFoam, false}, {3, 148, []string{"gasket_set"}, actCord, true},
		{5, 95, []string{"gasket_misfit"}, actFoam, false}, {5, 240, []string{"gasket_set", "pack_water"}, actCord, false},
		{7, 140, []string{"gasket_set"}, actFoam, false}, {7, 285, []string{"gasket_set"}, actCord, false},
		{9, 295, []string{"gasket_set"}, actCord, false}, {11, 320, []string{"gasket_misfit", "controller_water"}, actCord, false},
		{13, 345, []string{"gasket_set"}, actCord, false}, {15, 400, []string{"gasket_misfit"}, actCord, false}, {17, 450, []string{"gasket_set"}, actCord, false},
	} {
		part := "SK-FOAM"
		if s.action == actCord {
			part = "SK-CORD"
		}
		vs = append(vs, visit{board: s.board, at: day(s.day), causes: s.causes, action: s.action, part: part, exposures: []string{"rain"}, early: s.early, upTo: shop.Returned})
	}
	// What the priors bring, on boards outside the two stories.
	for d := 12; d < 525; d += 2 + f.rng.IntN(4) {
		vs = append(vs, visit{board: -1, at: day(d), causes: f.sampleCauses(), upTo: shop.Returned})
	}
	vs[len(vs)-4].upTo = shop.Scrapped
	vs[len(vs)-9].upTo = shop.Declined
	vs = append(vs, f.openVisits()...)
	sort.SliceStable(vs, func(i, j int) bool { return vs[i].at.Before(vs[j].at) })
	return vs
}

func partFor(action string) string {
	switch action {
	case actSameAgain:
		return "CN-L60"
	case actOther:
		return "CN-L90"
	}
	return "MISC"
}

// openVisits leaves one job or more in each open state; the newest is the one
// to take through the whole main job.
func (f *filler) openVisits() []visit {
	ago := func(d float64) time.Time { return f.until.Add(-time.Duration(d * 24 * float64(time.Hour))) }
	return []visit{
		{board: 21, at: ago(16), causes: []string{"bearing_worn"}, upTo: shop.Ready},
		{board: 23, at: ago(13), causes: []string{"bms_dead"}, upTo: shop.AwaitingParts},
		{board: 25, at: ago(12), causes: []string{"bridge_short"}, upTo: shop.AwaitingApproval},
		{board: 27, at: ago(9), causes: []string{"hall_dead"}, upTo: shop.Verifying},
		{board: 29, at: ago(7), causes: []string{"charge_port_corroded"}, upTo: shop.Repairing, exposures: []string{"road_salt"}},
		{board: 31, at: ago(5), causes: []string{"gland_leak", "controller_water"}, upTo: shop.Diagnosing, exposures: []string{"rain"}},
		{board: 33, at: ago(4), causes: []string{"foot_zone_open"}, upTo: shop.Diagnosing},
		{board: 37, at: ago(2), causes: []string{"tyre_puncture"}, upTo: shop.Declined},
		{board: 35, at: ago(1.2), causes: []string{"group_weak"}, upTo: shop.Received},
		{board: 20, at: ago(0.1), causes: []string{"phase_pin_burned"}, upTo: shop.Received, exposures: []string{"rain"},
			complaint: "Ridden home in heavy rain, stuttered twice and went dead at the gate. Lights come on, it does not lift."},
	}
}

// sampleCauses draws one cause by its prior, sometimes a second that the
// library's consequences name.
func (f *filler) sampleCauses() []string {
	total := 0.0
	for _, c := range f.lib.Causes {
		total += weight(c.ID, c.PriorPer1000)
	}
	x := f.rng.Float64() * total
	id := f.lib.Causes[0].ID
	for _, c := range f.lib.Causes {
		if x -= weight(c.ID, c.PriorPer1000); x <= 0 {
			id = c.ID
			break
		}
	}
	out := []string{id}
	for _, q := range f.lib.Consequences {
		if q.From == id && weight(q.To, 1) > 0 && f.rng.Float64() < q.P/2 {
			return append(out, q.To)
		}
	}
	return out
}

// weight leaves the two stories' causes and the stop-sign causes to the plan.
func weight(id string, prior float64) float64 {
	switch id {
	case "interbox_burned", "gasket_set", "gasket_misfit", "cell_damaged":
		return 0
	}
	return prior
}
