// Command reliability times Kaplan-Meier, the Weibull fit and the log-rank test on a
// million rows beside R's survival package, in one run on one machine, and compares
// the digits:
//
//	go run ./deploy/bench/reliability [-rows N] [-rounds N]
//
// It needs Rscript with the package survival (Debian: r-base-core, r-cran-survival).
// Processor time counts, because other work on the machine disturbs it least; the
// best round of each is taken. R computes Wald bounds of the Weibull fit, nextprobe
// those of the likelihood ratio, which cost more; the time to order the rows is
// nextprobe's own, R orders inside each function.
package main

import (
	"context"
	_ "embed"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"

	"nextprobe/internal/reliability"
)

//go:embed life.R
var script []byte

func main() {
	rows := flag.Int("rows", 1_000_000, "rows of life data")
	rounds := flag.Int("rounds", 3, "rounds; the best of each counts")
	flag.Parse()
	if err := run(*rows, *rounds); err != nil {
		fmt.Fprintln(os.Stderr, "reliability:", err)
		os.Exit(1)
	}
}

func run(rows, rounds int) error {
	rscript, err := exec.LookPath("Rscript")
	if err != nil {
		return errors.New("there is no Rscript here; on Debian: apt-get install r-base-core r-cran-survival")
	}
	folder, err := os.MkdirTemp("", "reliability")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	d := makeData(rows)
	if err := d.write(folder); err != nil {
		return err
	}
	ours, theirs := never(), never()
	var got, want figures
	var versions string
	for range rounds {
		var spent parts
		if got, spent, err = compute(d); err != nil {
			return err
		}
		ours.best(spent)
		if want, spent, versions, err = computeInR(rscript, folder, rows); err != nil {
			return err
		}
		theirs.best(spent)
	}
	fmt.Printf("%d rows in two groups, %d failed; best of %d rounds; R, survival %s; %s\n\n", rows, d.failures, rounds, versions, runtime.Version())
	printParts(ours, theirs)
	return printDigits(got, want)
}

// data is lives with a fixed seed: two groups of Weibull lives, a third censored, to
// the tenth of an hour, so that there are ties.
type data struct {
	columns  reliability.Columns
	group    []int
	failures int
}

func makeData(rows int) data {
	var d data
	r := rand.New(rand.NewPCG(20261125, 1))
	for range rows {
		g := r.IntN(2)
		life, end, event := 10000*(1+.02*float64(g))*math.Pow(r.ExpFloat64(), 1/1.5), 20000*r.Float64(), 1
		if end < life {
			life, event = end, 0
		}
		d.columns.Time = append(d.columns.Time, math.Ceil(max(life, .1)*10)/10)
		d.columns.Event, d.group = append(d.columns.Event, event), append(d.group, g)
		d.failures += event
	}
	return d
}

func (d data) write(folder string) error {
	real := func(v []int) []float64 {
		out := make([]float64, len(v))
		for i, x := range v {
			out[i] = float64(x)
		}
		return out
	}
	for _, c := range []struct {
		name   string
		column []float64
	}{{"time", d.columns.Time}, {"event", real(d.columns.Event)}, {"group", real(d.group)}} {
		raw, err := binary.Append(nil, binary.LittleEndian, c.column)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(folder, c.name), raw, 0o600); err != nil {
			return err
		}
	}
	return os.WriteFile(filepath.Join(folder, "life.R"), script, 0o600)
}

// figures are what both computed, in one order.
type figures struct {
	weibull [2][3]float64 // shape, scale, log likelihood by group
	logrank [3]float64    // χ², expected failures
	curves  [2][5][]float64
}

// spent is processor time and elapsed time in seconds.
type spent struct{ cpu, elapsed float64 }

// parts are the times of ordering, Kaplan-Meier, Weibull, log-rank.
type parts [4]spent

func never() *parts {
	var p parts
	for i := range p {
		p[i] = spent{math.Inf(1), math.Inf(1)}
	}
	return &p
}

func (p *parts) best(q parts) {
	for i := range p {
		p[i] = spent{min(p[i].cpu, q[i].cpu), min(p[i].elapsed, q[i].elapsed)}
	}
}

