package faultlib

import (
	"cmp"
	"fmt"
	"slices"
)

// Severity says whether an issue bars the library from use.
type Severity string

const (
	// Error bars the library from use.
	Error Severity = "error"
	// Warning is worth a look; the library works.
	Warning Severity = "warning"
)

// Issue is one thing that Load has to say about a file. Line and Column count
// from 1; Path is the place in the file's own terms (`links.hall_dead.symptoms.x`,
// `measurements.motor_ntc.examples[1].out`).
type Issue struct {
	Severity     Severity
	Line, Column int
	Path         string
	Message      string
}

// String is the issue as compilers print theirs.
func (i Issue) String() string {
	return fmt.Sprintf("%d:%d: %s: %s: %s", i.Line, i.Column, i.Severity, i.Path, i.Message)
}

// sortIssues orders by position; issues of one place keep a fixed order.
func sortIssues(list []Issue) []Issue {
	slices.SortStableFunc(list, func(a, b Issue) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column),
			cmp.Compare(a.Severity, b.Severity), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Message, b.Message))
	})
	return slices.Compact(list)
}

func hasErrors(list []Issue) bool {
	return slices.ContainsFunc(list, func(i Issue) bool { return i.Severity == Error })
}
