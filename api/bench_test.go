package api_test

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"nextprobe/api"
)

// BenchmarkGetJob compares reading a job through the whole service with a bare
// echo handler over the same query: what the service adds must stay small.
func BenchmarkGetJob(b *testing.B) {
	s := setupWith(b, api.Options{})
	id := s.job(s.board("INV-1"), "green_corrosion", "sudden_cutoff")
	path := v1 + "/jobs/" + id
	for _, m := range []string{"exterior_walkround", "wheel_hand_spin", "charge_port_visual"} {
		s.do("POST", path+"/observations", obj{"measurement": m, "outcome": patientNormal[m]}, 201)
	}
	bare := echo.New()
	bare.GET(v1+"/jobs/:id", func(c echo.Context) error {
		id, err := uuid.Parse(c.Param("id"))
		if err != nil {
			return err
		}
		f, err := s.store.JobFile(c.Request().Context(), s.shop.ID, id)
		if err != nil {
			return err
		}
		return c.JSON(http.StatusOK, f)
	})
	for name, h := range map[string]http.Handler{"service": s.handler, "bare": bare} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			b.RunParallel(func(p *testing.PB) {
				for p.Next() {
					w := httptest.NewRecorder()
					h.ServeHTTP(w, s.request("GET", path, nil))
					if w.Code != 200 {
						b.Fatalf("status %d", w.Code)
					}
				}
			})
		})
	}
}

// patientNormal are the outcomes of a board on which nothing is found.
var patientNormal = map[string]string{"exterior_walkround": "intact", "wheel_hand_spin": "normal", "charge_port_visual": "clean"}
