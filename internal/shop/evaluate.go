package shop

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/problem"
)

// boardFacts are what a measurement may take from the board's record.
func boardFacts(b Board) map[string]any {
	facts := map[string]any{}
	for k, v := range b.Facts {
		facts[k] = v
	}
	if b.SeriesCells != nil {
		facts["series_cells"] = float64(*b.SeriesCells)
	}
	if b.ParallelCells != nil {
		facts["parallel_cells"] = float64(*b.ParallelCells)
	}
	if b.Chemistry != "" {
		facts["chemistry"] = b.Chemistry
	}
	return facts
}

// jobFacts are boardFacts and what the connector register adds: the pins of the
// charge port, where exactly one is fitted.
func jobFacts(f JobFile) map[string]any {
	facts := boardFacts(f.Board)
	var ports []Connector
	for _, k := range f.Connectors {
		if k.Component == "charge_port" && k.RemovedAt == nil {
			ports = append(ports, k)
		}
	}
	if len(ports) == 1 && ports[0].Poles != nil {
		facts["charge_pins"] = float64(*ports[0].Poles)
	}
	return facts
}

// takeResult computes what a measurement came to on the job's board. A bare
// outcome is the technician's own judgement; with readings beside it the two
// must agree.
func takeResult(b bench, m *faultlib.Measurement, readings map[string]any, outcome string, at time.Time) (Result, error) {
	use := usageOf(b.instrument, at)
	r, warnings, err := compute(m, readings, outcome, jobFacts(b.file), use)
	if err != nil {
		return Result{}, err
	}
	out := Result{Readings: readings, Outcome: r.Outcome, Detail: r.Detail, Likelihood: shares(r), Values: values(r), Text: r.Text, Warnings: warnings, Deciding: r.Deciding}
	out.Instrument, _ = use.record()
	if said, ok := saidBy(b.lib, m.ID, &out); ok && said.Note != "" {
		out.Warnings = append(out.Warnings, said.Note)
	}
	return out, nil
}

// shares are the outcomes that are possible at all, with their likelihood.
func shares(r measure.Result) map[string]float64 {
	out := map[string]float64{}
	for _, o := range r.Likelihood {
		if o.Probability > 0 {
			out[o.ID] = o.Probability
		}
	}
	return out
}

func compute(m *faultlib.Measurement, readings map[string]any, outcome string, facts map[string]any, use *usage) (measure.Result, []string, error) {
	var none measure.Result
	var c checker
	c.readable("readings", readings)
	if err := c.err(); err != nil {
		return none, nil, err
	}
	how := m.Compiled()
	switch {
	case readings == nil && outcome == "" && m.Kind == measure.Inspection:
		return none, nil, problem.InField("outcome", "is missing: %s is judged by eye; choose %s", m.ID, orList(outcomeIDs(m)))
	case readings == nil && outcome == "":
		return none, nil, problem.InField("readings", "are missing; give readings, or the outcome you judged")
	case readings != nil && m.Kind == measure.Inspection:
		return none, nil, problem.InField("readings", "do not belong here: %s is judged by eye; give the outcome, %s", m.ID, orList(outcomeIDs(m)))
	case readings == nil:
		r, err := how.Inspect(outcome)
		_, warnings := use.record()
		return r, warnings, err
	}
	opt := measure.ParseOptions{Facts: facts}
	if use != nil {
		opt.HalfWidth = use.halfWidth
	}
	parsed, odd, err := how.Parse(readings, opt)
	if err != nil {
		return none, nil, err
	}
	r, err := how.Evaluate(parsed)
	if err != nil {
		return none, nil, err
	}
	if outcome != "" && outcome != r.Outcome {
		return none, nil, problem.InField("outcome", "says %q, the readings come to %q; correct the one that is wrong", outcome, r.Outcome)
	}
	warnings := append([]string(nil), r.Warnings...)
	for _, w := range odd {
		warnings = append(warnings, w.Field+": "+w.Message)
	}
	_, ofUse := use.record()
	return r, append(warnings, ofUse...), nil
}

