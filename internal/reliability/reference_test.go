package reliability

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// reference is what R and its survival package made of the same data
// (testdata/reference/life.R; versions in the JSON).
type reference struct {
	Fleet struct {
		Time, Entry        []float64
		Event, Group, Mode []int
	} `json:"fleet"`
	KMFleet             refCurve     `json:"km_fleet"`
	WeibullFleet        refWeibull   `json:"weibull_fleet"`
	WeibullLate         refWeibull   `json:"weibull_late"`
	IncidenceFleet      refIncidence `json:"incidence_fleet"`
	IncidenceFromNew    refIncidence `json:"incidence_from_new"`
	LogRankFleet        refTest      `json:"logrank_fleet"`
	LogRankFleetFromNew refTest      `json:"logrank_fleet_from_new"`
	KM6MP               refCurve     `json:"km_6mp"`
	KMPlacebo           refCurve     `json:"km_placebo"`
	Weibull6MP          refWeibull   `json:"weibull_6mp"`
	LogRank6MP          refTest      `json:"logrank_6mp"`
	WeibullNIST         refWeibull   `json:"weibull_nist"`
	SurvregNIST         [3]float64   `json:"survreg_nist"`
	Few                 struct {
		Time         []float64
		Event, Group []int
	} `json:"few"`
	LogRankFew refTest `json:"logrank_few"`
	ExactFew   struct {
		P     float64
		Count int
	} `json:"exact_few"`
}

type refCurve struct {
	Time, Survival, Hazard []float64
	AtRisk                 []int `json:"at_risk"`
	Failed                 []int
	SE, Lower, Upper       []*float64
	HazardSE               []float64   `json:"hazard_se"`
	P10                    [3]*float64 `json:"p10"`
	Median                 [3]*float64
}

type refWeibull struct {
	LogLik                          float64
	Shape, Scale, B10, Median, Mean [3]float64
}

type refIncidence struct {
	Time      []float64
	Incidence [3][]float64
	SE        [3][]float64
}

type refTest struct {
	Observed, Expected, Variance []float64
	Chi2, P                      float64
	DF                           int
}

func readReference(t *testing.T) reference {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/reference/life.json")
	if err != nil {
		t.Fatal(err)
	}
	var r reference
	if err := json.Unmarshal(raw, &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// near fails the test when got is not want to within a relative tolerance.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*max(1, math.Abs(want))) {
		t.Errorf("%s: %.12g, want %.12g", what, got, want)
	}
}

// nearOrMissing is near, where nil stands for what R cannot give either.
func nearOrMissing(t *testing.T, what string, got float64, want *float64, tolerance float64) {
	t.Helper()
	if want == nil {
		if !math.IsNaN(got) {
			t.Errorf("%s: %v where there is no value", what, got)
		}
		return
	}
	near(t, what, got, *want, tolerance)
}

// mustLife builds life data that is known to be good.
func mustLife(t testing.TB, c Columns) *Life {
	t.Helper()
	l, err := NewLife(c)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func mustLives(t testing.TB, c Columns, group []int, groups int) []*Life {
	t.Helper()
	l, err := NewLives(c, group, groups)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// plus writes life data as books do: a negative time is one with a plus sign,
// censored.
func plus(times ...float64) Columns {
	var c Columns
	for _, v := range times {
		c.Time = append(c.Time, math.Abs(v))
		event := 1
		if v < 0 {
			event = 0
		}
		c.Event = append(c.Event, event)
	}
	return c
}

// Remission times in weeks, 6-mercaptopurine and placebo: Freireich and others, Blood
// 21 (1963) 699-716, as tabulated by Gehan, Biometrika 52 (1965) 203-223.
var (
	gehan6MP     = plus(6, 6, 6, -6, 7, -9, 10, -10, -11, 13, 16, -17, -19, -20, 22, 23, -25, -32, -32, -34, -35)
	gehanPlacebo = plus(1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)
	// NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.1.3: ten failures
	// in hours, ten units still running at 500 h.
	nistWeibull = plus(54, 187, 216, 240, 244, 335, 361, 373, 375, 386, -500, -500, -500, -500, -500, -500, -500, -500, -500, -500)
)