func compute(d data) (f figures, p parts, err error) {
	var lives []*reliability.Life
	var curves [2]*reliability.Curve
	var fits [2]reliability.Weibull
	var test reliability.LogRank
	for i, work := range []func(){
		func() { lives, err = reliability.NewLives(d.columns, d.group, 2) },
		func() {
			for g := range curves {
				curves[g], err = lives[g].KaplanMeier(.95)
			}
		},
		func() {
			for g := range fits {
				fits[g], err = lives[g].Weibull(.95)
			}
		},
		func() { test, err = reliability.CompareLives(lives, reliability.LogRankOptions{}) },
	} {
		runtime.GC()
		cpu, start := processorTime(), time.Now()
		work()
		p[i] = spent{processorTime() - cpu, time.Since(start).Seconds()}
		if err != nil {
			return f, p, err
		}
	}
	for g, c := range curves {
		f.curves[g] = [5][]float64{c.Time, c.Survival, c.SE, c.Lower, c.Upper}
		f.weibull[g] = [3]float64{fits[g].Shape.Value, fits[g].Scale.Value, fits[g].LogLik}
	}
	f.logrank = [3]float64{test.Chi2, test.Expected[0], test.Expected[1]}
	return f, p, nil
}

// processorTime is what this process has used, all threads, collector included.
func processorTime() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return math.NaN()
	}
	return float64(u.Utime.Sec+u.Stime.Sec) + float64(u.Utime.Usec+u.Stime.Usec)/1e6
}

func computeInR(rscript, folder string, rows int) (f figures, p parts, versions string, err error) {
	cmd := exec.CommandContext(context.Background(), rscript, filepath.Join(folder, "life.R"), folder, strconv.Itoa(rows))
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return f, p, "", fmt.Errorf("Rscript: %w", err)
	}
	raw, err := os.ReadFile(filepath.Join(folder, "answer"))
	if err != nil {
		return f, p, "", err
	}
	values := make([]float64, len(raw)/8)
	if _, err := binary.Decode(raw, binary.LittleEndian, values); err != nil {
		return f, p, "", err
	}
	take := func(n int) []float64 {
		v := values[:n]
		values = values[n:]
		return v
	}
	for i := 1; i < 4; i++ {
		v := take(2)
		p[i] = spent{v[0], v[1]}
	}
	for g := range f.weibull {
		copy(f.weibull[g][:], take(3))
	}
	copy(f.logrank[:], take(3))
	for g := range f.curves {
		n := int(take(1)[0])
		for k := range f.curves[g] {
			f.curves[g][k] = take(n)
		}
	}
	return f, p, strings.TrimSpace(string(out)), nil
}

func printParts(ours, theirs *parts) {
	fmt.Printf("%-24s %12s %12s %8s %26s\n", "", "nextprobe", "R", "ratio", "elapsed, nextprobe and R")
	var a, b spent
	for i, name := range []string{"order and check the rows", "Kaplan-Meier", "Weibull", "log-rank"} {
		o, r := ours[i], theirs[i]
		a, b = spent{a.cpu + o.cpu, a.elapsed + o.elapsed}, spent{b.cpu + r.cpu, b.elapsed + r.elapsed}
		if i == 0 {
			fmt.Printf("%-24s %10.3f s\n", name, o.cpu)
			continue
		}
		fmt.Printf("%-24s %10.3f s %10.3f s %7.1fx %12.3f s %9.3f s\n", name, o.cpu, r.cpu, r.cpu/o.cpu, o.elapsed, r.elapsed)
	}
	fmt.Printf("%-24s %10.3f s %10.3f s %7.1fx %12.3f s %9.3f s\n\n", "together", a.cpu, b.cpu, b.cpu/a.cpu, a.elapsed, b.elapsed)
}

// printDigits compares and fails when the two do not agree.
func printDigits(got, want figures) error {
	type pair struct {
		name      string
		got, want []float64
		tolerance float64
	}
	pairs := []pair{{"log-rank", got.logrank[:], want.logrank[:], 1e-9}}
	for g := range got.weibull {
		// survreg stops at a relative change of the likelihood of 1e-9, that is, with
		// half as many digits of the parameters.
		pairs = append(pairs, pair{fmt.Sprintf("Weibull, group %d", g), got.weibull[g][:], want.weibull[g][:], 1e-6})
		for k, name := range []string{"time", "survival", "standard error", "lower", "upper"} {
			pairs = append(pairs, pair{fmt.Sprintf("%s, group %d", name, g), got.curves[g][k], want.curves[g][k], 1e-9})
		}
	}
	for _, p := range pairs {
		if len(p.got) != len(p.want) {
			return fmt.Errorf("%s: %d values, R has %d", p.name, len(p.got), len(p.want))
		}
		worst := 0.0
		for i, v := range p.got {
			if w := p.want[i]; !(math.IsNaN(v) && math.IsNaN(w)) && v != 0 {
				worst = max(worst, math.Abs(v-w)/max(math.Abs(w), 1e-300))
			}
		}
		fmt.Printf("%-24s %8d values, largest relative difference %.1e\n", p.name, len(p.got), worst)
		if !(worst <= p.tolerance) { // also when one has a value and the other none
			return fmt.Errorf("%s differs by %v", p.name, worst)
		}
	}
	return nil
}
