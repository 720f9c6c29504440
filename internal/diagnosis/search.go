package diagnosis

import (
	"cmp"
	"math"
	"slices"
)

// suspect is a cause as the search sees it. The unmodelled cause comes last.
type suspect struct {
	id    string
	odds  []float64 // by root state: prior odds times the factor of the findings without an axis
	moves []move    // axis is the place among the search's dimensions
}

// search enumerates sets of causes. Its pruning rests on this: the factor by
// which a further cause changes the probability of a level never grows as more
// causes are present, since they leave less to be explained. Over several states
// of the roots the factor is a mean, and the largest of them bounds it.
type search struct {
	dims     []*dimension
	varies   []bool // by dimension: its leak depends on the roots
	roots    int    // states of the roots
	suspects []suspect
	always   []string
	opt      ExplainOptions
	best     float64
	found    []candidateSet
	least    float64 // what a set must reach to be listed, as far as is known; see floor
	kept     []int   // memory of the sets found
	logScale float64
	rooms    []room // by number of causes in the set that grows
}

// room is the memory that growing a set takes; each depth of the search has one.
type room struct {
	options []next
	after   []int
	members []int
	state   [][]float64
	floats  []float64
	odds    []float64
	part    []float64
}

type candidateSet struct {
	members []int
	p       float64 // relative to the set without suspects, see logScale
}

func (s *session) explain(opt ExplainOptions, logE float64) ([]Explanation, float64) {
	se, set := s.newSearch(opt)
	se.value(&set)
	se.consider(nil, set.p)
	all := make([]int, len(se.suspects))
	for i := range all {
		all[i] = i
	}
	se.extend(set, all)
	return se.list(logE)
}

// newSearch returns the search and the set without suspects.
func (s *session) newSearch(opt ExplainOptions) (*search, grownSet) {
	u := 0
	if s.m.unmodelled == 1 {
		u = 1
	}
	roots := len(s.m.states)
	se := &search{opt: opt, roots: roots, rooms: make([]room, min(opt.MaxCauses, len(s.m.causes)+1)+1)}
	at := make(map[int]int)
	for k := range s.steps {
		if st := &s.steps[k]; len(st.top) > 1 && !s.isDropped(st.finding) {
			at[st.finding] = len(se.dims)
			se.dims = append(se.dims, &dimension{step: *st, leak: s.m.leakMasses(st)})
		}
	}
	set := grownSet{odds: make([]float64, roots), part: make([]float64, roots)}
	logs := make([]float64, roots)
	se.logScale = math.Inf(-1)
	varies := make([]bool, len(se.dims))
	set.state = make([][]float64, roots*len(se.dims))
	for n, la := range s.m.lanes {
		if la.u != u {
			continue
		}
		logs[la.state] = s.base[n]
		for i, absent := range s.m.states[la.state].absent {
			if active(s.m.causes[i].Prior) {
				logs[la.state] += math.Log(absent)
			}
		}
		se.logScale = math.Max(se.logScale, logs[la.state])
		for d, dim := range se.dims {
			set.state[la.state*len(se.dims)+d] = dim.leak[n]
			varies[d] = varies[d] || !slices.Equal(dim.leak[n], set.state[d])
		}
	}
	se.varies = varies
	if math.IsInf(se.logScale, -1) {
		se.logScale = 0
	}
	for r := range set.odds {
		set.odds[r] = math.Exp(logs[r] - se.logScale)
	}
	se.enlist(s, u, at)
	return se, set
}

// enlist lists the suspects and what stands in every set.
func (se *search) enlist(s *session, u int, at map[int]int) {
	moves, states := 0, 0
	for j, d := range at {
		n := len(s.m.byFinding[j]) + 1
		moves += n
		states += 2 * n * len(se.dims[d].top)
	}
	room := roll{moves: make([]move, 0, moves), floats: arena{chunk: make([]float64, states+(len(s.m.causes)+1)*se.roots)}}
	for i, c := range s.m.causes {
		if c.Prior == 1 {
			se.always = append(se.always, c.ID)
		}
		if !active(c.Prior) {
			continue
		}
		su := suspect{id: c.ID, odds: room.floats.take(se.roots)}
		from := len(room.moves)
		for r := range su.odds {
			su.odds[r] = s.m.states[r].present[i] / s.m.states[r].absent[i] * s.gain[i]
		}
		for _, l := range s.m.byCause[i] {
			if d, ok := at[l.finding]; ok {
				room.add(se.dims, d, l.effect)
			}
		}
		su.moves = room.moves[from:len(room.moves):len(room.moves)]
		se.add(su)
	}
	switch {
	case u == 1:
		se.always = append(se.always, UnmodelledID)
	case s.m.unmodelled > 0:
		su := suspect{id: UnmodelledID, odds: room.floats.take(se.roots)}
		from := len(room.moves)
		for n, la := range s.m.lanes {
			// Both lanes of a state follow each other, the one without first.
			if la.u == 1 && s.base[n] > math.Inf(-1) {
				su.odds[la.state] = math.Exp(s.base[n] - s.base[n-1])
			}
		}
		for d, dim := range se.dims {
			if e := s.m.byUnmodelled[dim.finding]; e.cdf != nil {
				room.add(se.dims, d, e)
			}
		}
		su.moves = room.moves[from:]
		se.add(su)
	}
}

