package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Incidence is the cumulative incidence of each failure mode by column, one row a
// distinct time at which anything failed.
type Incidence struct {
	Time     []float64 // in the unit of the life data, ascending
	Survival []float64 // share of items that have not failed of anything by Time
	Modes    []ModeIncidence
}

// ModeIncidence is the share of items that failed of one mode, the others being at
// work beside it. Its columns belong to Incidence.Time.
type ModeIncidence struct {
	Mode         int // 1 or above
	Failures     int
	Incidence    []float64 // between 0 and 1; over the modes it adds up to 1 − Survival
	SE           []float64
	Lower, Upper []float64 // log-log bounds of 1 − Incidence; NaN where Incidence is 0 or 1
}

// AalenJohansen returns the cumulative incidence of each of the failure modes 1 to
// Modes() (Aalen and Johansen, Scand. J. Statist. 5 (1978) 141-150)
//
//	F_k(t) = Σ_{u≤t} S(u−)·d_k(u)/n(u)
//
// Kaplan-Meier for one mode with the others as censored would answer what happened
// if the others could not, and is larger. The variance is the multinomial one of
// Greenwood's kind (Andersen, Borgan, Gill and Keiding, Statistical Models Based on
// Counting Processes, 1993, section IV.4.1): with hazards h = d/n at each u, whose
// covariance is (δ_jk·h_k − h_j·h_k)/n, errors are carried forward through
//
//	F_k ← F_k + S·h_k,  S ← S·(1 − Σ_j h_j)
//
// With one mode it is Greenwood's. Left truncation and ties are treated as in
// KaplanMeier. A confidence outside 0 to 1 is Invalid. The work is O(n + steps·modes).
func (l *Life) AalenJohansen(confidence float64) (*Incidence, error) {
	if err := checkConfidence(confidence); err != nil {
		return nil, err
	}
	n := len(l.steps.time)
	out := &Incidence{Time: l.steps.time, Survival: make([]float64, n), Modes: make([]ModeIncidence, l.modes)}
	states := make([]modeState, l.modes)
	for k := range out.Modes {
		out.Modes[k] = ModeIncidence{Mode: k + 1, Incidence: make([]float64, n), SE: make([]float64, n), Lower: make([]float64, n), Upper: make([]float64, n)}
	}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	failed := make([]int, l.modes)
	survival, variance, row := 1.0, 0.0, 0
	for i, t := range l.steps.time {
		clear(failed)
		for ; row < len(l.time) && l.time[row] <= t; row++ {
			if l.event[row] > 0 && l.time[row] == t {
				failed[l.event[row]-1]++
			}
		}
		atRisk := float64(l.steps.atRisk[i])
		all := float64(l.steps.failed[i]) / atRisk
		for k := range states {
			out.Modes[k].Failures += failed[k]
			states[k].step(survival, variance, float64(failed[k])/atRisk, all, atRisk)
			out.Modes[k].put(i, states[k], z)
		}
		variance = (1-all)*(1-all)*variance + survival*survival*all*(1-all)/atRisk
		survival *= 1 - all
		if l.steps.failed[i] == l.steps.atRisk[i] {
			survival = 0
		}
		out.Survival[i] = survival
	}
	return out, nil
}

// modeState is the incidence of one mode so far, its variance, and its covariance
// with the survival.
type modeState struct{ incidence, variance, covariance float64 }

// step takes in one time, given the survival just before it with its variance, the
// hazard of this mode and of all modes, and the number at risk.
func (m *modeState) step(survival, survivalVariance, hazard, all, atRisk float64) {
	own := hazard * (1 - hazard) / atRisk
	withAll := own - hazard*(all-hazard)/atRisk // covariance of this hazard with the sum of all
	m.incidence += survival * hazard
	m.variance += 2*hazard*m.covariance + hazard*hazard*survivalVariance + survival*survival*own
	m.covariance = (1-all)*(m.covariance+hazard*survivalVariance) - survival*survival*withAll
}

func (m *ModeIncidence) put(i int, s modeState, z float64) {
	m.Incidence[i], m.SE[i] = s.incidence, math.Sqrt(max(s.variance, 0))
	m.Lower[i], m.Upper[i] = math.NaN(), math.NaN()
	if rest := 1 - s.incidence; s.incidence > 0 && rest > 0 {
		logRest := math.Log1p(-s.incidence)
		spread := math.Exp(-z * m.SE[i] / (rest * logRest))
		m.Lower[i] = -math.Expm1(logRest / spread)
		m.Upper[i] = -math.Expm1(logRest * spread)
	}
}
