package store

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"nextprobe/internal/problem"
)

// rule says in the caller's words what breaking a constraint means.
type rule struct {
	code    problem.Code
	field   string // "" when no single field is at fault
	message string // what would be right; a full sentence where there is no field
}

// mapError turns what pgx returns into what callers get: a *problem.Error for
// what the caller did or when the database does not answer, else the error
// itself with a word on where it came from. It is the only place that reads
// SQLSTATE codes (PostgreSQL documentation, appendix A).
func mapError(err error) error {
	if err == nil || problem.As(err) != nil {
		return err
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return problem.New(problem.NotFound, "There is no such thing in this shop.").Because(err)
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		if p := mapPgError(pg); p != nil {
			return p.Because(err)
		}
		return fmt.Errorf("database: %w", err)
	}
	var connect *pgconn.ConnectError
	if errors.As(err, &connect) {
		return errUnavailable.Because(err)
	}
	return fmt.Errorf("database: %w", err)
}

var errUnavailable = problem.New(problem.Unavailable, "The database does not answer; try again in a moment.")

func mapPgError(pg *pgconn.PgError) *problem.Error {
	switch {
	case strings.HasPrefix(pg.Code, "23"): // integrity constraint violation
		r, ok := constraints[pg.ConstraintName]
		if !ok {
			return nil
		}
		if r.field == "" {
			return problem.New(r.code, "%s", r.message)
		}
		return problem.New(r.code, "%s: %s", r.field, r.message).With(r.field, "%s", r.message)
	case pg.Code == "40001" || pg.Code == "40P01": // serialization failure, deadlock
		return problem.New(problem.Conflict, "Someone else changed the same records at the same moment; try again.")
	case pg.Code == "22021" || pg.Code == "22P05": // character not in repertoire, untranslatable character
		return problem.New(problem.Invalid, "A text contains a character that cannot be stored (such as a NUL).")
	case pg.Code == "22003": // numeric value out of range
		return problem.New(problem.Invalid, "A number is out of range.")
	case strings.HasPrefix(pg.Code, "22"): // other data exceptions
		return problem.New(problem.Invalid, "A value does not have the form it needs.")
	case strings.HasPrefix(pg.Code, "08"), // connection exception
		strings.HasPrefix(pg.Code, "57P"), // shutdown, crash, cannot connect now
		pg.Code == "53300":                // too many connections
		return errUnavailable
	}
	return nil
}

func notFound(thing string) *problem.Error {
	return problem.New(problem.NotFound, "There is no such %s in this shop.", thing)
}

func stale(thing string) *problem.Error {
	return problem.New(problem.Stale, "The %s was changed since you read it; look at it again and repeat your change.", thing)
}
