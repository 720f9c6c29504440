package faultlib

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

// withUnsure is the tiny library whose highest outcome says that the reading is of
// no use; keyed tells whether the file says so.
func withUnsure(keyed bool) string {
	key := ""
	if keyed {
		key = `label: "meter not settled", inconclusive: true, `
	}
	return strings.Replace(tinyWith("0.001", "0.02"), `      - {id: open, when`,
		`      - {id: unsure, `+key+`when: "r > 5000", meaning: of no use}`+"\n"+`      - {id: open, when`, 1)
}

// TestInconclusiveKeepsTheModel: the key changes what a result says, not a number
// of the model: levels, leaks, floors and links are those without it.
func TestInconclusiveKeepsTheModel(t *testing.T) {
	t.Parallel()
	with, err := mustLoad(t, withUnsure(true)).Spec(ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	without, err := mustLoad(t, withUnsure(false)).Spec(ModelContext{})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(with, without) {
		t.Errorf("with the key\n%+v\nwithout\n%+v", with, without)
	}
}

func TestObserveResult(t *testing.T) {
	t.Parallel()
	keyed, plain := mustLoad(t, withUnsure(true)), mustLoad(t, withUnsure(false))
	for _, c := range []struct {
		name, outcome string
		likelihood    map[string]float64
		none          bool
		note          string
		// level or like, by level: good, high, open, unsure.
		level int
		like  []float64
	}{
		{"plain", "open", nil, false, "", 2, nil},
		{"of no use", "unsure", nil, true, "This reading is of no use (meter not settled) and counts as no evidence: take it again.", 0, nil},
		{"of no use with a share of another", "unsure", map[string]float64{"unsure": 0.8, "open": 0.2}, true, "of no use", 0, nil},
		{"most probably of no use", "open", map[string]float64{"unsure": 0.6, "open": 0.4}, true, "of no use", 0, nil},
		{"as probably of no use as not", "open", map[string]float64{"unsure": 0.5, "open": 0.5}, true, "of no use", 0, nil},
		{"most probable of three", "open", map[string]float64{"unsure": 0.4, "open": 0.3, "high": 0.3}, true, "of no use", 0, nil},
		{"one left", "open", map[string]float64{"unsure": 0.3, "open": 0.7}, false, "With 30 % the reading would be of no use (meter not settled)", 2, nil},
		{"two left", "open", map[string]float64{"unsure": 0.2, "open": 0.5, "high": 0.3}, false, "With 20 %", 0, []float64{0, 0.375, 0.625, 0}},
		{"hardly any", "open", map[string]float64{"unsure": 0.001, "open": 0.999}, false, "With 1 %", 2, nil},
		{"none of it", "open", map[string]float64{"open": 0.75, "high": 0.25}, false, "", 0, []float64{0, 0.25, 0.75, 0}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got, err := keyed.ObserveResult("loop", c.outcome, c.likelihood)
			if err != nil {
				t.Fatal(err)
			}
			if got.Inconclusive != c.none || !strings.Contains(got.Note, c.note) || (c.note == "") != (got.Note == "") {
				t.Errorf("%+v", got)
			}
			if !c.none && (got.Observation.Level != c.level || !sameShares(got.Observation.Likelihood, c.like)) {
				t.Errorf("evidence %+v, expected level %d, likelihood %v", got.Observation, c.level, c.like)
			}
			// Without the key all of it is evidence as it stands, without a word.
			if was, err := plain.ObserveResult("loop", c.outcome, c.likelihood); err != nil || was.Inconclusive || was.Note != "" {
				t.Errorf("without the key: %+v, %v", was, err)
			}
		})
	}
	for field, call := range map[string]func() error{
		"measurement": func() error { _, err := keyed.ObserveResult("x", "open", nil); return err },
		"outcome":     func() error { _, err := keyed.ObserveResult("loop", "x", nil); return err },
		"likelihood":  func() error { _, err := keyed.ObserveResult("loop", "open", map[string]float64{"open": 0}); return err },
	} {
		if p := problem.As(call()); p == nil || len(p.Fields) != 1 || p.Fields[0].Field != field {
			t.Errorf("%s: %v", field, p)
		}
	}
}

