package shop

import (
	"slices"
	"strings"
	"testing"
	"time"
)

var lifeZero = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

func lifeDay(n int) time.Time { return lifeZero.AddDate(0, 0, n) }

// fitting is a thing on a board that is watched for as long as it is there, from the
// window's begin on; removed 1 is not at all, failed 1 never.
func fitting(item, serial string, board byte, at, removed, from, failed int) Fitting {
	f := Fitting{Item: item, Article: "controller", Serial: serial, Name: "Controller", BoardID: ID{board}, BoardSerial: "NP-000" + string('0'+board), At: lifeDay(at)}
	end := 0
	if removed <= 0 {
		f.Removed = ref(lifeDay(removed))
		end = removed
	}
	if from = max(from, at); from < end {
		f.Watched = []Span{{lifeDay(from), lifeDay(end)}}
	}
	if failed <= 0 {
		f.Failed = &FittingFailure{At: lifeDay(failed), Mode: "open"}
	}
	return f
}

func ref[T any](v T) *T { return &v }

// serialExample is the second example at the head of store/lifedata.go.
func serialExample() []Fitting {
	return []Fitting{fitting("a", "K7", 1, -300, -180, -200, 1), fitting("b", "k7", 2, -150, 1, -200, -90), fitting("c", "K8", 3, -200, 1, -200, 1),
		fitting("d", "K9", 1, -160, 1, -200, 1), fitting("e", "K9", 4, -100, 1, -200, 1)}
}

func TestSerialExample(t *testing.T) {
	t.Parallel()
	d := LifeData{Fittings: serialExample()}
	in := livesOfFitted(d.Fittings, newAges(nil, false), "d")
	// K7 (its two stretches touch at the age of 120), K8, and K9 twice.
	if !slices.Equal(in.columns.Entry, []float64{100, 0, 0, 0}) || !slices.Equal(in.columns.Time, []float64{180, 200, 160, 100}) ||
		!slices.Equal(in.columns.Event, []int{1, 0, 0, 0}) || in.pieces != 4 {
		t.Errorf("lives %+v", in)
	}
	l, err := studyLife(d, ByPart, RecurrenceRow{}, recurrenceExposures[0])
	if err != nil || l.First == nil || len(l.First.Steps) != 1 {
		t.Fatalf("%+v %v", l.First, err)
	}
	if s := l.First.Steps[0]; s.Age != 180 || s.AtRisk != 2 {
		t.Errorf("step %+v", s)
	}
	near(t, "share without a failure after 180 days", l.First.Steps[0].Survival.Value, 0.5, 1e-12)
	near(t, "exposure", &l.First.Exposure, 540, 1e-9)
	if l.First.Repairs != 4 || l.First.Comebacks != 1 || !strings.Contains(l.First.Sentence, "4 pieces, 1 failure") {
		t.Errorf("%+v", l.First)
	}
	if len(l.Moved) != 2 || l.Moved[0].Sentence != "Serial K7: board NP-0001 120 days, board NP-0002 60 days, failed." || l.Moved[0].Failed == nil {
		t.Fatalf("%+v", l.Moved)
	}
	if c := l.Moved[1].Contradiction; !strings.Contains(c, "Serial K9") || !strings.Contains(c, "NP-0001") || !strings.Contains(c, "NP-0004") {
		t.Errorf("contradiction %q", c)
	}
}

// By distance a piece ages by what the odometers of its boards showed.
func TestPieceAgesByDistance(t *testing.T) {
	t.Parallel()
	a := newAges([]OdometerReading{{ID{1}, lifeDay(-300), 0}, {ID{1}, lifeDay(-180), 600}, {ID{1}, lifeDay(-100), 5000},
		{ID{2}, lifeDay(-150), 70}, {ID{2}, lifeDay(-90), 370}}, true)
	in := livesOfFitted(serialExample()[:2], a, "km")
	// 120 days at 5 km a day, of which the first 100 days before the window; then 60 at 5.
	if !slices.Equal(in.columns.Entry, []float64{500}) || !slices.Equal(in.columns.Time, []float64{900}) || in.moved[0].Sentence != "Serial K7: board NP-0001 600 km, board NP-0002 300 km, failed." {
		t.Errorf("%+v", in)
	}
}

