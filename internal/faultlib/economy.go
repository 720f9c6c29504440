package faultlib

import (
	"maps"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
)

// What an error costs, in hours of labour, so that it keeps its proportion to
// the work at any rate and in any currency. They are estimates (common practice,
// no source); a shop's own money enters by EconomyContext.
const (
	// reworkHours: a fault that the proofs before hand-back show sends the board
	// back to diagnosis, with what was closed to open again.
	reworkHours = 1
	// comebackHours: a board that comes back costs a second intake, a second
	// diagnosis, shipping or a courtesy, and the good name.
	comebackHours = 4
	// harmHours: somebody hurt by a fault left in the board. No sum makes good for
	// it; it only has to outweigh every repair and test.
	harmHours = 60
	// smallPartHours and assemblyHours: what a part costs, where no price is
	// given: a contact, a seal or a sensor against a pack, a controller, a motor.
	smallPartHours = 0.4
	assemblyHours  = 6
	// escalateHours: packing, sending and paying somebody who knows more.
	escalateHours = 8
)

// riskMinutes is what a measurement's hazard costs in minutes of labour beside
// its own time: protective gear, a second person within reach, and the chance of
// harm. Level 4 is never a reason to measure.
var riskMinutes = [5]float64{0, 0.5, 2, 8, 120}

// harmful are symptoms by which a board can throw its rider.
var harmful = []string{"sudden_cutoff", "no_disengage", "runs_away_or_reverse"}

// harmLink is how strong a link to a harmful symptom makes a cause one that can
// hurt.
const harmLink = 0.1

// assemblies are words in a part's name that mean a dear one.
var assemblies = []string{"controller", "pack", "motor", "stator", "rotor", "BMS", "charger"}

const (
	// handBack is the interlock whose checks every hand-back asks for.
	handBack = "hand_back"
	// historyGroup holds symptoms that tell what happened to a board, which no
	// ride reproduces.
	historyGroup = "history"
	// rideShows is how much of a symptom's probability the verification ride
	// repeats: it is short and in fair weather (estimate).
	rideShows = 0.6
)

// leakTest is the measurement that proves a sealed box once it is closed.
const leakTest = "box_leak_decay"

// EconomyContext is a shop's money.
type EconomyContext struct {
	// Facts of the board decide what must be opened.
	Facts map[string]string
	// LabourPerHour is the labour rate in minor units of a currency.
	LabourPerHour float64
	// PartsCost replaces the estimate of a cause's parts, in minor units.
	PartsCost map[string]float64
}

// Economy says what measuring, repairing and erring cost. Repair minutes are the
// mean of the file's pair; a repair needs the openings of its verification, for
// it must be proven there.
func (l *Library) Economy(ctx EconomyContext) *diagnosis.Economy {
	hour := ctx.LabourPerHour
	eco := &diagnosis.Economy{LabourPerMinute: hour / 60, EscalateCost: escalateHours * hour}
	for h := range riskMinutes {
		eco.RiskCost[h] = riskMinutes[h] * hour / 60
	}
	for i := range l.Causes {
		eco.Repairs = append(eco.Repairs, l.repairCost(&l.Causes[i], ctx))
	}
	for i := range l.Measurements {
		m := &l.Measurements[i]
		eco.Actions = append(eco.Actions, diagnosis.Action{Finding: MeasurementFinding(m.ID), Minutes: m.Minutes,
			Access: l.knownOpening(l.AccessOf(m.ID, ctx.Facts)), Hazard: m.Hazard})
	}
	reseal := l.resealMinutes(ctx.Facts)
	for i := range l.Openings {
		o := &l.Openings[i]
		x := diagnosis.Opening{ID: o.ID, OpenMinutes: o.OpenMin, CloseMinutes: o.CloseMin, Requires: slices.Clone(o.Requires),
			Hazard: o.Hazard, Reseal: o.Reseal}
		if o.Reseal {
			x.ResealMinutes = reseal
		}
		eco.Openings = append(eco.Openings, x)
	}
	return eco
}

// knownOpening is "" for an opening that the file does not describe.
func (l *Library) knownOpening(id string) string {
	if l.Opening(id) == nil {
		return ""
	}
	return id
}

