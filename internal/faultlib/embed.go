package faultlib

import (
	_ "embed"
	"slices"
)

//go:embed library.yaml
var embedded []byte

// Embedded returns the edition that this program ships with, as a copy.
func Embedded() []byte { return slices.Clone(embedded) }
