package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

// gehan is the remission data of Freireich and others 1963 as tabulated by Gehan,
// Biometrika 52 (1965) 203-223.
func gehan() string {
	var b strings.Builder
	b.WriteString("group,time,event\n")
	for _, v := range []int{6, 6, 6, -6, 7, -9, 10, -10, -11, 13, 16, -17, -19, -20, 22, 23, -25, -32, -32, -34, -35} {
		event := 1
		if v < 0 {
			v, event = -v, 0
		}
		fmt.Fprintf(&b, "6-MP,%d,%d\n", v, event)
	}
	for _, v := range []int{1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23} {
		fmt.Fprintf(&b, "placebo,%d,1\n", v)
	}
	return b.String()
}

func writeCSV(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "life.csv")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// lifeOf runs `reliability life --json` and reads the answer by the names of the contract.
func lifeOf(t *testing.T, text string, flags ...string) (answer lifeWire) {
	t.Helper()
	status, out, errOut := call(t, append([]string{"reliability", "life", "--json", "--csv", writeCSV(t, text)}, flags...)...)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errOut)
	}
	if err := json.Unmarshal([]byte(out), &answer); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return answer
}

type lifeWire struct {
	Groups []struct {
		Group       string
		N, Failures int
		KM          []struct {
			Time, Survival   float64
			SE, Lower, Upper *float64
		}
		Median  *float64
		Note    string
		Weibull struct {
			Shape, Scale, LogLik *float64
			ShapeLower           *float64 `json:"shape_lower"`
			ShapeUpper           *float64 `json:"shape_upper"`
			Note                 string
			Fixed                *struct {
				Shape    float64
				Scale    *float64
				OneSided *float64 `json:"scale_lower_one_sided"`
			} `json:"fixed_shape"`
		}
		Exponential struct {
			Mean     *float64
			OneSided *float64 `json:"mean_lower_one_sided"`
			Note     string
		}
	}
	LogRank struct {
		Chi2, P     *float64
		DF          *int
		Note        string
		Permutation *struct {
			P            float64
			Permutations int
			Exact        bool
		}
	}
}

