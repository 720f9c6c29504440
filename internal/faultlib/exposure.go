package faultlib

import "slices"

// Exposure is a way of use that the counter asks for at intake.
type Exposure struct {
	ID, Text string
	// Symptom is the history symptom that it stands for; "" for none.
	Symptom string
}

var exposures = []Exposure{
	{"rain", "Ridden in rain or on wet ground", "water_history"},
	{"immersion", "Under water, or washed with a jet", "water_history"},
	{"road_salt", "Ridden on salted roads or by the sea", "water_history"},
	{"crash", "Crashed, dropped or hit hard", "crash_history"},
	{"reworked", "Opened, rebuilt or with changed settings", "rework_history"},
	{"storage", "Stood unused for weeks", ""},
}

// Exposures lists the exposures in the order in which they are asked for.
func Exposures() []Exposure { return slices.Clone(exposures) }

// ExposureSymptoms returns the ids of the history symptoms that exposures stand
// for, each once and in a fixed order. Unknown exposures stand for none.
func ExposureSymptoms(given []string) []string {
	var out []string
	for _, e := range exposures {
		if e.Symptom != "" && slices.Contains(given, e.ID) && !slices.Contains(out, e.Symptom) {
			out = append(out, e.Symptom)
		}
	}
	return out
}
