package main

import (
	"strings"
	"testing"
)

func TestSummary(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, in string
		ok       bool
		last     string
		has      []string
		lacks    []string
	}{
		{"passes quietly", `
{"Action":"output","Package":"p","Test":"TestA","Output":"=== RUN TestA\n"}
{"Action":"pass","Package":"p","Test":"TestA","Elapsed":0.1}
{"Action":"output","Package":"p","Output":"ok p 0.1s\n"}
{"Action":"pass","Package":"p","Elapsed":0.1}`, true, "1 passed, 0 failed, 0 skipped", []string{"ok    p  0.1 s"}, []string{"=== RUN"}},
		{"a failing subtest is one failure", `
{"Action":"output","Package":"p","Test":"TestA/x","Output":"    a_test.go:3: wrong\n"}
{"Action":"fail","Package":"p","Test":"TestA/x"}
{"Action":"pass","Package":"p","Test":"TestA/y"}
{"Action":"fail","Package":"p","Test":"TestA"}
{"Action":"fail","Package":"p","Elapsed":2}`, false, "1 passed, 1 failed, 0 skipped", []string{"a_test.go:3: wrong", "FAIL  p"}, nil},
		{"a test fails beside good parts", `
{"Action":"pass","Package":"p","Test":"TestA/x"}
{"Action":"fail","Package":"p","Test":"TestA"}
{"Action":"fail","Package":"p"}`, false, "1 passed, 1 failed, 0 skipped", nil, nil},
		{"a package does not build", `
{"ImportPath":"p","Action":"build-output","Output":"p/a.go:1: syntax error\n"}
{"ImportPath":"p","Action":"build-fail"}
{"Action":"fail","Package":"p","FailedBuild":"p"}
{"Action":"pass","Package":"q","Test":"TestB"}
{"Action":"pass","Package":"q"}`, false, "1 passed, 1 failed, 0 skipped", []string{"syntax error", "FAIL  p", "ok    q"}, nil},
		{"a panic leaves a test without a result", `
{"Action":"output","Package":"p","Test":"TestA","Output":"panic: lost\n"}
{"Action":"fail","Package":"p"}`, false, "0 passed, 1 failed, 0 skipped", []string{"panic: lost"}, nil},
		{"skips are counted and told", `
{"Action":"output","Package":"p","Test":"TestA","Output":"    only root\n"}
{"Action":"skip","Package":"p","Test":"TestA"}
{"Action":"pass","Package":"p","Test":"TestB"}
{"Action":"pass","Package":"p"}
{"Action":"skip","Package":"q"}`, true, "1 passed, 0 failed, 1 skipped", []string{"only root", "-     q  no tests"}, nil},
		{"words of go itself are kept", `
go: cannot find module
`, false, "0 passed, 0 failed, 0 skipped", []string{"cannot find module"}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			var out strings.Builder
			ok, err := summarize(strings.NewReader(strings.TrimLeft(tc.in, "\n")), &out)
			if err != nil || ok != tc.ok {
				t.Errorf("ok %v, %v; want %v", ok, err, tc.ok)
			}
			lines := strings.Split(strings.TrimRight(out.String(), "\n"), "\n")
			if got := lines[len(lines)-1]; got != tc.last {
				t.Errorf("last line %q, want %q", got, tc.last)
			}
			for _, s := range tc.has {
				if !strings.Contains(out.String(), s) {
					t.Errorf("%q lacks %q", out.String(), s)
				}
			}
			for _, s := range tc.lacks {
				if strings.Contains(out.String(), s) {
					t.Errorf("%q has %q", out.String(), s)
				}
			}
		})
	}
}
