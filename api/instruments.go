package api

import (
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// InstrumentInput is the body of POST /instruments.
type InstrumentInput struct {
	Name           string                 `json:"name"`
	Kind           string                 `json:"kind"`
	Serial         string                 `json:"serial"`
	Ranges         []shop.InstrumentRange `json:"ranges"`
	CalibrationDue *string                `json:"calibration_due"`
	Note           string                 `json:"note"`
}

// InstrumentPatch is the body of PATCH /instruments/{id}.
type InstrumentPatch struct {
	Name           opt[string]                 `json:"name"`
	Kind           opt[string]                 `json:"kind"`
	Serial         opt[string]                 `json:"serial"`
	Ranges         opt[[]shop.InstrumentRange] `json:"ranges"`
	CalibrationDue opt[*string]                `json:"calibration_due"`
	Retired        opt[bool]                   `json:"retired"`
	Note           opt[string]                 `json:"note"`
}

// day reads a date; nil stays nil.
func day(field string, s *string) (*time.Time, error) {
	if s == nil {
		return nil, nil
	}
	t, err := time.Parse(time.DateOnly, *s)
	if err != nil {
		return nil, problem.InField(field, "must be a date such as 2027-01-31, or null")
	}
	return &t, nil
}

func (h *handlers) addInstrument(c echo.Context) error {
	var in InstrumentInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	due, err := day("calibration_due", in.CalibrationDue)
	if err != nil {
		return err
	}
	i, err := h.svc.AddInstrument(c.Request().Context(), actorOf(c), shop.InstrumentInput{
		Name: in.Name, Kind: in.Kind, Serial: in.Serial, Ranges: in.Ranges, CalibrationDue: due, Note: in.Note,
	})
	if err != nil {
		return err
	}
	return created(c, "/instruments", i.ID, i.Version, h.instrument(i))
}

func (h *handlers) listInstruments(c echo.Context) error {
	l, err := h.svc.Instruments(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, InstrumentList{Items: listOf(l, h.instrument)})
}

func (h *handlers) getInstrument(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	i, err := h.svc.Instrument(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, i.Version, h.instrument(i))
}

func (h *handlers) editInstrument(c echo.Context) error {
	id, version, err := target(c)
	if err != nil {
		return err
	}
	var in InstrumentPatch
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	due, err := day("calibration_due", in.CalibrationDue.Value)
	if err != nil {
		return err
	}
	i, err := h.svc.EditInstrument(c.Request().Context(), actorOf(c), id, shop.InstrumentPatch{
		Version: version, Name: shop.Change[string](in.Name), Kind: shop.Change[string](in.Kind), Serial: shop.Change[string](in.Serial),
		Ranges: shop.Change[[]shop.InstrumentRange](in.Ranges), CalibrationDue: shop.Change[*time.Time]{Set: in.CalibrationDue.Set, Value: due},
		Retired: shop.Change[bool](in.Retired), Note: shop.Change[string](in.Note),
	})
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, i.Version, h.instrument(i))
}

func (h *handlers) instrument(i shop.Instrument) Instrument {
	out := Instrument{
		ID: i.ID, Name: i.Name, Kind: i.Kind, Serial: i.Serial, Ranges: listOf(i.Ranges, instrumentRange), Overdue: i.Overdue(h.opt.Now()),
		RetiredAt: utc(i.RetiredAt), Note: i.Note, CreatedAt: i.CreatedAt.UTC(), Version: i.Version,
	}
	if d := i.CalibrationDue; d != nil {
		out.CalibrationDue = orNull(d.UTC().Format(time.DateOnly))
	}
	return out
}

func instrumentRange(r shop.InstrumentRange) InstrumentRange {
	return InstrumentRange{Unit: r.Unit, From: r.Low, To: r.High, Resolution: r.Resolution, PlusMinusPct: r.PlusMinusPct, Counts: r.Counts}
}

// instrumentUse answers what a reading was taken with; nil where it was not said.
func instrumentUse(u *shop.InstrumentUse) *InstrumentUse {
	if u == nil {
		return nil
	}
	return &InstrumentUse{ID: u.ID, Name: u.Name, CalibrationDue: orNull(u.CalibrationDue), Overdue: u.Overdue, Ranges: listOf(u.Ranges, instrumentRange)}
}
