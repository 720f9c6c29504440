package learning

// Totals are the sums of lessons, each weighted by what is left of it at AsOf.
// The zero value holds nothing.
type Totals struct {
	// AsOf is the day of the newest lesson, in days since 1970-01-01 UTC. It is
	// the day that the numbers speak of.
	AsOf float64 `json:"as_of"`
	// Jobs counts the lessons, Weight what is left of them.
	Jobs   int                   `json:"jobs"`
	Weight float64               `json:"weight"`
	Causes map[string]CauseTotal `json:"causes"`
	Links  map[string]LinkTotal  `json:"links"` // by SubjectOf(cause, finding)
}

// CauseTotal is Σ over lessons of what a cause counted. Jobs is what the sum of
// Present is out of: one per lesson and its Extra.
type CauseTotal struct {
	Present  float64 `json:"present"`
	Jobs     float64 `json:"jobs"`
	Resolved float64 `json:"resolved"`
}

// LinkTotal is Σ over lessons of what a link counted, by level name.
type LinkTotal struct {
	Levels   map[string]float64 `json:"levels"`
	Resolved float64            `json:"resolved"`
}

// SubjectOf names a number: a cause's prior by the cause, a link by cause@finding.
func SubjectOf(cause, finding string) string {
	if finding == "" {
		return cause
	}
	return cause + "@" + finding
}

// Add counts a lesson learned on a day (days since 1970-01-01 UTC), which may
// lie before AsOf. The same lessons give the same totals in any order, but for
// rounding of the last digits.
func (t *Totals) Add(day float64, l Lesson) {
	weight := 1.0
	switch {
	case t.Jobs == 0:
		t.AsOf = day
		t.Causes, t.Links = map[string]CauseTotal{}, map[string]LinkTotal{}
	case day > t.AsOf:
		t.fade(decay(day - t.AsOf))
		t.AsOf = day
	default:
		weight = decay(t.AsOf - day)
	}
	t.Jobs++
	t.Weight += weight
	for _, c := range l.Causes {
		sum := t.Causes[c.Cause]
		sum.Present += weight * c.Present
		sum.Jobs += weight * (1 + c.Extra)
		sum.Resolved += weight * c.Resolved
		t.Causes[c.Cause] = sum
	}
	for _, c := range l.Links {
		id := SubjectOf(c.Cause, c.Finding)
		sum := t.Links[id]
		if sum.Levels == nil {
			sum.Levels = make(map[string]float64, len(c.Levels))
		}
		for _, n := range c.Levels {
			sum.Levels[n.Level] += weight * n.Count
		}
		sum.Resolved += weight * c.Resolved
		t.Links[id] = sum
	}
}

// fade multiplies every count.
func (t *Totals) fade(by float64) {
	t.Weight *= by
	for id, c := range t.Causes {
		t.Causes[id] = CauseTotal{c.Present * by, c.Jobs * by, c.Resolved * by}
	}
	for id, l := range t.Links {
		for level := range l.Levels {
			l.Levels[level] *= by
		}
		l.Resolved *= by
		t.Links[id] = l
	}
}
