package api_test

import (
	"net/url"
	"strings"
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
