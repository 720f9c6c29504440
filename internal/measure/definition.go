// Package measure turns raw readings into an outcome: it is pure. A
// measurement is data (a Definition from the fault library); Compile checks its
// expressions once, Evaluate applies them to readings and returns the derived
// values, the outcome, its detail, a likelihood over the outcomes and a sentence
// that says what was computed and against which limit.
package measure

// Kind says how a measurement's outcome comes about.
type Kind string

const (
	// Inspection means that the technician chooses the outcome by looking, hearing or feeling.
	Inspection Kind = "inspection"
	// Numeric means that readings go through Compute; the first outcome whose When holds is it.
	Numeric Kind = "numeric"
	// Algorithm means that readings go to a named Go function (alg_*).
	Algorithm Kind = "algorithm"
)

// Input declares one raw reading.
type Input struct {
	ID string
	// Label is a short noun phrase for people, without the unit, at most MaxLabel
	// characters; sentences use it in place of the id. Optional.
	Label string
	// Unit is the library's unit word: a UCUM code or trade spelling (`mohm`, `C`),
	// or one of the type words bool, count, list, map. Empty when Choice is set.
	Unit string
	// Element is the unit of a list's elements ("" when they are plain numbers).
	Element string
	Choice  []string
	Note    string
	// Nullable: null (unknown, not taken) is a permitted value.
	Nullable bool
}

// Step is one computed value: an expression over inputs, params and earlier steps.
// Unit is optional and only used for display, as is Label (as in Input).
type Step struct {
	ID, Label, Expr, Note, Unit string
}

// Outcome is one class of result. When is an expression for numeric
// measurements, a mere hint for algorithms and empty for inspections.
//
// Label is the short phrase for people ("one phase higher than the others"), at
// most MaxLabel characters; Words gives it or, without one, the id with spaces.
// Inconclusive marks an outcome that says only that the reading is of no use (the
// step was too small, the box not at rest): the word of ISO/IEC 9646-1 for a test
// that neither passed nor failed (from memory).
type Outcome struct {
	ID, When, Meaning, Label string
	Inconclusive             bool
	// Normal marks the healthy outcomes: the last, or those the library lists.
	Normal bool
}

// Example is a worked example that ships with the measurement and is its test.
type Example struct {
	In     map[string]any
	Out    string
	Detail string
	Values map[string]float64
}

// Definition is a measurement as the library states it, without its place in
// the causal model.
type Definition struct {
	ID        string
	Kind      Kind
	Algorithm string
	Inputs    []Input
	Params    map[string]float64
	Compute   []Step
	Outcomes  []Outcome
	Examples  []Example
}

// Table is a piecewise linear table of (x, y) points with rising x.
type Table [][2]float64
