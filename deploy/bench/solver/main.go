// Command solver holds the diagnosis engine against a general-purpose exact
// solver on whole networks: the fault library's model with evidence, written out
// as the definition has it in the UAI format, and toulbar2's ln P(E) and
// probabilities of the leading causes and of the roots beside the engine's. It
// ends with 1 where they differ. It is no part
// of the tests: toulbar2 must be installed (Debian: apt-get install toulbar2).
// Run it by `make check-solver`.
package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"time"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

const (
	leading   = 3    // causes whose probability is compared
	printed   = 1e-3 // the solver prints its logarithm to three digits
	tolerance = 1e-6 // of a natural logarithm
)

func main() {
	library := flag.String("library", "", "file of the fault library; the shipped one if empty")
	cases := flag.Int("cases", 12, "how many sets of evidence are compared")
	abnormal := flag.Int("abnormal", 4, "abnormal findings in each at most, with as many normal ones")
	seed := flag.Uint64("seed", 1, "seed of the evidence")
	solver := flag.String("solver", "toulbar2", "the solver's command")
	limit := flag.Duration("limit", 20*time.Second, "time for each question to the solver")
	flag.Parse()
	if err := run(*library, *solver, *cases, *abnormal, *seed, *limit); err != nil {
		fmt.Fprintln(os.Stderr, "solver:", err)
		os.Exit(1)
	}
}

func run(library, solver string, cases, abnormal int, seed uint64, limit time.Duration) error {
	path, err := exec.LookPath(solver)
	if err != nil {
		return fmt.Errorf("%w; install it (Debian: apt-get install toulbar2)", err)
	}
	text := faultlib.Embedded()
	if library != "" {
		if text, err = os.ReadFile(library); err != nil { //nolint:gosec // the person who starts the check names the file
			return err
		}
	}
	lib, issues := faultlib.Load(text)
	if lib == nil {
		return fmt.Errorf("the fault library does not load: %v", issues)
	}
	spec, err := lib.Spec(faultlib.ModelContext{})
	if err != nil {
		return err
	}
	model, err := diagnosis.New(spec)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "nextprobe-solver")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // what is left in the temporary folder harms nobody
	ask := &asker{path: path, file: filepath.Join(dir, "network.uai"), limit: limit}
	t := tally{ask: ask}
	for k := range cases {
		ev := evidence(spec, rand.New(rand.NewPCG(seed, uint64(k))), abnormal) //nolint:gosec // a fixed seed, not a secret
		err := t.compare(spec, model, ev)
		if errors.Is(err, context.DeadlineExceeded) {
			fmt.Printf("  took the solver longer than %v\n", limit)
			t.late++
			continue
		}
		if err != nil {
			return fmt.Errorf("case %d: %w", k, err)
		}
	}
	fmt.Printf("\n%d numbers in %d cases: %d agree with %s to %.0e in the logarithm. In %d cases it ran out of time.\n",
		t.compared, cases, t.agree, solver, tolerance, t.late)
	if t.agree < t.compared || t.compared < cases {
		return fmt.Errorf("%d numbers differ, %d cases ran out of time", t.compared-t.agree, t.late)
	}
	return nil
}

// tally counts what was compared.
type tally struct {
	ask             *asker
	compared, agree int
	late            int // cases that took the solver too long
}

func (t *tally) one(name string, n *network, ours float64) error {
	same, err := t.ask.agrees(n, ours)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	t.compared++
	says := "differs"
	if same {
		t.agree++
		says = "agrees"
	}
	fmt.Printf("  %-40s %14.8f  %s\n", name, ours, says)
	return nil
}

