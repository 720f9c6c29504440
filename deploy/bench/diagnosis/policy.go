package main

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"nextprobe/internal/diagnosis"
)

// step is what a policy does next: measure, repair, or neither.
type step struct{ finding, cause string }

// policy is one way of working off a board.
type policy struct {
	name string
	next func(j *job) (step, error)
}

const (
	confident = 0.9  // the baselines repair beyond this belief
	leastBits = 0.05 // and measure while something tells at least so much
	mostTests = 20   // and not more often than this
)

func policies() []policy {
	return []policy{
		{"shipped: expected loss", engine(diagnosis.ByLoss)},
		{"shipped, doubtful readings taken again", again(diagnosis.ByLoss)},
		{"shipped, with a second step between the best two boxes", again(diagnosis.ByTwoSteps)},
		{"other: expected cost of repair", engine(diagnosis.ByRepairCost)},
		{"information per minute, access counted", baseline(byMinutes(true))},
		{"information per minute, access not counted", baseline(byMinutes(false))},
		{"cheapest first", baseline(cheapest)},
		{"fixed checklist by prior", baseline(listed)},
		{"random", baseline(random)},
		{"oracle: knows the faults", oracle},
	}
}

// again follows the engine where it is told which readings were taken once.
func again(rule diagnosis.Policy) func(j *job) (step, error) {
	return func(j *job) (step, error) { return j.ask(rule, j.once) }
}

func engine(rule diagnosis.Policy) func(j *job) (step, error) {
	return func(j *job) (step, error) { return j.ask(rule, nil) }
}

func (j *job) ask(rule diagnosis.Policy, once []string) (step, error) {
	adv, err := j.model.AdviseBy(j.ev, j.w.eco, diagnosis.State{Open: j.open, Once: once}, rule)
	if err != nil {
		return step{}, err
	}
	if adv.Kind == diagnosis.AdviseMeasure {
		j.told("advice: %s, gain %.0f for %.0f", adv.Reason.Code, adv.Reason.Gain, adv.Reason.Cost)
	} else {
		j.told("advice: %s %s %.2f", adv.Kind, adv.Reason.Code, adv.Reason.Probability)
	}
	return step{adv.Finding, adv.Cause}, nil
}

// oracle repairs the faults at once: what no policy can go below.
func oracle(j *job) (step, error) { return step{cause: j.w.numbers.ids[j.left[0]]}, nil }

// option is a measurement that a baseline may take.
type option struct {
	finding         string
	minutes, access float64
	bits            float64
}

// baseline believes in one fault at a time, as the usual textbook rule does, and
// measures what choose picks until it is sure enough or nothing tells anything.
func baseline(choose func(j *job, list []option) int) func(j *job) (step, error) {
	return func(j *job) (step, error) {
		belief := j.single()
		best := 0
		for i := range belief {
			if belief[i] > belief[best] {
				best = i
			}
		}
		if belief[best] <= confident && j.result.tests < mostTests {
			if list := j.optionsOf(belief); len(list) > 0 {
				return step{finding: list[choose(j, list)].finding}, nil
			}
		}
		// The unmodelled cause has no repair; the next one that was not tried has.
		best = -1
		for i, id := range j.w.believed.ids {
			if !j.tried[id] && (best < 0 || belief[i] > belief[best]) {
				best = i
			}
		}
		if best < 0 || j.result.repairs >= 12 {
			return step{}, nil
		}
		return step{cause: j.w.believed.ids[best]}, nil
	}
}

// single is the posterior under exactly one fault, the unmodelled one last.
func (j *job) single() []float64 {
	n := j.w.believed
	logs := make([]float64, len(n.causes)+1)
	top := math.Inf(-1)
	for i := range logs {
		logs[i] = math.Inf(-1)
		if i == len(n.causes) || !j.tried[n.ids[i]] {
			logs[i] = j.alone(i)
		}
		top = math.Max(top, logs[i])
	}
	sum := 0.0
	for i := range logs {
		logs[i] = math.Exp(logs[i] - top)
		sum += logs[i]
	}
	for i := range logs {
		logs[i] /= sum
	}
	return logs
}

// optionsOf lists what still tells something, in the library's order.
func (j *job) optionsOf(belief []float64) []option {
	n := j.w.believed
	var out []option
	var row []float64
	for k := range j.w.eco.Actions {
		a := &j.w.eco.Actions[k]
		if slices.ContainsFunc(j.ev, func(o diagnosis.Observation) bool { return o.Finding == a.Finding }) {
			continue
		}
		f := &n.findings[n.at[a.Finding]]
		total := make([]float64, len(f.leak))
		within := 0.0
		for i, p := range belief {
			row = f.alone(i, len(n.causes), row)
			for x, v := range row {
				total[x] += p * v
				within += p * plogp(v)
			}
		}
		bits := within
		for _, v := range total {
			bits -= plogp(v)
		}
		if bits >= leastBits || j.p.name == "fixed checklist by prior" {
			out = append(out, option{a.Finding, a.Minutes, j.missing(a.Access), bits})
		}
	}
	return out
}

func plogp(p float64) float64 {
	if p <= 0 {
		return 0
	}
	return p * math.Log2(p)
}

// missing is reach without doing it.
func (j *job) missing(access string) float64 {
	trial := &job{w: j.w, open: slices.Clone(j.open), boxes: map[string]bool{}}
	return trial.reach(access)
}

func byMinutes(access bool) func(j *job, list []option) int {
	return func(_ *job, list []option) int {
		return argmax(list, func(o option) float64 {
			if access {
				return o.bits / math.Max(o.minutes+o.access, 0.25)
			}
			return o.bits / math.Max(o.minutes, 0.25)
		})
	}
}

func cheapest(_ *job, list []option) int {
	return argmax(list, func(o option) float64 { return -o.minutes - o.access })
}

func random(j *job, list []option) int {
	return rand.New(rand.NewPCG(uint64(j.result.tests), uint64(len(j.ev)*1000+j.b.faults[0]))).IntN(len(list))
}

func listed(j *job, list []option) int {
	for _, finding := range j.w.checklist {
		if k := slices.IndexFunc(list, func(o option) bool { return o.finding == finding }); k >= 0 {
			return k
		}
	}
	return 0
}

func argmax(list []option, score func(option) float64) int {
	best := 0
	for k := range list {
		if score(list[k]) > score(list[best]) {
			best = k
		}
	}
	return best
}

// fixedList orders the measurements by the share of all faults that they show.
func (w *workshop) fixedList() []string {
	type entry struct {
		finding string
		shown   float64
	}
	var list []entry
	for _, a := range w.eco.Actions {
		f := &w.believed.findings[w.believed.at[a.Finding]]
		e := entry{finding: a.Finding}
		for i, p := range w.believed.causes {
			if link := f.links[i]; link != nil {
				e.shown += p * (1 - link[0])
			}
		}
		list = append(list, e)
	}
	slices.SortStableFunc(list, func(a, b entry) int { return cmp.Compare(b.shown, a.shown) })
	out := make([]string, len(list))
	for k, e := range list {
		out[k] = e.finding
	}
	return out
}
