package shop

import (
	"math"
	"strings"
	"testing"
)

// Kass and Raftery 1995 give two tables of the same bands, one for 2·ln(B) (2, 6,
// 10) and one for B itself (3, 20, 150), rounded. Ten times the common logarithm of
// B is 5·log10(e) of the first: 2·2.171 = 4.3, 6·2.171 = 13.0, 10·2.171 = 21.7.
func TestStrengthIsKassAndRaftery(t *testing.T) {
	t.Parallel()
	for _, band := range []struct {
		twiceLog, factor, decibans float64
	}{{2, 3, 4.343}, {6, 20, 13.029}, {10, 150, 21.715}} {
		if got := bandEnd(band.twiceLog); math.Abs(got-band.decibans) > 5e-4 {
			t.Errorf("2 ln B = %v is %v dB, want %v", band.twiceLog, got, band.decibans)
		}
		if exact := math.Exp(band.twiceLog / 2); math.Abs(10*math.Log10(exact)-bandEnd(band.twiceLog)) > 1e-9 {
			t.Errorf("2 ln B = %v: 10 log10 B is %v", band.twiceLog, 10*math.Log10(exact))
		}
		// Their second table rounds e, e^3 and e^5 to 3, 20 and 150.
		if got := 10 * math.Log10(band.factor); math.Abs(got-bandEnd(band.twiceLog)) > 0.5 {
			t.Errorf("B = %v is %v dB, the band ends at %v", band.factor, got, bandEnd(band.twiceLog))
		}
	}
	for _, tt := range []struct {
		decibans float64
		want     string
	}{{0, "slight"}, {-3, "slight"}, {4.34, "slight"}, {4.35, "moderate"}, {9, "moderate"}, {-13.01, "moderate"}, {14, "strong"}, {-21.8, "very strong"}, {200, "very strong"}} {
		if got := strength(tt.decibans); got != tt.want {
			t.Errorf("%v dB is %s, want %s", tt.decibans, got, tt.want)
		}
	}
	const want = "dB are decibans: ten times the common logarithm of the factor by which one observation changes the odds of a cause, all others staying (Good 1950). " +
		"Below 4.3 dB slight, below 13.0 moderate, below 21.7 strong, above that very strong (bands of Kass and Raftery 1995)."
	if got := strengthScale(); got != want {
		t.Errorf("the scale reads %q", got)
	}
}