// resealMinutes is the leak test's own time and that of getting ready for it.
func (l *Library) resealMinutes(facts map[string]string) float64 {
	m := l.Measurement(leakTest)
	if m == nil {
		return 0
	}
	sum := m.Minutes
	for _, o := range l.OpeningPath(l.AccessOf(leakTest, facts)) {
		sum += o.OpenMin + o.CloseMin
	}
	return sum
}

func (l *Library) repairCost(c *Cause, ctx EconomyContext) diagnosis.RepairCost {
	hour := ctx.LabourPerHour
	escaped := comebackHours + harmHours*l.harm(c)
	caught := l.Caught(c.ID)
	r := diagnosis.RepairCost{Cause: c.ID, Minutes: (c.RepairMinutes[0] + c.RepairMinutes[1]) / 2,
		MissCost: (caught*reworkHours + (1-caught)*escaped) * hour}
	if p, ok := ctx.PartsCost[c.ID]; ok {
		r.Parts = p
	} else {
		r.Parts = partsHours(c.Parts) * hour
	}
	for _, v := range c.Verify {
		if v.Optional {
			continue
		}
		r.VerifyCost += l.Measurement(v.Measurement).Minutes * hour / 60
		if a := l.knownOpening(l.AccessOf(v.Measurement, ctx.Facts)); a != "" && !contains(r.Access, a) {
			r.Access = append(r.Access, a)
		}
	}
	return r
}

// Caught is the probability that the proofs which every hand-back asks for show
// a cause that is still in the board: one of these measurements comes out
// abnormal, or the ride reproduces a symptom of it. What is asked for only where
// a box was opened counts as asked for, since a cause that such a proof can show
// sits in a box. It is 0 for an unknown cause.
func (l *Library) Caught(cause string) float64 {
	link := l.LinksOf(cause)
	if link == nil {
		return 0
	}
	unseen := 1.0
	for _, il := range l.Interlocks {
		if il.Action != handBack {
			continue
		}
		for _, ck := range il.Require {
			row := link.Outcomes[ck.Measurement]
			shown := 0.0
			for _, o := range slices.Sorted(maps.Keys(row)) {
				if !contains(ck.Outcomes, o) {
					shown += row[o]
				}
			}
			unseen *= 1 - math.Min(1, shown)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(link.Symptoms)) {
		if s := l.Symptom(id); s != nil && s.Group != historyGroup {
			unseen *= 1 - rideShows*link.Symptoms[id]
		}
	}
	return 1 - unseen
}

// CanHarm reports whether a cause left in a board can hurt somebody: its hazard
// is 3 or more, or it is linked to a symptom by which a board throws its rider.
func (l *Library) CanHarm(cause string) bool {
	c := l.Cause(cause)
	if c == nil {
		return false
	}
	if c.Hazard >= 3 {
		return true
	}
	link := l.LinksOf(cause)
	return link != nil && slices.ContainsFunc(harmful, func(s string) bool { return link.Symptoms[s] >= harmLink })
}

// harm is how likely a cause that escaped the proofs hurts somebody: as likely as
// the strongest of its links to a symptom by which a board throws its rider, and
// at least what its hazard makes of it (estimates; the hazard is that of working
// on it, and a pack that burns is the worst of it).
func (l *Library) harm(c *Cause) float64 {
	p := 0.0
	switch {
	case c.Hazard >= 4:
		p = 0.5
	case c.Hazard == 3:
		p = 0.1
	}
	if link := l.LinksOf(c.ID); link != nil {
		for _, s := range harmful {
			p = math.Max(p, link.Symptoms[s])
		}
	}
	return p
}

// partsHours estimates parts where no price is known: an assembly is dear, one
// that is only perhaps needed half as dear.
func partsHours(parts []string) float64 {
	sum := 0.0
	for _, p := range parts {
		h := smallPartHours
		if slices.ContainsFunc(assemblies, func(w string) bool { return containsWord(p, w) }) {
			h = assemblyHours
		}
		for _, w := range []string{"maybe", "often", "or", "when"} {
			if containsWord(p, w) {
				h /= 2
				break
			}
		}
		sum += h
	}
	return sum
}

func containsWord(text, word string) bool {
	return slices.Contains(strings.Fields(text), word)
}
