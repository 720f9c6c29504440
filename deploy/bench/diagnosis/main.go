// Command diagnosis compares policies of choosing the next measurement on
// simulated boards: what each costs until a board is truly repaired. Boards,
// complaints and readings are drawn from the shipped fault library, so the table
// shows how well a policy uses the library's numbers, not whether they are true;
// with -perturb the engine works with numbers that are wrong, and with -believe
// it works with another library than the boards are drawn from (-library): what
// is lost where the library leaves something out. It prints a Markdown table. Run
// it by `make bench-diagnosis`.
package main

import (
	"cmp"
	"flag"
	"fmt"
	"os"
	"runtime"
	"strings"
	"sync"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

// labourPerHour is the rate that money is reckoned with; the table shows money in
// hours of labour, so it does not depend on it.
const labourPerHour = 6000

type options struct {
	boards  int
	seed    uint64
	perturb bool
	only    string
	job     string
	board   int
	small   int
	free    bool
	drawn   string
	believe string
}

func main() {
	var o options
	flag.IntVar(&o.boards, "boards", 2000, "how many boards each policy works off")
	flag.Uint64Var(&o.seed, "seed", 11, "seed of all that is drawn")
	flag.BoolVar(&o.perturb, "perturb", false, "give the engine priors, links and leaks that are off by a log-normal factor of 1.5")
	flag.StringVar(&o.only, "policy", "", "work off with the policies whose name contains this only")
	flag.StringVar(&o.job, "cause", "", "print what each policy does with a board that has this cause, instead of the table")
	flag.IntVar(&o.board, "board", -1, "print what each policy does with the board of this number, instead of the table")
	flag.IntVar(&o.small, "small", 24, "how many pieces of the library are compared with the exact optimum; 0 for none")
	flag.BoolVar(&o.free, "free", false, "draw as many faults for each board as the library's priors give, instead of one for 80 %, two for 17 % and three for 3 %")
	flag.StringVar(&o.drawn, "library", "", "file of the fault library that the boards are drawn from; the shipped one if empty")
	flag.StringVar(&o.believe, "believe", "", "file of the fault library that the policies reckon with; that of -library if empty")
	flag.Parse()
	if o.boards < 1 {
		fmt.Fprintln(os.Stderr, "diagnosis: -boards must be at least 1")
		os.Exit(2)
	}
	if err := run(o); err != nil {
		fmt.Fprintln(os.Stderr, "diagnosis:", err)
		os.Exit(1)
	}
}

func load(file string) (*faultlib.Library, error) {
	text, name := faultlib.Embedded(), "the shipped fault library"
	if file != "" {
		var err error
		if text, err = os.ReadFile(file); err != nil { //nolint:gosec // the person who starts the benchmark names the file
			return nil, err
		}
		name = file
	}
	lib, issues := faultlib.Load(text)
	if lib == nil {
		return nil, fmt.Errorf("%s does not load: %v", name, issues)
	}
	return lib, nil
}

func run(o options) error {
	truth, err := load(o.drawn)
	if err != nil {
		return err
	}
	believed, err := load(cmp.Or(o.believe, o.drawn))
	if err != nil {
		return err
	}
	if o.perturb {
		perturb(believed, o.seed)
	}
	w, err := newWorkshop(truth, believed)
	if err != nil {
		return err
	}
	w.numbers.free = o.free
	if o.job != "" || o.board >= 0 {
		return w.story(o)
	}
	boards := make([]*board, o.boards)
	for k := range boards {
		boards[k] = w.draw(o.seed, k)
	}
	var rows []row
	for _, p := range policies() {
		if !strings.Contains(p.name, o.only) {
			continue
		}
		results, err := w.workOff(boards, p)
		if err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		rows = append(rows, row{p.name, results})
	}
	printTable(os.Stdout, o, rows)
	if o.small > 0 && !o.perturb {
		return w.compareSmall(os.Stdout, o)
	}
	return nil
}

// workOff works off all boards by one policy, on all processors.
func (w *workshop) workOff(boards []*board, p policy) ([]result, error) {
	results, errs := make([]result, len(boards)), make([]error, len(boards))
	onAll(len(boards), func(k int) { results[k], errs[k] = w.newJob(boards[k], p).work() })
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return results, nil
}

// onAll does n pieces of work on all processors.
func onAll(n int, work func(k int)) {
	var wait sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wait.Go(func() {
			for k := range next {
				work(k)
			}
		})
	}
	for k := range n {
		next <- k
	}
	close(next)
	wait.Wait()
}

// story prints one board's way through each policy.
func (w *workshop) story(o options) error {
	var given []int
	if o.job != "" {
		i := w.engine.CauseIndex(o.job)
		if i < 0 {
			return fmt.Errorf("no cause %q in the library", o.job)
		}
		given = []int{i}
	}
	b := w.drawWith(o.seed, max(0, o.board), given)
	for _, i := range b.faults {
		fmt.Printf("fault: %s\n", w.numbers.ids[i])
	}
	for _, id := range b.roots {
		fmt.Printf("root: %s\n", id)
	}
	for _, id := range b.exposures {
		fmt.Printf("told at intake: %s\n", id)
	}
	for _, p := range policies() {
		if !strings.Contains(p.name, o.only) {
			continue
		}
		fmt.Printf("\n%s\n", p.name)
		j := w.newJob(b, p)
		j.told = func(format string, args ...any) { fmt.Printf("  "+format+"\n", args...) }
		r, err := j.work()
		if err != nil {
			return err
		}
		fmt.Printf("  %.0f minutes, %d measurements\n", r.minutes, r.tests)
	}
	return nil
}

// observation is evidence of one level.
func observation(finding string, level int) diagnosis.Observation {
	return diagnosis.Observation{Finding: finding, Level: level}
}
