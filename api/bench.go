package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// ObservationInput is the body of POST /jobs/{id}/observations.
type ObservationInput struct {
	Symptom     string         `json:"symptom"`
	Present     *bool          `json:"present"`
	Measurement string         `json:"measurement"`
	Readings    map[string]any `json:"readings"`
	Outcome     string         `json:"outcome"`
	Unavailable bool           `json:"unavailable"`
	// Reason and Note say why it is unavailable; Note also what was seen of Cause.
	Reason     shop.UnavailableReason `json:"reason"`
	Note       string                 `json:"note"`
	Cause      string                 `json:"cause"`
	Instrument *shop.ID               `json:"instrument"`
}

// AccessInput is the body of POST /jobs/{id}/access.
type AccessInput struct {
	Opening string            `json:"opening"`
	State   shop.OpeningState `json:"state"`
}

// EvaluateInput is the body of POST /measurements/{id}/evaluate.
type EvaluateInput struct {
	Readings   map[string]any `json:"readings"`
	Outcome    string         `json:"outcome"`
	Board      map[string]any `json:"board"`
	Instrument *shop.ID       `json:"instrument"`
}

// Readings are raw readings as they were typed, by the measurement's input ids.
type Readings map[string]any

// Values are derived values by id: a Quantity where the library states the unit.
type Values map[string]any

// Quantity is a value with its UCUM unit.
type Quantity struct {
	Value any    `json:"value"`
	Unit  string `json:"unit"`
}

func (h *handlers) addObservation(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in ObservationInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	o, err := h.svc.Observe(c.Request().Context(), actorOf(c), id, shop.ObservationInput(in))
	if err != nil {
		return err
	}
	return answer(c, http.StatusCreated, observation(o))
}

func (h *handlers) retractObservation(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	oid, err := pathID(c, "oid")
	if err != nil {
		return err
	}
	if err := h.svc.Retract(c.Request().Context(), actorOf(c), id, oid); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

func (h *handlers) setAccess(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	var in AccessInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	f, err := h.svc.Access(c.Request().Context(), actorOf(c), id, shop.AccessInput(in))
	if err != nil {
		return err
	}
	return answerVersion(c, http.StatusOK, f.Job.Version, jobFile(&f))
}

func (h *handlers) evaluateMeasurement(c echo.Context) error {
	id, err := pathText(c, "id")
	if err != nil {
		return err
	}
	var in EvaluateInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	e, err := h.svc.Evaluate(c.Request().Context(), actorOf(c), id, shop.EvaluateInput(in))
	if err != nil {
		return err
	}
	out := Evaluation{
		Measurement: e.Measurement, Outcome: e.Outcome, Meaning: e.Meaning, Normal: e.Normal, Detail: e.Detail,
		Likelihood: make(Likelihood, len(e.Likelihood)), Values: resultValues(e.Values), Text: e.Text, Warnings: e.Warnings,
		Instrument: instrumentUse(e.Instrument), Deciding: deciding(e.Deciding),
	}
	for _, o := range e.Likelihood {
		out.Likelihood[o.ID] = o.Probability
	}
	return answer(c, http.StatusOK, out)
}

// deciding answers what the outcome rests on; nil where no single value decides.
func deciding(d *measure.Deciding) *Deciding {
	if d == nil {
		return nil
	}
	return &Deciding{
		Name: d.Name, Label: d.Label, Unit: d.Unit, Value: d.Value, Low: d.Low, High: d.High,
		Limits: listOf(d.Limits, func(l measure.Limit) DecidingLimit { return DecidingLimit{At: l.At, Below: l.Below, Above: l.Above} }),
	}
}

func observation(o shop.Observation) Observation {
	out := Observation{
		ID: o.ID, Kind: ObservationKind(o.Kind), Symptom: orNull(o.Symptom), Measurement: orNull(o.Measurement), Unavailable: o.Unavailable,
		Cause: orNull(o.Cause), Reason: orNull(string(o.Reason)), Note: orNull(o.Note),
		FromExposure: o.FromExposure, Active: o.Active(), At: o.At.UTC(), By: o.By, RetractedAt: utc(o.RetractedAt), RetractedBy: orNull(o.RetractedBy),
		SupersededBy: o.SupersededBy, InvalidatedAt: utc(o.InvalidatedAt), InvalidatedBy: orNull(o.InvalidatedBy),
	}
	if o.Kind != shop.ObservedMeasurement {
		out.Present = &o.Present
	}
	if r := o.Result; r != nil {
		out.Outcome, out.Detail, out.Readings, out.Likelihood = orNull(r.Outcome), r.Detail, r.Readings, r.Likelihood
		out.Values, out.Text, out.Warnings, out.Instrument = resultValues(r.Values), r.Text, r.Warnings, instrumentUse(r.Instrument)
	}
	return out
}

// resultValues answers derived values by id, with the unit where there is one.
func resultValues(values []shop.ResultValue) Values {
	out := make(Values, len(values))
	for _, v := range values {
		if v.Unit == "" {
			out[v.ID] = v.Value
			continue
		}
		out[v.ID] = Quantity{Value: v.Value, Unit: v.Unit}
	}
	return out
}

func accessEvent(e shop.AccessEvent) AccessEvent {
	return AccessEvent{ID: e.ID, Opening: e.Opening, State: OpeningState(e.State), Implied: e.Implied, At: e.At.UTC(), By: e.By}
}
