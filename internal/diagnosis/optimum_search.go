package diagnosis

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// belief is a state: what was seen, what is open, what was repaired.
type belief struct {
	w        []float64 // by set: P(set, all seen)
	seen     []int8    // by act: level, or -1
	when     []int8    // by act: repairs made before it; all 0 with single faults
	repaired faults
	order    []int8 // repairs in order, sorted between two measurements
	epoch    int    // first of order after the last measurement
	open     uint32
}

func (w *world) root() *belief {
	b := &belief{w: w.start, seen: make([]int8, len(w.acts)), when: make([]int8, len(w.acts))}
	for k := range b.seen {
		b.seen[k] = -1
	}
	return b
}

func (b *belief) key() string {
	out := make([]byte, 0, 2*len(b.seen)+len(b.order))
	for k, x := range b.seen {
		out = append(out, byte(x+1)<<4|byte(b.when[k]))
	}
	for _, i := range b.order {
		out = append(out, byte(i))
	}
	return string(out)
}

// opened is the money of the openings among needs that are still closed, and
// the highest hazard among them.
func (w *world) opened(needs, open uint32) (money float64, hazard int) {
	for rest := needs &^ open; rest != 0; rest &= rest - 1 {
		k := bits.TrailingZeros32(rest)
		money += w.reopen[k]
		hazard = max(hazard, w.l.eco.Openings[k].Hazard)
	}
	return money, hazard
}

func (w *world) costOfAct(a *plannedAct, b *belief) float64 {
	money, hazard := w.opened(a.needs, b.open)
	return a.own + money + w.l.eco.RiskCost[max(hazard, a.hazard)]
}

func (w *world) costOfFix(f *plannedFix, b *belief) float64 {
	money, _ := w.opened(f.needs, b.open)
	return f.own + money
}

// after is the state once act k has shown level x.
func (w *world) after(b *belief, k, x int) *belief {
	a := &w.acts[k]
	c := &belief{w: make([]float64, len(b.w)), seen: slices.Clone(b.seen), when: slices.Clone(b.when), repaired: b.repaired,
		order: b.order, epoch: len(b.order), open: b.open | a.needs}
	if w.single {
		c.epoch = 0
	} else {
		c.when[k] = int8(len(b.order))
	}
	c.seen[k] = int8(x)
	for s, v := range b.w {
		if v > 0 {
			c.w[s] = v * a.p[w.at[w.sets[s]&^b.repaired]][x]
		}
	}
	return c
}

// fixed is the state once a repair was made and the board is not sound.
func (w *world) fixed(b *belief, i int) *belief {
	c := &belief{w: slices.Clone(b.w), seen: b.seen, when: b.when, repaired: b.repaired | 1<<i, epoch: b.epoch, open: b.open | w.fixes[i].needs}
	c.order = append(slices.Clone(b.order), int8(i))
	// Repairs between two measurements are the same in any order.
	slices.Sort(c.order[c.epoch:])
	for s := range c.w {
		if w.sets[s]&^c.repaired == 0 {
			c.w[s] = 0
		}
	}
	return c
}

// stop is the least cost of ending the job now.
func (w *world) stop(b *belief) (float64, Move) {
	mass, leave := 0.0, 0.0
	for s, v := range b.w {
		mass += v
		leave += v * w.leave[w.at[w.sets[s]&^b.repaired]]
	}
	if over := mass * w.l.escalate; over < leave {
		return over, Move{Kind: AdviseEscalate}
	}
	return leave, Move{Kind: AdviseHandBack}
}

// least is the cost of weights where the faults were known: no policy goes below
// it.
func (w *world) least(weights []float64, repaired faults, open uint32) float64 {
	each := w.knownCost(open)
	money := 0.0
	for s, v := range weights {
		if v > 0 {
			money += v * each[w.at[w.sets[s]&^repaired]]
		}
	}
	return money
}

// knownCost is, by set of faults left, the cost where they are known.
func (w *world) knownCost(open uint32) []float64 {
	if each, ok := w.known[open]; ok {
		return each
	}
	each := make([]float64, len(w.sets))
	for k, left := range w.sets {
		each[k] = math.Min(w.l.escalate, w.leave[k])
		if left == 0 || left>>len(w.fixes) != 0 {
			continue
		}
		money, needs := 0.0, uint32(0)
		for i := range w.fixes {
			if left>>i&1 == 1 {
				money += w.fixes[i].own
				needs |= w.fixes[i].needs
			}
		}
		more, _ := w.opened(needs, open)
		each[k] = math.Min(each[k], money+more)
	}
	w.known[open] = each
	return each
}

// option is a move with a cost that it cannot go below.
type option struct {
	move  Move
	index int
	cost  float64 // money of the move itself, times the probability of the state
	bound float64
}

