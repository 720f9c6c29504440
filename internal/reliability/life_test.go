package reliability

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nextprobe/internal/problem"
)

func TestLifeRefusesAndNamesTheRow(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name  string
		c     Columns
		group []int
		field string
	}{
		{"zero time", Columns{Time: []float64{3, 0}, Event: []int{1, 1}}, nil, "time[1]"},
		{"negative time", Columns{Time: []float64{-3}, Event: []int{1}}, nil, "time[0]"},
		{"no number", Columns{Time: []float64{3, 4, math.NaN()}, Event: []int{1, 0, 1}}, nil, "time[2]"},
		{"endless time", Columns{Time: []float64{math.Inf(1)}, Event: []int{0}}, nil, "time[0]"},
		{"negative event", Columns{Time: []float64{3}, Event: []int{-1}}, nil, "event[0]"},
		{"entry at the time", Columns{Time: []float64{3, 5}, Event: []int{1, 1}, Entry: []float64{0, 5}}, nil, "entry[1]"},
		{"negative entry", Columns{Time: []float64{3}, Event: []int{1}, Entry: []float64{-1}}, nil, "entry[0]"},
		{"entry no number", Columns{Time: []float64{3}, Event: []int{1}, Entry: []float64{math.NaN()}}, nil, "entry[0]"},
		{"short event", Columns{Time: []float64{3, 4}, Event: []int{1}}, nil, "event"},
		{"short entry", Columns{Time: []float64{3, 4}, Event: []int{1, 1}, Entry: []float64{0}}, nil, "entry"},
		{"short group", Columns{Time: []float64{3, 4}, Event: []int{1, 1}}, []int{0}, "group"},
		{"group beyond", Columns{Time: []float64{3}, Event: []int{1}}, []int{1}, "group[0]"},
	} {
		_, err := NewLives(tc.c, tc.group, 1)
		e := problem.As(err)
		if e == nil || e.Code != problem.Invalid || e.Fields[0].Field != tc.field {
			t.Errorf("%s: %v, want a complaint about %s", tc.name, err, tc.field)
		}
	}
}

func TestLifeNamesAllRowsAtFault(t *testing.T) {
	t.Parallel()
	_, err := NewLife(plus(0, 3, 0, 4))
	if e := problem.As(err); e == nil || len(e.Fields) != 2 || !strings.Contains(e.Message, "time[2]") {
		t.Errorf("got %v", err)
	}
}

func TestLifeLeavesTheColumnsAlone(t *testing.T) {
	t.Parallel()
	c := Columns{Time: []float64{5, 3, 4}, Event: []int{1, 0, 1}, Entry: []float64{4, 1, 0}}
	l := mustLife(t, c)
	if !slices.Equal(c.Time, []float64{5, 3, 4}) || !slices.Equal(c.Entry, []float64{4, 1, 0}) {
		t.Error("the columns were changed")
	}
	if l.N() != 3 || l.Failures() != 2 || l.Exposure() != 7 {
		t.Errorf("n %d, failures %d, exposure %v; want 3, 2, 7", l.N(), l.Failures(), l.Exposure())
	}
}

// TestLifeIgnoresTheOrderOfRows shuffles rows: nothing that is computed may change.
func TestLifeIgnoresTheOrderOfRows(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		var c, shuffled Columns
		for range n {
			c.Time = append(c.Time, float64(rapid.IntRange(2, 12).Draw(t, "time")))
			c.Event = append(c.Event, rapid.IntRange(0, 2).Draw(t, "event"))
			c.Entry = append(c.Entry, float64(rapid.IntRange(0, 1).Draw(t, "entry")))
		}
		rows := make([]int, n)
		for i := range rows {
			rows[i] = i
		}
		for _, i := range rapid.Permutation(rows).Draw(t, "order") {
			shuffled.Time = append(shuffled.Time, c.Time[i])
			shuffled.Event = append(shuffled.Event, c.Event[i])
			shuffled.Entry = append(shuffled.Entry, c.Entry[i])
		}
		a, errA := NewLife(c)
		b, errB := NewLife(shuffled)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		x, _ := a.AalenJohansen(.95)
		y, _ := b.AalenJohansen(.95)
		if !slices.Equal(x.Survival, y.Survival) || !slices.Equal(a.steps.atRisk, b.steps.atRisk) {
			t.Fatalf("%v and %v", x, y)
		}
	})
}
