package web

import (
	"context"
	"net/url"

	"nextprobe/internal/shop"
)

// RecurrenceFilters are the fields that narrow a recurrence report. They are named as
// in the REST service.
type RecurrenceFilters struct {
	Models, Components, Families, Causes, FailureModes []Option
	Open                                               bool // one of them is chosen or refused
}

// recurrenceFilterFields are the fields with their place in the filter.
var recurrenceFilterFields = []struct {
	name string
	of   func(*shop.RecurrenceFilter) *string
}{
	{"model", func(f *shop.RecurrenceFilter) *string { return &f.Model }},
	{"component", func(f *shop.RecurrenceFilter) *string { return &f.Component }},
	{"connector_family", func(f *shop.RecurrenceFilter) *string { return &f.Family }},
	{"cause", func(f *shop.RecurrenceFilter) *string { return &f.Cause }},
	{"failure_mode", func(f *shop.RecurrenceFilter) *string { return &f.FailureMode }},
}

// recurrenceAddress is the question as parameters, with what it is narrowed to, for
// every link that leads on from it.
func recurrenceAddress(q shop.RecurrenceQuery, exposure string, f *Form) url.Values {
	v := url.Values{"group": {string(q.Group)}, "exposure": {exposure}, "from": {f.Get("from")}, "to": {f.Get("to")}}
	for _, field := range recurrenceFilterFields {
		if s := *field.of(&q.Filter); s != "" {
			v.Set(field.name, s)
		}
	}
	return v
}

// withoutRefused takes filters out of a query that were refused, says so beside their
// fields, and reports whether there were any.
func withoutRefused(q *shop.RecurrenceQuery, f *Form, err error) bool {
	pe := userMistake(err)
	if pe == nil {
		return false
	}
	found := false
	for _, wrong := range pe.Fields {
		for _, field := range recurrenceFilterFields {
			if v := field.of(&q.Filter); field.name == wrong.Field && *v != "" {
				f.reject(field.name, wrong.Message)
				*v, found = "", true
			}
		}
	}
	return found
}

// recurrenceFilters lists what can be chosen. A value from an earlier edition of the
// library stays chosen under its id.
func (p *Pages) recurrenceFilters(ctx context.Context, a shop.Actor, q shop.RecurrenceQuery, f *Form) (RecurrenceFilters, error) {
	c, err := p.svc.RecurrenceChoices(ctx, a)
	if err != nil {
		return RecurrenceFilters{}, err
	}
	options := func(list []shop.RecurrenceChoice, chosen string) []Option {
		out := []Option{{Value: "", Label: "all"}}
		known := chosen == ""
		for _, v := range list {
			out = append(out, Option{Value: v.Key, Label: v.Name})
			known = known || v.Key == chosen
		}
		if !known {
			out = append(out, Option{Value: chosen, Label: words(chosen)})
		}
		return out
	}
	out := RecurrenceFilters{Open: q.Filtered(), Models: options(c.Models, q.Filter.Model), Components: options(c.Components, q.Filter.Component),
		Families: options(c.Families, q.Filter.Family), Causes: options(c.Causes, q.Filter.Cause), FailureModes: options(c.FailureModes, q.Filter.FailureMode)}
	for _, field := range recurrenceFilterFields {
		out.Open = out.Open || f.Error(field.name) != ""
	}
	return out, nil
}
