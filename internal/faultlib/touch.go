package faultlib

import "fmt"

// TouchLimit is the voltage in V dc above which a live part is not to be touched:
// UN Regulation No. 100 calls a working voltage above 60 V dc high voltage, and
// IEC 60204-1 clause 6.2.4 asks for a residual voltage of 60 V or less (library
// sources un_r100 and iec_60204).
const TouchLimit = 60.0

// Full voltages of one cell group in V: layered oxide 4.20, iron phosphate 3.65
// (common practice and data sheets, from memory). An unknown chemistry counts as
// layered oxide, the higher of the two.
const (
	fullLayeredOxide  = 4.20
	fullIronPhosphate = 3.65
)

// Touch says where a pack stands against the touch limit.
type Touch struct {
	// Full is the voltage of the full pack in V, 0 where the series count is unknown.
	Full, PerGroup float64
	Series         int
	// Above is true above TouchLimit, and where the series count is unknown.
	Above bool
}

// TouchOf judges a pack by what is on record. series is nil or not positive where
// it is unknown; chemistry is layered_oxide, iron_phosphate or "".
func TouchOf(series *int, chemistry string) Touch {
	t := Touch{PerGroup: fullLayeredOxide, Above: true}
	if chemistry == "iron_phosphate" {
		t.PerGroup = fullIronPhosphate
	}
	if series == nil || *series <= 0 {
		return t
	}
	t.Series = *series
	t.Full = float64(t.Series) * t.PerGroup
	t.Above = t.Full > TouchLimit
	return t
}

const touchSource = "touch limit of 60 V dc (IEC 60204-1 clause 6.2.4, UN Regulation No. 100)"

// Caution words it for the bench.
func (t Touch) Caution() string {
	switch {
	case t.Series == 0:
		return "The number of groups in series is not on record: take the pack as above the " + touchSource +
			" and every contact of pack, charge port and bus as live until it is measured."
	case t.Above:
		return fmt.Sprintf("This pack reaches %.4g V when full (%d groups of %.2f V), above the %s: take every contact of pack, charge port and bus as live until it is measured, and cover what you do not probe.",
			t.Full, t.Series, t.PerGroup, touchSource)
	}
	return fmt.Sprintf("This pack reaches %.4g V when full (%d groups of %.2f V), below the %s: a dry touch is not the danger, the short-circuit current is; a slipped tool arcs and burns as on any pack.",
		t.Full, t.Series, t.PerGroup, touchSource)
}
