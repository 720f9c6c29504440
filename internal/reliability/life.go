package reliability

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"nextprobe/internal/problem"
)

// Columns is life data by column, one row an item (a board, a connector, a part
// since its repair). The slices are read, never changed.
type Columns struct {
	// Time is the age at failure or at the end of observation, in any unit of
	// exposure (days in service, kilometres): above 0 and finite.
	Time []float64
	// Event is 0 where observation ended without a failure (right-censored) and
	// the number of the failure mode, 1 or above, where the item failed.
	Event []int
	// Entry is the age at which the item came under observation, 0 or more and
	// below Time: an item that would have failed before its entry would never have
	// been seen (left truncation). Nil when every item was observed from new.
	Entry []float64
}

// Life is life data that has been checked and put in order of time. It does not
// change, so several computations may share it.
type Life struct {
	time     []float64 // ascending
	event    []int     // of the same rows
	entry    []float64 // of the same rows; nil when nothing is truncated
	entries  []float64 // entry, ascending; nil when nothing is truncated
	failures int
	modes    int // the highest failure mode
	steps    steps
}

// steps are the distinct times at which something failed.
type steps struct {
	time   []float64
	atRisk []int // items with entry < time ≤ their own time
	failed []int
}

// maxNamed bounds how many mistakes one error names.
const maxNamed = 20

// NewLife checks and orders life data. It returns an Invalid error that names the
// rows at fault, counted from 0 (`time[3]`), when a time is not above 0 and finite,
// an entry is negative or not below its time, an event is negative, or the columns
// differ in length. No rows at all are allowed: nothing is then estimable.
func NewLife(c Columns) (*Life, error) {
	lives, err := NewLives(c, nil, 1)
	if err != nil {
		return nil, err
	}
	return lives[0], nil
}

// NewLives does what NewLife does and splits the rows: group holds, for each row,
// its group from 0 to groups−1, and the answer has one Life for each. A nil group
// puts every row into the first.
func NewLives(c Columns, group []int, groups int) ([]*Life, error) {
	if err := c.check(group, groups); err != nil {
		return nil, err
	}
	order := byTime(c.Time)
	sizes := make([]int, groups)
	for i := range c.Time {
		sizes[groupOf(group, i)]++
	}
	lives := make([]*Life, groups)
	truncated := slices.ContainsFunc(c.Entry, func(v float64) bool { return v > 0 })
	for g, n := range sizes {
		lives[g] = &Life{time: make([]float64, 0, n), event: make([]int, 0, n)}
		if truncated {
			lives[g].entry = make([]float64, 0, n)
		}
	}
	for _, row := range order {
		l := lives[groupOf(group, int(row))]
		l.time = append(l.time, c.Time[row])
		l.event = append(l.event, c.Event[row])
		if truncated {
			l.entry = append(l.entry, c.Entry[row])
		}
	}
	for _, l := range lives {
		l.finish()
	}
	return lives, nil
}

func groupOf(group []int, row int) int {
	if group == nil {
		return 0
	}
	return group[row]
}

func (c Columns) check(group []int, groups int) error {
	n := len(c.Time)
	switch {
	case len(c.Event) != n:
		return problem.InField("event", "must have as many rows as time (%d), has %d", n, len(c.Event))
	case c.Entry != nil && len(c.Entry) != n:
		return problem.InField("entry", "must have as many rows as time (%d), has %d", n, len(c.Entry))
	case group != nil && len(group) != n:
		return problem.InField("group", "must have as many rows as time (%d), has %d", n, len(group))
	case groups < 1:
		return problem.InField("groups", "must be 1 or more, is %d", groups)
	case n > math.MaxInt32:
		return problem.InField("time", "must have at most %d rows, has %d", math.MaxInt32, n)
	}
	var fields []problem.Field
	for i := range n {
		entry := 0.0
		if c.Entry != nil {
			entry = c.Entry[i]
		}
		if name, message := CheckRow(c.Time[i], c.Event[i], entry); name != "" {
			fields = append(fields, problem.Field{Field: fmt.Sprintf("%s[%d]", name, i), Message: message})
		}
		if group != nil && (group[i] < 0 || group[i] >= groups) {
			fields = append(fields, problem.Field{Field: fmt.Sprintf("group[%d]", i), Message: fmt.Sprintf("must lie between 0 and %d, is %d", groups-1, group[i])})
		}
		if len(fields) >= maxNamed {
			break
		}
	}
	return problem.InFields(fields)
}

