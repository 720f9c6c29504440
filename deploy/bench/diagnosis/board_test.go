package main

import (
	"crypto/sha256"
	"fmt"
	"os"
	"testing"

	"nextprobe/internal/faultlib"
)

// firstEdition is a frozen library without roots.
func firstEdition(t *testing.T) []byte {
	t.Helper()
	text, err := os.ReadFile("../../../testdata/library-edition1.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func shopOf(t *testing.T, text []byte) *workshop {
	t.Helper()
	lib, issues := faultlib.Load(text)
	if lib == nil {
		t.Fatal(issues)
	}
	return &workshop{numbers: newNumbers(lib)}
}

// The boards of a library without roots are those of the benchmark's earlier
// tables: the hash was taken before roots were drawn.
func TestBoardsWithoutRootsStayAsTheyWere(t *testing.T) {
	t.Parallel()
	w := shopOf(t, firstEdition(t))
	sum := sha256.New()
	for k := range 200 {
		b := w.draw(21, k)
		fmt.Fprintln(sum, b.faults, b.own, b.leak, b.misread, b.reported, b.gate)
	}
	b := w.drawWith(21, 5, []int{3})
	fmt.Fprintln(sum, b.faults, b.own, b.leak, b.misread, b.reported, b.gate)
	const want = "acfa6c2f3d43d2c70a6900e7a808dfeee4bb5e32ff3c5b7d696aad33799ecc77"
	if got := fmt.Sprintf("%x", sum.Sum(nil)); got != want {
		t.Errorf("the boards hash to %s, want %s", got, want)
	}
}
