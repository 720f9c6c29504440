package shop

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
)

const turned = "wheel_hand_spin"

// doubting is a job whose wheel had hard spots while everything else says that the
// motor is whole: before the magnet is repaired, the wheel is turned again.
func doubting(t *testing.T) (*desk, Diagnosis) {
	t.Helper()
	d := setup(t, Diagnosing)
	d.symptom("grinding_noise")
	for _, x := range [][2]string{{"pack_heat_triage", "normal"}, {turned, "lumpy_drag"}, {"fault_log_read", "none"}, {"motor_ident", "consistent"}, {"bearing_play", "tight"}} {
		d.sees(x[0], x[1])
	}
	got := d.diagnosis()
	if got.Advice.Kind != diagnosis.AdviseMeasure || got.Advice.Measurement != turned {
		t.Fatalf("advised is %+v, want a second look at %s", got.Advice, turned)
	}
	return d, got
}

func (d *desk) onceTaken(measurement string) bool {
	return slices.Contains(once(d.lib, d.file), faultlib.MeasurementFinding(measurement))
}

// What the technician reads says what the first reading said, how doubtful it is,
// what would be done without the second look, and what that costs.
func TestSecondLookIsExplained(t *testing.T) {
	d, got := doubting(t)
	q, err := inquire(d.bench)
	if err != nil {
		t.Fatal(err)
	}
	r := q.advice.Reason
	first := d.lib.Measurement(turned).Outcome("lumpy_drag").Words()
	for _, want := range []string{"again before repairing", "“" + first + "”", "is not what the other findings let one expect", percent(r.Probability), q.money(r.Cost), d.lib.Cause("magnet_loose").Name} {
		if !strings.Contains(got.Advice.Text, want) {
			t.Errorf("%q does not say %q", got.Advice.Text, want)
		}
	}
	n := got.Next[0]
	if n.Measurement.ID != turned || !strings.Contains(n.Why, first) || !strings.Contains(n.Why, "The same result again settles it") {
		t.Errorf("the card says %q of %s", n.Why, n.Measurement.ID)
	}
	if n.Minutes != d.lib.Measurement(turned).Minutes || n.Cost <= 0 || len(n.Cautions) == 0 {
		t.Errorf("%.1f min, %.0f, cautions %q", n.Minutes, n.Cost, n.Cautions)
	}
	sum := 0.0
	for _, o := range n.Outcomes {
		sum += o.Probability
		if o.ID == "lumpy_drag" && o.Probability < 1-r.Probability {
			t.Errorf("the first result is expected again with %v, and the doubt is %v", o.Probability, r.Probability)
		}
	}
	if sum < 1-1e-9 || sum > 1+1e-9 {
		t.Errorf("the outcomes sum to %v", sum)
	}
}

// The same result again settles the matter: the same repair is advised, and there
// is no third look.
func TestSecondLookAgrees(t *testing.T) {
	d, _ := doubting(t)
	d.sees(turned, "lumpy_drag")
	if got := d.diagnosis(); got.Advice.Kind != diagnosis.AdviseRepair || got.Advice.Cause != "magnet_loose" || got.Causes[0].ID != "magnet_loose" {
		t.Errorf("after the same result: %+v", got.Advice)
	}
	if d.onceTaken(turned) {
		t.Error("taken twice it counts as taken once")
	}
}

// Another result takes the first one's place: the doubt is gone with the reading,
// and so is the argument for the magnet.
func TestSecondLookDisagrees(t *testing.T) {
	d, before := doubting(t)
	first := d.lib.Measurement(turned).Outcome("lumpy_drag").Words()
	argued := func() bool {
		whole := d.whole("")
		return strings.Contains(fmt.Sprint(*whole.Argument, whole.Advice), first)
	}
	if !argued() {
		t.Error("the first reading is not argued with before")
	}
	d.sees(turned, "normal")
	got := d.diagnosis()
	if got.Advice.Measurement == turned || got.Advice.Cause == "magnet_loose" {
		t.Errorf("after another result: %+v", got.Advice)
	}
	if b, a := before.probability("magnet_loose"), got.probability("magnet_loose"); b < 0.3 || a > b/10 {
		t.Errorf("the magnet went from %v to %v", b, a)
	}
	if argued() {
		t.Error("the first reading is still argued with")
	}
}

// Before a board is handed over the text speaks of that, not of a repair.
func TestSecondLookBeforeHandingOver(t *testing.T) {
	d := setup(t, Diagnosing)
	q := &inquiry{bench: d.bench, advice: &diagnosis.Advice{Kind: diagnosis.AdviseMeasure, Finding: faultlib.MeasurementFinding(turned),
		Reason: diagnosis.Reason{Code: diagnosis.ReasonTakeAgain, Probability: 0.25, Cost: 200}}}
	if got := q.measureText(); !strings.Contains(got, "again before handing the board over") || !strings.Contains(got, "25 %") || strings.Contains(got, "repair") {
		t.Errorf("%q", got)
	}
}

func TestTakenOnce(t *testing.T) {
	d := setup(t, Diagnosing)
	is := func(when, measurement string, want bool) {
		t.Helper()
		if got := d.onceTaken(measurement); got != want {
			t.Errorf("%s: %s counts as taken once: %t", when, measurement, got)
		}
	}
	is("at first", turned, false)
	first := d.sees(turned, "normal")
	is("after one result", turned, true)
	second := d.sees(turned, "normal")
	is("after two", turned, false)
	d.must(func(b bench, p pen) (JobChange, error) { return retract(b, second.ID, p) })
	is("after the second was a mistake", turned, true)
	d.must(func(b bench, p pen) (JobChange, error) { return retract(b, first.ID, p) })
	is("after both were", turned, false)

	d.sees(voltage, "series_unknown")
	is("after a result of no use", voltage, false)
	d.sees("interbox_visual", "clean")
	is("once seen", "interbox_visual", true)
	d.repairs(d.confirm("bearing_worn"))
	is("before a repair", "interbox_visual", false)
	d.sees("interbox_visual", "clean")
	is("and seen again after it", "interbox_visual", true)
}

// A result that an event overtook was of another board: the next one is a first.
func TestTakenOnceSinceOvertaken(t *testing.T) {
	d := setup(t, Diagnosing)
	const leak = "box_leak_decay"
	path := openingPath(d.lib, "motor_box_open")
	d.sees(leak, "tight")
	before := d.onceTaken(leak)
	for _, o := range path {
		if !doorsOf(d.file).open(o.ID) {
			d.mustAccess(o.ID, Open)
		}
	}
	opened := d.onceTaken(leak)
	for _, o := range slices.Backward(path) {
		d.mustAccess(o.ID, Closed)
	}
	d.sees(leak, "tight")
	if again := d.onceTaken(leak); !before || opened || !again {
		t.Errorf("taken once: %t, after the box was opened %t, measured again %t", before, opened, again)
	}
}
