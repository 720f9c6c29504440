package faultlib

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// wholeExample is the path under which the loader reports an example that came
// out differently; rehearse says the same at the field.
var wholeExample = regexp.MustCompile(`^examples\[\d+\]$`)

// take carries an issue of the loaded file over to the form. Warnings about the
// rest of the library are not the form's.
func (c *composer) take(i Issue) {
	field, ours := c.field(i.Path)
	switch {
	case !ours && i.Severity == Warning:
		return
	case !ours:
		i.Message = "in the library itself: " + i.Path + ": " + i.Message
	case c.tried && wholeExample.MatchString(field):
		return
	}
	i.Path = field
	if i.Severity == Error && field != "" && slices.ContainsFunc(c.issues, func(o Issue) bool { return o.Path == field }) {
		return // said already, and in the form's words
	}
	c.issues = append(c.issues, i)
}

// field is the form's name for a place of the file.
func (c *composer) field(path string) (name string, ours bool) {
	m := &c.placed
	if path == "measurements."+m.ID {
		return "", true
	}
	if rest, ok := strings.CutPrefix(path, "measurements."+m.ID+"."); ok {
		if id, ok := strings.CutPrefix(rest, "params."); ok {
			return c.param(id), true
		}
		return rest, true
	}
	for k := len(c.own.Links) - 1; k >= 0; k-- {
		l := c.own.Links[k]
		row := "links." + l.Cause + ".outcomes." + m.ID
		if path == row || path == row+"."+l.Outcome {
			return fmt.Sprintf("links[%d].p", k), true
		}
	}
	return "", false
}

// param finds the last limit of that name: the second of two is the one too many.
func (c *composer) param(id string) string {
	for i := len(c.own.Params) - 1; i >= 0; i-- {
		if c.own.Params[i].ID == id {
			return fmt.Sprintf("params[%d].id", i)
		}
	}
	return "params"
}

// uniqueFields drops what is said twice about a field and puts errors first.
func uniqueFields(list []Issue) []Issue {
	var out []Issue
	for _, sev := range []Severity{Error, Warning} {
		for _, i := range list {
			if i.Severity == sev && !slices.ContainsFunc(out, func(o Issue) bool { return o.Path == i.Path && o.Message == i.Message }) {
				out = append(out, i)
			}
		}
	}
	return out
}
