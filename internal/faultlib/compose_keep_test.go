package faultlib

import (
	"strings"
	"testing"

	"nextprobe/internal/measure"
)

// asFromTheForm drops what the page's form does not hold.
func asFromTheForm(m OwnMeasurement) OwnMeasurement {
	m.Compute, m.Outcomes, m.Examples = nil, nil, nil
	full := lampDrop()
	for _, s := range full.Compute {
		s.Note = ""
		m.Compute = append(m.Compute, s)
	}
	m.Outcomes = append(m.Outcomes, full.Outcomes...)
	m.Examples = append(m.Examples, full.Examples...)
	return m
}

// TestComposeKeepsWhatTheFormDoesNotHold: keys of the entry, and of rows that keep
// their id (of examples: their readings and outcome), survive a change.
func TestComposeKeepsWhatTheFormDoesNotHold(t *testing.T) {
	t.Parallel()
	first := lampDrop()
	first.Links = first.Links[1:]
	with := composed(t, tinyWith("0.001", "0.02"), first)
	for _, r := range [][2]string{
		{"    own: true\n", "    own: true\n    leak: 0.015\n    pattern: \"two, three: four\"\n    access_if:\n      - {when: \"plug == 'outside'\", access: outside}\n    src: [handbook, E]\n    normal: [normal]\n"},
		{`expr: "(u_off - u_on) / u_off"`, `expr: "(u_off - u_on) / u_off", note: "of the open voltage, in all"`},
		{`{id: open, when: "glow`, `{id: open, inconclusive: true, when: "glow`},
		{`out: high}`, `out: high, detail: "", values: {drop: 0.125}}`},
	} {
		if !strings.Contains(with, r[0]) {
			t.Fatalf("no %q in\n%s", r[0], with)
		}
		with = strings.Replace(with, r[0], r[1], 1)
	}
	before := mustLoad(t, with).Measurement("lamp_drop")
	form := asFromTheForm(lampDrop())
	form.Title, form.Links = "Lamp drop", form.Links[1:]
	form.Outcomes[0].Inconclusive = true
	// Rows change places and one is new; what belongs to a row goes with it.
	form.Examples[0], form.Examples[1] = form.Examples[1], form.Examples[0]
	form.Compute = append([]measure.Step{{ID: "lost", Expr: "u_off - u_on"}}, form.Compute...)
	changed := composed(t, with, form)
	m := mustLoad(t, changed).Measurement("lamp_drop")
	switch {
	case m.Title != "Lamp drop" || len(m.Compute) != 2:
		t.Errorf("the change is not there: %+v", m)
	case m.Leak != before.Leak || m.Pattern != before.Pattern || strings.Join(m.Sources, " ") != "handbook E":
		t.Errorf("leak %v, pattern %q, sources %v", m.Leak, m.Pattern, m.Sources)
	case len(m.AccessIf) != 1 || m.AccessIf[0].When != "plug == 'outside'" || m.AccessIf[0].Access != "outside":
		t.Errorf("access_if %+v", m.AccessIf)
	case m.Compute[1].Note != "of the open voltage, in all" || m.Compute[0].Note != "":
		t.Errorf("notes %+v", m.Compute)
	case !m.Outcomes[0].Inconclusive || m.Outcomes[1].Inconclusive:
		t.Errorf("outcomes %+v", m.Outcomes)
	case m.Examples[0].Values["drop"] != 0.125 || len(m.Examples[1].Values) != 0:
		t.Errorf("examples %+v", m.Examples)
	}
	// Other readings take what was worked out for the old ones with them.
	form.Examples[0] = measure.Example{In: map[string]any{"u_off": 80.0, "u_on": 60.0, "glow": "dim"}, Out: "high"}
	if m := mustLoad(t, composed(t, changed, form)).Measurement("lamp_drop"); len(m.Examples[0].Values) != 0 {
		t.Errorf("values of other readings: %+v", m.Examples[0])
	}
	// The form holds the mark: without it there it is gone.
	form.Outcomes[0].Inconclusive = false
	if m := mustLoad(t, composed(t, changed, form)).Measurement("lamp_drop"); m.Outcomes[0].Inconclusive {
		t.Errorf("outcomes %+v", m.Outcomes)
	}
	// A row that is gone is gone with its keys, and a healthy outcome with its name.
	form.Outcomes[2].ID, form.Examples[1].Out = "sound", "sound"
	if m := mustLoad(t, composed(t, changed, form)).Measurement("lamp_drop"); !m.Outcomes[2].Normal || m.Outcomes[2].ID != "sound" {
		t.Errorf("outcomes %+v", m.Outcomes)
	}
}
