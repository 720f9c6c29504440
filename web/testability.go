package web

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/shop"
)

// TestabilityPage shows what the current edition can tell of its causes.
type TestabilityPage struct {
	Layout
	Report shop.Testability
	Shares []TestabilityRow
}

// TestabilityRow is a share with its name.
type TestabilityRow struct {
	Name string
	shop.TestabilityShare
}

func (p *Pages) testabilityPage(c echo.Context) error {
	r, err := p.svc.LibraryTestability(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return p.render(c, http.StatusOK, "testability", &TestabilityPage{Layout: Layout{Title: "Testability of the library", Section: "/library"}, Report: r,
		Shares: []TestabilityRow{{"Detected by some symptom or measurement", r.Detected}, {"Detected by measurements alone", r.DetectedByMeasurements},
			{"Isolated to one cause", r.IsolatedToOne}, {"Isolated to at most two", r.IsolatedToTwo}}})
}