// roll is memory for the moves of all suspects.
type roll struct {
	moves  []move
	floats arena
}

// add notes a move unless it has no effect.
func (room *roll) add(dims []*dimension, d int, e effect) {
	if e.cdf[dims[d].top[0]] < 1 {
		cum, mass := dims[d].rangesIn(e, room.floats.take(2*len(dims[d].top)))
		room.moves = append(room.moves, move{axis: d, cum: cum, mass: mass})
	}
}

// add leaves out a cause that the evidence rules out whatever else is present.
func (se *search) add(su suspect) {
	if largest(su.odds) > 0 {
		se.suspects = append(se.suspects, su)
	}
}

// value works out a set's probability from its odds and its states.
func (se *search) value(set *grownSet) {
	set.p = 0
	for r := range set.part {
		p := set.odds[r]
		for d, dim := range se.dims {
			p *= inner(set.state[r*len(se.dims)+d], dim.weight)
		}
		set.part[r] = p
		set.p += p
	}
}

func inner(a, b []float64) float64 {
	sum := 0.0
	for k := range a {
		sum += a[k] * b[k]
	}
	return sum
}

func (se *search) consider(members []int, p float64) {
	if p > se.best {
		se.best = p
	}
	if p <= 0 || p < se.floor() {
		return
	}
	from := len(se.kept)
	se.kept = append(se.kept, members...)
	// Earlier pieces stay good where the memory moves: nothing writes to them.
	sorted := se.kept[from:len(se.kept):len(se.kept)]
	slices.Sort(sorted)
	se.found = append(se.found, candidateSet{sorted, p})
	if limit := se.opt.Limit; limit > 0 && len(se.found) >= 4*limit {
		slices.SortFunc(se.found, byProbability)
		se.found = se.found[:limit]
		se.least = se.found[limit-1].p * (1 - limitSlack)
	}
}

// limitSlack keeps sets that are equally probable, but for the rounding of
// products in another order, from being left out before they are compared.
const limitSlack = 1e-9

// floor is the least probability of a set that may still be listed: a share of
// the best, and that of the last one listed where their number is limited.
func (se *search) floor() float64 { return math.Max(se.opt.Ratio*se.best, se.least) }

// byProbability orders the most probable first, then the smaller, then the one
// whose causes come first.
func byProbability(a, b candidateSet) int {
	return cmp.Or(cmp.Compare(b.p, a.p), cmp.Compare(len(a.members), len(b.members)), slices.Compare(a.members, b.members))
}

// next is one way to grow a set: the factor on its probability, and a bound on
// the factor the same cause can have once further causes have joined.
type next struct {
	suspect       int
	factor, bound float64
}

// grownSet is a set of suspects with the state of each dimension, the product
// of its odds and its probability (odds included), all by root state, and the
// whole probability.
type grownSet struct {
	members []int
	state   [][]float64 // by root state and dimension
	odds    []float64
	part    []float64
	p       float64
}

