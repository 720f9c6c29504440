package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

func (h *handlers) getLibraryTestability(c echo.Context) error {
	t, err := h.svc.LibraryTestability(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, testability(t))
}

func testability(t shop.Testability) Testability {
	return Testability{
		Edition: t.Edition, Sha256: t.SHA256, Version: t.Version, Learned: t.Learned, Apart: t.Apart, Method: t.Method,
		Causes: t.Causes, Measurements: t.Measurements, Boards: t.Boards,
		Detected: testabilityShare(t.Detected), DetectedByMeasurements: testabilityShare(t.DetectedByMeasurements),
		IsolatedToOne: testabilityShare(t.IsolatedToOne), IsolatedToTwo: testabilityShare(t.IsolatedToTwo),
		Undetected: listOf(t.Undetected, testabilityRef),
		Groups: listOf(t.Groups, func(g shop.TestabilityGroup) TestabilityGroup {
			return TestabilityGroup{Causes: listOf(g.Causes, testabilityRef), Prior: g.Prior, Nearest: refOrNull(g.Nearest), Distance: g.Distance, Advice: g.Advice}
		}),
		Pairs: listOf(t.Pairs, func(p shop.TestabilityPair) TestabilityPair {
			return TestabilityPair{A: testabilityRef(p.A), B: testabilityRef(p.B), Nearest: refOrNull(p.Nearest), Distance: p.Distance, Symptom: refOrNull(p.Symptom)}
		}),
		Masked: listOf(t.Masked, func(m shop.TestabilityMasked) TestabilityMasked {
			return TestabilityMasked{Cause: testabilityRef(m.Cause), By: listOf(m.By, testabilityRef)}
		}),
		Idle: listOf(t.Idle, func(i shop.TestabilityIdle) TestabilityIdle {
			return TestabilityIdle{ID: i.ID, Name: i.Name, BestScore: i.BestScore, Pays: i.Pays, Needed: i.Needed}
		}),
	}
}

func testabilityShare(s shop.TestabilityShare) TestabilityShare {
	return TestabilityShare{Weighted: s.Weighted, Unweighted: s.Unweighted}
}

func testabilityRef(r shop.TestabilityRef) TestabilityRef {
	return TestabilityRef{ID: r.ID, Name: r.Name}
}

func refOrNull(r *shop.TestabilityRef) *TestabilityRef {
	if r == nil {
		return nil
	}
	out := testabilityRef(*r)
	return &out
}
