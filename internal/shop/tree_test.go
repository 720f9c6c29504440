package shop

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/graph/encoding"
	"gonum.org/v1/gonum/graph/encoding/dot"
	"gonum.org/v1/gonum/graph/multi"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

func treeOf(t *testing.T, symptoms ...string) Tree {
	t.Helper()
	tree, err := CompileTree(embedded().lib, TreeInput{Symptoms: symptoms}, TreeSetting{LabourPerHour: 6000, Currency: "EUR", Version: 1, Date: "2026-03-02"})
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

// turn is a step of a way with the outcome that was seen there.
type turn struct {
	step    *TreeStep
	outcome string
}

// ways finds for every step one way that leads to it. After a result of no use,
// and after what is gathered as rare, the sheet says nothing to compare.
func (t Tree) ways() map[int][]turn {
	out := map[int][]turn{1: nil}
	queue := []int{1}
	for len(queue) > 0 {
		at := queue[0]
		queue = queue[1:]
		s := &t.Steps[at-1]
		for _, o := range s.Outcomes {
			if _, known := out[o.Step]; known || t.Steps[o.Step-1].Kind == TreeContinues {
				continue
			}
			out[o.Step] = append(slices.Clone(out[at]), turn{s, o.Outcomes[0].ID})
			queue = append(queue, o.Step)
		}
	}
	return out
}

// Whoever works by the sheet is told at every step what the live diagnosis of a
// job with the same records says, and opens the same.
func TestSheetSaysWhatTheBenchSays(t *testing.T) {
	empty := setup(t, Diagnosing)
	const symptom = "cutoff_under_load"
	tree := treeOf(t, symptom)
	compared := map[string]int{}
	for number, way := range tree.ways() {
		s := &tree.Steps[number-1]
		job := *empty
		d := &job
		d.symptom(symptom)
		for _, turn := range way {
			for _, o := range turn.step.Close {
				d.mustAccess(o.ID, Closed)
			}
			d.sees(turn.step.Measurement, turn.outcome)
		}
		got := d.diagnosis()
		compared[s.Kind]++
		if s.Kind == TreeStops {
			if got.Stop == nil {
				t.Errorf("step %d: the sheet stops, the bench does not", number)
			}
			continue
		}
		if got.Advice.Kind != s.Kind || got.Advice.Measurement != s.Measurement || got.Advice.Cause != s.Cause {
			t.Errorf("step %d: the sheet says %s %s%s, the bench %+v", number, s.Kind, s.Measurement, s.Cause, got.Advice)
		}
		if s.Kind == diagnosis.AdviseMeasure && openingNames(s.Open) != namesOf(got.Next[0]) {
			t.Errorf("step %d: the sheet opens %q, the bench %q", number, openingNames(s.Open), namesOf(got.Next[0]))
		}
	}
	if compared[diagnosis.AdviseMeasure] < 20 || compared[diagnosis.AdviseRepair] < 8 || compared[TreeStops] != 1 {
		t.Errorf("compared %v", compared)
	}
}

func namesOf(n NextMeasurement) string {
	var list []TreeOpening
	for _, o := range n.Access {
		list = append(list, TreeOpening{Name: words(o.ID)})
	}
	return openingNames(list)
}

// Every step says what can hurt where it is taken, every outcome of a measurement
// leads somewhere, every repair is proven, and nothing is said in ids.
func TestTreeIsWorded(t *testing.T) {
	t.Parallel()
	lib := embedded().lib
	for _, symptoms := range [][]string{{"cutoff_under_load"}, {"no_power_on", "water_history"}} {
		tree := treeOf(t, symptoms...)
		for i := range tree.Steps {
			s := &tree.Steps[i]
			text := strings.Join(append([]string{s.Name, s.Text, s.HazardName, s.Instructions, s.Expected, s.Repair}, s.Cautions...), " ")
			if s.Name == "" || s.Text == "" || strings.Contains(strings.Join(s.Cautions, " "), "_") {
				t.Errorf("step %d: %q", s.Step, text)
			}
			if s.Step != i+1 || s.Reach < 0 || s.Reach > 1+1e-9 {
				t.Errorf("step %d stands at %d with reach %v", s.Step, i+1, s.Reach)
			}
			if h := lib.Hazard(s.Hazard); s.Hazard > 0 && !strings.Contains(text, strings.TrimSuffix(sentence(h.Rule), ".")) {
				t.Errorf("step %d: the rule of hazard %d is missing in %q", s.Step, s.Hazard, text)
			}
			switch s.Kind {
			case diagnosis.AdviseMeasure:
				checkOutcomes(t, s)
			case diagnosis.AdviseRepair:
				own := slices.ContainsFunc(s.Prove, func(p TreeProof) bool { return !p.Always && len(p.Outcomes) > 0 })
				ride := slices.ContainsFunc(s.Prove, func(p TreeProof) bool { return p.Measurement == "ride_verification" })
				if !own || !ride || s.Repair == "" {
					t.Errorf("step %d, %s, is proven by %+v", s.Step, s.Name, s.Prove)
				}
			}
		}
	}
}

func checkOutcomes(t *testing.T, s *TreeStep) {
	t.Helper()
	m := embedded().lib.Measurement(s.Measurement)
	if m.Caution != "" && m.Caution != "none" && !slices.Contains(s.Cautions, sentence(m.Caution)) {
		t.Errorf("step %d does not show the caution of %s", s.Step, m.ID)
	}
	if s.Instructions == "" || len(s.Outcomes) == 0 {
		t.Errorf("step %d has no instructions or outcomes", s.Step)
	}
	sum, named := 0.0, map[string]bool{}
	for _, o := range s.Outcomes {
		sum += o.Probability
		for _, r := range o.Outcomes {
			named[r.ID] = true
			if r.Text != m.Outcome(r.ID).Words() {
				t.Errorf("step %d: outcome %+v", s.Step, r)
			}
		}
	}
	if sum < 1-1e-9 || sum > 1+1e-9 || len(named) != len(m.Outcomes) {
		t.Errorf("step %d: %d of %d outcomes, sum %v", s.Step, len(named), len(m.Outcomes), sum)
	}
}

// Where a controller box stands open, the sheet says before any probing that the
// bus must be found dead; the measurement of the bus itself and a look are not
// held up by it.
func TestTreeSaysInterlocks(t *testing.T) {
	t.Parallel()
	bars := func(s *TreeStep) bool {
		return slices.ContainsFunc(s.Cautions, func(c string) bool { return strings.Contains(c, "stored energy and arcs") })
	}
	probed := 0
	for _, symptom := range []string{"no_power_on", "stutter_at_start", "cutoff_under_load", "lights_but_no_balance", "burnt_part_on_board"} {
		tree := treeOf(t, symptom)
		for i := range tree.Steps {
			s := &tree.Steps[i]
			m := embedded().lib.Measurement(s.Measurement)
			if m == nil {
				continue
			}
			inside := slices.ContainsFunc(openingPath(embedded().lib, m.Access), func(o faultlib.Opening) bool { return o.ID == "motor_box_open" })
			want := inside && m.Kind != measure.Inspection && m.ID != "bus_residual_voltage"
			if bars(s) != want {
				t.Errorf("%s, step %d, %s: the bus is held up: %t, want %t", symptom, s.Step, s.Name, !want, want)
			}
			if want {
				probed++
			}
		}
	}
	if probed == 0 {
		t.Error("no tree probes in a controller box")
	}
}

// The language of Graphviz is checked by a parser of another house (gonum).
func TestTreeAsDOT(t *testing.T) {
	t.Parallel()
	tree := treeOf(t, "stutter_at_start")
	tree.Steps[0].Name = `A "quoted" name with a back\slash; and -> an arrow {`
	out := tree.DOT()
	g := &dotGraph{DirectedGraph: multi.NewDirectedGraph()}
	if err := dot.UnmarshalMulti(out, g); err != nil {
		t.Fatalf("%v in\n%s", err, out)
	}
	edges, proofs := 0, 0
	for _, s := range tree.Steps {
		edges += len(s.Outcomes)
		if len(s.Prove) > 0 {
			proofs++
		}
	}
	lines := 0
	it := g.Edges()
	for it.Next() {
		lines += it.Edge().(multi.Edge).Len()
	}
	if n := g.Nodes().Len(); n != len(tree.Steps)+proofs || lines != edges+proofs {
		t.Errorf("%d boxes and %d edges, want %d and %d", n, lines, len(tree.Steps)+proofs, edges+proofs)
	}
	for label := range strings.SplitSeq(string(out), "\n") {
		if i := strings.Index(label, `label="`); strings.HasPrefix(label, "\ts") && i > 0 {
			for line := range strings.SplitSeq(label[i+7:], `\n`) {
				if len([]rune(line)) > boxWidth+14 {
					t.Errorf("a line of %d letters: %q", len([]rune(line)), line)
				}
			}
		}
	}
}

type dotGraph struct{ *multi.DirectedGraph }

// DOTAttributeSetters takes what is not looked at.
func (g *dotGraph) DOTAttributeSetters() (graph, node, edge encoding.AttributeSetter) {
	return ignored{}, ignored{}, ignored{}
}

type ignored struct{}

func (ignored) SetAttribute(encoding.Attribute) error { return nil }

func TestTreeAsText(t *testing.T) {
	t.Parallel()
	tree := treeOf(t, "short_range")
	text := string(tree.Plain())
	for i := range tree.Steps {
		if !strings.Contains(text, fmt.Sprintf("\n%d. %s", i+1, tree.Steps[i].Label())) {
			t.Errorf("step %d is missing", i+1)
		}
	}
	for line := range strings.SplitSeq(text, "\n") {
		if len([]rune(line)) > 200 {
			t.Errorf("a line of %d letters: %s", len([]rune(line)), line)
		}
	}
	if !strings.Contains(text, "prove it: ") || !strings.Contains(text, "   ! ") {
		t.Error("proofs or cautions are missing")
	}
}

func TestTreeGivesTheSameBytes(t *testing.T) {
	t.Parallel()
	var first []byte
	for range 2 {
		out, err := json.Marshal(treeOf(t, "no_charge_led_green", "moisture_in_box"))
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = out
		} else if !bytes.Equal(first, out) {
			t.Error("two compilations differ")
		}
	}
}

func TestTreeInterrupted(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := CompileTree(embedded().lib, TreeInput{Symptoms: []string{"short_range"}}, TreeSetting{LabourPerHour: 6000, Interrupted: ctx.Err})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	if !problem.Is(tooSlow(context.DeadlineExceeded, "The tree"), problem.Unavailable) || !errors.Is(tooSlow(err, "The tree"), context.Canceled) || tooSlow(nil, "") != nil {
		t.Error("a deadline is not worded, or something else is")
	}
}

func TestWrap(t *testing.T) {
	t.Parallel()
	for in, want := range map[string][]string{
		"":                    {""},
		"one two three":       {"one two", "three"},
		"größer als drei":     {"größer", "als drei"},
		"unbreakablelongword": {"unbreakablelongword"},
	} {
		if got := wrap(in, 8); !slices.Equal(got, want) {
			t.Errorf("%q breaks into %q, want %q", in, got, want)
		}
	}
}