func nearTo(t *testing.T, what string, got *float64, want, tolerance float64) {
	t.Helper()
	if got == nil || math.Abs(*got-want) > tolerance {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

func TestReliabilityLife(t *testing.T) {
	t.Parallel()
	a := lifeOf(t, gehan())
	if len(a.Groups) != 2 || a.Groups[0].Group != "6-MP" || a.Groups[0].N != 21 || a.Groups[0].Failures != 9 || len(a.Groups[0].KM) != 7 {
		t.Fatalf("%+v", a)
	}
	// Values of R's survival package (survfit, survreg, survdiff).
	g := a.Groups[0]
	nearTo(t, "median", g.Median, 23, 0)
	nearTo(t, "survival", &g.KM[6].Survival, .448179, 6e-7)
	nearTo(t, "standard error", g.KM[6].SE, .134591, 6e-7)
	nearTo(t, "shape", g.Weibull.Shape, 1.353735, 6e-7)
	nearTo(t, "scale", g.Weibull.Scale, 33.765151, 6e-7)
	nearTo(t, "mean life", g.Exponential.Mean, 359./9, 1e-12)
	nearTo(t, "chi-square", a.LogRank.Chi2, 16.792941, 6e-7)
	nearTo(t, "p", a.LogRank.P, 4.17e-5, 6e-8)
	if *a.LogRank.DF != 1 || a.LogRank.Permutation != nil {
		t.Errorf("%+v", a.LogRank)
	}
	last := a.Groups[1].KM[len(a.Groups[1].KM)-1]
	if last.Survival != 0 || last.SE != nil || last.Lower != nil || a.Groups[1].Note == "" {
		t.Errorf("at the end of the placebo curve: %+v, note %q", last, a.Groups[1].Note)
	}
}

func TestReliabilityLifeFromStandardInput(t *testing.T) {
	t.Parallel()
	// A spreadsheet's file: byte order mark, semicolons, decimal commas, Windows ends.
	root := newRoot()
	var out bytes.Buffer
	root.SetArgs([]string{"reliability", "life", "--csv", "-"})
	root.SetIn(strings.NewReader("\xef\xbb\xbfTime; Event ;Entry\r\n54,5;1;0\r\n187;1;20,5\r\n\r\n216;0;0\r\n"))
	root.SetOut(&out)
	if err := root.ExecuteContext(context.Background()); err != nil {
		t.Fatal(err)
	}
	// 54.5 + 187 − 20.5 + 216
	for _, want := range []string{"All items: 3 items, 2 failed, 437 under observation", "exponential mean life       218.5", "one group only"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}

func TestReliabilityLifeSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	a := lifeOf(t, "time,event,group\n300,0,none\n500,0,none\n100,1,one\n150,0,one\n")
	none, one := a.Groups[0], a.Groups[1]
	if len(none.KM) != 0 || none.Median != nil || none.Note == "" || none.Weibull.Shape != nil || none.Weibull.Note == "" || none.Exponential.Mean != nil || none.Exponential.Note == "" {
		t.Errorf("without a failure: %+v", none)
	}
	// NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.5.1: .3338 T.
	nearTo(t, "lower bound without a failure", none.Exponential.OneSided, .3338*800, .05)
	if f := none.Weibull.Fixed; f == nil || f.Shape != 1 || f.Scale != nil {
		t.Errorf("fixed shape %+v", f)
	}
	if one.Weibull.Shape != nil || !strings.Contains(one.Weibull.Note, "One failure") {
		t.Errorf("one failure: %+v", one.Weibull)
	}
	// Four items into two groups of two: six arrangements.
	if p := a.LogRank.Permutation; p == nil || !p.Exact || p.Permutations != 6 {
		t.Errorf("permutation %+v", p)
	}
	if n := lifeOf(t, "time,event,entry\n2,1,0\n5,1,3\n9,0,3\n").Groups[0].Note; !strings.Contains(n, "At 2 all items") {
		t.Errorf("a curve that comes to 0 early: %q", n)
	}
	fixed := lifeOf(t, "time,event\n300,0\n500,0\n", "--shape", "2").Groups[0].Weibull.Fixed
	nearTo(t, "bound under shape 2", fixed.OneSided, math.Sqrt((300*300+500*500)/-math.Log(.05)), 1e-9)
	if n := lifeOf(t, "time,event\n3,1\n").LogRank; n.Chi2 != nil || n.DF != nil || n.Note == "" {
		t.Errorf("one group compared: %+v", n)
	}
}

func TestReliabilityLifeNamesEveryMistake(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		text string
		want []string
	}{
		"rows": {"time,event,entry\n6,1,x\n0,1,0\n-7,1,0\n8,2,0\n9,1,9\n12,0\nNaN,1,0\n,1,0\n", []string{
			"line 2, column 5 (entry): must be a number", "line 3, column 1 (time): must be above 0", "line 4, column 1 (time)",
			"line 5, column 3 (event): must be 1", "line 6, column 5 (entry): must be below the time 9", "line 7: has 2 fields",
			"line 8, column 1 (time)", "line 9, column 1 (time): is empty"}},
		"no column":      {"time,entry\n1,0\n", []string{"line 1: the column event is missing"}},
		"unknown column": {"time,event,entrry\n1,1,0\n", []string{"line 1, column 12 (entrry): is not a column"}},
		"column twice":   {"time,event,time\n1,1,0\n", []string{"is there twice"}},
		"quotes":         {"time,event\n1,1\n\"2,1\n", []string{"line 3, column"}},
		"empty":          {"", []string{"empty"}},
		"only a header":  {"time,event\n", []string{"no rows"}},
		"many":           {"time,event\n" + strings.Repeat("0,1\n", 50), []string{"50 mistakes", "line 21, column 1"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			status, out, errOut := call(t, "reliability", "life", "--csv", writeCSV(t, tc.text))
			if status != exitFailed || out != "" {
				t.Errorf("status %d, output %q", status, out)
			}
			for _, want := range tc.want {
				if !strings.Contains(errOut, want) {
					t.Errorf("no %q in %s", want, errOut)
				}
			}
		})
	}
	for _, args := range [][]string{{}, {"life"}, {"life", "--csv", "no-such-file"}, {"life", "--csv", "-", "--confidence", "1"}, {"life", "--csv", "-", "--shape", "-1"}, {"life", "--csv", "-", "--permutations", "-1"}} {
		if status, _, errOut := call(t, append([]string{"reliability"}, args...)...); status != exitUsage || errOut == "" {
			t.Errorf("%v: status %d, %q; want %d", args, status, errOut, exitUsage)
		}
	}
}

func TestReliabilityLifeInWords(t *testing.T) {
	t.Parallel()
	status, out, errOut := call(t, "reliability", "life", "--csv", writeCSV(t, gehan()))
	if status != 0 {
		t.Fatal(errOut)
	}
	for _, want := range []string{"6-MP: 21 items, 9 failed, 359 under observation", "median life                    23", "Weibull shape              1.3537", "chi-square 16.793 (degrees of freedom 1)"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
}

// FuzzReadLives: whatever the file holds, it is read or its mistakes are named.
func FuzzReadLives(f *testing.F) {
	for _, s := range []string{gehan(), "time;event;entry;group\n1,5;1;0,2;a\n", "time\tevent\n1\t0\n", "\xef\xbb\xbftime,event\r\n\"1\",1\r\n", "time,event\n1e999,1\n", "time,event\n0x1p-2,1\n-0,0", "\n\n,,\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		names, lives, err := readLives(strings.NewReader(text))
		if (err == nil) != (len(lives) > 0) || len(names) != len(lives) {
			t.Fatalf("%d names, %d lives, %v", len(names), len(lives), err)
		}
		if err != nil {
			if p := problem.As(err); p == nil || p.Message == "" {
				t.Fatalf("%v is no problem with a message", err)
			}
			return
		}
		answer, err := lifeAnswer(names, lives, lifeOptions{confidence: .95, permutations: 9})
		if err != nil && problem.As(err) == nil {
			t.Fatal(err)
		}
		if err == nil {
			if _, err := json.Marshal(answer); err != nil {
				t.Fatal(err)
			}
		}
	})
}