// solve returns the least expected cost from a state on, times its probability,
// and how much less it may truly be.
func (w *world) solve(b *belief) (value, slack float64, first Move) {
	key := b.key()
	best, first := w.stop(b)
	if v, ok := w.memo[key]; ok {
		return v.value, v.slack, first
	}
	if len(w.memo) >= w.most {
		w.spent = true
		return best, best, first
	}
	options := w.options(b)
	if rough := w.repairAll(b); w.near > 0 {
		upper, lower := math.Min(best, rough), best
		for _, o := range options {
			lower = math.Min(lower, o.bound)
		}
		if upper-lower <= w.near {
			w.memo[key] = worth{upper, upper - lower}
			return upper, upper - lower, first
		}
	}
	least := best
	for _, o := range options {
		if o.bound >= best {
			break
		}
		v, slack := w.try(b, &o, best)
		least = math.Min(least, v-slack)
		if v < best {
			best, first = v, o.move
		}
	}
	w.memo[key] = worth{best, best - least}
	return best, best - least, first
}

// worth is what a state costs and how much less it may truly be.
type worth struct{ value, slack float64 }

// repairAll is the cost of repairing by probability over cost without measuring
// and ending the job where that is cheaper. It is reckoned where one fault is
// held possible.
func (w *world) repairAll(b *belief) float64 {
	if !w.single {
		return math.Inf(1)
	}
	left, open, spent := total(b.w), b.open, 0.0
	best, _ := w.stop(b)
	done := b.repaired
	for {
		next, at := -1, 0.0
		for i := range w.fixes {
			if done>>i&1 == 0 {
				money, _ := w.opened(w.fixes[i].needs, open)
				if score := b.w[w.at[1<<i]] / (w.fixes[i].own + money); score > at {
					next, at = i, score
				}
			}
		}
		if next < 0 {
			return best
		}
		money, _ := w.opened(w.fixes[next].needs, open)
		spent += left * (w.fixes[next].own + money)
		open |= w.fixes[next].needs
		if done == 0 {
			left -= b.w[w.at[0]]
		}
		done |= 1 << next
		left = math.Max(0, left-b.w[w.at[1<<next]])
		best = math.Min(best, spent+left*w.l.escalate)
	}
}

func (w *world) options(b *belief) []option {
	mass := total(b.w)
	out := make([]option, 0, len(w.fixes)+len(w.acts))
	for i := range w.fixes {
		if b.repaired>>i&1 == 0 && w.concerns(b, i) {
			f := &w.fixes[i]
			cost := w.costOfFix(f, b) * mass
			out = append(out, option{Move{Kind: AdviseRepair, Cause: w.m.causes[i].ID}, i, cost,
				cost + w.least(b.w, b.repaired|1<<i, b.open|f.needs)})
		}
	}
	for k := range w.acts {
		if b.seen[k] < 0 {
			a := &w.acts[k]
			cost := w.costOfAct(a, b) * mass
			out = append(out, option{Move{Kind: AdviseMeasure, Finding: a.id}, k, cost, cost + w.least(b.w, b.repaired, b.open|a.needs)})
		}
	}
	slices.SortStableFunc(out, func(x, y option) int { return cmp.Compare(x.bound, y.bound) })
	return out
}

// floor is what the cost from a state cannot go below: its value where that is
// known, else the least bound of its moves.
func (w *world) floor(b *belief) float64 {
	if v, ok := w.memo[b.key()]; ok {
		return v.value - v.slack
	}
	best, _ := w.stop(b)
	for _, o := range w.options(b) {
		best = math.Min(best, o.bound)
	}
	return best
}

// concerns reports whether some possible set holds the cause.
func (w *world) concerns(b *belief, cause int) bool {
	for s, v := range b.w {
		if v > 0 && w.sets[s]>>cause&1 == 1 {
			return true
		}
	}
	return false
}

// try works out a move, giving up once it cannot be below best.
func (w *world) try(b *belief, o *option, best float64) (value, slack float64) {
	if o.move.Kind == AdviseRepair {
		c := w.fixed(b, o.index)
		if total(c.w) == 0 {
			return o.cost, 0
		}
		if o.cost+w.floor(c) >= best {
			return math.Inf(1), 0
		}
		v, slack, _ := w.solve(c)
		return o.cost + v, slack
	}
	levels := len(w.m.findings[w.acts[o.index].finding].Levels)
	next := make([]*belief, 0, levels)
	floor := make([]float64, 0, levels)
	value = o.cost
	for x := range levels {
		if c := w.after(b, o.index, x); total(c.w) > 0 {
			next = append(next, c)
			floor = append(floor, w.floor(c))
			value += floor[len(floor)-1]
		}
	}
	if len(next) < 2 {
		// One possible result tells nothing.
		return math.Inf(1), 0
	}
	for k, c := range next {
		if value >= best {
			return math.Inf(1), 0
		}
		v, more, _ := w.solve(c)
		value += v - floor[k]
		slack += more
	}
	return value, slack
}
