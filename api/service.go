package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
)

func (h *handlers) getShop(c echo.Context) error {
	s, err := h.svc.Shop(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, Shop{
		ID: s.ID, Slug: s.Slug, Name: s.Name, Currency: s.Currency, LabourRate: Money{Amount: s.LabourMinor, Currency: s.Currency},
		WarrantyDays: s.WarrantyDays, CreatedAt: s.CreatedAt.UTC(),
	})
}

func (h *handlers) getContract(c echo.Context) error {
	return c.Blob(http.StatusOK, echo.MIMEApplicationJSON, h.contract)
}

func (h *handlers) getHealth(c echo.Context) error {
	return answer(c, http.StatusOK, Health{Status: HealthStatusOk})
}

func (h *handlers) getReadiness(c echo.Context) error {
	if err := h.opt.Ready(c.Request().Context()); err != nil {
		return problem.New(problem.Unavailable, "The database does not answer.").Because(err)
	}
	return answer(c, http.StatusOK, Health{Status: HealthStatusReady})
}