// CheckRow says what is wrong with one row of life data: the column at fault and
// what would be right, or two empty strings when nothing is.
func CheckRow(time float64, event int, entry float64) (column, message string) {
	switch {
	case !(time > 0) || math.IsInf(time, 0):
		return "time", fmt.Sprintf("must be above 0 and finite, is %v", time)
	case event < 0:
		return "event", fmt.Sprintf("must be 0 for the end of observation or the number of a failure mode, is %d", event)
	case !(entry >= 0) || math.IsInf(entry, 0):
		return "entry", fmt.Sprintf("must be 0 or more and finite, is %v", entry)
	case entry >= time:
		return "entry", fmt.Sprintf("must be below the time %v, is %v", time, entry)
	}
	return "", ""
}

// byTime returns the rows in order of time, equal times in the order of the rows.
func byTime(time []float64) []int32 {
	type key struct {
		time float64
		row  int32
	}
	keys := make([]key, len(time))
	for i, t := range time {
		keys[i] = key{t, int32(i)}
	}
	slices.SortFunc(keys, func(a, b key) int {
		switch {
		case a.time < b.time:
			return -1
		case a.time > b.time:
			return 1
		}
		return cmp.Compare(a.row, b.row)
	})
	order := make([]int32, len(keys))
	for i, k := range keys {
		order[i] = k.row
	}
	return order
}

// finish derives what every computation needs. At a tie failures come before
// censorings: an item censored at t was still at risk at t.
func (l *Life) finish() {
	if l.entry != nil {
		l.entries = slices.Clone(l.entry)
		slices.Sort(l.entries)
	}
	for _, e := range l.event {
		if e > 0 {
			l.failures++
			l.modes = max(l.modes, e)
		}
	}
	distinct := 0
	for i := 0; i < len(l.time); {
		j, failed := l.tie(i)
		if failed > 0 {
			distinct++
		}
		i = j
	}
	l.steps = steps{make([]float64, 0, distinct), make([]int, 0, distinct), make([]int, 0, distinct)}
	for i, entered := 0, 0; i < len(l.time); {
		j, failed := l.tie(i)
		if failed > 0 {
			t := l.time[i]
			for entered < len(l.entries) && l.entries[entered] < t {
				entered++
			}
			l.steps.time = append(l.steps.time, t)
			l.steps.atRisk = append(l.steps.atRisk, l.present(entered)-i)
			l.steps.failed = append(l.steps.failed, failed)
		}
		i = j
	}
}

// tie returns the end of the rows that share the time of row i, and their failures.
func (l *Life) tie(i int) (end, failed int) {
	for end = i; end < len(l.time) && l.time[end] == l.time[i]; end++ {
		if l.event[end] > 0 {
			failed++
		}
	}
	return end, failed
}

// present is the number of rows that ever came under observation when the first
// entered of the ordered entries have.
func (l *Life) present(entered int) int {
	if l.entries == nil {
		return len(l.time)
	}
	return entered
}

// N is the number of items.
func (l *Life) N() int { return len(l.time) }

// Failures is the number of items that failed, of any mode.
func (l *Life) Failures() int { return l.failures }

// Exposure is the time under observation of all items together, Σ (time − entry),
// in the unit of the times.
func (l *Life) Exposure() float64 {
	total := 0.0
	for i, t := range l.time {
		total += t - l.entered(i)
	}
	return total
}

func (l *Life) entered(row int) float64 {
	if l.entry == nil {
		return 0
	}
	return l.entry[row]
}

// last is the longest time seen, 0 without rows.
func (l *Life) last() float64 {
	if len(l.time) == 0 {
		return 0
	}
	return l.time[len(l.time)-1]
}

// Estimate is a value with two-sided bounds. What cannot be estimated is NaN.
type Estimate struct{ Value, Lower, Upper float64 }

// unknown is an estimate of which nothing can be said.
func unknown() Estimate { return Estimate{math.NaN(), math.NaN(), math.NaN()} }

func checkConfidence(confidence float64) error {
	if !(confidence > 0 && confidence < 1) {
		return problem.InField("confidence", "must lie between 0 and 1, is %v", confidence)
	}
	return nil
}
