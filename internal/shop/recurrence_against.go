package shop

import (
	"cmp"
	"context"
	"slices"

	"nextprobe/internal/reliability"
)

// LifeComparison sets the lives of two keys side by side.
type LifeComparison struct {
	// Of says which lives: from fitting to the first failure, or after a repair until
	// the comeback.
	Of    string
	Sides []RepairSurvival  // the key's own, then the other's; without one that has none
	Test  *RepairComparison // log-rank; nil with one side only
}

// compareLivesOf adds the lives of both keys to a comparison of rates.
func (s *Service) compareLivesOf(ctx context.Context, a Actor, q RecurrenceQuery, d *RecurrenceDetail, own LifeData, distance bool) error {
	if d.Against == nil {
		return nil
	}
	other, err := s.store.LifeData(ctx, a.ShopID, q, d.Against.Key, distance)
	if err != nil {
		return err
	}
	d.Against.Lives, err = besideLives(q.Group, []lifeSide{{d.Row.Key, d.Row.Title(), own}, {d.Against.Key, d.Against.Name, other}}, distance)
	return err
}

type lifeSide struct {
	key, name string
	data      LifeData
}

// besideLives studies the lives of each side in the same way and tests them: of what
// was fitted, else after repairs.
func besideLives(group RecurrenceGroup, sides []lifeSide, distance bool) (*LifeComparison, error) {
	out := &LifeComparison{Of: "after a repair until the comeback"}
	unit := "d"
	if distance {
		unit = "km"
	}
	var lives []*reliability.Life
	for _, side := range sides {
		a := newAges(side.data.Readings, distance)
		name := cmp.Or(side.name, side.key)
		words, c, n := repairWords(name), reliability.Columns{}, 0
		if fittedGroup(group) {
			f := livesOfFitted(side.data.Fittings, a, unit)
			words, c, n = pieceWords(name), f.columns, f.pieces
			out.Of = "from fitting to the first failure"
		} else {
			c = columnsOfRepairs(side.data, a, group, side.key)
			n = len(c.Time)
		}
		if len(c.Time) == 0 {
			continue
		}
		life, err := reliability.NewLife(c)
		if err != nil {
			return nil, err
		}
		survival, err := survivalOf(words, life, n, unit)
		if err != nil {
			return nil, err
		}
		survival.Longest = slices.Max(c.Time)
		out.Sides, lives = append(out.Sides, survival), append(lives, life)
	}
	if len(lives) == 0 {
		return nil, nil
	}
	if len(lives) < 2 {
		return out, nil
	}
	var err error
	out.Test, err = compareLives("two", out.Sides, lives)
	return out, err
}

// columnsOfRepairs are the lives after repairs of a key: of the action, in a report by
// action, else after any repair.
func columnsOfRepairs(d LifeData, a ages, group RecurrenceGroup, key string) reliability.Columns {
	var all reliability.Columns
	in := livesAfterRepair(d, a)
	for i, action := range in.actions {
		if group == ByAction && action != key {
			continue
		}
		c := in.columns[i]
		all.Time, all.Entry, all.Event = append(all.Time, c.Time...), append(all.Entry, c.Entry...), append(all.Event, c.Event...)
	}
	return all
}