func TestCauseSentences(t *testing.T) {
	t.Parallel()
	soot := weighed{name: "“Soot or pitting at a connector pin”", decibans: 14.3}
	high := weighed{name: "“Three phase-to-phase resistances: one phase higher than the others (phase B)”", decibans: 8.8}
	clean := weighed{name: "“Phase and hall connectors, visual and tug: firm, clean and as recorded”", decibans: -3.4}
	for name, tt := range map[string]struct {
		c    causeCase
		want []string
	}{
		"for and against": {
			causeCase{name: "Phase contact overheated", weights: []weighed{soot, high, clean}},
			[]string{"“Soot or pitting at a connector pin” (+14 dB, strong) and “Three phase-to-phase resistances: one phase higher than the others (phase B)” (+9 dB, moderate) " +
				"point to “Phase contact overheated”; “Phase and hall connectors, visual and tug: firm, clean and as recorded” (−3 dB, slight) speaks against it."},
		},
		"one for, nothing against, accounts for all": {
			causeCase{name: "Phase contact overheated", weights: []weighed{soot, {name: "noise", decibans: 0.6}}, accounts: []string{soot.name}},
			[]string{"“Soot or pitting at a connector pin” (+14 dB, strong) points to “Phase contact overheated”; nothing speaks against it.",
				"It accounts for “Soot or pitting at a connector pin”, and so for everything abnormal that was seen."},
		},
		"only against": {
			causeCase{name: "Bad crimp", weights: []weighed{clean, {name: "that “Burnt electrical smell” is not so", decibans: -1.6}}},
			[]string{"Nothing seen points to “Bad crimp”; “Phase and hall connectors, visual and tug: firm, clean and as recorded” (−3 dB, slight) and " +
				"that “Burnt electrical smell” is not so (−2 dB, slight) speak against it."},
		},
		"nothing at all": {
			causeCase{name: "Tyre worn out", prior: 0.03},
			[]string{"Nothing seen so far speaks for “Tyre worn out” or against it; 3 % is how often it occurs."},
		},
		"more than a sentence holds": {
			causeCase{name: "X", weights: []weighed{{name: "A", decibans: 30}, {name: "B", decibans: 200}, {name: "C", decibans: 9}, {name: "D", decibans: 8}, {name: "E", decibans: 2}, {name: "F", decibans: 1}}},
			[]string{"A (+30 dB, very strong), B (+200 dB or more, very strong), C (+9 dB, moderate), D (+8 dB, moderate) and 2 weaker observations point to “X”; nothing speaks against it."},
		},
		"either alone would do": {
			causeCase{name: "X", weights: []weighed{{name: "A", decibans: 1.2}, {name: "B", decibans: 2.1}}, overlaps: []overlap{{names: []string{"A", "B"}, alone: []float64{15, 16}, joint: 17.2}}},
			[]string{"A (+1 dB, slight) and B (+2 dB, slight) point to “X”; nothing speaks against it.",
				"Either of A and B alone would do; together they weigh +17 dB (strong), so that taking one away changes little."},
		},
		"an overlap in which one says more": {
			causeCase{name: "X", prior: 0.1, overlaps: []overlap{{names: []string{"A", "B", "C"}, alone: []float64{4, 9, 15}, joint: 17}}},
			[]string{"Nothing seen so far speaks for “X” or against it; 10 % is how often it occurs.",
				"A, B and C overlap: alone they weigh +4 dB to +15 dB, together +17 dB (strong)."},
		},
		"only together": {
			causeCase{name: "X", weights: []weighed{{name: "A", decibans: 9}, {name: "B", decibans: 9}}, overlaps: []overlap{{names: []string{"that “S” is not so", "B"}, alone: []float64{1, 1}, joint: 10, apart: true}}},
			[]string{"A (+9 dB, moderate) and B (+9 dB, moderate) point to “X”; nothing speaks against it.",
				"Alone that “S” is not so and B say little; together they weigh +10 dB (moderate)."},
		},
		"leaves something": {
			causeCase{name: "X", weights: []weighed{soot}, accounts: []string{"A", "B"}, leaves: []unexplained{{"C", "Y"}, {"D", ""}}},
			[]string{"“Soot or pitting at a connector pin” (+14 dB, strong) points to “X”; nothing speaks against it.",
				"It accounts for A and B; it does not account for C (“Y” would), nor for D."},
		},
		"leaves much to another": {
			causeCase{name: "X", prior: .04, leaves: []unexplained{{"A", "Y"}, {"B", ""}, {"C", "Y"}, {"D", "Z"}, {"E", ""}}},
			[]string{"Nothing seen so far speaks for “X” or against it; 4 % is how often it occurs.", "It does not account for A and C (“Y” would), nor for B, nor for D (“Z” would), nor for 1 more."},
		},
		"missing": {
			causeCase{name: "X", prior: 0.02, leaves: []unexplained{{"A", ""}}, missing: []look{{"m1", "Wheel bearing play", 0.6, false}, {"m2", "Back-EMF symmetry", 0.85, true}, {"m3", "Hall supply voltage", 0.9, false}}},
			[]string{"Nothing seen so far speaks for “X” or against it; 2 % is how often it occurs.", "It does not account for A.",
				"Not looked at yet: “Wheel bearing play” (shows it in 60 % of cases) and “Hall supply voltage” (shows it in 90 % of cases). It would show in “Back-EMF symmetry”, which cannot be measured here."},
		},
		"confirmed": {
			causeCase{name: "X", confirmed: true, accounts: []string{"A"}, leaves: []unexplained{{"B", "Y"}}, missing: []look{{"m1", "M", 0.6, false}}},
			[]string{"“X” is confirmed.", "It accounts for A; it does not account for B (“Y” would)."},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := tt.c.sentences(); strings.Join(got, "\n") != strings.Join(tt.want, "\n") {
				t.Errorf("reads\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(tt.want, "\n"))
			}
		})
	}
}

func TestBriefNamesTheStrongest(t *testing.T) {
	t.Parallel()
	c := causeCase{name: "X", weights: []weighed{{name: "A", decibans: 30}, {name: "B", decibans: 9}, {name: "C", decibans: -8}, {name: "D", decibans: 8}, {name: "E", decibans: 2}}}
	const want = "A (+30 dB, very strong), B (+9 dB, moderate) and 2 weaker observations point to “X”; C (−8 dB, moderate) speaks against it."
	if got := c.brief(); got != want {
		t.Errorf("reads %q", got)
	}
}

