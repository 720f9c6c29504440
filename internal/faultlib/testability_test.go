package faultlib

import (
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
)

// The report of the shipped library holds against the library itself: what it
// says is not separated has no measurement whose outcomes the file states so
// differently, and every cause is in it once.
func TestTestabilityOfTheShippedLibrary(t *testing.T) {
	t.Parallel()
	lib := embeddedLibrary(t)
	r, err := lib.Testability(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if r.Causes != len(lib.Causes) || len(r.Uses) != len(lib.Measurements) || r.Boards != len(lib.Causes) || len(r.Hints) != len(r.Groups) {
		t.Errorf("%d causes, %d uses, %d boards, %d hints of %d groups", r.Causes, len(r.Uses), r.Boards, len(r.Hints), len(r.Groups))
	}
	// Common practice, no source: a library that misses one fault in ten, or
	// cannot tell one in five from another, is not fit for the bench.
	if r.Detected.Weighted < 0.9 || r.IsolatedToOne.Weighted < 0.8 {
		t.Errorf("detected %+v, isolated %+v", r.Detected, r.IsolatedToOne)
	}
	for _, p := range r.Pairs {
		a, b := lib.LinksOf(p.A), lib.LinksOf(p.B)
		for m, row := range a.Outcomes {
			sum := 0.0
			for o, v := range row {
				sum += max(0, v-b.Outcomes[m][o])
			}
			// The file's own shares, before leaks and floor, are at most a little
			// farther apart than the model's.
			if sum > 0.6 {
				t.Errorf("%s is %.2f apart between %s and %s, which are said to be alike", m, sum, p.A, p.B)
			}
		}
	}
	if u := r.Uses[slices.IndexFunc(r.Uses, func(u diagnosis.Use) bool { return u.Finding == MeasurementFinding("pack_heat_triage") })]; u.Chosen != r.Boards {
		t.Errorf("the safety check is taken on %d of %d boards", u.Chosen, r.Boards)
	}
	stop := errors.New("enough")
	if _, err := lib.Testability(nil, func() error { return stop }); !errors.Is(err, stop) {
		t.Errorf("interrupted: %v", err)
	}
}

// Two causes with the same row are one group, and what would split it is said: the
// measurement of their component that no row of theirs names.
func TestTestabilityHints(t *testing.T) {
	t.Parallel()
	text := strings.NewReplacer("loop: {high: 0.4}", "loop: {open: 0.7, high: 0.2}", "stutters: 0.5, smoke: 0.1", "stutters: 0.8").Replace(tinyWith("0.001", "0.02"))
	second := `  - id: look
    title: Look at the sensor
    kind: inspection
    of: sensor
    access: outside
    minutes: 1
    hazard: 0
    caution: none
    outcomes:
      - {id: cracked, meaning: cracked}
      - {id: whole, meaning: normal}
    leak: 0.01
    examples: []
    src: [E]
`
	lib := mustLoad(t, strings.Replace(text, "intake_gates:", second+"intake_gates:", 1))
	r, err := lib.Testability(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Groups) != 1 || !slices.Equal(r.Groups[0].Causes, []string{"cable_open", "sensor_dead"}) || r.Groups[0].Distance != 0 {
		t.Fatalf("groups %+v", r.Groups)
	}
	want := SplitHint{Link: []string{"look"}, Components: []string{"cable", "sensor"}, Modes: []string{"open_circuit"}}
	if !reflect.DeepEqual(r.Hints[0], want) {
		t.Errorf("hint %+v, want %+v", r.Hints[0], want)
	}
}

// A board comes in with what its fault shows at least every second time, or with
// what it shows most; a stop sign is no complaint to measure on.
func TestComplaintOf(t *testing.T) {
	t.Parallel()
	lib := mustLoad(t, tinyWith("0.001", "0.02"))
	for cause, want := range map[string][]string{"cable_open": {"s:stutters"}, "sensor_dead": {"s:stutters"}, "nothing": nil} {
		var got []string
		for _, o := range lib.complaintOf(cause).Evidence {
			got = append(got, o.Finding)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", cause, got, want)
		}
	}
}
