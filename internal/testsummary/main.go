// Command testsummary reads the output of `go test -json` on standard input and
// prints what a person wants to know: the output of what failed, one line per
// package, and a closing line with the counts alone. It exits 1 when anything
// failed, a package did not build, or nothing ran.
package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

func main() {
	ok, err := summarize(os.Stdin, os.Stdout)
	if err != nil {
		fmt.Fprintln(os.Stderr, "testsummary:", err)
		os.Exit(2)
	}
	if !ok {
		os.Exit(1)
	}
}

// event is one line of `go test -json` (go doc test2json).
type event struct {
	Action      string
	Package     string
	ImportPath  string // of a build, in place of Package
	Test        string
	Output      string
	Elapsed     float64
	FailedBuild string
}

type key struct{ pkg, test string }

// summary gathers what has been read.
type summary struct {
	out                     io.Writer
	passed, failed, skipped int
	output                  map[key][]string // held back until it is known whether it failed
	parents                 map[key]bool     // tests with subtests: their parts are counted, not they
	results                 []result
	err                     error
}

type result struct {
	key     key
	action  string
	elapsed float64
}

// summarize copies the summary of in to out and reports whether all is well.
func summarize(in io.Reader, out io.Writer) (bool, error) {
	s := &summary{out: out, output: map[key][]string{}, parents: map[key]bool{}}
	r := bufio.NewReader(in)
	for {
		line, err := r.ReadString('\n')
		if line != "" {
			s.line(line)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return false, err
		}
	}
	return s.close(), s.err
}

func (s *summary) print(format string, args ...any) {
	if _, err := fmt.Fprintf(s.out, format, args...); err != nil && s.err == nil {
		s.err = err
	}
}

func (s *summary) line(line string) {
	var e event
	if err := json.Unmarshal([]byte(line), &e); err != nil {
		s.print("%s", line) // Not of the test tool: a message of go itself.
		return
	}
	k := key{e.Package, e.Test}
	switch e.Action {
	case "build-output":
		s.print("%s", e.Output)
	case "output":
		s.output[k] = append(s.output[k], e.Output)
	case "pass", "fail", "skip":
		s.finish(k, e)
	}
}

func (s *summary) finish(k key, e event) {
	for parent := k.test; ; {
		cut := strings.LastIndex(parent, "/")
		if cut < 0 {
			break
		}
		parent = parent[:cut]
		s.parents[key{k.pkg, parent}] = true
	}
	s.results = append(s.results, result{k, e.Action, e.Elapsed})
	if k.test == "" {
		s.pkg(k, e)
		return
	}
	if e.Action == "fail" || e.Action == "skip" {
		s.print("%s", strings.Join(s.output[k], ""))
	}
	delete(s.output, k)
}

// pkg prints a package's line when it has ended; tests without a result, as
// after a panic or a timeout, tell their output here.
func (s *summary) pkg(k key, e event) {
	switch e.Action {
	case "fail":
		var open []string
		for o := range s.output {
			if o.pkg == k.pkg && o.test != "" {
				open = append(open, o.test)
			}
		}
		slices.Sort(open)
		for _, test := range open {
			s.print("%s", strings.Join(s.output[key{k.pkg, test}], ""))
		}
		s.print("%s", strings.Join(s.output[k], ""))
		s.print("FAIL  %s  %.1f s\n", k.pkg, e.Elapsed)
	case "skip":
		s.print("-     %s  no tests\n", k.pkg)
	default:
		s.print("ok    %s  %.1f s\n", k.pkg, e.Elapsed)
	}
	for o := range s.output {
		if o.pkg == k.pkg {
			delete(s.output, o)
		}
	}
}

// close counts and prints the last line. A test with subtests counts only when
// it fails while all its parts are well, and a package only when it fails
// without a failing test (it did not build, or its main function failed).
func (s *summary) close() bool {
	failing := map[string]bool{}
	failedBelow := map[key]bool{}
	for _, r := range s.results {
		if r.key.test == "" || r.action != "fail" {
			continue
		}
		failing[r.key.pkg] = true
		if cut := strings.LastIndex(r.key.test, "/"); cut >= 0 {
			failedBelow[key{r.key.pkg, r.key.test[:cut]}] = true
		}
	}
	for _, r := range s.results {
		switch {
		case r.key.test == "":
			if r.action == "fail" && !failing[r.key.pkg] {
				s.failed++
			}
		case s.parents[r.key] && (r.action != "fail" || failedBelow[r.key]):
		case r.action == "pass":
			s.passed++
		case r.action == "fail":
			s.failed++
		default:
			s.skipped++
		}
	}
	s.print("%d passed, %d failed, %d skipped\n", s.passed, s.failed, s.skipped)
	return s.failed == 0 && s.passed > 0
}