func TestLivesOfFitted(t *testing.T) {
	t.Parallel()
	failed := func(f Fitting, mode string) Fitting { f.Failed.Mode = mode; return f }
	unseen := fitting("y", "S", 2, -90, -60, -200, 1)
	unseen.Watched = nil
	for _, tt := range []struct {
		name        string
		in          []Fitting
		entry, time []float64
		event       []int
		moved       int
	}{
		// One fails at 30 days and again later, which is no first life; one is removed after
		// 20; one was 40 days old when first seen and is followed to 100; one had failed
		// before that.
		{"without serials", []Fitting{fitting("a", "", 1, -100, 1, -100, -70), fitting("b", "", 1, -90, -70, -100, 1), fitting("c", "", 1, -100, 1, -60, 1),
			fitting("d", "", 1, -100, 1, -60, -60)}, []float64{0, 40, 0}, []float64{30, 100, 20}, []int{1, 0, 0}, 0},
		// Nobody watched it on its second board, where it aged 30 days.
		{"a stretch unseen", []Fitting{fitting("x", "S", 1, -200, -100, -200, 1), unseen, fitting("z", "S", 3, -50, 1, -200, 1)},
			[]float64{0, 130}, []float64{100, 180}, []int{0, 0}, 1},
		// It failed before it was watched, so that nothing after is a first life.
		{"failed before", []Fitting{fitting("x", "S", 1, -300, -250, -200, -260), fitting("z", "S", 3, -50, 1, -200, 1)}, nil, nil, nil, 1},
		// Taken off and fitted at the same moment: no contradiction.
		{"touching", []Fitting{fitting("x", "S", 1, -100, -50, -200, 1), fitting("z", "S", 3, -50, 1, -200, 1)}, []float64{0}, []float64{100}, []int{0}, 1},
		// Two modes, in the order of their names.
		{"modes", []Fitting{failed(fitting("a", "", 1, -100, 1, -100, -70), "open"), failed(fitting("b", "", 2, -100, 1, -100, -60), "leak")},
			[]float64{0, 0}, []float64{30, 40}, []int{2, 1}, 0},
		// Another article with the same serial is another piece.
		{"articles", []Fitting{fitting("a", "S", 1, -100, 1, -100, 1), {Item: "b", Article: "motor", Serial: "S", BoardID: ID{2}, At: lifeDay(-50), Watched: []Span{{lifeDay(-50), lifeDay(0)}}}},
			[]float64{0, 0}, []float64{100, 50}, []int{0, 0}, 0},
	} {
		got := livesOfFitted(tt.in, newAges(nil, false), "d")
		if !slices.Equal(got.columns.Entry, tt.entry) || !slices.Equal(got.columns.Time, tt.time) || !slices.Equal(got.columns.Event, tt.event) || len(got.moved) != tt.moved {
			t.Errorf("%s: %+v, moved %+v", tt.name, got.columns, got.moved)
		}
	}
}

