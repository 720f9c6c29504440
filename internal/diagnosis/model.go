// Package diagnosis is the inference engine: pure mathematics over a causal
// model of binary causes and ordered findings (leaky noisy-MAX). It knows no
// library file, no units, no clock and no database.
package diagnosis

// Spec describes a model by values; New checks and indexes it. All ids are
// unique within their slice.
type Spec struct {
	Causes   []Cause
	Findings []Finding
	Links    []Link
	// Unmodelled is the prior of one further cause for what the model does not
	// know (0 switches it off). UnmodelledLinks are its links, as Links.
	Unmodelled      float64
	UnmodelledLinks []Link
	// Roots are common circumstances that raise causes, at most MaxRoots; a Spec
	// without any is a model of independent causes.
	Roots []Root
}

// Cause is a binary cause, independent of the others given the context and the
// roots.
type Cause struct {
	ID    string
	Prior float64 // probability in [0,1] after the context's factors
}

// Finding is a symptom or a measurement with ordered levels: 0 is as it should
// be, a higher level masks a lower one.
type Finding struct {
	ID     string
	Levels []string  // names, Levels[0] is normal
	Leak   []float64 // P(level | no cause), already floored; sums to 1
}

// Link is the effect of one cause alone, without leak, on one finding.
type Link struct {
	Cause   string
	Finding string
	P       []float64 // P(level | only this cause, no leak), already floored; sums to 1
}

// Observation is evidence on one finding: a level, or a likelihood over its
// levels (soft evidence; Likelihood nil means certain). A finding may occur once.
type Observation struct {
	Finding    string
	Level      int
	Likelihood []float64
}
