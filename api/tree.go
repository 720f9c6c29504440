package api

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

func (h *handlers) getLibraryTree(c echo.Context) error {
	q := queryOf(c)
	in := shop.TreeInput{Symptoms: q.list("symptoms"), Absent: q.list("absent"), Exposures: q.list("exposures"), Facts: q.pairs("facts")}
	if s := q.text("depth"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			q.failf("depth", "must be a whole number")
		}
		in.Depth = &n
	}
	if err := q.err(); err != nil {
		return err
	}
	t, err := h.svc.LibraryTree(c.Request().Context(), actorOf(c), in)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, tree(t))
}

// list reads words separated by commas; the parameter may also be repeated.
func (q *query) list(name string) []string {
	var out []string
	for _, v := range q.values[name] {
		for s := range strings.SplitSeq(v, ",") {
			if s = strings.TrimSpace(s); s != "" {
				out = append(out, s)
			}
		}
	}
	return out
}

// pairs reads `name:value` separated by commas.
func (q *query) pairs(name string) map[string]string {
	out := map[string]string{}
	for _, s := range q.list(name) {
		key, value, ok := strings.Cut(s, ":")
		if !ok || key == "" {
			q.failf(name, "must be name:value, separated by commas")
			return nil
		}
		out[key] = value
	}
	return out
}

func tree(t shop.Tree) Tree {
	return Tree{
		Edition: t.Edition, Sha256: t.SHA256, Version: t.Version, Date: t.Date, Depth: t.Depth,
		Symptoms:   listOf(t.Symptoms, func(s shop.TreeSymptom) TreeSymptom { return TreeSymptom{ID: s.ID, Text: s.Text, Present: s.Present} }),
		Facts:      listOf(t.Facts, func(f shop.TreeFact) TreeFact { return TreeFact{ID: f.ID, Value: f.Value, Text: f.Text} }),
		Exposures:  listOf(t.Exposures, func(e shop.TreeExposure) TreeExposure { return TreeExposure{ID: e.ID, Text: e.Text} }),
		LabourRate: roundMoney(t.LabourPerHour, t.Currency), ExpectedCost: roundMoney(t.ExpectedCost, t.Currency), ExpectedMinutes: t.ExpectedMinutes,
		LiveExpectedCost: roundMoney(t.LiveCost, t.Currency), Method: t.Method, Places: t.Places, Cut: t.Cut, Notes: t.Notes,
		Steps: listOf(t.Steps, func(s shop.TreeStep) TreeStep { return treeStep(s, t.Currency) }),
	}
}

func treeStep(s shop.TreeStep, currency string) TreeStep {
	out := TreeStep{
		Step: s.Step, Kind: TreeStepKind(s.Kind), Measurement: orNull(s.Measurement), Cause: orNull(s.Cause), Gate: s.Gate, Again: s.Again, Name: s.Name, Text: s.Text,
		Reach: s.Reach, Ways: s.Ways, Cost: roundMoney(s.Cost, currency), Minutes: s.Minutes,
		ExpectedCost: roundMoney(s.ExpectedCost, currency), ExpectedMinutes: s.ExpectedMinutes,
		Close: listOf(s.Close, treeOpening), Open: listOf(s.Open, treeOpening), Hazard: s.Hazard, Cautions: s.Cautions,
		Instructions: s.Instructions, Expected: s.Expected, Repair: s.Repair, Parts: s.Parts,
		Outcomes: listOf(s.Outcomes, func(o shop.TreeOutcome) TreeOutcome {
			return TreeOutcome{Outcomes: listOf(o.Outcomes, treeResult), Probability: o.Probability, Step: o.Step}
		}),
		Prove: listOf(s.Prove, func(p shop.TreeProof) TreeProof {
			return TreeProof{Measurement: p.Measurement, Name: p.Name, Outcomes: listOf(p.Outcomes, treeResult), When: orNull(p.When), Always: p.Always}
		}),
	}
	if s.Cause != "" {
		out.Probability = &s.Probability
	}
	return out
}

func treeOpening(o shop.TreeOpening) TreeOpening {
	return TreeOpening{ID: o.ID, Name: o.Name, Note: o.Note, Sealed: o.Sealed}
}

func treeResult(r shop.TreeResult) TreeResult {
	return TreeResult{ID: r.ID, Text: r.Text, Meaning: r.Meaning, Normal: r.Normal}
}
