// Package faultlib is the fault library: the expert knowledge that drives
// everything, read from one YAML file, checked whole (every error with line and
// column) and immutable once loaded. It is pure: bytes in, a Library out.
package faultlib

import "nextprobe/internal/measure"

// Library is one checked edition of the fault library. It is safe for
// concurrent use and never changes after Load.
type Library struct {
	// SHA256 is the hex digest of the file: the identity of a version.
	SHA256 string
	// Edition is meta.version as the file states it.
	Edition    int
	Meta       Meta
	Sources    []Source
	Codes      Codes
	Hazards    []Hazard // index = level 0..4
	Openings   []Opening
	Gates      []Gate
	Tables     map[string]measure.Table
	Systems    []System
	Components []Component
	Symptoms   []Symptom
	// SymptomGroups are the groups in file order.
	SymptomGroups []string
	Measurements  []Measurement
	Causes        []Cause
	Links         []Link
	// Roots are common circumstances, empty for most libraries.
	Roots         []Root
	Interlocks    []Interlock
	Invalidations []Invalidation
	Consequences  []Consequence
	Algorithms    []AlgorithmDoc

	index index
}

// Meta is the header of the file.
type Meta struct {
	Floor              float64
	UnmodelledPrior    float64
	UnmodelledStrength float64
	BoardFacts         []BoardFact
	Status             string
	Changes            []string
}

// BoardFact is something a board's record may state that changes access.
type BoardFact struct {
	ID, Default, Text string
	Values            []string
}

// Source is a published source named by the file.
type Source struct{ ID, Ref, UsedFor, Checked string }

// Codes are the ISO 14224 style code lists, in file order.
type Codes struct {
	FailureMode, FailureMechanism, DetectionMethod []CodeText
	FailureCause                                   []CodeGroup
}

// CodeText is a code and its wording.
type CodeText struct{ ID, Text string }

// CodeGroup is a group of free wordings.
type CodeGroup struct {
	ID    string
	Items []string
}

// Hazard is a hazard level and the rule shown with it.
type Hazard struct {
	Level      int
	Name, Rule string
}

// Opening is an access state: what must be opened, unplugged or made safe.
type Opening struct {
	ID                string
	OpenMin, CloseMin float64 // minutes
	Requires          []string
	Reseal            bool
	Hazard            int
	Note              string
	// Closed are the openings that must be closed for this one: boxes, for a test
	// of the closed board.
	Closed []string
}

// Gate is asked before any ordering of tests; a stop ends guided diagnosis.
// Exactly one of Measurement and Symptom is set.
type Gate struct {
	Measurement string
	StopOn      []string
	Symptom     string
}

// System and Component are the taxonomy.
type System struct {
	ID, Name string
}

// Component is a position in a board's make-up.
type Component struct {
	ID, Name, System string
}

// Symptom is what a customer or technician sees.
type Symptom struct {
	ID, By, Group, Text, Ask string
	SafetyStop               bool
	Leak                     float64
}

// Measurement is a definition with its place at the bench and in the model.
type Measurement struct {
	measure.Definition
	Title, Of, Points, Instrument, Caution, Note, Pattern string
	Access                                                string
	AccessIf                                              []AccessIf
	Minutes                                               float64
	Hazard                                                int
	Leak                                                  float64
	// Sources are ids of Library.Sources, or the letters of meta.provenance.
	Sources []string
	// Own marks a measurement that the shop added itself; its form may change it.
	Own bool
	// LevelOf is the level of each outcome, by its place in Outcomes: 0 for the
	// normal ones, the highest first. Levels is how many levels there are.
	LevelOf []int
	Levels  int

	compiled *measure.Measurement
}

// AccessIf replaces the access when a condition over the board's facts holds:
// When in the words of the file. Fact and Value stand for it where it is a plain
// `fact == 'value'`; ask Library.AccessOf rather than comparing.
type AccessIf struct {
	Fact, Value, Access string
	When                string

	condition condition
}

// Cause is a component with a failure mode.
type Cause struct {
	ID, Name, Component, Mode, Mechanism string
	TypicalCauses                        []string
	PriorPer1000                         float64
	Repair                               string
	Parts                                []string
	RepairMinutes                        [2]float64
	Hazard                               int
	Verify                               []Check
}

// Check is a measurement that must come out so.
type Check struct {
	Measurement string
	Outcomes    []string
	When        string
	Optional    bool
}

// Link is one cause's row of the causal matrix.
type Link struct {
	Cause    string
	Symptoms map[string]float64
	Outcomes map[string]map[string]float64
}

// Interlock says that an action may be done only when every required outcome holds.
type Interlock struct {
	Action, When, Why, Decision string
	Require                     []Check
}

// Invalidation says that an event makes earlier results of these measurements invalid.
type Invalidation struct {
	Event   string
	Results []string
	// Openings, Components and Symptoms say what fires the event: opening one of
	// these, repairing a cause in one of these, or hearing of one of these. Each
	// may be empty.
	Openings   []string
	Components []string
	Symptoms   []string
}

// Consequence says that one confirmed cause often brings another.
type Consequence struct {
	From, To, Note string
	P              float64
}

// AlgorithmDoc is the file's reference text of an algorithm.
type AlgorithmDoc struct {
	ID    string
	Steps []string
	Note  string
}
