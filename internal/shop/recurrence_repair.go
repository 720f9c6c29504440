package shop

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/reliability"
)

// studyRepairs computes how long each way of repairing lasted.
func (l *RecurrenceLife) studyRepairs(in repairLives) error {
	var lives []*reliability.Life
	for i, action := range in.actions {
		if len(in.rows[i]) == 0 {
			continue
		}
		life, err := reliability.NewLife(in.columns[i])
		if err != nil {
			return err
		}
		s, err := survivalOf(repairWords(action), life, life.N(), l.AgeUnit)
		if err != nil {
			return err
		}
		s.Lives, s.Longest = in.rows[i], slices.Max(in.columns[i].Time)
		lives = append(lives, life)
		l.Repairs = append(l.Repairs, s)
	}
	for _, rows := range in.rows {
		for _, r := range rows {
			if r.Comeback != nil && r.Action != otherRepairs {
				l.Comebacks = append(l.Comebacks, r)
			}
		}
	}
	if in.unseen > 0 {
		l.RepairsNote = fmt.Sprintf("%s not followed: nothing is known of the board after it in this time.",
			plural(in.unseen, "repair was", "repairs were"))
	}
	if len(lives) < 2 {
		return nil
	}
	var err error
	l.LogRank, err = compareLives("repairs", l.Repairs, lives)
	return err
}

// studyFirst computes how long what was fitted lasted until its first failure.
func (l *RecurrenceLife) studyFirst(in fittedLives) error {
	l.Moved = in.moved
	life, err := reliability.NewLife(in.columns)
	if err != nil || life.N() == 0 {
		return err
	}
	s, err := survivalOf(pieceWords("from fitting to the first failure"), life, in.pieces, l.AgeUnit)
	if err != nil {
		return err
	}
	s.Longest = slices.Max(in.columns.Time)
	l.First = &s
	s.Modes, err = sharesByMode(life, in.modes)
	return err
}

// sharesByMode is the cumulative incidence of each mode; nil where nothing failed, or
// all in one mode, which the survival says already.
func sharesByMode(life *reliability.Life, modes []string) ([]ModeShare, error) {
	f, err := life.AalenJohansen(confidence)
	if err != nil {
		return nil, err
	}
	var out []ModeShare
	for _, m := range f.Modes {
		if m.Failures == 0 {
			continue
		}
		share := ModeShare{Mode: modes[m.Mode-1], Failures: m.Failures}
		before := 0.0
		for i, t := range f.Time {
			if m.Incidence[i] > before {
				before = m.Incidence[i]
				share.Share = boundsOf(reliability.Estimate{Value: m.Incidence[i], Lower: m.Lower[i], Upper: m.Upper[i]})
				share.Steps = append(share.Steps, SurvivalStep{Age: t, Survival: share.Share})
			}
		}
		out = append(out, share)
	}
	if len(out) < 2 {
		return nil, nil
	}
	return out, nil
}

// lifeWords are what a life and its end are called.
type lifeWords struct{ of, life, lives, end, ends, ended string }

func repairWords(of string) lifeWords {
	return lifeWords{of, "repair", "repairs", "comeback", "comebacks", "were back"}
}

func pieceWords(of string) lifeWords {
	return lifeWords{of, "piece", "pieces", "failure", "failures", "had failed"}
}

// survivalOf studies the lives of so many pieces or repairs.
func survivalOf(w lifeWords, life *reliability.Life, pieces int, unit string) (RepairSurvival, error) {
	s := RepairSurvival{Action: w.of, Repairs: pieces, Comebacks: life.Failures(), Exposure: life.Exposure()}
	curve, err := life.KaplanMeier(confidence)
	if err != nil {
		return s, err
	}
	for i, t := range curve.Time {
		s.Steps = append(s.Steps, SurvivalStep{t, curve.AtRisk[i], curve.Failed[i],
			boundsOf(reliability.Estimate{Value: curve.Survival[i], Lower: curve.Lower[i], Upper: curve.Upper[i]})})
	}
	median, err := curve.Quantile(0.5)
	if err != nil {
		return s, err
	}
	s.Median = boundsOf(median)
	if life.Failures() >= weibullFailures {
		fit, err := life.Weibull(confidence)
		if err != nil {
			return s, err
		}
		s.Shape, s.B10 = boundsOf(fit.Shape), boundsOf(fit.B10)
	}
	s.Sentence = survivalSentence(s, w, unit)
	return s, nil
}