// extend grows a set by each cause of rest and by those after it, the largest
// bound first.
func (se *search) extend(set grownSet, rest []int) {
	left := se.opt.MaxCauses - len(set.members)
	if left <= 0 || len(rest) == 0 {
		return
	}
	room := &se.rooms[len(set.members)]
	options := room.options[:0]
	for _, i := range rest {
		f, b := se.factor(&se.suspects[i], &set)
		options = append(options, next{i, f, b})
	}
	room.options = options
	after := rest
	if left > 1 {
		slices.SortStableFunc(options, func(a, b next) int { return cmp.Compare(b.bound, a.bound) })
		after = room.after[:0]
		for _, o := range options {
			after = append(after, o.suspect)
		}
		room.after = after
	}
	for k, o := range options {
		last := left == 1 || k+1 == len(options)
		if last && set.p > 0 && set.p*o.factor < se.floor() {
			continue
		}
		room.members = append(append(room.members[:0], set.members...), o.suspect)
		grown := grownSet{members: room.members, p: set.p * o.factor}
		if !last || set.p == 0 {
			grown.state = se.grow(room, set.state, o.suspect)
			room.odds, room.part = append(room.odds[:0], set.odds...), append(room.part[:0], set.part...)
			multiply(room.odds, se.suspects[o.suspect].odds)
			grown.odds, grown.part = room.odds, room.part
			// A set of probability 0 may have supersets that are possible.
			se.value(&grown)
		}
		se.consider(grown.members, grown.p)
		if last {
			continue
		}
		// Every further cause comes later in the order, so none has a larger bound.
		bound := options[k+1].bound
		reach := grown.p * bound * math.Pow(math.Max(1, bound), float64(left-2))
		if reach < se.floor() {
			continue
		}
		se.extend(grown, after[k+1:])
	}
}

// factor returns how much the probability changes when the cause joins, and the
// bound on that change for every superset: a soft finding's factor is a mean
// over its ranges, and each range's own factor never grows. A range of
// probability 0 gives no bound. The factor is meaningless where the set itself
// has probability 0.
func (se *search) factor(su *suspect, set *grownSet) (factor, bound float64) {
	factor, bound = 1, 1
	for k := range su.moves {
		if mv := &su.moves[k]; !se.varies[mv.axis] {
			f, b := se.dims[mv.axis].change(mv, set.state[mv.axis])
			if b == 0 {
				return 0, 0
			}
			factor *= f
			bound *= b
		}
	}
	if se.roots == 1 {
		return factor * su.odds[0], bound * su.odds[0]
	}
	mean, top := 0.0, 0.0
	for r, odds := range su.odds {
		fr, br := odds, odds
		for k := range su.moves {
			if mv := &su.moves[k]; se.varies[mv.axis] {
				f, b := se.dims[mv.axis].change(mv, set.state[r*len(se.dims)+mv.axis])
				if b == 0 {
					fr, br = 0, 0
					break
				}
				fr *= f
				br *= b
			}
		}
		if set.part[r] > 0 {
			mean += set.part[r] * fr
		}
		top = math.Max(top, br)
	}
	return factor * mean / set.p, bound * top
}

// change is the factor and its bound on one finding.
func (dim *dimension) change(mv *move, f []float64) (factor, bound float64) {
	w := dim.weight
	before, after, below := 0.0, 0.0, 0.0
	for t := range f {
		moved := mv.cum[t]*f[t] + mv.mass[t]*below
		below += f[t]
		if w[t] == 0 {
			continue
		}
		before += w[t] * f[t]
		after += w[t] * moved
		switch {
		case f[t] > 0:
			bound = math.Max(bound, moved/f[t])
		case moved > 0 || below > 0:
			bound = math.Inf(1)
		}
	}
	return after / before, bound
}

func (se *search) grow(room *room, state [][]float64, i int) [][]float64 {
	room.state = append(room.state[:0], state...)
	room.floats = room.floats[:0]
	for k := range se.suspects[i].moves {
		mv := &se.suspects[i].moves[k]
		for at := mv.axis; at < len(state); at += len(se.dims) {
			from := len(room.floats)
			room.floats = append(room.floats, state[at]...)
			f := room.floats[from:]
			raise(f, axis{stride: 1, radix: len(f)}, mv)
			// Earlier pieces stay good where the memory moves: nothing writes to them.
			room.state[at] = f
		}
	}
	return room.state
}

// list sorts what was found and turns it into shares of P(E).
func (se *search) list(logE float64) ([]Explanation, float64) {
	kept := se.found[:0]
	for _, c := range se.found {
		if c.p >= se.opt.Ratio*se.best {
			kept = append(kept, c)
		}
	}
	slices.SortFunc(kept, byProbability)
	if se.opt.Limit > 0 && len(kept) > se.opt.Limit {
		kept = kept[:se.opt.Limit]
	}
	list := make([]Explanation, 0, len(kept))
	covered := 0.0
	for _, c := range kept {
		ids := append([]string{}, se.always...)
		for _, i := range c.members {
			ids = append(ids, se.suspects[i].id)
		}
		p := math.Exp(se.logScale + math.Log(c.p) - logE)
		covered += p
		list = append(list, Explanation{Causes: ids, Probability: math.Min(1, p)})
	}
	return list, math.Min(1, covered)
}
