package reliability

import (
	"math"
	"slices"
)

// PowerLawFit is the answer of the Cramér–von Mises test of a power law.
type PowerLawFit struct {
	Statistic float64 // C², no unit; NaN without at least two events that are chance
	Events    int     // M, the events that the test looks at
	Critical  float64 // C² above this speaks against the power law at 5 %; NaN where not tabulated
	// PAbove and PBelow enclose the p-value as far as the table goes (0.2, 0.15, 0.1,
	// 0.05, 0.01): it lies between them. 0 and 1 where nothing is tabulated.
	PAbove, PBelow float64
	Note           string
}

const (
	noteFitLate = "Units came under observation late: the test is tabulated only for observation from new."
	noteFitFew  = "Fewer than two events: there is nothing to compare."
)

// cvmLevels are the significance levels of the columns of cvmTable.
var cvmLevels = [...]float64{.20, .15, .10, .05, .01}

// FitPowerLaw tests whether a power law describes the events of units observed from
// new, by the Cramér–von Mises statistic of MIL-HDBK-189 (1981, section 5.7) and
// IEC 61164
//
//	C² = 1/(12M) + Σ ((t/T)^b − (2i−1)/(2M))²
//
// with the unbiased shape b = (M−1)/Σ ln(T/t) and the ratios of all units, each to the
// end of its own observation, in ascending order. M leaves out the event that ended a
// failure-truncated unit. Scales may differ from unit to unit.
func (e *Events) FitPowerLaw() PowerLawFit {
	var logs []float64
	late := false
	sum := 0.0
	for _, u := range e.units {
		late = late || u.Start > 0 && u.End > u.Start
		for _, t := range u.free() {
			v := math.Log(t / u.End)
			sum -= v
			logs = append(logs, v)
		}
	}
	fit := PowerLawFit{Statistic: math.NaN(), Events: len(logs), Critical: math.NaN(), PAbove: 0, PBelow: 1}
	switch {
	case late:
		fit.Note = noteFitLate
		return fit
	case len(logs) < 2:
		fit.Note = noteFitFew
		return fit
	case sum == 0:
		fit.Note = noteEventsAtEnd
		return fit
	}
	slices.Sort(logs)
	m := float64(len(logs))
	shape := (m - 1) / sum
	fit.Statistic = 1 / (12 * m)
	for i, v := range logs {
		d := math.Exp(shape*v) - float64(2*i+1)/(2*m)
		fit.Statistic += d * d
	}
	row := cvmRow(len(logs))
	fit.Critical = row[3]
	for i, level := range cvmLevels {
		if fit.Statistic <= row[i] {
			fit.PAbove = level
			break
		}
		fit.PBelow = level
	}
	return fit
}

// cvmRow returns the critical values for m events, 2 or more: those of the largest
// tabulated number up to m.
func cvmRow(m int) [5]float64 {
	row := cvmTable[0].critical
	for _, r := range cvmTable {
		if r.events > m {
			break
		}
		row = r.critical
	}
	return row
}
