// Package problem holds the one error type of nextprobe: a value with a code,
// a message for the person who caused it, and the fields at fault. It knows
// nothing of HTTP or Postgres; api and web map its codes to answers in one
// place, store maps database errors to it in one place.
package problem

import (
	"errors"
	"fmt"
	"strings"
)

// Code says what kind of mistake happened. The set is closed: whoever adds a
// code adds its mapping to HTTP too.
type Code string

const (
	// Invalid input: a field is missing, malformed, out of range or contradicts another.
	Invalid Code = "invalid"
	// NotFound says that the thing named does not exist in this shop.
	NotFound Code = "not_found"
	// Conflict says that the request is well formed but the present state forbids it
	// (a state change that is not allowed, a symptom twice, stock below zero).
	Conflict Code = "conflict"
	// Stale says that the thing was changed since the caller read it (If-Match failed).
	Stale Code = "stale"
	// Unauthorized says that there are no credentials, or unknown ones.
	Unauthorized Code = "unauthorized"
	// Forbidden says that the credentials are known, but without the right to do this.
	Forbidden Code = "forbidden"
	// TooLarge says that the body exceeds the limit.
	TooLarge Code = "too_large"
	// UnsupportedMedia says that the body is not of a media type this endpoint takes.
	UnsupportedMedia Code = "unsupported_media"
	// TooMany says that there were too many attempts; try again later.
	TooMany Code = "too_many"
	// Unavailable says that a part this needs (the database) does not answer now.
	Unavailable Code = "unavailable"
)

// Field names one field at fault, in the caller's own naming (`readings.r_ab`),
// and says what would be right.
type Field struct {
	Field   string `json:"field"`
	Message string `json:"message"`
}

// Error is the error value. Message is a full sentence that may be shown to the user.
type Error struct {
	Code    Code
	Message string
	Fields  []Field
	cause   error
}

// Error returns the message with its fields, for logs.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(string(e.Code))
	b.WriteString(": ")
	b.WriteString(e.Message)
	for _, f := range e.Fields {
		fmt.Fprintf(&b, " [%s: %s]", f.Field, f.Message)
	}
	if e.cause != nil {
		b.WriteString(": ")
		b.WriteString(e.cause.Error())
	}
	return b.String()
}

// Unwrap returns the error behind this one; it is for the log, never for the user.
func (e *Error) Unwrap() error { return e.cause }

// New returns an error with a code and a formatted message.
func New(code Code, format string, args ...any) *Error {
	return &Error{Code: code, Message: fmt.Sprintf(format, args...)}
}

// InField returns an Invalid error about one field.
func InField(field, format string, args ...any) *Error {
	msg := fmt.Sprintf(format, args...)
	return &Error{Code: Invalid, Message: field + ": " + msg, Fields: []Field{{Field: field, Message: msg}}}
}

// InFields returns an Invalid error about several fields, or nil when there are none.
// The nil is untyped so that callers may return it directly.
func InFields(fields []Field) error {
	switch len(fields) {
	case 0:
		return nil
	case 1:
		return InField(fields[0].Field, "%s", fields[0].Message)
	}
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = f.Field
	}
	return &Error{Code: Invalid, Message: "Several fields need another look: " + strings.Join(names, ", ") + ".", Fields: fields}
}

// With returns a copy of e that names a field.
func (e *Error) With(field, format string, args ...any) *Error {
	c := *e
	c.Fields = append(append([]Field(nil), e.Fields...), Field{Field: field, Message: fmt.Sprintf(format, args...)})
	return &c
}

// Because returns a copy of e that wraps cause for the log.
func (e *Error) Because(cause error) *Error {
	c := *e
	c.cause = cause
	return &c
}

// As returns the *Error in err's chain, or nil.
func As(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return nil
}

// Is reports whether err carries the code.
func Is(err error, code Code) bool {
	e := As(err)
	return e != nil && e.Code == code
}
