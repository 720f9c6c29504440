// Package httpkit is what the REST service and the pages share of HTTP: the one
// mapping of errors to answers, the middleware around every handler, strict
// reading of JSON bodies, and the counters. It knows nothing of the domain.
package httpkit

import (
	"context"
	"errors"
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
)

// MediaProblem is the media type of a mistake (RFC 9457).
const MediaProblem = "application/problem+json"

// typeBase makes the `type` of a problem: a tag URI (RFC 4151), since nothing
// needs to be fetched from it.
const typeBase = "tag:nextprobe.example,2026:"

// StatusClientClosed is logged for a request whose client went away; nobody reads the answer.
const StatusClientClosed = 499

// Document is an RFC 9457 problem document.
type Document struct {
	Type      string          `json:"type"`
	Title     string          `json:"title"`
	Status    int             `json:"status"`
	Detail    string          `json:"detail"`
	Instance  string          `json:"instance"`
	RequestID string          `json:"request_id"`
	Errors    []problem.Field `json:"errors,omitempty"`
}

type kind struct {
	status int
	title  string
}

// kinds is the one mapping of a mistake's code to HTTP.
var kinds = map[problem.Code]kind{
	problem.Invalid:          {http.StatusBadRequest, "The request needs another look"},
	problem.NotFound:         {http.StatusNotFound, "Not found"},
	problem.Conflict:         {http.StatusConflict, "Not possible in the present state"},
	problem.Stale:            {http.StatusPreconditionFailed, "Changed by someone else"},
	problem.Unauthorized:     {http.StatusUnauthorized, "Not signed in"},
	problem.Forbidden:        {http.StatusForbidden, "Not allowed"},
	problem.TooLarge:         {http.StatusRequestEntityTooLarge, "Too large"},
	problem.UnsupportedMedia: {http.StatusUnsupportedMediaType, "Media type not supported"},
	problem.TooMany:          {http.StatusTooManyRequests, "Too many attempts"},
	problem.Unavailable:      {http.StatusServiceUnavailable, "Not available now"},
}

// Status returns the HTTP status of a code; 500 for an unknown one.
func Status(code problem.Code) int {
	if k, ok := kinds[code]; ok {
		return k.status
	}
	return http.StatusInternalServerError
}

// Describe turns any error into what the caller may know of it. broken reports
// whether the mistake is ours, so that its detail belongs in the log.
func Describe(err error) (doc Document, broken bool) {
	if p := problem.As(err); p != nil {
		if k, ok := kinds[p.Code]; ok {
			return Document{Type: typeBase + string(p.Code), Title: k.title, Status: k.status, Detail: p.Message, Errors: p.Fields},
				p.Code == problem.Unavailable
		}
	}
	var h *echo.HTTPError
	switch {
	case errors.As(err, &h):
		return describeEcho(h)
	case errors.Is(err, context.Canceled):
		return Document{Type: typeBase + "client_closed", Title: "Request given up", Status: StatusClientClosed, Detail: "The client closed the request."}, false
	case errors.Is(err, context.DeadlineExceeded):
		return Document{Type: typeBase + "timeout", Title: "Took too long", Status: http.StatusServiceUnavailable,
			Detail: "This took longer than a request may take; try again, or ask for less."}, true
	}
	return Document{Type: typeBase + "internal", Title: "Something broke here", Status: http.StatusInternalServerError,
		Detail: "Something broke here, not in your request. The log has the detail under the request id."}, true
}

// describeEcho covers what the router and echo's own middleware refuse. Their
// messages are not shown: they may quote what went wrong inside.
func describeEcho(h *echo.HTTPError) (Document, bool) {
	doc := Document{Type: "about:blank", Title: http.StatusText(h.Code), Status: h.Code}
	switch h.Code {
	case http.StatusNotFound:
		doc.Detail = "There is nothing at this address."
	case http.StatusMethodNotAllowed:
		doc.Detail = "This address does not take this method; the Allow header names those it takes."
	case http.StatusServiceUnavailable:
		doc.Detail = "This took longer than a request may take; try again, or ask for less."
	default:
		doc.Detail = http.StatusText(h.Code) + "."
	}
	return doc, h.Code >= http.StatusInternalServerError
}