func sameShares(a, b []float64) bool {
	return slices.EqualFunc(a, b, func(x, y float64) bool { return math.Abs(x-y) < 1e-12 })
}

// TestInferInconclusive: a result of no use moves no probability, is listed with its
// sentence, and the measurement may be taken again.
func TestInferInconclusive(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	const symptom = `{"symptom": "short_range", "present": true}`
	for _, seen := range []string{
		`{"measurement": "pack_voltage_soc", "outcome": "series_unknown"}`,
		`{"measurement": "pack_resistance_step", "readings": {"u1": 75, "i1": 1, "u2": 74.8, "i2": 2, "series": 20, "parallel": 2, "r_new_mohm": 20, "t_c": 22}}`,
	} {
		before, err := lib.InferJSON([]byte(`{"observations": [` + symptom + `]}`))
		if err != nil {
			t.Fatal(err)
		}
		after, err := lib.InferJSON([]byte(`{"observations": [` + symptom + `, ` + seen + `]}`))
		if err != nil {
			t.Fatal(err)
		}
		last := after.Observations[1]
		if !last.Inconclusive || !strings.Contains(last.Note, "take it again") {
			t.Errorf("read as %+v", last)
		}
		if !reflect.DeepEqual(before.Causes, after.Causes) || before.PEvidence != after.PEvidence || !reflect.DeepEqual(before.Advice, after.Advice) {
			t.Errorf("%s moves something: %v, %v", seen, before.Causes[:3], after.Causes[:3])
		}
		if !slices.ContainsFunc(after.Next, func(n NextJSON) bool { return n.Measurement == last.Measurement }) {
			t.Errorf("%s cannot be taken again", last.Measurement)
		}
		if good, err := lib.InferJSON([]byte(`{"observations": [` + symptom + `, {"measurement": "` + last.Measurement + `", "outcome": "` +
			lib.Measurement(last.Measurement).normals()[0] + `"}]}`)); err != nil || good.PEvidence == before.PEvidence {
			t.Errorf("a good result says nothing either: %v", err)
		}
	}
}

// TestNothingIsConcludedFromInconclusive: no check, interlock or gate names one.
func TestNothingIsConcludedFromInconclusive(t *testing.T) {
	t.Parallel()
	for _, edit := range [][2]string{
		{"verify: [{m: loop, is: good}]", "verify: [{m: loop, is: unsure}]"},
		{"in: [good, high]", "in: [good, unsure]"},
		{"- {symptom: smoke, stop: true}", "- {measurement: loop, stop_on: [unsure]}"},
		{"loop: {high: 0.4}", "loop: {unsure: 0.4}"},
	} {
		text := withUnsure(true)
		if !strings.Contains(text, edit[0]) {
			t.Fatalf("no %q", edit[0])
		}
		lib, issues := Load([]byte(strings.Replace(text, edit[0], edit[1], 1)))
		_, after, _ := strings.Cut(edit[1], "unsure")
		line, column := placeOf(t, strings.Replace(text, edit[0], edit[1], 1), "unsure"+after)
		if lib != nil || !slices.ContainsFunc(issues, func(i Issue) bool {
			return i.Severity == Error && strings.Contains(i.Message, `"unsure" of loop is inconclusive`) && i.Line == line && i.Column == column
		}) {
			t.Errorf("%s: %v", edit[1], issues)
		}
		if lib, issues := Load([]byte(strings.Replace(withUnsure(false), edit[0], edit[1], 1))); lib == nil {
			t.Errorf("without the key %s is refused: %v", edit[1], issues)
		}
	}
}
