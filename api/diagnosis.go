package api

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

func (h *handlers) getDiagnosis(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	d, err := h.svc.Diagnose(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, diagnosis(d))
}

func diagnosis(d shop.Diagnosis) Diagnosis {
	out := Diagnosis{
		LibraryVersion: libraryVersion(d.LibraryVersion), LearnedState: d.LearnedState, Observations: listOf(d.Observations, observation), Causes: listOf(d.Causes, causeView),
		Explanations: listOf(d.Explanations, func(e shop.Explanation) Explanation {
			return Explanation{Causes: e.Causes, Probability: e.Probability}
		}),
		Covered: d.Covered, Unmodelled: d.Unmodelled, NoFault: d.NoFault, TruncationBound: d.Truncation, Conflict: d.Conflict,
		Advice:       advice(d.Advice),
		Next:         listOf(d.Next, func(n shop.NextMeasurement) NextMeasurement { return nextMeasurement(n, d.Currency) }),
		ExpectedCost: roundMoney(d.ExpectedCost, d.Currency),
		AlsoCheck: listOf(d.AlsoCheck, func(a shop.AlsoCheck) AlsoCheck {
			return AlsoCheck{From: a.From, Cause: a.Cause, Name: a.Name, Note: a.Note, Probability: a.Probability, Measurements: a.Measurements}
		}),
		OpenOpenings: listOf(d.OpenOpenings, openingID), Warnings: d.Warnings,
		Argument: argument(d.Argument),
	}
	if len(d.Roots) > 0 {
		roots := listOf(d.Roots, func(r shop.RootView) RootView { return RootView(r) })
		out.Roots = &roots
	}
	if s := d.Stop; s != nil {
		out.Stop = &Stop{Gate: s.Gate, Text: s.Text, Rule: s.Rule, ObservationID: s.ObservationID}
	}
	return out
}

// advice keeps to the contract's three kinds: a stop is handed to a person who
// may decide, and stands in the diagnosis's own stop as well.
func advice(a shop.Advice) Advice {
	kind := AdviceKind(a.Kind)
	if !kind.Valid() {
		kind = AdviceKindEscalate
	}
	return Advice{Kind: kind, Measurement: orNull(a.Measurement), Cause: orNull(a.Cause), Text: a.Text}
}

func causeView(c shop.CauseView) CauseView {
	return CauseView{
		ID: c.ID, Name: c.Name, Component: c.Component, ComponentName: c.ComponentName, FailureMode: c.FailureMode,
		Probability: c.Probability, Prior: c.Prior, Confirmed: c.Confirmed,
		Evidence: listOf(c.Evidence, func(e shop.Evidence) Evidence {
			return Evidence{ObservationID: e.ObservationID, Decibans: e.Decibans}
		}),
	}
}

func nextMeasurement(n shop.NextMeasurement, currency string) NextMeasurement {
	out := NextMeasurement{
		Cost: roundMoney(n.Cost, currency), Minutes: n.Minutes, Access: listOf(n.Access, openingID), Hazard: hazard(n.Hazard), Cautions: n.Cautions,
		Instructions: n.Instructions, Expected: n.Expected, Why: n.Why, Score: n.Score, Blocked: orNull(n.Blocked),
		Outcomes: listOf(n.Outcomes, func(o shop.OutcomeView) OutcomeView {
			return OutcomeView{ID: o.ID, Label: orNull(o.Label), Inconclusive: o.Inconclusive, Meaning: o.Meaning, Normal: o.Normal, Probability: o.Probability}
		}),
	}
	if n.Measurement != nil {
		out.Measurement, out.Name = n.Measurement.ID, n.Measurement.Title
	}
	return out
}

func argument(a *shop.Argument) *Argument {
	if a == nil {
		return nil
	}
	out := &Argument{Scale: a.Scale, Whole: a.Whole, Causes: listOf(a.Causes, func(c shop.CauseArgument) CauseArgument {
		return CauseArgument{Cause: c.Cause, Text: strings.Join(c.Sentences, " "), Sentences: c.Sentences, For: listOf(c.For, weighed), Against: listOf(c.Against, weighed),
			AccountsFor: c.AccountsFor, Leaves: c.Leaves, Missing: c.Missing}
	})}
	if c := a.Conflict; c != nil {
		out.Conflict = &ConflictArgument{Bits: c.Bits, Strong: c.Strong, Text: c.Text, Observations: c.Observations,
			TakeAgain: listOf(c.Again, func(t shop.TakeAgain) TakeAgain {
				return TakeAgain{ObservationID: t.ObservationID, Measurement: orNull(t.Measurement), Symptom: orNull(t.Symptom), Title: t.Title, Support: t.Support}
			})}
	}
	return out
}

func weighed(w shop.WeighedObservation) WeighedObservation {
	return WeighedObservation{ObservationID: w.ObservationID, Decibans: w.Decibans, Strength: WeighedObservationStrength(w.Strength)}
}

func openingID(o faultlib.Opening) string { return o.ID }

func hazard(h faultlib.Hazard) Hazard { return Hazard{Level: h.Level, Name: h.Name, Rule: h.Rule} }