// readable refuses texts in readings that could not be stored or shown: some
// readings are names (pins of a harness) and are kept as typed.
func (c *checker) readable(field string, v any) {
	switch x := v.(type) {
	case string:
		c.line(field, x, 0, maxAction)
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(x)) {
			at := fmt.Sprintf("%s.%.40s", field, k)
			c.line(at, k, 1, maxShort)
			c.readable(at, x[k])
		}
	case []any:
		for i, e := range x {
			c.readable(fmt.Sprintf("%s[%d]", field, i), e)
		}
	}
}

func outcomeIDs(m *faultlib.Measurement) []string {
	ids := make([]string, len(m.Outcomes))
	for i, o := range m.Outcomes {
		ids[i] = o.ID
	}
	return ids
}

// values keeps the derived values; what is no finite number is kept as unknown,
// because JSON has no word for it.
func values(r measure.Result) []ResultValue {
	out := make([]ResultValue, len(r.Values))
	for i, v := range r.Values {
		out[i] = ResultValue{ID: v.ID, Label: v.Label, Value: finite(v.Value), Unit: v.Unit}
	}
	return out
}

func finite(v any) any {
	switch x := v.(type) {
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil
		}
	case []float64:
		out := make([]any, len(x))
		for i, e := range x {
			out[i] = finite(e)
		}
		return out
	}
	return v
}

// Evaluate is the bench computation without a job, with the current library.
func (s *Service) Evaluate(ctx context.Context, a Actor, measurement string, in EvaluateInput) (Evaluation, error) {
	lib, _, err := s.Library(ctx, a)
	if err != nil {
		return Evaluation{}, err
	}
	inst, err := s.usable(ctx, a, in.Instrument)
	if err != nil {
		return Evaluation{}, err
	}
	return evaluation(lib, measurement, in, usageOf(inst, s.time()))
}

// EvaluateFor is Evaluate with the facts of the job's board, whatever in.Board
// says, and the job's library.
func (s *Service) EvaluateFor(ctx context.Context, a Actor, jobID ID, measurement string, in EvaluateInput) (Evaluation, error) {
	f, err := s.Job(ctx, a, jobID)
	if err != nil {
		return Evaluation{}, err
	}
	ed, err := s.libs.of(ctx, a.ShopID, f.Job.LibraryID)
	if err != nil {
		return Evaluation{}, err
	}
	inst, err := s.usable(ctx, a, in.Instrument)
	if err != nil {
		return Evaluation{}, err
	}
	in.Board = jobFacts(f)
	return evaluation(ed.lib, measurement, in, usageOf(inst, s.time()))
}

func evaluation(lib *faultlib.Library, measurement string, in EvaluateInput, use *usage) (Evaluation, error) {
	m := lib.Measurement(measurement)
	if m == nil {
		return Evaluation{}, problem.New(problem.NotFound, "The fault library has no measurement %q.", measurement)
	}
	r, warnings, err := compute(m, in.Readings, in.Outcome, in.Board, use)
	if err != nil {
		return Evaluation{}, err
	}
	ev := Evaluation{Measurement: m.ID, Outcome: r.Outcome, Meaning: meaning(m, r.Outcome), Normal: r.Normal, Detail: r.Detail,
		Values: values(r), Text: r.Text, Warnings: warnings, Deciding: r.Deciding}
	ev.Instrument, _ = use.record()
	for i, o := range m.Outcomes {
		v := outcomeView(o)
		v.Probability = r.Likelihood[i].Probability
		ev.Likelihood = append(ev.Likelihood, v)
	}
	if said, ok := saidBy(lib, m.ID, &Result{Outcome: r.Outcome, Likelihood: shares(r)}); ok && said.Note != "" {
		ev.Inconclusive = said.Inconclusive
		ev.Warnings = append(ev.Warnings, said.Note)
	}
	return ev, nil
}