func survivalSentence(s RepairSurvival, w lifeWords, unit string) string {
	said := fmt.Sprintf("%s: %s, %s", upperFirst(s.Action), plural(s.Repairs, w.life, w.lives), plural(s.Comebacks, w.end, w.ends))
	name := map[string]string{"d": "days", "km": "km"}[unit]
	switch {
	case s.Exposure < 1:
		return said + ", followed for less than a " + strings.TrimSuffix(name, "s") + " in all, which says nothing yet."
	case s.Comebacks == 0:
		// The chance of no comeback in the exposure, at a constant rate, is 5 % at this
		// mean life: the one-sided bound T/-ln 0.05 (NIST/SEMATECH e-Handbook, 8.4.5.1).
		said += fmt.Sprintf(" in %s %s followed; at a constant rate the mean life is above %s %s with 95 %% confidence",
			digits(s.Exposure), name, digits(s.Exposure/-math.Log(0.05)), name)
	case s.Median.Value != nil:
		said += fmt.Sprintf("; half %s within %s %s", w.ended, digits(*s.Median.Value), name)
		if s.Median.Lower != nil || s.Median.Upper != nil {
			said += fmt.Sprintf(" (95 %% bounds %s to %s)", orNone(s.Median.Lower), orNone(s.Median.Upper))
		}
	default:
		last := s.Steps[len(s.Steps)-1]
		said += fmt.Sprintf("; %s still held after %s %s", share(last.Survival), digits(last.Age), name)
	}
	if s.B10.Value != nil {
		said += fmt.Sprintf("; one in ten by %s %s (Weibull, %s to %s)", digits(*s.B10.Value), name, orNone(s.B10.Lower), orNone(s.B10.Upper))
	}
	if s.Comebacks < fewFailures {
		said += "; few data, wide bounds"
	}
	return said + "."
}

func orNone(x *float64) string {
	if x == nil {
		return "not known"
	}
	return digits(*x)
}

func share(b Bounds) string {
	if b.Value == nil {
		return "an unknown share"
	}
	said := fmt.Sprintf("%.0f %%", *b.Value*100)
	if b.Lower != nil && b.Upper != nil {
		said += fmt.Sprintf(" (%.0f to %.0f %%)", *b.Lower*100, *b.Upper*100)
	}
	return said
}

// permutationSeed is fixed, so that the same log always gives the same p.
const permutationSeed = 1

// compareLives tests whether lives differ; things is what they are the lives of.
func compareLives(things string, rows []RepairSurvival, lives []*reliability.Life) (*RepairComparison, error) {
	t, err := reliability.CompareLives(lives, reliability.LogRankOptions{Seed: permutationSeed})
	if err != nil {
		return nil, err
	}
	c := &RepairComparison{Chi2: known(t.Chi2), DF: t.DF, P: known(t.P), PKind: "log-rank test, chi-square"}
	if t.Permutation != nil {
		c.P, c.PKind = known(t.Permutation.P), fmt.Sprintf("log-rank test, %d random arrangements", t.Permutation.Count)
		if t.Permutation.Exact {
			c.PKind = fmt.Sprintf("log-rank test, all %d arrangements", t.Permutation.Count)
		}
	}
	if c.P == nil {
		c.Sentence = strings.TrimSpace("The " + things + " cannot be compared. " + t.Note)
		return c, nil
	}
	if *c.P >= 1-confidence {
		c.Sentence = fmt.Sprintf("The %s cannot be told apart (%s, %s): the difference may be chance.", things, c.PKind, pText(*c.P))
		return c, nil
	}
	best, worst := 0, 0
	ratio := func(i int) float64 { return t.Observed[i] / t.Expected[i] }
	for i := range rows {
		if !(t.Expected[i] > 0) {
			continue
		}
		if !(ratio(best) <= ratio(i)) {
			best = i
		}
		if !(ratio(worst) >= ratio(i)) {
			worst = i
		}
	}
	c.Sentence = fmt.Sprintf("The %s differ (%s, %s): %q lasts best, %q worst.", things, c.PKind, pText(*c.P), rows[best].Action, rows[worst].Action)
	return c, nil
}