// Of four pieces one fails open at 10 days, one leaks at 20, one fails open at 30, one
// is followed to 40. Aalen and Johansen by hand: open 1/4, then 1/4 + 1/2·1/2 = 1/2;
// leak 3/4·1/3 = 1/4. Together 3/4, which is what Kaplan and Meier leave out of 1.
func TestSharesByMode(t *testing.T) {
	t.Parallel()
	d := LifeData{}
	for i, failed := range []int{-30, -20, -10, 1} {
		f := fitting(string(rune('a'+i)), "", byte(i), -40, 1, -100, failed)
		if failed == -20 {
			f.Failed.Mode = "leak"
		}
		d.Fittings = append(d.Fittings, f)
	}
	l, err := studyLife(d, ByLot, RecurrenceRow{}, recurrenceExposures[0])
	if err != nil || l.First == nil || len(l.First.Modes) != 2 {
		t.Fatalf("%+v %v", l.First, err)
	}
	leak, open := l.First.Modes[0], l.First.Modes[1]
	if leak.Mode != "leak" || leak.Failures != 1 || open.Failures != 2 || len(open.Steps) != 2 || open.Steps[1].Age != 30 {
		t.Errorf("%+v", l.First.Modes)
	}
	near(t, "leaking", leak.Share.Value, 0.25, 1e-12)
	near(t, "open after 10 days", open.Steps[0].Survival.Value, 0.25, 1e-12)
	near(t, "open", open.Share.Value, 0.5, 1e-12)
	near(t, "not failed", l.First.Steps[2].Survival.Value, 0.25, 1e-12)
	if l, err = studyLife(LifeData{Fittings: d.Fittings[:1]}, ByLot, RecurrenceRow{}, recurrenceExposures[0]); err != nil || l.First.Modes != nil {
		t.Errorf("one mode says what the survival says: %+v %v", l.First, err)
	}
}

// Three pieces that last 40 days or more against three that fail within 30: of the
// C(6,3) = 20 arrangements two are as extreme as this one, or more (this and its mirror).
func TestComparisonOfTwoLives(t *testing.T) {
	t.Parallel()
	side := func(key string, failed ...int) lifeSide {
		s := lifeSide{key: key, name: "Lot " + key}
		for i, f := range failed {
			s.data.Fittings = append(s.data.Fittings, fitting(string(rune('a'+i)), "", byte(i), -40, 1, -100, f))
		}
		return s
	}
	good, bad := side("G", 1, 1, 1), side("B", -30, -20, -10)
	c, err := besideLives(ByLot, []lifeSide{bad, good}, false)
	if err != nil || c == nil || len(c.Sides) != 2 || c.Test == nil || c.Test.P == nil {
		t.Fatalf("%+v %v", c, err)
	}
	near(t, "p of all arrangements", c.Test.P, 0.1, 1e-9)
	if c.Sides[0].Action != "Lot B" || c.Sides[0].Comebacks != 3 || c.Sides[1].Comebacks != 0 || c.Of != "from fitting to the first failure" || !strings.Contains(c.Test.PKind, "all 20 arrangements") {
		t.Errorf("%+v", c)
	}
	// Components have no fitting: the lives after repairs, each with its own.
	life := func(action string, ends int, back bool) RepairLife {
		r := RepairLife{Action: action, At: lifeDay(-40), Starts: lifeDay(-40), Ends: lifeDay(ends)}
		if back {
			r.Comeback = &CameBack{At: r.Ends}
		}
		return r
	}
	x := lifeSide{"x", "", LifeData{Repairs: []RepairLife{life("cleaned", -10, true), life("replaced", 0, false)}}}
	y := lifeSide{"y", "Y", LifeData{Repairs: []RepairLife{life("cleaned", 0, false)}}}
	if c, err = besideLives(ByCause, []lifeSide{x, y}, false); err != nil || c.Sides[0].Repairs != 2 || c.Sides[0].Action != "x" || c.Sides[1].Repairs != 1 {
		t.Errorf("%+v %v", c, err)
	}
	// By action each side is the lives after that action alone.
	x.key = "cleaned"
	if c, err = besideLives(ByAction, []lifeSide{x, {"replaced", "", x.data}}, false); err != nil || c.Sides[0].Comebacks != 1 || c.Sides[1].Comebacks != 0 || c.Sides[1].Repairs != 1 {
		t.Errorf("%+v %v", c, err)
	}
	if c, err = besideLives(ByCause, []lifeSide{{"x", "", LifeData{}}, {"y", "", LifeData{}}}, false); err != nil || c != nil {
		t.Errorf("nothing followed: %+v %v", c, err)
	}
}
