package reliability

import (
	"math"
	"math/rand/v2"
	"testing"
)

// manyRows makes a million lives in two groups with a third censored, to the tenth
// of an hour; late gives half of them an entry.
func manyRows(late bool) (c Columns, group []int) {
	const n = 1_000_000
	r := rand.New(rand.NewPCG(1, 2))
	for len(c.Time) < n {
		g := r.IntN(2)
		time := 1000 * (1 + .02*float64(g)) * math.Pow(r.ExpFloat64(), 1/1.5)
		end, entry := 2000*r.Float64(), 0.0
		if late && r.IntN(2) == 0 {
			entry = 500 * r.Float64()
		}
		event := 1
		if end < time {
			time, event = end, 0
		}
		if time = math.Ceil(time*10) / 10; time <= entry {
			continue
		}
		c.Time, c.Event, c.Entry, group = append(c.Time, time), append(c.Event, event), append(c.Entry, entry), append(group, g)
	}
	return c, group
}

func BenchmarkLife(b *testing.B) {
	for _, kind := range []struct {
		name string
		late bool
	}{{"from new", false}, {"left truncated", true}} {
		c, group := manyRows(kind.late)
		lives := mustLives(b, c, group, 2)
		for _, step := range []struct {
			name string
			do   func() error
		}{
			{"order", func() error { _, err := NewLives(c, group, 2); return err }},
			{"Kaplan-Meier", func() error { _, err := lives[0].KaplanMeier(.95); return err }},
			{"Nelson-Aalen", func() error { _, err := lives[0].NelsonAalen(.95); return err }},
			{"Aalen-Johansen", func() error { _, err := lives[0].AalenJohansen(.95); return err }},
			{"Weibull", func() error { _, err := lives[0].Weibull(.95); return err }},
			{"log-rank", func() error { _, err := CompareLives(lives, LogRankOptions{}); return err }},
		} {
			b.Run(kind.name+"/"+step.name, func(b *testing.B) {
				for b.Loop() {
					if err := step.do(); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
