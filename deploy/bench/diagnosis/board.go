package main

import (
	"maps"
	"math/rand/v2"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

const (
	misreadShare = 0.02 // of the readings, a level at random is written down
	deniedShare  = 0.3  // of the absent symptoms of the complaint's groups is asked for
	mostReported = 6    // symptoms that a complaint names at most
	historyGroup = "history"
)

// stopSymptoms end guided diagnosis before it begins; boards with them, or that
// the intake gate stops, are not drawn.
func (n *numbers) stops(finding string) bool {
	s, _ := faultlib.FindingOf(finding)
	if s == "" {
		return false
	}
	return slices.ContainsFunc(n.lib.Gates, func(g faultlib.Gate) bool { return g.Symptom == s })
}

// board is one board with all chance drawn beforehand, so that every policy meets
// the same: what each of its faults and the leak alone show at each finding, and
// what is written down where a reading is misread.
type board struct {
	faults   []int
	own      map[int][]int // by fault, by finding: the level it alone shows
	leak     []int
	misread  []int // by finding: the level written down, or -1
	reported []diagnosis.Observation
	gate     []diagnosis.Observation

	roots     []string // those that are true
	shown     []int    // by finding: the level that the roots show; nil without roots
	exposures []string // told at intake
}

// level is what a finding shows with these faults left.
func (b *board) level(finding int, left []int) int {
	return max(b.leak[finding], b.fresh(finding, left))
}

// fresh is what a careful second look shows, without false alarms: these faults,
// and what the roots show, which stays.
func (b *board) fresh(finding int, left []int) int {
	x := b.faulty(finding, left)
	if b.shown != nil {
		x = max(x, b.shown[finding])
	}
	return x
}

// faulty is what these faults show.
func (b *board) faulty(finding int, left []int) int {
	x := 0
	for _, i := range left {
		x = max(x, b.own[i][finding])
	}
	return x
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// draw makes board k: one fault in 80 %, two in 17 %, three in 3 %.
func (w *workshop) draw(seed uint64, k int) *board { return w.drawWith(seed, k, nil) }

func (w *workshop) drawWith(seed uint64, k int, faults []int) *board {
	r := rand.New(rand.NewPCG(seed, uint64(k)))
	for {
		st, given := w.numbers.drawState(r, faults)
		if b := w.drawBoard(r, given, st); b != nil {
			return b
		}
	}
}

func drawCount(r *rand.Rand) int {
	u := r.Float64()
	switch {
	case u > 0.97:
		return 3
	case u > 0.8:
		return 2
	}
	return 1
}

func (n *numbers) drawFaults(r *rand.Rand) []int {
	count := drawCount(r)
	sum := 0.0
	for _, p := range n.causes {
		sum += p
	}
	var faults []int
	for len(faults) < count {
		u := r.Float64() * sum
		for i, p := range n.causes {
			if u -= p; u < 0 {
				if !slices.Contains(faults, i) {
					faults = append(faults, i)
				}
				break
			}
		}
	}
	return faults
}

// drawBoard returns nil where nobody would complain or the work would stop.
func (w *workshop) drawBoard(r *rand.Rand, faults []int, st *rootState) *board {
	n := w.numbers
	b := &board{faults: faults, own: map[int][]int{}}
	for _, i := range faults {
		b.own[i] = make([]int, len(n.findings))
	}
	for j := range n.findings {
		f := &n.findings[j]
		b.leak = append(b.leak, sample(f.leak, r.Float64()))
		for _, i := range faults {
			if link := f.links[i]; link != nil {
				b.own[i][j] = sample(link, r.Float64())
			}
		}
		wrong := -1
		if r.Float64() < misreadShare {
			wrong = r.IntN(len(f.leak))
		}
		b.misread = append(b.misread, wrong)
	}
	b.drawRoots(n, r, st)
	if !b.complain(n, r) {
		return nil
	}
	for _, g := range n.lib.Gates {
		if g.Measurement == "" {
			continue
		}
		j := n.at[faultlib.MeasurementFinding(g.Measurement)]
		x := b.level(j, faults)
		m := n.lib.Measurement(g.Measurement)
		for k, o := range m.Outcomes {
			if m.LevelOf[k] == x && x > 0 && slices.Contains(g.StopOn, o.ID) {
				return nil
			}
		}
		b.gate = append(b.gate, observation(n.findings[j].id, x))
	}
	return b
}

// complain reports the symptoms that are present and denies a share of those
// absent of the same groups.
func (b *board) complain(n *numbers, r *rand.Rand) bool {
	groups, caused := map[string]bool{}, false
	for j := range n.findings {
		f := &n.findings[j]
		if !f.symptom || b.level(j, b.faults) == 0 {
			continue
		}
		if n.stops(f.id) {
			return false
		}
		if len(b.reported) < mostReported {
			b.reported = append(b.reported, observation(f.id, 1))
			groups[f.group] = true
			caused = caused || f.group != historyGroup && b.leak[j] == 0 && b.faulty(j, b.faults) > 0
		}
	}
	for j := range n.findings {
		f := &n.findings[j]
		if f.symptom && groups[f.group] && b.level(j, b.faults) == 0 && r.Float64() < deniedShare {
			b.reported = append(b.reported, observation(f.id, 0))
		}
	}
	return caused
}

// isSymptom reports whether a finding is a symptom.
func isSymptom(finding string) bool { return strings.HasPrefix(finding, "s:") }
