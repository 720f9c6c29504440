package main

import (
	"fmt"
	"io"
	"slices"
)

type row struct {
	name    string
	results []result
}

func printTable(out io.Writer, o options, rows []row) {
	kind := "the engine's numbers are those that the boards are drawn from"
	if o.believe != "" && o.believe != o.drawn {
		kind = "the engine's library is not the one that the boards are drawn from"
	}
	if o.perturb {
		kind += fmt.Sprintf(", off by a log-normal factor of %.1f", wrongBy)
	}
	if o.free {
		kind += ", and a board has as many faults as the library's priors give"
	}
	fmt.Fprintf(out, "%d boards, seed %d; %s. Minutes and money (in hours of labour) until truly repaired.\n\n", o.boards, o.seed, kind)
	fmt.Fprintln(out, "| policy | minutes, mean | 90 % | to the first repair | money, mean | 90 % | measurements | boxes | first repair right, one fault | two faults | comebacks | handed over |")
	fmt.Fprintln(out, "|---|---|---|---|---|---|---|---|---|---|---|---|")
	for _, r := range rows {
		minutes := column(r.results, func(x result) float64 { return x.minutes })
		money := column(r.results, func(x result) float64 { return x.money / 60 })
		search := column(r.results, func(x result) float64 { return x.search })
		tests := column(r.results, func(x result) float64 { return float64(x.tests) })
		boxes := column(r.results, func(x result) float64 { return float64(x.boxes) })
		fmt.Fprintf(out, "| %s | %.0f | %.0f | %.0f | %.1f | %.1f | %.1f | %.2f | %s | %s | %s | %s |\n", r.name,
			mean(minutes), ninety(minutes), mean(search), mean(money), ninety(money), mean(tests), mean(boxes),
			share(r.results, func(x result) (bool, bool) { return x.firstRight, x.faults == 1 }),
			share(r.results, func(x result) (bool, bool) { return x.firstRight, x.faults == 2 }),
			share(r.results, func(x result) (bool, bool) { return x.comeback, true }),
			share(r.results, func(x result) (bool, bool) { return x.handedOver, true }))
	}
}

func column(results []result, value func(result) float64) []float64 {
	out := make([]float64, len(results))
	for k, r := range results {
		out[k] = value(r)
	}
	slices.Sort(out)
	return out
}

func mean(sorted []float64) float64 {
	sum := 0.0
	for _, v := range sorted {
		sum += v
	}
	return sum / float64(len(sorted))
}

// ninety is the value that nine of ten boards do not exceed.
func ninety(sorted []float64) float64 { return sorted[(9*len(sorted)+9)/10-1] }

// share prints how many of those counted are so.
func share(results []result, of func(result) (is, counted bool)) string {
	n, all := 0, 0
	for _, r := range results {
		is, counted := of(r)
		if counted {
			all++
			if is {
				n++
			}
		}
	}
	if all == 0 {
		return "–"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(n)/float64(all))
}
