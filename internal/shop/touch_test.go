package shop

import (
	"strings"
	"testing"

	"nextprobe/internal/faultlib"
)

// TestTouchCautions: the touch limit of 60 V dc (IEC 60204-1 clause 6.2.4, UN
// Regulation No. 100) stands with every step at the contacts of pack, bus or charge
// port, by what the board's record says of its pack, and with no other.
func TestTouchCautions(t *testing.T) {
	d := setup(t, Diagnosing)
	n := func(x int) *int { return &x }
	for _, c := range []struct {
		series    *int
		chemistry string
		want      string
	}{
		{n(20), "layered_oxide", "reaches 84 V when full"},
		{n(20), "iron_phosphate", "reaches 73 V when full (20 groups of 3.65 V), above the touch limit of 60 V dc"},
		{n(13), "layered_oxide", "below the touch limit of 60 V dc"},
		{nil, "", "take the pack as above the touch limit of 60 V dc"},
	} {
		d.file.Board.SeriesCells, d.file.Board.Chemistry = c.series, c.chemistry
		q := &inquiry{bench: d.bench}
		for id, near := range map[string]bool{
			"pack_voltage_soc": true, "bus_residual_voltage": true, "charge_port_idle_voltage": true, "logic_rails": true, "interbox_polarity": true,
			"pack_heat_triage": false, "tyre_check": false, "gland_fit": false,
		} {
			m := d.lib.Measurement(id)
			var h faultlib.Hazard
			if x := d.lib.Hazard(d.lib.PathHazard(id, nil)); x != nil {
				h = *x
			}
			got := strings.Join(q.cautions(m, h), " ")
			if strings.Contains(got, c.want) != near || strings.Contains(got, "touch limit") != near {
				t.Errorf("%v %s, %s: %s", c.series, c.chemistry, id, got)
			}
		}
	}
}

// TestRecordServesTheBench: what the board's record and the connector register say
// reaches the computation: chemistry, groups, and the pins of the one charge port,
// which make a warning and settle nothing.
func TestRecordServesTheBench(t *testing.T) {
	d := setup(t, Diagnosing)
	n := func(x int) *int { return &x }
	gone := at(0)
	port := Connector{ID: newID(), Component: "charge_port", Poles: n(3)}
	take := func() Result {
		t.Helper()
		r, err := takeResult(d.bench, d.lib.Measurement("pack_voltage_soc"), map[string]any{"v_pack": "57.0 V"}, "", at(1))
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, c := range []struct {
		series     *int
		chemistry  string
		connectors []Connector
		outcome    string
		warning    string
	}{
		{n(20), "layered_oxide", nil, "empty", ""},
		{n(20), "iron_phosphate", nil, "in_range", ""},
		{n(20), "", nil, "empty", "limits of layered oxide were used"},
		{nil, "layered_oxide", []Connector{port}, "series_unknown", "3 pins hints at 18 groups (common practice, no source)"},
		{nil, "layered_oxide", []Connector{port, {ID: newID(), Component: "charge_port", Poles: n(2)}}, "series_unknown", "counts as no evidence"},
		{nil, "layered_oxide", []Connector{{ID: newID(), Component: "charge_port", Poles: n(2), RemovedAt: &gone}}, "series_unknown", "counts as no evidence"},
		{n(20), "layered_oxide", []Connector{port}, "empty", "hints at 18 groups (common practice, no source), 20 are given"},
	} {
		d.file.Board.SeriesCells, d.file.Board.Chemistry, d.file.Connectors = c.series, c.chemistry, c.connectors
		got := take()
		text := strings.Join(got.Warnings, " ")
		if got.Outcome != c.outcome || !strings.Contains(text, c.warning) || (c.warning == "") != (text == "") {
			t.Errorf("%+v: %s, %q", c, got.Outcome, text)
		}
	}
}
