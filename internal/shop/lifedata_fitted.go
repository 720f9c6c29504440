package shop

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nextprobe/internal/reliability"
)

// Fitting is a connector or a part while it was fitted to a board.
type Fitting struct {
	Item                  string // of the connector or the installation
	Article, Serial, Name string // of a part; Serial is "" where it has none
	BoardID               ID
	BoardSerial           string
	At                    time.Time
	Removed               *time.Time // nil while it is fitted
	Watched               []Span     // under observation, in order of time; none on boards outside a filter
	Failed                *FittingFailure
}

// Span is a stretch of time, its end included.
type Span struct{ Starts, Ends time.Time }

// FittingFailure is the first failure that names what was fitted, dated by the opening
// of its job.
type FittingFailure struct {
	At        time.Time
	Mode      string
	JobID     ID
	JobNumber int
}

// piece is one thing that was fitted, on one board after another.
type piece struct {
	fittings      []Fitting // by time
	contradiction string
}

// piecesOf puts the installations of a serial together. Where two of them overlap, the
// record contradicts itself, and each is a piece of its own.
func piecesOf(fittings []Fitting) []piece {
	sorted := slices.Clone(fittings)
	slices.SortStableFunc(sorted, func(a, b Fitting) int { return a.At.Compare(b.At) })
	at := map[string]int{}
	var whole []piece
	for _, f := range sorted {
		key := f.Article + "\x00" + strings.ToLower(f.Serial)
		if i, ok := at[key]; ok && f.Serial != "" {
			whole[i].fittings = append(whole[i].fittings, f)
			continue
		}
		at[key] = len(whole)
		whole = append(whole, piece{fittings: []Fitting{f}})
	}
	var out []piece
	for _, p := range whole {
		said := p.overlap()
		if said == "" {
			out = append(out, p)
			continue
		}
		for _, f := range p.fittings {
			out = append(out, piece{fittings: []Fitting{f}, contradiction: said})
		}
	}
	return out
}

// overlap says where a piece would have been in two places at one time.
func (p piece) overlap() string {
	for i, f := range p.fittings {
		for _, next := range p.fittings[i+1:] {
			if f.Removed != nil && !next.At.Before(*f.Removed) {
				continue
			}
			until := "not taken off"
			if f.Removed != nil {
				until = "until " + f.Removed.UTC().Format(time.DateOnly)
			}
			return fmt.Sprintf("Serial %s is recorded in board %s from %s, %s, and in board %s from %s: it can be in one place only. Each of its installations is counted as a piece of its own.",
				f.Serial, f.BoardSerial, f.At.UTC().Format(time.DateOnly), until, next.BoardSerial, next.At.UTC().Format(time.DateOnly))
		}
	}
	return ""
}

// PieceStay is the time of a piece on one board.
type PieceStay struct {
	BoardID     ID
	BoardSerial string
	From        time.Time
	To          *time.Time // nil while it is there
	Age         float64    // what it aged there, until its first failure, in the unit of the ages
}

// PieceHistory is a piece with a serial that was on more than one board, or is recorded
// on two at once.
type PieceHistory struct {
	Name, Serial  string
	Stays         []PieceStay
	Failed        *FittingFailure // its first failure
	Contradiction string          // "" where the record is consistent
	Sentence      string
}

// fittedLives are the lives of what was fitted.
type fittedLives struct {
	columns reliability.Columns // Event is 1 + the index of the mode
	pieces  int                 // with any exposure
	modes   []string            // in the order of their names
	moved   []PieceHistory
}

// livesOfFitted is life data from the first day of each piece to its first failure. A
// piece that nobody saw for a while has a row for each stretch under observation.
func livesOfFitted(fittings []Fitting, a ages, unit string) fittedLives {
	var out fittedLives
	for _, f := range fittings {
		if f.Failed == nil {
			continue
		}
		if at, ok := slices.BinarySearch(out.modes, f.Failed.Mode); !ok {
			out.modes = slices.Insert(out.modes, at, f.Failed.Mode)
		}
	}
	named := map[string]bool{}
	for _, p := range piecesOf(fittings) {
		if out.follow(p, a) {
			out.pieces++
		}
		switch first := p.fittings[0]; {
		case p.contradiction != "" && !named[p.contradiction]:
			named[p.contradiction] = true
			out.moved = append(out.moved, PieceHistory{Name: first.Name, Serial: first.Serial, Contradiction: p.contradiction, Sentence: p.contradiction})
		case len(p.fittings) > 1:
			out.moved = append(out.moved, historyOf(p, a, unit))
		}
	}
	return out
}

// follow adds the stretches in which a piece was seen until its first failure, and
// reports whether there were any.
func (l *fittedLives) follow(p piece, a ages) bool {
	before, seen := 0.0, false
	for _, f := range p.fittings {
		for _, w := range f.Watched {
			if f.Failed != nil && !f.Failed.At.After(w.Starts) {
				return seen
			}
			end, event := w.Ends, 0
			if f.Failed != nil && !f.Failed.At.After(w.Ends) {
				mode, _ := slices.BinarySearch(l.modes, f.Failed.Mode)
				end, event = f.Failed.At, 1+mode
			}
			if l.add(seen, before+max(0, a.at(f.BoardID, f.At, w.Starts)), before+a.at(f.BoardID, f.At, end), event) {
				seen = true
			}
			if event > 0 {
				return seen
			}
		}
		if f.Failed != nil {
			return seen
		}
		if f.Removed != nil {
			before += max(0, a.at(f.BoardID, f.At, *f.Removed))
		}
	}
	return seen
}

// add appends a stretch, or lengthens the one before it of the same piece that ended at
// that age. It reports whether there was any exposure.
func (l *fittedLives) add(goesOn bool, entry, exit float64, event int) bool {
	const together = 1e-9
	c := &l.columns
	if !(exit > entry) {
		return false
	}
	if n := len(c.Time); goesOn && math.Abs(c.Time[n-1]-entry) <= together*math.Max(1, entry) {
		c.Time[n-1], c.Event[n-1] = exit, event
		return true
	}
	c.Time, c.Entry, c.Event = append(c.Time, exit), append(c.Entry, entry), append(c.Event, event)
	return true
}

func historyOf(p piece, a ages, unit string) PieceHistory {
	first := p.fittings[0]
	h := PieceHistory{Name: first.Name, Serial: first.Serial}
	name := map[string]string{"d": "days", "km": "km"}[unit]
	var said []string
	for _, f := range p.fittings {
		until := f.At
		switch {
		case f.Failed != nil && h.Failed == nil:
			until = f.Failed.At
		case f.Removed != nil:
			until = *f.Removed
		case len(f.Watched) > 0:
			until = f.Watched[len(f.Watched)-1].Ends
		}
		age := max(0, a.at(f.BoardID, f.At, until))
		h.Stays = append(h.Stays, PieceStay{BoardID: f.BoardID, BoardSerial: f.BoardSerial, From: f.At, To: f.Removed, Age: age})
		words := fmt.Sprintf("board %s %s %s", f.BoardSerial, digits(age), name)
		if f.Failed != nil && h.Failed == nil {
			h.Failed = f.Failed
			words += ", failed"
		}
		said = append(said, words)
	}
	h.Sentence = fmt.Sprintf("Serial %s: %s", first.Serial, strings.Join(said, ", "))
	if h.Failed == nil {
		h.Sentence += ", no failure"
	}
	h.Sentence += "."
	return h
}
