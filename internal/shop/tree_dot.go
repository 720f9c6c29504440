package shop

import (
	"fmt"
	"strconv"
	"strings"

	"nextprobe/internal/diagnosis"
)

const (
	// boxWidth and edgeWidth are where a diagram's lines are broken, in letters.
	boxWidth  = 30
	edgeWidth = 22
)

// shapes of a diagram's boxes, by the kind of step: a measurement is a question.
var shapes = map[string]string{
	diagnosis.AdviseMeasure:  "box",
	diagnosis.AdviseRepair:   "component",
	diagnosis.AdviseEscalate: "house",
	TreeStops:                "octagon",
	TreeContinues:            "plaintext",
}

// DOT writes the tree as a directed graph in the language of Graphviz: a box per
// step with its number, hazard and what to open, an edge per outcome, and behind
// each repair the box that proves it. Lines are broken, text is quoted.
func (t Tree) DOT() []byte {
	var b strings.Builder
	b.WriteString("digraph tree {\n")
	fmt.Fprintf(&b, "\tgraph [label=%s, labelloc=t, rankdir=TB, fontname=\"sans-serif\"];\n", dotQuote(t.title(), 100))
	b.WriteString("\tnode [fontname=\"sans-serif\", fontsize=11];\n\tedge [fontname=\"sans-serif\", fontsize=10];\n")
	for _, s := range t.Steps {
		fmt.Fprintf(&b, "\ts%d [shape=%s, label=%s];\n", s.Step, shapes[s.Kind], dotQuote(s.box(), boxWidth))
		if len(s.Prove) > 0 {
			fmt.Fprintf(&b, "\tp%d [shape=note, label=%s];\n", s.Step, dotQuote(s.proofBox(), boxWidth))
		}
	}
	for _, s := range t.Steps {
		if len(s.Prove) > 0 {
			fmt.Fprintf(&b, "\ts%d -> p%d [label=\"prove it\"];\n", s.Step, s.Step)
		}
		for _, o := range s.Outcomes {
			fmt.Fprintf(&b, "\ts%d -> s%d [label=%s];\n", s.Step, o.Step, dotQuote(o.Words()+"\n"+percent(o.Probability), edgeWidth))
		}
	}
	b.WriteString("}\n")
	return []byte(b.String())
}

// title says in one line what the tree is for and which edition it comes from.
func (t Tree) title() string {
	names := make([]string, len(t.Symptoms))
	for i, s := range t.Symptoms {
		names[i] = s.Text
		if !s.Present {
			names[i] = "not: " + s.Text
		}
	}
	use := ""
	if len(t.Exposures) > 0 {
		use = "\nuse: " + strings.Join(t.Use(), "; ")
	}
	return fmt.Sprintf("%s%s\nlibrary edition %d, %s, sha256 %.12s", strings.Join(names, "; "), use, t.Edition, t.Date, t.SHA256)
}

// Use is what is known of the board's use, in words.
func (t Tree) Use() []string {
	var out []string
	for _, e := range t.Exposures {
		out = append(out, e.Text)
	}
	return out
}

func (s TreeStep) box() string {
	lines := []string{fmt.Sprintf("%d. %s", s.Step, s.Label())}
	if s.Hazard > 0 {
		lines = append(lines, fmt.Sprintf("hazard %d: %s", s.Hazard, s.HazardName))
	}
	if len(s.Close) > 0 {
		lines = append(lines, "close: "+openingNames(s.Close))
	}
	if len(s.Open) > 0 {
		lines = append(lines, "open: "+openingNames(s.Open))
	}
	return strings.Join(lines, "\n")
}

func (s TreeStep) proofBox() string {
	var lines []string
	for _, p := range s.Prove {
		line := p.Name + ": " + p.Words()
		if p.When != "" {
			line += " (when " + p.When + ")"
		}
		lines = append(lines, line)
	}
	return strings.Join(lines, "\n")
}

func openingNames(list []TreeOpening) string {
	names := make([]string, len(list))
	for i, o := range list {
		names[i] = o.Name
	}
	return strings.Join(names, ", then ")
}

// dotQuote is a quoted string of the language with its lines broken at width.
// Inside quotes only the quote and the backslash mean something.
func dotQuote(s string, width int) string {
	var lines []string
	for line := range strings.SplitSeq(s, "\n") {
		lines = append(lines, wrap(line, width)...)
	}
	for i, line := range lines {
		lines[i] = strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(line)
	}
	return `"` + strings.Join(lines, `\n`) + `"`
}

// wrap breaks a text between words so that lines have at most width letters where
// no word is longer.
func wrap(s string, width int) []string {
	var lines []string
	line, n := "", 0
	for _, word := range strings.Fields(s) {
		letters := len([]rune(word))
		if n > 0 && n+1+letters > width {
			lines = append(lines, line)
			line, n = "", 0
		}
		if n > 0 {
			line += " "
			n++
		}
		line += word
		n += letters
	}
	return append(lines, line)
}

// Plain writes the tree as text for a terminal or a printer: every step once, in
// the order of the numbers, with its cautions.
func (t Tree) Plain() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", t.title())
	fmt.Fprintf(&b, "Expected: %s and %.0f min; the live policy itself expects %s; labour %s an hour.\n",
		t.price(t.ExpectedCost), t.ExpectedMinutes, t.price(t.LiveCost), t.price(t.LabourPerHour))
	writeWrapped(&b, "", t.Method)
	for _, n := range t.Notes {
		writeWrapped(&b, "! ", n)
	}
	for i := range t.Steps {
		t.Steps[i].plain(&b, t)
	}
	return []byte(b.String())
}

// price prints an amount; without a shop there is no currency.
func (t Tree) price(minor float64) string {
	return strings.TrimSpace(fmt.Sprintf("%.2f %s", minor/100, t.Currency))
}

const plainWidth = 96

func writeWrapped(b *strings.Builder, mark, text string) {
	for i, line := range wrap(text, plainWidth-len(mark)) {
		if i > 0 {
			mark = strings.Repeat(" ", len(mark))
		}
		fmt.Fprintf(b, "%s%s\n", mark, line)
	}
}

func (s TreeStep) plain(b *strings.Builder, t Tree) {
	fmt.Fprintf(b, "\n%d. %s", s.Step, s.Label())
	fmt.Fprintf(b, "  (%s of boards", percent(s.Reach))
	if s.Minutes > 0 {
		fmt.Fprintf(b, ", %.0f min", s.Minutes)
	}
	fmt.Fprintf(b, "; from here %s, %.0f min)\n", t.price(s.ExpectedCost), s.ExpectedMinutes)
	const indent = "   "
	for _, c := range s.Cautions {
		writeWrapped(b, indent+"! ", c)
	}
	if len(s.Close) > 0 {
		writeWrapped(b, indent, "Close first: "+openingNames(s.Close)+".")
	}
	if len(s.Open) > 0 {
		writeWrapped(b, indent, "Open: "+openingNames(s.Open)+".")
	}
	for _, text := range []string{s.Text, s.Instructions, s.Expected, s.Repair, strings.Join(s.Parts, ", ")} {
		if text != "" {
			writeWrapped(b, indent, text)
		}
	}
	for _, p := range s.Prove {
		line := fmt.Sprintf("prove it: %s must come out as %s", p.Name, p.Words())
		if p.When != "" {
			line += " (when " + p.When + ")"
		}
		writeWrapped(b, indent+"- ", line)
	}
	for _, o := range s.Outcomes {
		writeWrapped(b, indent+"- ", fmt.Sprintf("%s (%s): go to step %s", o.Words(), percent(o.Probability), strconv.Itoa(o.Step)))
	}
}
