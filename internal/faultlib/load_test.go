package faultlib

import (
	"os"
	"testing"
)

func TestScratch(t *testing.T) {
	for _, f := range []string{"library.yaml"} {
		b, _ := os.ReadFile(f)
		lib, issues := Load(b)
		t.Log(f, lib != nil, len(issues))
		for _, i := range issues {
			t.Log(i)
		}
	}
}
