// Command engine times the diagnosis engine alone, on one core: one full step
// (posterior, ranking of all measurements, weights of evidence, explanations,
// conflict) on the shipped library and on a synthetic one, by the number of
// abnormal findings; the ratio to the plain algorithm, which runs the inference
// anew for every measurement and level; and the growth over the number of
// causes. It prints Markdown tables, and with -plot draws them as SVG. Times are
// processor times of the process, garbage collection included: what else the
// machine does counts as little as possible.
package main

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"syscall"
	"time"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// abnormal are the numbers of abnormal findings that are timed, causes the sizes
// of the synthetic library.
var (
	abnormal = []int{2, 4, 6, 8, 10, 12, 16}
	causes   = []int{50, 100, 200, 400}
)

// fixedAbnormal is the number of abnormal findings while the library grows.
const fixedAbnormal = 8

// subject is a library under test: evidence draws the n-th case with k abnormal
// findings.
type subject struct {
	model    *diagnosis.Model
	eco      *diagnosis.Economy
	evidence func(k, n int) []diagnosis.Observation
}

func main() {
	plot := flag.String("plot", "", "file to draw the growth into, as SVG")
	rounds := flag.Int("rounds", 60, "cases per row, each timed once after a warm-up")
	flag.Parse()
	runtime.GOMAXPROCS(1)
	if err := run(*rounds, *plot); err != nil {
		fmt.Fprintln(os.Stderr, "engine:", err)
		os.Exit(1)
	}
}

func run(rounds int, plot string) error {
	lib, issues := faultlib.Load(faultlib.Embedded())
	if lib == nil {
		return fmt.Errorf("the shipped library does not load: %v", issues[0])
	}
	shipped, err := shippedSubject(lib)
	if err != nil {
		return err
	}
	large, err := syntheticSubject(150, 60, 200)
	if err != nil {
		return err
	}
	fmt.Println("| abnormal findings | shipped library, p50 | p95 | synthetic library, p50 | p95 | plain algorithm by ours |")
	fmt.Println("|---|---|---|---|---|---|")
	var lines [2]line
	lines[0].name, lines[1].name = "shipped library", "synthetic library (150 causes, 200 measurements)"
	for _, k := range abnormal {
		row := fmt.Sprintf("| %d ", k)
		for i, s := range []*subject{shipped, large} {
			took, err := s.steps(k, rounds)
			if err != nil {
				return err
			}
			p50, p95 := took[len(took)/2], took[len(took)*95/100]
			row += fmt.Sprintf("| %s | %s ", milliseconds(p50), milliseconds(p95))
			lines[i].add(float64(k), p50)
		}
		ratio, err := large.plainRatio(k)
		if err != nil {
			return err
		}
		fmt.Printf("%s| %.0f |\n", row, ratio)
	}
	growth, err := grow(rounds)
	if err != nil || plot == "" {
		return err
	}
	return os.WriteFile(plot, draw(lines[:], growth), 0o644) //nolint:gosec // A picture for everybody.
}

// grow times a step on synthetic libraries of growing size.
func grow(rounds int) (line, error) {
	fmt.Printf("\n| causes, with 4/3 as many measurements, %d abnormal findings | p50 | p95 |\n|---|---|---|\n", fixedAbnormal)
	l := line{name: fmt.Sprintf("synthetic libraries, %d abnormal findings", fixedAbnormal)}
	for _, n := range causes {
		s, err := syntheticSubject(n, n*2/5, n*4/3)
		if err != nil {
			return l, err
		}
		took, err := s.steps(fixedAbnormal, rounds)
		if err != nil {
			return l, err
		}
		fmt.Printf("| %d | %s | %s |\n", n, milliseconds(took[len(took)/2]), milliseconds(took[len(took)*95/100]))
		l.add(float64(n), took[len(took)/2])
	}
	return l, nil
}

// clock is the processor time used so far.
func clock() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func milliseconds(d time.Duration) string { return fmt.Sprintf("%.2f ms", d.Seconds()*1000) }

// steps returns the times of one full step on that many cases, sorted.
func (s *subject) steps(k, rounds int) ([]time.Duration, error) {
	took := make([]time.Duration, 0, rounds)
	for n := range rounds + 1 {
		ev := s.evidence(k, n)
		began := clock()
		if err := s.step(ev); err != nil {
			return nil, err
		}
		if n > 0 {
			took = append(took, clock()-began)
		}
	}
	slices.Sort(took)
	return took, nil
}

func (s *subject) step(ev []diagnosis.Observation) error {
	if _, err := s.model.Advise(ev, s.eco, diagnosis.State{}); err != nil {
		return err
	}
	if _, _, err := s.model.Explanations(ev, diagnosis.ExplainOptions{Limit: 12}); err != nil {
		return err
	}
	if _, err := s.model.Weights(ev); err != nil {
		return err
	}
	_, err := s.model.Conflict(ev)
	return err
}

// plainRatio compares the ranking of all measurements with the plain algorithm:
// the inference anew with each level of each measurement as evidence.
func (s *subject) plainRatio(k int) (float64, error) {
	const turns = 3
	var ours, plain []time.Duration
	for n := range turns {
		ev := s.evidence(k, n)
		seen := map[string]bool{}
		for _, o := range ev {
			seen[o.Finding] = true
		}
		began := clock()
		adv, err := s.model.Advise(ev, s.eco, diagnosis.State{})
		if err != nil {
			return 0, err
		}
		ours = append(ours, clock()-began)
		began = clock()
		for _, c := range adv.Candidates {
			for x := range c.Outcomes {
				if _, err := s.model.Infer(append(ev[:len(ev):len(ev)], diagnosis.Observation{Finding: c.Finding, Level: x})); err != nil {
					return 0, err
				}
			}
		}
		plain = append(plain, clock()-began)
	}
	slices.Sort(ours)
	slices.Sort(plain)
	return plain[turns/2].Seconds() / ours[turns/2].Seconds(), nil
}