// compare compares the evidence's probability and, together with it, those of the
// leading causes and of the roots.
func (t *tally) compare(spec diagnosis.Spec, model *diagnosis.Model, ev []diagnosis.Observation) error {
	post, err := model.Infer(ev)
	if err != nil {
		return err
	}
	net := newNetwork(spec, ev)
	fmt.Printf("%d observations, %d variables\n", len(ev), len(net.cards))
	if err := t.one("ln P(E)", net, post.LogEvidence); err != nil {
		return err
	}
	order := make([]int, len(spec.Causes))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(post.Marginals[b], post.Marginals[a]) })
	for _, i := range order[:min(leading, len(order))] {
		if err := t.one("ln P(E, "+spec.Causes[i].ID+")", net.with(net.causes[i]), post.LogEvidence+math.Log(post.Marginals[i])); err != nil {
			return err
		}
	}
	for k := range spec.Roots {
		if err := t.one("ln P(E, "+spec.Roots[k].ID+")", net.with(net.roots[k]), post.LogEvidence+math.Log(post.Roots[k])); err != nil {
			return err
		}
	}
	return nil
}

// evidence draws a board with two causes and takes some of its findings, abnormal
// ones and as many normal.
func evidence(spec diagnosis.Spec, r *rand.Rand, abnormal int) []diagnosis.Observation {
	faults := []string{spec.Causes[r.IntN(len(spec.Causes))].ID, spec.Causes[r.IntN(len(spec.Causes))].ID}
	level := map[string]int{}
	for _, l := range spec.Links {
		if !slices.Contains(faults, l.Cause) {
			continue
		}
		u, x := r.Float64(), 0
		for ; x < len(l.P)-1; x++ {
			if u -= l.P[x]; u < 0 {
				break
			}
		}
		level[l.Finding] = max(level[l.Finding], x)
	}
	var bad, good []diagnosis.Observation
	for _, j := range r.Perm(len(spec.Findings)) {
		id := spec.Findings[j].ID
		x, linked := level[id]
		switch {
		case x > 0 && len(bad) < abnormal:
			bad = append(bad, diagnosis.Observation{Finding: id, Level: x})
		case x == 0 && len(good) < abnormal && (linked || r.IntN(4) == 0):
			good = append(good, diagnosis.Observation{Finding: id})
		}
	}
	return append(bad, good...)
}

// asker asks the solver.
type asker struct {
	path, file string
	limit      time.Duration
}

var logZ = regexp.MustCompile(`(?m)^(\S+) <= Log\(Z\) <= (\S+)`)

// agrees reports whether the solver's logarithm of the sum over all assignments
// is ours but for tolerance. The solver prints three digits only. So the sum is
// taken times two known factors that put our logarithm just below and just above
// where the third digit is rounded up: what the solver prints must step there.
func (a *asker) agrees(n *network, ours float64) (bool, error) {
	step := math.Ceil(ours/printed) * printed
	for _, side := range []float64{-1, 1} {
		got, err := a.logSum(n.times(math.Exp(step + printed/2 + side*tolerance - ours)))
		if err != nil {
			return false, err
		}
		want := step
		if side > 0 {
			want += printed
		}
		if math.Abs(got-want) > printed/10 {
			return false, nil
		}
	}
	return true, nil
}

// logSum is the solver's logarithm of the sum over all assignments, as printed.
func (a *asker) logSum(n *network) (float64, error) {
	f, err := os.Create(a.file)
	if err != nil {
		return 0, err
	}
	if err := n.write(f); err != nil {
		_ = f.Close() //nolint:errcheck // the first mistake is the one to tell
		return 0, err
	}
	if err := f.Close(); err != nil {
		return 0, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), a.limit)
	defer cancel()
	out, err := exec.CommandContext(ctx, a.path, a.file, "-logz", "-precision=12").CombinedOutput()
	if ctx.Err() != nil {
		return 0, ctx.Err()
	}
	if err != nil {
		return 0, fmt.Errorf("%s: %w", a.path, err)
	}
	m := logZ.FindSubmatch(out)
	if m == nil || string(m[1]) != string(m[2]) {
		return 0, fmt.Errorf("%s says no exact Log(Z):\n%s", a.path, out)
	}
	return strconv.ParseFloat(string(m[1]), 64)
}