func TestWholeSentences(t *testing.T) {
	t.Parallel()
	name := func(id string) string { return "“" + id + "”" }
	for title, tt := range map[string]struct {
		d       Diagnosis
		dropped []string
		want    []string
	}{
		"several, with what is outside": {
			Diagnosis{Explanations: []Explanation{{[]string{"a"}, .62}, {[]string{"a", "b"}, .2}, {[]string{"c"}, .1}, {nil, .04}, {[]string{"d"}, .03}}, Unmodelled: .05, NoFault: .04}, nil,
			[]string{"These 4 explanations cover 96 % of what is possible: “a” (62 %), “a” with “b” (20 %), “c” (10 %) and no fault (4 %).",
				"With 5 % something else is at work that the fault library does not know.", "With 4 % nothing is wrong at all."},
		},
		"one": {
			Diagnosis{Explanations: []Explanation{{[]string{"a"}, .97}, {[]string{"c"}, .01}}}, nil,
			[]string{"One explanation covers 97 % of what is possible: “a” (97 %)."},
		},
		"beside a confirmed cause": {
			Diagnosis{Causes: []CauseView{{ID: "a", Confirmed: true}, {ID: "b"}}, Explanations: []Explanation{{[]string{"a"}, .6}, {[]string{"a", "b"}, .3}, {[]string{"a", "b", "c"}, .05}}}, nil,
			[]string{"These 3 explanations cover 95 % of what is possible beside what is confirmed: nothing more (60 %), “b” (30 %) and “b” with “c” (5 %)."},
		},
		"outside the library": {
			Diagnosis{Unmodelled: .41}, nil,
			[]string{"With 41 % something is at work that the fault library does not know: ask somebody who knows this board, and write down what it was."},
		},
		"no fault found": {
			Diagnosis{NoFault: .81}, nil,
			[]string{"Most probably (81 %) nothing is wrong that the fault library knows: try to reproduce the complaint before you go on."},
		},
		"left out": {
			Diagnosis{Truncation: .034}, []string{"“A”", "“B”"},
			[]string{"There are too many abnormal findings for one exact calculation. Left out: “A” and “B”; a probability may be off by up to 3 %."},
		},
	} {
		t.Run(title, func(t *testing.T) {
			t.Parallel()
			if got := wholeText(&tt.d, name, tt.dropped); strings.Join(got, "\n") != strings.Join(tt.want, "\n") {
				t.Errorf("reads\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(tt.want, "\n"))
			}
		})
	}
}

func TestConflictSentences(t *testing.T) {
	t.Parallel()
	title := func(finding string) string { return "the " + finding[2:] }
	a := odd{id: newID(), name: "“A: high”", measurement: "a", bits: 5, support: .004}
	b := odd{id: newID(), name: "“B: low”", measurement: "b", bits: 3, support: .02}
	s := odd{id: newID(), name: "“S”", symptom: "s", bits: 2, support: .009}
	for name, tt := range map[string]struct {
		bits  float64
		list  []odd
		again int
		want  string
	}{
		"strong, two to take again": {4.24, []odd{a, b, s}, 2,
			"“A: high”, “B: low” and “S” contradict each other (4.2 bits). Either one of them is wrong, or the board has more than one fault. Take again: “the a” and “the s”; the other observations leave each less than 1 in 100."},
		"strong, one": {3.1, []odd{a}, 1,
			"“A: high” contradicts the other observations (3.1 bits). Either it is wrong, or the board has more than one fault. Take again: “the a”; the other observations leave it less than 1 in 100."},
		"flagged": {0.8, []odd{b}, 0, "“B: low” does not go well with the other observations (0.8 bits)."},
		"flagged, two": {3, []odd{b, {id: newID(), name: "“C”", measurement: "c", bits: 1, support: .3}}, 0,
			"“B: low” and “C” do not go well together (3.0 bits). Either one of them is wrong, or the board has more than one fault."},
		"none in particular": {0.3, nil, 0,
			"The observations go together less well than if they had nothing to do with each other (0.3 bits), no single one more than the others."},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := conflictOf(tt.bits, tt.list, title)
			if got.Text != tt.want || got.Strong != (tt.bits > 3) || len(got.Again) != tt.again || len(got.Observations) != len(tt.list) {
				t.Errorf("reads %q (%+v)\nwant  %q", got.Text, got, tt.want)
			}
		})
	}
}
