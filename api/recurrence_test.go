package api_test

import (
	"net/url"
	"strings"
	"testing"
)

// narrowedRecurrence narrows a report by cause to what the filters offer. All models
// together are the whole, and a filter does the same to the list and to the drill-down.
func (b *bench) narrowedRecurrence(cause string, total float64) {
	b.t.Helper()
	filters := b.do("GET", v1+"/recurrence/filters", nil, 200)
	sum := 0.0
	for _, m := range filters.list("models") {
		r := b.do("GET", v1+"/recurrence?group=cause&model="+url.QueryEscape(m.(map[string]any)["key"].(string)), nil, 200)
		if r.text("narrowed") == "" {
			b.t.Errorf("it is not said that the report is narrowed: %s", r.raw)
		}
		sum += r.number("total")
	}
	if sum != total || total == 0 {
		b.t.Errorf("the models have %g failures together, the whole has %g", sum, total)
	}
	mine := b.do("GET", v1+"/recurrence?group=component&cause="+url.QueryEscape(cause), nil, 200)
	if len(mine.list("items")) != 1 || mine.number("total") < 1 {
		b.t.Fatalf("by the cause %s: %s", cause, mine.raw)
	}
	detail := b.do("GET", v1+"/recurrence/component/"+mine.text("items.0.key")+"?cause="+url.QueryEscape(cause), nil, 200)
	if detail.number("row.failures") != mine.number("total") || detail.text("narrowed") == "" || float64(len(detail.list("events"))) != mine.number("total") {
		b.t.Errorf("drill-down of the cause %s", detail.raw)
	}
	for _, name := range []string{"model", "component", "connector_family", "cause", "failure_mode"} {
		b.refuse("GET", v1+"/recurrence?group=cause&"+name+"=nothing+known", nil, 400, name)
	}
	b.refuse("GET", v1+"/recurrence?cause="+strings.Repeat("x", 201), nil, 400, "cause")
}

// A part that was taken off one board and fitted to another, and one of another article:
// the history, the comparison of lives and the refusal of a serial in two places.
func TestRecurrenceOfPieces(t *testing.T) {
	t.Parallel()
	b := setup(t)
	one, two := b.part("C-1", 5), b.part("C-2", 5)
	repair := map[string]obj{}
	path := map[string]string{}
	for _, serial := range []string{"PIECE-1", "PIECE-2"} {
		board := b.board(serial)
		path[serial] = v1 + "/jobs/" + b.job(board, "cutoff_under_load")
		b.do("POST", path[serial]+"/observations", obj{"measurement": "pack_heat_triage", "outcome": "normal"}, 201)
		fault := b.do("POST", path[serial]+"/faults", obj{"cause": "interbox_burned"}, 201).text("id")
		b.do("POST", path[serial]+"/state", obj{"to": "repairing"}, 200)
		repair[serial] = obj{"fault_id": fault, "action": "replaced", "minutes": 5}
	}
	fit := func(board, part, serial string, removed ...string) obj {
		r := obj{"parts": []obj{{"part_id": part, "quantity": 1, "serial": serial}}, "removed": append([]string{}, removed...)}
		for k, v := range repair[board] {
			r[k] = v
		}
		return r
	}
	b.do("POST", path["PIECE-1"]+"/repairs", fit("PIECE-1", one, "K7"), 201)
	b.refuse("POST", path["PIECE-2"]+"/repairs", fit("PIECE-2", one, "k7"), 409, "serial")
	file := b.do("GET", path["PIECE-1"], nil, 200)
	installed := b.do("GET", v1+"/boards/"+file.text("board.id"), nil, 200).text("installed_parts.0.id")
	b.do("POST", path["PIECE-1"]+"/repairs", fit("PIECE-1", two, "", installed), 201)
	b.do("POST", path["PIECE-2"]+"/repairs", fit("PIECE-2", one, "K7"), 201)
	detail := b.do("GET", v1+"/recurrence/part/"+one+"?against="+two, nil, 200)
	if detail.text("life.moved.0.serial") != "K7" || len(detail.list("life.moved.0.stays")) != 2 || detail.find("life.first") == nil {
		t.Errorf("history of the piece %s", detail.raw)
	}
	if detail.text("against.lives.of") != "from fitting to the first failure" || len(detail.list("against.lives.sides")) != 2 || detail.text("against.lives.log_rank.p_kind") == "" {
		t.Errorf("two lives %s", detail.raw)
	}
}
