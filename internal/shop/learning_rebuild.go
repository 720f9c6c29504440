package shop

import (
	"context"
	"math"

	"nextprobe/internal/learning"
)

// LearningRebuild is what came of adding up the lessons anew.
type LearningRebuild struct {
	Lessons int // that teach
	Moved   int // numbers that came out otherwise than the sums had them
}

// rebuildRounding is a difference of a number that only another order of adding
// makes.
const rebuildRounding = 1e-9

// RebuildLearning makes the totals anew from the lessons, as a check of the sums
// and a remedy should they ever be doubted. Where every number comes out as it was
// the sums stay as they are, to the last digit, so that no job begun later differs.
// Decisions stay in any case.
func (s *Service) RebuildLearning(ctx context.Context, a Actor) (LearningRebuild, error) {
	if err := a.may(mayLearn); err != nil {
		return LearningRebuild{}, err
	}
	ed, err := s.current(ctx, a.ShopID)
	if err != nil {
		return LearningRebuild{}, err
	}
	var out LearningRebuild
	err = s.changeLearning(ctx, a, func(f *LearningFile, c *LearningChange) error {
		lessons, err := s.store.Lessons(ctx, a.ShopID, 0)
		if err != nil {
			return err
		}
		before, sums := numbersOf(ed.lib, f), f.Totals
		f.Totals, out = learning.Totals{}, LearningRebuild{}
		for i := len(lessons) - 1; i >= 0; i-- { // The oldest first.
			if lessons[i].Verdict == Taught {
				f.Totals.Add(daysOf(lessons[i].On), lessons[i].Body)
				out.Lessons++
			}
		}
		for i, n := range numbersOf(ed.lib, f) {
			if differ(&before[i], &n) {
				out.Moved++
			}
		}
		if out.Moved == 0 && out.Lessons == sums.Jobs {
			f.Totals = sums
		}
		e := s.audit(a, "learning.rebuild", "shop", a.ShopID, map[string]any{"lessons": out.Lessons, "moved": out.Moved})
		c.Audit = &e
		return nil
	})
	return out, err
}

// differ reports whether a number came out otherwise by more than rounding.
func differ(x, y *learning.Number) bool {
	if math.Abs(x.Jobs-y.Jobs) > rebuildRounding {
		return true
	}
	for z := range x.Levels {
		if math.Abs(x.Levels[z].Learned-y.Levels[z].Learned) > rebuildRounding {
			return true
		}
	}
	return false
}
