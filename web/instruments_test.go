package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

var meterID, clampID, goneID = sid(81), sid(82), sid(83)

func sampleInstruments() []shop.Instrument {
	due := sampleNow.AddDate(0, -2, 0)
	return []shop.Instrument{
		{ID: clampID, Name: "Clamp 1", Kind: "clamp meter", Version: 1},
		{ID: meterID, Name: "Meter 3", Kind: "multimeter", Serial: "INV-3", CalibrationDue: &due, Version: 4, Ranges: []shop.InstrumentRange{
			{Unit: "V", High: 60, Resolution: 0.01, PlusMinusPct: 0.5, Counts: 2}, {Unit: "Ohm", High: 10, Resolution: 0.001, PlusMinusPct: 1}}},
		{ID: goneID, Name: "Meter 0", RetiredAt: &due, Version: 2},
	}
}

func sampleUse() *shop.InstrumentUse {
	m := sampleInstruments()[1]
	return &shop.InstrumentUse{ID: m.ID, Name: m.Name, CalibrationDue: m.CalibrationDue.Format(time.DateOnly), Overdue: true, Ranges: m.Ranges[1:]}
}

func (s *fakeShop) Instruments(context.Context, shop.Actor) ([]shop.Instrument, error) {
	return sampleInstruments(), nil
}

func (s *fakeShop) Instrument(_ context.Context, _ shop.Actor, id shop.ID) (shop.Instrument, error) {
	for _, i := range sampleInstruments() {
		if i.ID == id {
			return i, nil
		}
	}
	return shop.Instrument{}, problem.New(problem.NotFound, "There is no such instrument.")
}

func (s *fakeShop) AddInstrument(_ context.Context, _ shop.Actor, in shop.InstrumentInput) (shop.Instrument, error) {
	return sampleInstruments()[1], s.write(in)
}

func (s *fakeShop) EditInstrument(_ context.Context, _ shop.Actor, _ shop.ID, in shop.InstrumentPatch) (shop.Instrument, error) {
	return sampleInstruments()[1], s.write(in)
}

// lastCall is what the pages asked of the use cases last.
func lastCall[T any](t *testing.T, s *fakeShop) T {
	t.Helper()
	v, ok := s.calls[len(s.calls)-1].(T)
	if !ok {
		t.Fatalf("the last call is %+v", s.calls[len(s.calls)-1])
	}
	return v
}

func TestInstrumentForm(t *testing.T) {
	t.Parallel()
	s, c := signedIn(t)
	c.get("/instruments/new")
	typed := url.Values{"name": {"Meter 4"}, "calibration_due": {"2027-01-31"}, "ranges[1].unit": {"V"}, "ranges[1].to": {"6,5"},
		"ranges[1].resolution": {"0.001"}, "ranges[1].plus_minus_pct": {"0.5"}, "ranges[1].counts": {"2"}}
	if a := c.post("/instruments/new", typed); a.Code != http.StatusSeeOther {
		t.Fatalf("status %d\n%s", a.Code, a.Body)
	}
	in := lastCall[shop.InstrumentInput](t, s)
	if len(in.Ranges) != 1 || in.Ranges[0] != (shop.InstrumentRange{Unit: "V", High: 6.5, Resolution: 0.001, PlusMinusPct: 0.5, Counts: 2}) || in.CalibrationDue.Format(time.DateOnly) != "2027-01-31" {
		t.Errorf("%+v", in)
	}
	// The message stands beside the row it is about, though the empty one before it was left out.
	s.fail = problem.InField("ranges[0].unit", "must be a unit")
	a := c.post("/instruments/new", typed)
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.Body, `id="instrument-ranges-1.unit-error"`) || !strings.Contains(a.Body, `value="6,5"`) {
		t.Errorf("status %d\n%s", a.Code, a.Body)
	}
	typed.Set("calibration_due", "soon")
	if a := c.post("/instruments/new", typed); a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.Body, "for example 2027-01-31") {
		t.Errorf("status %d", a.Code)
	}
	edit := "/instruments/" + meterID.String() + "/edit"
	if a := c.get(edit); !strings.Contains(a.Body, `value="0.001"`) || strings.Contains(a.Body, " checked") {
		t.Errorf("%s", a.Body)
	}
	c.post(edit, url.Values{"name": {"Meter 3"}, "version": {"4"}, "retired": {"1"}})
	if p := lastCall[shop.InstrumentPatch](t, s); p.Version != 4 || !p.Retired.Value || len(p.Ranges.Value) != 0 || !p.Ranges.Set || p.CalibrationDue.Value != nil {
		t.Errorf("%+v", p)
	}
}

// choices are the entries of the select "Measured with" on the card.
func choices(a answer) []*html.Node {
	var out []*html.Node
	for _, s := range a.nodes("select#observe-instrument") {
		for o := range s.ChildNodes() {
			if o.Data == "option" {
				out = append(out, o)
			}
		}
	}
	return out
}

func hasAttr(n *html.Node, name string) bool {
	return slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == name })
}

// What a reading was taken with is asked beside it, remembered, and shown later
// with its accuracy and an overdue calibration.
func TestMeasuredWith(t *testing.T) {
	t.Parallel()
	s, c := signedIn(t)
	at := "/jobs/" + jobID.String()
	show := at + "?m=phase_resistance_3"
	a := c.get(show)
	options := choices(a)
	if len(options) != 3 || attr(options[0], "value") != "" || strings.Contains(a.Body, "Meter 0") {
		t.Fatalf("%d options\n%s", len(options), a.Body)
	}
	for _, want := range []string{"calibration overdue", "Measured with Meter 3, to 10 Ω: ±(1 % + half a digit of 0.001 Ω)", "Meter 3 · overdue since "} {
		if !strings.Contains(html.UnescapeString(a.Body), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	c.post(at+"/observations", url.Values{"measurement": {"phase_resistance_3"}, "r.r_ab": {"101"}, "instrument": {meterID.String()}})
	in := lastCall[shop.ObservationInput](t, s)
	if in.Instrument == nil || *in.Instrument != meterID {
		t.Errorf("%+v", in)
	}
	a = c.get(show)
	if o := choices(a); attr(o[0], "value") != meterID.String() || !hasAttr(o[0], "selected") {
		t.Error("the last used instrument is not first")
	}
	c.post(at+"/observations", url.Values{"measurement": {"phase_resistance_3"}, "unavailable": {"1"}, "instrument": {meterID.String()}})
	if in := lastCall[shop.ObservationInput](t, s); in.Instrument != nil {
		t.Error("what cannot be measured has an instrument")
	}
	if a := c.get(at + "?m=interbox_visual"); len(a.nodes("select#observe-instrument")) != 0 {
		t.Error("looking is done with an instrument")
	}
}
