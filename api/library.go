package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/httpkit"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// mediaYAML is the media type of a library file (RFC 9512).
const mediaYAML = "application/yaml"

func (h *handlers) getLibrary(c echo.Context) error {
	lib, v, err := h.svc.Library(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, Library{
		Version: libraryVersion(v), Status: lib.Meta.Status, Changes: lib.Meta.Changes, Hazards: listOf(lib.Hazards, hazard),
		BoardFacts: listOf(lib.Meta.BoardFacts, func(f faultlib.BoardFact) BoardFact {
			return BoardFact{ID: f.ID, Text: f.Text, Values: f.Values, Default: f.Default}
		}),
		Gates: listOf(lib.Gates, func(g faultlib.Gate) Gate {
			return Gate{Symptom: orNull(g.Symptom), Measurement: orNull(g.Measurement), StopOn: g.StopOn}
		}),
		Counts: LibraryCounts{Causes: len(lib.Causes), Symptoms: len(lib.Symptoms), Measurements: len(lib.Measurements), Openings: len(lib.Openings)},
	})
}

// fromLibrary answers a list of the shop's current edition.
func fromLibrary[T any](h *handlers, list func(*faultlib.Library) T) echo.HandlerFunc {
	return func(c echo.Context) error {
		lib, _, err := h.svc.Library(c.Request().Context(), actorOf(c))
		if err != nil {
			return err
		}
		return answer(c, http.StatusOK, list(lib))
	}
}

func (h *handlers) listCauses(c echo.Context) error {
	return fromLibrary(h, func(l *faultlib.Library) LibraryCauseList {
		return LibraryCauseList{Items: listOf(l.Causes, libraryCause)}
	})(c)
}

func (h *handlers) listSymptoms(c echo.Context) error {
	return fromLibrary(h, func(l *faultlib.Library) LibrarySymptomList {
		return LibrarySymptomList{Items: listOf(l.Symptoms, func(s faultlib.Symptom) LibrarySymptom {
			return LibrarySymptom{ID: s.ID, Group: s.Group, By: s.By, Text: s.Text, Ask: s.Ask, SafetyStop: s.SafetyStop}
		})}
	})(c)
}

func (h *handlers) listMeasurements(c echo.Context) error {
	return fromLibrary(h, func(l *faultlib.Library) LibraryMeasurementList {
		return LibraryMeasurementList{Items: listOf(l.Measurements, libraryMeasurement)}
	})(c)
}

func (h *handlers) listOpenings(c echo.Context) error {
	return fromLibrary(h, func(l *faultlib.Library) LibraryOpeningList {
		return LibraryOpeningList{Items: listOf(l.Openings, func(o faultlib.Opening) LibraryOpening {
			return LibraryOpening{ID: o.ID, OpenMinutes: o.OpenMin, CloseMinutes: o.CloseMin, Requires: o.Requires, Reseal: o.Reseal, Hazard: o.Hazard, Note: o.Note}
		})}
	})(c)
}

func (h *handlers) listLibraryVersions(c echo.Context) error {
	l, err := h.svc.Libraries(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, LibraryVersionList{Items: listOf(l, libraryVersion)})
}

func (h *handlers) importLibrary(c echo.Context) error {
	if err := httpkit.NeedMedia(c, mediaYAML); err != nil {
		return err
	}
	q := queryOf(c)
	note := q.text("note")
	if err := q.err(); err != nil {
		return err
	}
	content, err := httpkit.Body(c)
	if err != nil {
		return err
	}
	if len(content) == 0 {
		return problem.New(problem.Invalid, "The body is empty; send the library file.")
	}
	v, issues, err := h.svc.ImportLibrary(c.Request().Context(), actorOf(c), content, note)
	if err != nil {
		return err
	}
	return answer(c, http.StatusCreated, LibraryImport{Version: libraryVersion(v), Warnings: listOf(issues, func(i faultlib.Issue) LibraryIssue {
		return LibraryIssue{Line: i.Line, Column: i.Column, Message: i.Message}
	})})
}

func libraryVersion(v shop.LibraryVersion) LibraryVersion {
	return LibraryVersion{
		ID: v.ID, Number: v.Number, Edition: v.Edition, Sha256: v.SHA256, Note: v.Note, Current: v.Current, StoredAt: v.StoredAt.UTC(), By: v.By,
	}
}

func libraryCause(c faultlib.Cause) LibraryCause {
	return LibraryCause{
		ID: c.ID, Name: c.Name, Component: c.Component, FailureMode: c.Mode, FailureMechanism: c.Mechanism, PriorPer1000: c.PriorPer1000,
		Repair: c.Repair, Parts: c.Parts, RepairMinutes: c.RepairMinutes[:], Hazard: c.Hazard,
		Verify: listOf(c.Verify, func(k faultlib.Check) Check {
			return Check{Measurement: k.Measurement, Outcomes: k.Outcomes, When: k.When, Optional: k.Optional}
		}),
	}
}

func libraryMeasurement(m faultlib.Measurement) LibraryMeasurement {
	return LibraryMeasurement{
		ID: m.ID, Name: m.Title, Kind: LibraryMeasurementKind(m.Kind), Component: m.Of, Points: m.Points, Instrument: m.Instrument,
		Access: m.Access, Minutes: m.Minutes, Hazard: m.Hazard, Caution: m.Caution, Note: m.Note,
		Inputs: listOf(m.Inputs, func(i measure.Input) MeasurementInput {
			return MeasurementInput{ID: i.ID, Label: orNull(i.Label), Unit: i.Unit, Element: i.Element, Choice: i.Choice, Note: i.Note, Nullable: i.Nullable}
		}),
		Outcomes: listOf(m.Outcomes, func(o measure.Outcome) MeasurementOutcome {
			return MeasurementOutcome{ID: o.ID, Label: orNull(o.Label), Inconclusive: o.Inconclusive, Meaning: o.Meaning, When: o.When, Normal: o.Normal}
		}),
	}
}
