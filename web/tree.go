package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

// TreePage asks for a complaint and shows the decision tree for it, to be worked
// from on paper.
type TreePage struct {
	Layout
	Form   *Form
	Groups []SymptomGroup
	Facts  []TreeFactField
	// Exposures are how the board was used.
	Exposures []Option
	Depths    []Option
	// Tree is nil until symptoms are chosen. Root is its first step.
	Tree *shop.Tree
	Root *TreeView
	// HandBack is what every hand-back asks for, said once.
	HandBack []shop.TreeProof
	Currency string
}

// TreeFactField is a choice of a board fact.
type TreeFactField struct {
	Field, Text string
	Options     []Option
}

// TreeView is a step with the steps that are first met below it.
type TreeView struct {
	*shop.TreeStep
	Currency string
	// When are the outcomes that lead here; nil for the first step.
	When     *shop.TreeOutcome
	Proofs   []shop.TreeProof
	Branches []TreeBranchView
}

// TreeBranchView is what follows some outcomes: a step shown below, or a
// reference to one shown elsewhere.
type TreeBranchView struct {
	shop.TreeOutcome
	Below *TreeView // nil for a reference
	Label string    // of the step that follows
}

func (p *Pages) treePage(c echo.Context) error {
	ctx, a := c.Request().Context(), actorOf(c)
	if to := canonicalTree(c.QueryParams()); to != "" {
		return redirect(c, to)
	}
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	pg := &TreePage{Layout: Layout{Title: "Decision tree", Section: "/library", Wide: true}, Form: emptyForm("tree")}
	in := pg.read(lib, c.QueryParams())
	status := http.StatusOK
	if len(in.Symptoms)+len(in.Absent)+len(in.Exposures) > 0 || c.QueryParams().Has("symptoms") {
		tree, err := p.svc.LibraryTree(ctx, a, in)
		if pe := userMistake(err); pe != nil {
			pg.Form.fail(pe)
			status = http.StatusUnprocessableEntity
		} else if err != nil {
			return err
		} else {
			pg.show(&tree)
		}
	}
	return p.render(c, status, "tree", pg)
}

// canonicalTree is the short address for what the form sends, which names every
// symptom whether answered or not; "" when the address is short already.
func canonicalTree(q url.Values) string {
	lists := map[string][]string{}
	asked := false
	for _, k := range sortedKeys(q) {
		if id, ok := strings.CutPrefix(k, "s."); ok {
			asked = true
			lists[q.Get(k)] = append(lists[q.Get(k)], id)
		}
	}
	if !asked {
		return ""
	}
	out := url.Values{"symptoms": {strings.Join(lists["present"], ",")}}
	if len(lists["absent"]) > 0 {
		out.Set("absent", strings.Join(lists["absent"], ","))
	}
	if len(q["exposures"]) > 0 {
		out.Set("exposures", strings.Join(q["exposures"], ","))
	}
	for _, k := range sortedKeys(q) {
		if (k == "depth" || strings.HasPrefix(k, "fact.")) && q.Get(k) != "" {
			out.Set(k, q.Get(k))
		}
	}
	return "/library/tree?" + strings.ReplaceAll(out.Encode(), "%2C", ",")
}

// read takes the request from the address and fills the form with it.
func (pg *TreePage) read(lib *faultlib.Library, q url.Values) shop.TreeInput {
	in := shop.TreeInput{Symptoms: commaList(q.Get("symptoms")), Absent: commaList(q.Get("absent")), Exposures: commaList(q.Get("exposures")), Facts: map[string]string{}}
	for _, id := range in.Symptoms {
		pg.Form.Values.Set("s."+id, "present")
	}
	for _, id := range in.Absent {
		pg.Form.Values.Set("s."+id, "absent")
	}
	gates, groups := symptomGroups(lib, pg.Form)
	pg.Groups = groups
	if len(gates) > 0 {
		pg.Groups = append(pg.Groups, SymptomGroup{Name: "stop signs", Rows: gates})
	}
	for _, e := range exposures {
		e.Selected = contains(in.Exposures, e.Value)
		pg.Exposures = append(pg.Exposures, e)
	}
	for _, f := range lib.Meta.BoardFacts {
		given := q.Get("fact." + f.ID)
		if given != "" {
			in.Facts[f.ID] = given
		} else {
			given = f.Default
		}
		field := TreeFactField{Field: "fact." + f.ID, Text: f.Text}
		for _, v := range f.Values {
			field.Options = append(field.Options, Option{Value: v, Label: words(v), Selected: v == given})
		}
		pg.Facts = append(pg.Facts, field)
		pg.Form.alias("facts."+f.ID, "fact."+f.ID)
	}
	depth := diagnosis.DefaultTreeDepth
	if s := q.Get("depth"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			n = 0 // Out of range: the use case says what would be right.
		}
		in.Depth, depth = &n, n
	}
	for _, n := range []int{3, 5, 8, 10, diagnosis.MaxTreeDepth} {
		pg.Depths = append(pg.Depths, Option{Value: strconv.Itoa(n), Label: strconv.Itoa(n), Selected: n == depth})
	}
	return in
}

func commaList(s string) []string {
	var out []string
	for part := range strings.SplitSeq(s, ",") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// show lays the steps out: each below the one that first leads to it.
func (pg *TreePage) show(t *shop.Tree) {
	pg.Tree, pg.Currency = t, t.Currency
	shown := make([]bool, len(t.Steps))
	var view func(number int) *TreeView
	view = func(number int) *TreeView {
		s := &t.Steps[number-1]
		shown[number-1] = true
		v := &TreeView{TreeStep: s, Currency: t.Currency}
		for _, p := range s.Prove {
			if !p.Always {
				v.Proofs = append(v.Proofs, p)
			} else if !slices.ContainsFunc(pg.HandBack, func(x shop.TreeProof) bool { return x.Measurement == p.Measurement }) {
				pg.HandBack = append(pg.HandBack, p)
			}
		}
		for _, o := range s.Outcomes {
			b := TreeBranchView{TreeOutcome: o, Label: t.Steps[o.Step-1].Label()}
			if !shown[o.Step-1] {
				b.Below = view(o.Step)
				b.Below.When = &o
			}
			v.Branches = append(v.Branches, b)
		}
		return v
	}
	pg.Root = view(1)
}
